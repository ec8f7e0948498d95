"""At the stand: what must not disappear between two correct steps. Each case is one that would have been missed."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from invented_cases import invented_case
from plain_reference import Case

from trackbal.commands.group import run as run_command

CASE = invented_case(51, size=0.3).with_rotor(
    limits={"vibration": 0.2, "vibration_stop": 1.5, "height_spread": 20.0, "height_spread_stop": 120.0}
)
QUIET = replace(
    CASE,
    readings={
        (r["name"], s["name"]): (0.02 + 0.001 * i, 40.0) for i, r in enumerate(CASE.regimes) for s in CASE.sensors
    },
    heights={r["name"]: {"b1": 1.0, "b2": 2.0, "b3": 3.5} for r in CASE.regimes},
)
LINE = "r1,{},10,0.02,40,1,2,3.5"  # of the regime r1: s0.amp, s0.deg, s1.amp, s1.deg, heights


class Stand:
    """A folder with the files of a case, and the commands on them."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys

    def write(self, case: Case) -> None:
        self.files = case.write(self.folder)

    def add(self, *lines: str) -> None:
        """Add lines to the run sheet, under columns regime, rpm, amplitudes and phases, heights."""
        sheet = self.folder / "run.csv"
        sheet.write_text(sheet.read_text() + "".join(f"{line}\n" for line in lines))

    def sheet(self, text: str) -> None:
        (self.folder / "run.csv").write_text(text)

    def call(self, command: str, *more: str) -> tuple[int, str, str]:
        files = self.files if command == "advise" else self.files[:4]
        code = run_command([command, *map(str, files), *more])
        out = self.capsys.readouterr()
        return code, out.out, out.err

    def json(self, command: str, *more: str) -> tuple[int, dict]:
        code, out, err = self.call(command, "--json", *more)
        assert err == "" and code in (0, 1), err
        return code, json.loads(out)


@pytest.fixture
def stand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Stand:
    made = Stand(tmp_path, capsys)
    made.write(QUIET)
    return made


HEAD = "regime,s0.amp,s0.deg,s1.amp,s1.deg,height.b1,height.b2,height.b3\n"
R0 = "r0,0.02,40,0.021,40,1,2,3.5\n"


def sheet_of(*rows: str) -> str:
    return HEAD + R0 + "".join(f"{row}\n" for row in rows)


# ------------------------------------------------------------------------------ single readings before means


def test_a_stop_is_not_averaged_away(stand: Stand) -> None:
    stand.sheet(sheet_of("r1,1.9,10,0.02,40,1,2,3.5", "r1,1.9,190,0.02,40,1,2,3.5"))
    code, checked = stand.json("check")
    assert (code, checked["stop"], checked["inside"]) == (1, True, False)
    worst = checked["readings"][0]
    assert (worst["largest"], worst["count"]) == (pytest.approx(1.9), 2) and worst["value"] < 1e-9
    code, advice = stand.json("advise")
    assert (code, advice["verdict"], advice["plans"]) == (1, "stop", [])
    said = " ".join(stand.call("check")[1].split())
    assert "invented: STOP: a reading is at or above its stop limit; worst 9.5" in said


def test_one_of_two_readings_at_its_stop_stops(stand: Stand) -> None:
    stand.sheet(sheet_of("r1,1.60,10,0.02,40,1,2,3.5", "r1,0.01,10,0.02,40,1,2,3.5"))
    assert stand.json("advise")[1]["verdict"] == "stop"


def test_tips_far_apart_in_opposite_order_stop(stand: Stand) -> None:
    stand.sheet(sheet_of("r1,0.02,10,0.02,40,0,100,200", "r1,0.02,10,0.02,40,200,100,0"))
    checked = stand.json("check")[1]
    assert checked["stop"] and [r["count"] for r in checked["readings"] if r["regime"] == "r1"] == [2, 2, 2]
    assert [r["count"] for r in checked["readings"] if r["regime"] == "r0"] == [1, 1, 1]
    assert stand.json("advise")[1]["verdict"] == "stop"


def test_a_single_reading_over_its_limit_is_not_inside(stand: Stand) -> None:
    stand.sheet(sheet_of("r1,0.205,10,0.02,40,1,2,3.5", "r1,0.18,10,0.02,40,1,2,3.5"))
    code, checked = stand.json("check")
    assert (code, checked["inside"]) == (1, False) and checked["worst"] == pytest.approx(0.205 / 0.2)
    assert stand.json("advise")[1]["verdict"] == "adjust"


def test_repeats_that_contradict_each_other_are_not_inside(stand: Stand) -> None:
    """Either is inside; they cannot both be right, and the third may be anywhere."""
    stand.sheet(sheet_of("r1,0.18,10,0.02,40,1,2,3.5", "r1,0.18,190,0.02,40,1,2,3.5"))
    code, checked = stand.json("check")
    assert (code, checked["inside"]) == (1, False)
    code, advice = stand.json("advise")
    assert (code, advice["verdict"], advice["recommended"]) == (1, "investigate", 0)
    assert any(c.startswith("Read again before anything is done: r1, s0") for c in advice["cautions"])
    assert not any("mechanical" in c for c in advice["cautions"])  # nothing is known to be wrong with the rotor
    said = " ".join(stand.call("advise")[1].split())
    assert "invented: READ AGAIN. r1, s0: its 2 readings contradict each other" in said


def test_repeats_far_inside_may_scatter(stand: Stand) -> None:
    stand.sheet(sheet_of("r1,0.02,10,0.02,40,1,2,3.5", "r1,0.03,190,0.02,40,1,2,3.5"))
    assert stand.json("check")[1]["inside"]
    assert stand.json("advise")[1]["verdict"] == "inside"


# ------------------------------------------------------------------------------ what was not read


def test_one_reading_of_many_is_not_a_whole_run(stand: Stand) -> None:
    stand.sheet("regime,s0.amp,s0.deg\nr1,0.02,40\n")
    code, advice = stand.json("advise")
    assert (code, advice["verdict"], advice["finished"]) == (1, "inside", False)
    assert {(u["regime"], u["sensor"]) for u in advice["not_read"]} == {("r0", None), ("r1", "s1"), ("r1", "height")}
    text = " ".join(stand.call("advise")[1].split())
    assert "invented: inside in 1 of 6 readings only" in text and "Not read: r0; r1: s1, tip heights." in text
    card = stand.folder / "card.html"
    stand.call("advise", "--card", str(card))
    page = card.read_text()
    assert "INSIDE IN 1 of 6 readings ONLY" in page and "Nothing is to be done" not in page
    assert "Read too" in page


def test_heights_alone_are_not_a_whole_run(stand: Stand) -> None:
    stand.sheet("regime,height.b1,height.b2,height.b3\nr0,1,2,3.5\nr1,1,2,3.5\n")
    assert stand.call("check")[0] == stand.call("advise")[0] == 1


def test_a_missing_tip_does_not_hide_a_stop(stand: Stand) -> None:
    stand.sheet(sheet_of("r1,0.02,10,0.02,40,0,500,"))
    code, checked = stand.json("check")
    assert (code, checked["stop"]) == (1, True)
    assert stand.json("advise")[1]["verdict"] == "stop"


@pytest.mark.parametrize(("spread", "inside", "verdict"), [(15, True, "inside"), (30, False, "investigate")])
def test_the_spread_of_some_tips_may_be_over_and_never_passes(
    stand: Stand, spread: float, inside: bool, verdict: str
) -> None:
    stand.sheet(sheet_of(f"r1,0.02,10,0.02,40,0,{spread},"))
    code, checked = stand.json("check")
    assert (code, checked["inside"], checked["finished"]) == (1, inside, False)
    assert stand.json("advise")[1]["verdict"] == verdict
    assert {"regime": "r1", "sensor": "height"} in checked["not_read"]


def test_heights_where_none_are_taken_are_said(stand: Stand) -> None:
    regimes = [CASE.regimes[0], CASE.regimes[1] | {"heights": False}]
    stand.write(QUIET.with_rotor(regimes=regimes))
    stand.sheet(sheet_of("r1,0.02,10,0.02,40,999,,"))
    doubts = stand.json("check")[1]["doubts"]
    assert [d["kind"] for d in doubts if d["regime"] == "r1"] == ["heights_not_wanted"]


# ------------------------------------------------------------------------------ speed, stops, ladder


def test_a_speed_typed_a_tenth_hides_no_stop(stand: Stand) -> None:
    """50 mil peak to peak at 240 rpm are 0.63 ips, over a limit of 0.2; at 24 rpm they would be a tenth of that."""
    for rpm, inside in (("240", False), ("24", False)):
        text = f"regime,rpm,s0.amp [mil],s0.deg\nr0,{rpm},50,40\n"
        stand.write(QUIET.with_rotor(sensors=[CASE.sensors[0] | {"unit": "ips"}, CASE.sensors[1]]))
        stand.sheet(text)
        code, checked = stand.json("check")
        assert (code, checked["inside"]) == (1, inside)
    assert any(d["kind"] == "speed" for d in checked["doubts"])
    assert "rotor speed that is in doubt" in checked["readings"][0]["questioned"]


def test_a_speed_in_doubt_stops_at_either_speed(stand: Stand) -> None:
    """100 mil at 240 rpm are 1.257 ips (half of 0.1 in times 8 pi a second), over a stop of 1.2; at 140 rpm 0.73."""
    sensors = [CASE.sensors[0] | {"unit": "ips", "stop": 1.2}, CASE.sensors[1]]
    stand.write(QUIET.with_rotor(sensors=sensors))
    for column, rpm, stopped in (("mil", 140, True), ("mil", 235, True), ("mil", 220, False), ("mm/s", 140, False)):
        read = {"mil": 100, "mm/s": 20}[column] * (0.9 if rpm == 220 else 1.0)
        stand.sheet(f"regime,rpm,s0.amp [{column}],s0.deg\nr0,{rpm},{read},40\n")
        assert stand.json("check")[1]["stop"] is stopped, (column, rpm)
        advice = stand.json("advise")[1]
        assert (advice["verdict"] == "stop") is stopped, (column, rpm)
        assert any("1.257 at the usual one: a stop" in c for c in advice["cautions"]) is (rpm == 140 and stopped)


@pytest.mark.parametrize(
    ("rpm", "doubted", "far", "refused"),
    [
        (243, False, False, False),
        (250, True, False, False),
        (280, True, True, False),
        (130, True, True, False),
        (120, True, True, False),  # half and twice the usual are still taken as read
        (480, True, True, False),
        (110, True, True, True),
        (2400, True, True, True),
    ],
)
def test_another_speed_is_questioned_and_an_impossible_one_refused(
    stand: Stand, rpm: int, doubted: bool, far: bool, refused: bool
) -> None:
    stand.sheet(f"regime,rpm,s0.amp,s0.deg\nr1,240,0.1,40\nr0,{rpm},0.5,40\n")
    found = [d["text"] for d in stand.json("check")[1]["doubts"] if d["kind"] == "speed"]
    assert bool(found) is doubted and any("no chance here knows of" in text for text in found) is far
    code, out, err = stand.call("advise")
    assert (code == 2) is refused
    where = f"run.csv, row 3, column rpm: found 'r0 run at {rpm} rpm', expected a speed near the usual 240"
    assert (where in err and err.count("\n") == 1) is refused
    if far and not refused:
        assert f"run at {rpm} rpm" in " ".join(out.split())


def test_a_regime_has_a_usual_speed_of_its_own(stand: Stand) -> None:
    """Ground idle at 110 rpm of a 240 rpm rotor: no doubt, and what is converted is so at 110; 240 is far there."""
    regimes = [CASE.regimes[0] | {"rpm": 110.0}, *CASE.regimes[1:]]
    stand.write(CASE.with_rotor(regimes=regimes, sensors=[CASE.sensors[0] | {"unit": "ips"}, CASE.sensors[1]]))
    for typed, rpm in (("", 110.0), ("111", 111.0)):
        stand.sheet(f"regime,rpm,s0.amp [mil],s0.deg\nr0,{typed},50,40\n")
        code, checked = stand.json("check")
        assert code == 1 and not [d for d in checked["doubts"] if d["kind"] == "speed"]
        assert checked["readings"][0]["value"] == pytest.approx(0.025 * 2.0 * math.pi * rpm / 60.0, rel=1e-9)
        assert stand.json("advise")[0] in (0, 1)
    stand.sheet("regime,rpm,s0.amp,s0.deg\nr0,240,0.5,40\n")
    assert "off the usual 110" in next(d["text"] for d in stand.json("check")[1]["doubts"])
    assert stand.call("advise")[0] == 2


def test_that_no_stop_is_set_is_said(stand: Stand) -> None:
    bare = QUIET.with_rotor(limits={"vibration": 0.2, "height_spread": 20.0})
    stand.write(bare)
    stand.sheet("regime,s0.amp,s0.deg\nr0,9.8,40\n")
    assert any(n["kind"] == "no_stop" for n in stand.json("check")[1]["notes"])
    assert any("No stop limit is set for every reading" in c for c in stand.json("advise")[1]["cautions"])
    card = stand.folder / "card.html"
    stand.call("advise", "--card", str(card))
    assert "No stop limit is set for every reading" in card.read_text()
    stand.write(QUIET)
    assert not any(n["kind"] == "no_stop" for n in stand.json("check")[1]["notes"])


def test_only_what_the_whole_ladder_cannot_cure_is_a_mechanical_matter(stand: Stand) -> None:
    """One step takes off 0.25 limits; six of them cure 1.4, one does not, and --most 1 makes no fault of it."""
    push = {"adjuster": "a0", "regime": "r1", "sensor": "s0", "re": 0.005, "im": 0.0, "cov": [[0, 0], [0, 0]]}
    case = replace(
        QUIET,
        readings={("r1", "s0"): (0.28, 180.0)},
        heights={},
        influence=QUIET.influence | {"rows": [push], "noise": []},
    ).with_rotor(
        adjusters=[CASE.adjusters[0] | {"minimum": 0.0, "maximum": 10.0}],
        sensors=[s | {"harmonic": 6} for s in CASE.sensors],
    )
    stand.write(case)
    _, few = stand.json("advise", "--most", "1")
    _, many = stand.json("advise", "--most", "3")
    assert many["verdict"] == "adjust" and many["plans"][2]["worst_ratio"] <= 1.0
    assert few["verdict"] == "adjust" and len(few["plans"]) == 2 and few["plans"][1]["worst_ratio"] > 1.0
    assert any("--most allows them" in c for c in few["cautions"])


def test_a_card_of_many_sensors_pictures_the_worst(stand: Stand) -> None:
    case = invented_case(5, sensors=40, regimes=1, blades=3, size=0.4)
    worst = {("r0", "s31"): (1.1, 40.0), ("r0", "s7"): (1.0, 40.0)}
    stand.write(replace(case, readings=case.readings | worst))
    card = stand.folder / "card.html"
    stand.call("advise", "--most", "1", "--card", str(card))
    page = card.read_text()
    assert "16 of 40 sensors with the worst readings" in page
    pictured = [f"s{k}" for k in range(40) if f"s{k}, vertical, as part of the limit" in page]
    assert len(pictured) == 16 and {"s31", "s7"} <= set(pictured)
