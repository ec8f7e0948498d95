"""How far a run has come, in words that release nothing."""

from __future__ import annotations

import re

import pytest
from invented_rotor import ROTOR
from logbook.logbook_cases import TOML

from trackbal.check.review import check_run
from trackbal.check.stages import stage_words, stages
from trackbal.logbook.rows import Cell, run_of_rows
from trackbal.runs.rotor import Rotor


def reviewed(read: dict[str, float], without: tuple[str, ...] = ()):
    rows = []
    for regime in ROTOR.regimes:
        if regime.name not in read:
            continue
        row = {"regime": Cell(regime.name)}
        for i, sensor in enumerate(s for s in ROTOR.sensors if s.name not in without):
            row[f"{sensor.name}.amp"] = Cell(f"{read[regime.name] * (1.0 if sensor.unit == 'ips' else 0.1):.4f}")
            row[f"{sensor.name}.deg"] = Cell(str(10 + 7 * i))
        if regime.heights:
            row |= {f"height.{b}": Cell(h) for b, h in zip("1234", "1593", strict=True)}
        rows.append(row)
    return check_run(ROTOR, run_of_rows(ROTOR, rows, "test"))


@pytest.mark.parametrize(
    ("read", "states", "words"),
    [
        (
            {"flat_pitch": 0.1},
            "inside unread unread unread",
            "All ground readings inside limits as read; next in order: hover",
        ),
        (
            {"flat_pitch": 0.1, "hover": 0.5},
            "inside outside unread unread",
            "hover: outside limits; unread: cruise, descent",
        ),
        ({"flat_pitch": 0.5}, "outside unread unread unread", "Ground: outside limits; unread: hover, cruise, descent"),
    ],
)
def test_stages_in_the_order_of_flying(read, states, words):
    review = reviewed(read)
    assert [stage.state for stage in stages(ROTOR, review)] == states.split()
    said = stage_words(ROTOR, review)
    assert words in said and said.endswith("the manual and licensed people decide.")


def test_what_was_not_read_of_a_stage_is_said():
    review = reviewed({"flat_pitch": 0.1}, without=("cockpit_lateral",))
    assert stages(ROTOR, review)[0].state == "part"
    assert "Ground: inside where read, but not all of it was read" in stage_words(ROTOR, review)


def test_all_ground_regimes_are_one_stage():
    rotor = Rotor.parse(re.sub(r'(label = "Hover"\n.*\n)airborne = true', r"\1", TOML), "test")
    found = stages(rotor, check_run(rotor, run_of_rows(rotor, [], "x")))
    assert [stage.name for stage in found][:2] == ["ground", "cruise"] and found[0].regimes == (0, 1)
