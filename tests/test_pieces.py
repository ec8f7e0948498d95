"""Hardware in pieces: what can be fitted, the words of an exchange, and plans against every combination tried."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from advised_case import advised, change_of
from how_much import much
from invented_cases import invented_case
from plain_reference import no_change

from trackbal.base.errors import InputError
from trackbal.runs.pieces import change_choices, exchange_words, fitted_words, piece_cautions, sets_of
from trackbal.runs.rotor import Adjuster, Piece, Rotor
from trackbal.runs.sheets import read_settings

WASHERS = (Piece("washer A", 2.5, 3), Piece("washer B", 4.0, 2), Piece("plate", 11.0, 1))
STATION = Adjuster("hub", "weight", "g", 0.5, 0.0, 22.0, 22.0, "add", "remove", pieces=WASHERS, most_pieces=4)


def test_sets_are_all_that_fit():
    """Counted by hand with plain loops: at most four pieces, at most 22 g."""
    wanted = {
        (a, b, c)
        for a, b, c in itertools.product(range(4), range(3), range(2))
        if a + b + c <= 4 and 2.5 * a + 4.0 * b + 11.0 * c <= 22.0
    }
    found = sets_of(STATION)
    assert {tuple(n) for n in found.number.tolist()} == wanted
    np.testing.assert_allclose(found.total * 0.5, found.number @ [2.5, 4.0, 11.0])


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        (0.0, 2.5, "add 1 x washer A"),
        (2.5, 4.0, "remove 1 x washer A, add 1 x washer B"),
        (13.5, 5.0, "remove 1 x plate, add 1 x washer A"),
        (8.0, 8.0, ""),
        (0.5, 4.0, None),  # nothing comes to 0.5 g
        (4.0, 4.5, None),
    ],
)
def test_words_of_an_exchange(before, after, words):
    assert exchange_words(STATION, before, after) == words


def test_the_exchange_moves_the_fewest_pieces():
    """15 g is plate + B or 2 B + ... ; from plate + A (13.5 g) to plate + B, one piece goes and one comes."""
    assert exchange_words(STATION, 13.5, 15.0) == "remove 1 x washer A, add 1 x washer B"


def test_a_station_that_holds_exactly_one_bolt():
    bolts = (Piece("bolt 20", 8.0, 1), Piece("bolt 24", 9.5, 1), Piece("bolt 28", 11.0, 1))
    station = replace(STATION, minimum=8.0, maximum=11.0, pieces=bolts, least_pieces=1, most_pieces=1)
    assert sorted((sets_of(station).total * 0.5).tolist()) == [8.0, 9.5, 11.0]
    assert exchange_words(station, 8.0, 11.0) == "remove 1 x bolt 20, add 1 x bolt 28"
    assert fitted_words(station, 9.5) == "1 x bolt 24"


def in_pieces(seed, blades=3, **options):
    """Return a case whose first adjuster is made of pieces."""
    case = invented_case(seed, adjusters=2, blades=blades, reach=1, size=1.5, **options)
    pieces = [
        {"name": "A", "amount": 5.0, "most": 2},
        {"name": "B", "amount": 8.0, "most": 1},
        {"name": "C", "amount": 21.0, "most": 1},
    ]
    first = case.adjusters[0] | {"step": 1.0, "minimum": 0.0, "maximum": 40.0, "pieces": pieces, "most_pieces": 3}
    return case.with_rotor(adjusters=[first, case.adjusters[1]])


@pytest.mark.parametrize("seed", range(much(2, 4)))
def test_every_plan_is_the_best_of_every_combination(tmp_path, seed):
    """Against plain loops over all sets of pieces on all blades and all steps of the other adjuster."""
    case = replace(in_pieces(seed), settings={("a0", "b1"): 8.0, ("a0", "b3"): 26.0})
    answer = advised(case, tmp_path, most=3)
    totals = {5 * a + 8 * b + 21 * c for a, b, c in itertools.product(range(3), range(2), range(2)) if a + b + c <= 3}
    totals = [float(t) for t in totals if t <= 40]
    installed = {"b1": 8.0, "b2": 0.0, "b3": 26.0}
    ranges = {("a0", b): [t - installed[b] for t in totals] for b in case.blades}
    step = case.adjusters[1]["step"]
    ranges |= {("a1", b): [-step, 0.0, step] for b in case.blades}
    best = [np.inf] * 4
    keys = list(ranges)
    for m in range(4):
        for used in itertools.combinations(keys, m):
            for amounts in itertools.product(*([v for v in ranges[k] if v] for k in used)):
                change = no_change(case) | dict(zip(used, amounts, strict=True))
                best[m] = min(best[m], case.expected_cost(change))
    for plan, least in zip(answer["plans"], np.minimum.accumulate(best), strict=True):
        assert plan["proven"]
        assert plan["expected_cost"] == pytest.approx(least, rel=1e-9)
        assert plan["expected_cost"] == pytest.approx(case.expected_cost(change_of(case, plan)), rel=1e-9)
    moved = [a for a in answer["plans"][3]["adjustments"] if a["adjuster"] == "a0"]
    assert all(" x " in a["words"] for a in moved)


def test_a_setting_that_no_pieces_come_to_is_bad_input(tmp_path):
    case = replace(in_pieces(1), settings={("a0", "b2"): 7.0})
    case.write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    with pytest.raises(InputError, match=r"settings\.csv, row 2.*found '7.0'.*what its pieces can come to"):
        read_settings(rotor, tmp_path / "settings.csv")
    setting = np.zeros((2, 3))
    setting[0, 1] = 7.0
    with pytest.raises(InputError, match="a0 of blade b2 at 7 u"):
        change_choices(rotor, setting, *rotor.step_bounds(setting))


def test_pieces_that_are_not_whole_steps_are_bad_input(tmp_path):
    case = in_pieces(1)
    wrong = case.adjusters[0] | {"pieces": [{"name": "A", "amount": 5.5}]}
    case.with_rotor(adjusters=[wrong, case.adjusters[1]]).write(tmp_path)
    with pytest.raises(InputError, match=r"pieces\[1\]\.amount: found 5\.5, expected a multiple of the step 1"):
        Rotor.load(tmp_path / "rotor.toml")


def test_where_the_setting_does_not_say_which_pieces_are_fitted_it_is_said():
    pieces = (Piece("A", 2.0, 2), Piece("B", 4.0, 1))
    station = replace(STATION, pieces=pieces, step=1.0, maximum=8.0, most_pieces=None)
    from invented_rotor import rotor_with

    rotor = rotor_with(adjusters=(station,))
    setting, change = np.array([[4.0, 0.0, 2.0, 0.0]]), np.array([[2.0, 0.0, 2.0, 0.0]])
    said = piece_cautions(rotor, setting, change)
    assert len(said) == 1
    assert "blade 1" in said[0]
    assert "1 x B is taken to be fitted" in said[0]


STATION_TOML = """
[[adjusters]]
name = "hub_washers"
kind = "weight"
unit = "g"
step = 0.5
minimum = 0.0
maximum = 22.0
most_pieces = 3
positive = "add"
negative = "remove"
[[adjusters.pieces]]
name = "washer A"
amount = 2.5
most = 3
[[adjusters.pieces]]
name = "washer B"
amount = 4.0
most = 2
"""


def test_what_is_recorded_as_fitted_must_be_what_pieces_come_to(tmp_path, capsys, monkeypatch):
    """In a logbook as in `settle`: 5 g are two washers A, 6 g are nothing; --anyway records what truly is so."""
    from logbook.logbook_cases import TOML

    from trackbal.commands.group import run

    monkeypatch.setenv("TRACKBAL_BY", "tester")
    (tmp_path / "rotor.toml").write_text(TOML + STATION_TOML)
    (tmp_path / "run.csv").write_text("regime,cockpit_vertical.amp,cockpit_vertical.deg\nhover,0.4,100\n")
    (tmp_path / "now.csv").write_text("blade,adjuster,setting\n1,hub_washers,2.5\n")
    (tmp_path / "wrong.csv").write_text("blade,adjuster,setting\n1,hub_washers,6\n")
    rotor, book = ["--rotor", str(tmp_path / "rotor.toml")], str(tmp_path / "a.tblog")
    assert run(["log", "new", book, *rotor]) == 0
    capsys.readouterr()

    def refused(*words: str) -> None:
        assert run([*words]) == 2
        said = r"hub_washers of blade 1 (at|by \+3\.5 to) 6(\.0)? g.*what its pieces come to, next to it 5 or 6\.5"
        assert re.search(said, capsys.readouterr().err)

    refused("log", "start", book, "A", "--settings", str(tmp_path / "wrong.csv"))
    assert run(["log", "start", book, "A", "--settings", str(tmp_path / "now.csv")]) == 0
    assert run(["log", "run", book, str(tmp_path / "run.csv")]) in (0, 1)
    capsys.readouterr()
    done = ["log", "done", book, "--item", "1", "hub_washers"]
    refused(*done, "3.5")
    assert run([*done, "2.5"]) == 0  # two washers A
    correct = ["log", "correct", "done", book, "1", "1", "hub_washers"]
    capsys.readouterr()
    refused(*correct, "3.5")
    assert run([*correct, "4"]) == 0  # one A, one B
    refused("log", "correct", "setting", book, "1", "hub_washers", "6")
    assert run(["log", "correct", "setting", book, "1", "hub_washers", "6", "--anyway"]) == 0
    (tmp_path / "done.csv").write_text("blade,adjuster,amount\n1,hub_washers,3.5\n")
    capsys.readouterr()
    settings = ["--settings", str(tmp_path / "now.csv"), "--done", str(tmp_path / "done.csv")]
    refused("settle", *rotor, *settings, "--out", str(tmp_path / "new.csv"))
