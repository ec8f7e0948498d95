"""The files: one of another rotor, one that is damaged, one that would run something, half-written ones."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from invented_cases import invented_case
from plain_reference import Case

from trackbal.commands.group import run as run_command
from trackbal.influence.coefficients import Influence
from trackbal.runs.meaning import meaning
from trackbal.runs.rotor import Rotor

CASE = invented_case(51, size=1.5)


@pytest.fixture
def advise(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """Return a function that writes a case's files, made for the rotor of another if one is given, and advises."""

    def ask(case: Case, *more: str, made_for: Case | None = None) -> tuple[int, str, str]:
        if made_for is not None:
            made_for.write(tmp_path)
            bound = meaning(Rotor.load(tmp_path / "rotor.toml"))
            case = replace(case, influence=case.influence | {"made_for": bound})
        code = run_command(["advise", *map(str, case.write(tmp_path)), *more])
        out = capsys.readouterr()
        return code, out.out, out.err

    return ask


def sensors_with(**changes: Any) -> list[dict[str, Any]]:
    return [CASE.sensors[0] | changes, *CASE.sensors[1:]]


def adjusters_with(**changes: Any) -> list[dict[str, Any]]:
    return [CASE.adjusters[0] | changes, *CASE.adjusters[1:]]


OTHER_ROTORS = {
    "sensor-unit": (CASE.with_rotor(sensors=sensors_with(unit="mm/s")), "sensor s0: unit"),
    "harmonic": (CASE.with_rotor(sensors=sensors_with(harmonic=3)), "sensor s0: harmonic 1 then, 3 now"),
    "adjuster-unit": (CASE.with_rotor(adjusters=adjusters_with(unit="oz")), "adjuster a0: unit u then, oz now"),
    "azimuth": (CASE.with_rotor(azimuth_deg=[0.0, 100.0, 240.0]), "azimuth_deg 0, 120, 240 then"),
    "height-unit": (CASE.with_rotor(height_unit="in"), "height_unit mm then, in now"),
    "speed": (CASE.with_rotor(rpm=300.0), "rpm 240 then, 300 now"),
}


@pytest.mark.parametrize(("other", "said"), OTHER_ROTORS.values(), ids=OTHER_ROTORS)
def test_coefficients_of_another_rotor_are_refused(advise: Any, other: Case, said: str) -> None:
    code, _, err = advise(other, made_for=CASE)
    assert code == 2 and err.count("\n") == 1
    assert "influence.json, column made_for" in err and said in err


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (CASE.with_rotor(phase_sense="lead"), "phase_sense lag then, lead now"),
        (CASE.with_rotor(adjusters=adjusters_with(step=5.0)), "adjuster a0: step 10.0 then, 5.0 now"),
        (CASE.with_rotor(rpm=250.0), "rpm 240 then, 250 now"),
    ],
    ids=["phase-sense", "step", "speed"],
)
def test_what_makes_nothing_else_of_coefficients_is_said(advise: Any, other: Case, said: str) -> None:
    _, out, _ = advise(other, "--json", made_for=CASE)
    assert any(said in caution for caution in json.loads(out)["cautions"])


def test_a_file_that_does_not_say_what_it_is_for_is_used_and_named(advise: Any) -> None:
    _, out, _ = advise(CASE, "--json")
    assert sum("names no units or azimuths" in c for c in json.loads(out)["cautions"]) == 1
    _, out, _ = advise(CASE, "--json", made_for=CASE)
    assert not any("names no units or azimuths" in c for c in json.loads(out)["cautions"])


@pytest.mark.parametrize(
    ("key", "value"),
    [("sensors", []), ("rpm", "fast"), ("rpm", 0), ("blades", [1]), ("azimuth_deg", [0, "x", 2]), ("phase_sense", 3)],
)
def test_what_a_file_is_for_is_read_strictly(advise: Any, key: str, value: Any) -> None:
    broken = replace(CASE, influence=CASE.influence | {"made_for": {key: value}})
    code, _, err = advise(broken)
    assert code == 2 and f"made_for.{key}" in err and err.count("\n") == 1


def test_a_regime_read_without_any_row_makes_no_plan_likely(advise: Any) -> None:
    rows = [row for row in CASE.influence["rows"] if row["regime"] != "r1"]
    part = replace(CASE, influence=CASE.influence | {"rows": rows})
    answer = json.loads(advise(part, "--json")[1])
    assert answer["without_influence"] == ["r1"]
    assert sum("says nothing of r1" in c for c in answer["cautions"]) == 1
    if answer["verdict"] == "adjust":
        assert "not known (no influence for r1)" in " ".join(advise(part)[1].split())
    assert json.loads(advise(CASE, "--json")[1])["without_influence"] == []


def test_what_a_fit_writes_is_bound_and_stays_so(tmp_path: Path) -> None:
    CASE.write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    from trackbal.fitting.merge import restrict
    from trackbal.influence.influence_writer import influence_document

    loaded = Influence.load(tmp_path / "influence.json", rotor)
    assert "made_for" not in influence_document(rotor, restrict(rotor, loaded, regimes=["r0"]))
    bound = replace(loaded, made_for=meaning(rotor))
    assert influence_document(rotor, restrict(rotor, bound, regimes=["r0"]))["made_for"] == meaning(rotor)
