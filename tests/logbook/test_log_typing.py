"""A run typed reading by reading: checks, steps back, breaking off and going on."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from invented_rotor import ROTOR
from logbook_cases import Command, sheet, show

from trackbal.logbook.asking import Asking
from trackbal.logbook.records import find_job, load_job, load_lines
from trackbal.logbook.rows import Cell
from trackbal.logbook.store import Book

REGIME = ["0.31 124", "0.12", "350", ""]  # two sensors, one typed together; tail not read
HEIGHTS = ["1", "-1", "2", "-2"]
REST = ["skip", "skip", "skip"]


def typed(book: Path) -> dict[int, dict[str, Cell]]:
    with Book.open(book) as opened:
        record = load_job(opened, find_job(opened, None))
        run = record.draft or record.runs[-1]
        return load_lines(opened, run.entry)


def test_a_run_typed_to_the_end(book: Path, command: Command) -> None:
    code, out, error = command("run", book, keys="\n".join([*REGIME, *HEIGHTS, *REST, ""]))
    assert code == 0, error
    assert "flat_pitch: cockpit_vertical amplitude [ips]" in out
    run = show(command, book)["runs"][0]
    assert run["source"] == "typed" and run["worst"] == pytest.approx(0.31 / 0.2)
    assert typed(book)[1] == {
        "regime": Cell("flat_pitch"),
        "cockpit_vertical.amp": Cell("0.31"),
        "cockpit_vertical.deg": Cell("124"),
        "cockpit_lateral.amp": Cell("0.12"),
        "cockpit_lateral.deg": Cell("350"),
        **{f"height.{b}": Cell(h) for b, h in zip("1234", HEIGHTS, strict=True)},
    }


@pytest.mark.parametrize("end", ["^C", "stop"], ids=["ctrl-c", "stop"])
@pytest.mark.parametrize("after", range(1, 9))
def test_broken_off_anywhere_and_taken_up_again(book: Path, command: Command, after: int, end: str) -> None:
    keys = [*REGIME, *HEIGHTS]
    code, out, _ = command("run", book, keys="\n".join([*keys[:after], end]))
    assert code == 1 and "Go on with: trackbal log run" in out
    # "" leaves a reading unread, which a run taken up again asks for once more
    resumed = keys[after:] if keys[after - 1] else ["", *keys[after:]]
    code, _, error = command("run", book, keys="\n".join([*resumed, *REST, ""]))
    assert code == 0, error
    assert len(typed(book)[1]) == 9 and len(typed(book)) == 1
    assert show(command, book)["runs"][0]["worst"] == pytest.approx(0.31 / 0.2)


def test_end_of_input_keeps_what_was_typed(book: Path, command: Command) -> None:
    assert command("run", book, keys="0.31 124")[0] == 1
    assert show(command, book)["next"] == "finish"
    assert command("advise", book)[0] == 2
    assert command("close", book)[0] == 2
    assert command("run", book, "--drop")[0] == 0
    assert show(command, book)["next"] == "run"


def test_each_answer_is_checked_as_it_is_typed(book: Path, command: Command) -> None:
    keys = ["x", "-0.3", "0,31", "0.31 400", "0.3 12 13", "9", "9.0", "yes", "4:30", "?", "stop"]
    _, out, _ = command("run", book, keys="\n".join(keys))
    out = " ".join(out.split())
    assert "found 'x', expected an amplitude" in out
    assert "found '-0.3', expected an amplitude" in out
    assert "with a decimal point" in out
    assert "found '400', expected a phase" in out
    assert "found '0.3 12 13'" in out
    assert out.count("45 times its limit of 0.2") == 2
    assert typed(book)[1]["cockpit_vertical.amp"] == Cell("9.0")
    assert typed(book)[1]["cockpit_vertical.deg"] == Cell("4:30")
    assert "Another unit stands after" in out


def test_heights_typed_together(book: Path, command: Command) -> None:
    keys = ["0.3 10", "", "", "1 -1 2 -2 3", "1", "-1 2 -2", *REST, ""]
    code, out, error = command("run", book, keys="\n".join(keys))
    assert code == 0, error
    assert "found '1 -1 2 -2 3'" in out
    assert [typed(book)[1][f"height.{b}"].text for b in "1234"] == HEIGHTS


def test_one_step_back_and_taking_back(book: Path, command: Command) -> None:
    keys = ["back", "0.31", "124", "back", "125", "back", "back", "0.33", "", "none", "stop"]
    _, out, _ = command("run", book, keys="\n".join(keys))
    assert "This is the first reading." in out
    assert "cockpit_vertical phase [deg] = 124" in out
    assert typed(book)[1] == {
        "regime": Cell("flat_pitch"),
        "cockpit_vertical.amp": Cell("0.33"),
        "cockpit_vertical.deg": Cell("125"),
    }


def test_taking_back_an_amplitude_takes_its_phase(book: Path, command: Command) -> None:
    command("run", book, keys="\n".join(["0.31 124", "0.2 10", "back", "back", "none", "stop"]))
    assert set(typed(book)[1]) == {"regime", "cockpit_vertical.amp", "cockpit_vertical.deg"}


def test_units_as_typed(book: Path, command: Command) -> None:
    keys = ["7.9 mm/s 124", "12 mm/s", "10", "0.02", "30", "0.5 in", "0.6 in", "0.4 in", "0.7", *REST, ""]
    code, _, error = command("run", book, keys="\n".join(keys))
    assert code in (0, 1), error
    row = typed(book)[1]
    assert row["cockpit_vertical.amp"] == Cell("7.9", "mm/s") and row["cockpit_vertical.deg"] == Cell("124")
    assert row["height.1"] == Cell("0.5", "in") and row["height.4"] == Cell("0.7")
    with Book.open(book) as opened:
        run = load_job(opened, find_job(opened, None)).readings[0]
    assert abs(run.vibration[0, 0]) == pytest.approx(7.9 / 25.4)
    tips = [12.7, 15.24, 10.16, 0.7]
    assert run.height[0] == pytest.approx([h - sum(tips) / 4 for h in tips])


def test_a_regime_read_once_more(book: Path, command: Command) -> None:
    keys = ["0.3 10", "skip", *REST, "nowhere", "flat_pitch", "0.32 12", "skip", "back", "", ""]
    code, out, error = command("run", book, keys="\n".join(keys))
    assert code == 0, error
    assert "expected Enter, back, stop or one of flat_pitch, hover" in out
    assert "flat_pitch (again): cockpit_vertical" in out
    with Book.open(book) as opened:
        run = load_job(opened, find_job(opened, None)).readings[0]
    assert run.vibration_count[0, 0] == 2


def test_the_previous_reading_is_shown(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", {"flat_pitch": (0.5, 40.0)}))
    _, out, _ = command("run", book, keys="\n".join(["0.3", "", "", "", "stop"]))
    assert "flat_pitch: cockpit_vertical amplitude [ips] (was 0.5)" in out
    assert "flat_pitch: cockpit_vertical phase [deg] (was 40.0)" in out
    assert "flat_pitch: tail amplitude [g]:" in out
    assert "flat_pitch: height of blade 1 [mm] (was 1)" in out


def test_nothing_typed_is_no_run(book: Path, command: Command) -> None:
    code, out, _ = command("run", book, keys="\n".join(["skip"] * 4 + ["", "stop"]))
    assert code == 1 and "no readings" in out


def test_a_sheet_may_not_overtake_a_run_being_typed(book: Path, files: Path, command: Command) -> None:
    command("run", book, keys="0.31 124\nstop")
    code, _, error = command("run", book, sheet(files / "run1.csv", {"hover": (0.5, 40.0)}))
    assert code == 2 and "--drop" in error


def test_typos_stay_visible(book: Path, command: Command) -> None:
    command("run", book, keys="\n".join(["0.31 124", "back", "127", "stop"]))
    entries = json.loads(command("show", book, "--all", "--json")[1])["entries"]
    phases = [line for e in entries for line in e["says"] if "cockpit_vertical.deg" in line["text"]]
    assert [(p["text"].split(" = ")[1], p["superseded"]) for p in phases] == [("124", True), ("127", False)]


def test_questions_follow_the_rotor() -> None:
    asking = Asking(ROTOR, {})
    per_regime = 2 * len(ROTOR.sensors)
    assert len(asking.questions) == 4 * per_regime + 3 * len(ROTOR.blades)  # descent has no heights


def test_amplitude_and_phase_may_be_typed_again_at_the_phase(book: Path, command: Command) -> None:
    code, _, error = command("run", book, keys="0.3 40\nback\n0.25 50\nstop")
    assert code == 1, error
    row = draft(book)
    assert (row["cockpit_vertical.amp"].text, row["cockpit_vertical.deg"].text) == ("0.25", "50")


def test_a_stop_limit_reached_in_a_run_broken_off_is_said_by_show(book: Path, command: Command) -> None:
    command("run", book, keys="1.3 40\nstop")
    out = " ".join(command("show", book)[1].split())
    assert "A run is being typed (1 regime so far)." in out
    assert "STOP. flat_pitch, cockpit_vertical: 1.3 ips, stop limit 1.2." in out
    command("run", book, keys="back\nback\n0.3 40\nstop")
    assert "STOP" not in command("show", book)[1]


def draft(book: Path):
    with Book.open(book) as opened:
        record = load_job(opened, find_job(opened, None))
    assert record.draft is not None
    return record.draft.rows[0]


@pytest.mark.parametrize("word", ["finish", "skip", "back", "stop"])
def test_a_reading_asked_about_and_left_unanswered_is_said_not_to_be_taken(
    book: Path, command: Command, word: str
) -> None:
    """Tips typed, doubted, and the run ended by a word instead of a yes or no: they are gone, and that is said."""
    _, out, _ = command("run", book, keys="\n".join([*REGIME, "1 2 3 90", word, "stop"]))
    assert "The reading that was asked about is not taken." in " ".join(out.split())
    assert not any(name.startswith("height.") for name in typed(book)[1])
