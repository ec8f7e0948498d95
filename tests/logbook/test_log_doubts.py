"""What is said of a reading while it is typed: stop limits, and readings that are hard to believe."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from invented_rotor import ROTOR
from logbook_cases import Command, sheet, show

from trackbal.check.comparisons import own_jumps, tip_jumps, tips_apart
from trackbal.check.plausibility import same_readings
from trackbal.check.review import check_run
from trackbal.logbook.entries import open_job
from trackbal.logbook.report import doubts_of_rows
from trackbal.logbook.rows import Cell, run_of_rows
from trackbal.logbook.sheets import load_table, rows_of_run
from trackbal.logbook.store import Book

SKIP = ["skip"] * 4


def flat(text: str) -> str:
    return " ".join(text.split())


def runs(command: Command, book: Path) -> int:
    return len(show(command, book)["runs"])


def test_a_stop_limit_is_said_at_the_reading_itself(book: Path, command: Command) -> None:
    code, out, _ = command("run", book, keys="\n".join(["1.3 20", "0.1 30", "finish"]))
    stop, lateral = out.index("STOP. flat_pitch: cockpit_vertical 1.3 ips"), out.index("cockpit_lateral amplitude")
    assert stop < lateral and "Stop running, find the cause" in flat(out)
    assert code == 1 and "STOP. flat_pitch, cockpit_vertical: 1.3 ips, stop limit 1.2" in flat(out)
    assert "STOP. flat_pitch, cockpit_vertical: 1.3 ips" in flat(command("show", book)[1])
    assert show(command, book)["runs"][0]["stop"] is True


def test_a_spread_at_its_stop_is_said_as_soon_as_two_tips_tell(book: Path, command: Command) -> None:
    keys = ["0.3 20", "0.1 30", "", "5", "130", "yes", "stop"]
    out = flat(command("run", book, keys="\n".join(keys))[1])
    assert "STOP. flat_pitch: tips 125 mm apart: at or above the stop limit of 120" in out
    assert out.index("STOP.") < out.index("height of blade 3")


def test_a_reading_typed_twice_is_asked_about_twice(book: Path, command: Command) -> None:
    _, out, _ = command("run", book, keys="\n".join(["37.9 20", "37.9 20", "", "0.379 20", "stop"]))
    assert out.count("190 times its limit") == 2 and "a slipped point: 0.379" in flat(out)
    assert show(command, book)["next"] == "finish" and "Not taken." in out


def test_what_is_said_to_be_so_counts(book: Path, command: Command) -> None:
    command("run", book, keys="\n".join(["37.9 20", "yes", "finish", "yes"]))
    assert show(command, book)["runs"][0]["worst"] == pytest.approx(37.9 / 0.2)


def test_a_run_with_doubts_is_asked_about_before_it_counts(book: Path, command: Command) -> None:
    code, out, _ = command("run", book, keys="\n".join(["37.9 20", "yes", "finish", "", "stop"]))
    assert code == 1 and "Hard to believe:" in out
    assert show(command, book)["runs"] == []


def test_a_phase_in_the_place_of_an_amplitude(book: Path, command: Command) -> None:
    _, out, _ = command("run", book, keys="\n".join(["124", "stop"]))
    assert "a phase, one reading too early" in flat(out)


def test_a_tip_far_from_the_others(book: Path, command: Command) -> None:
    keys = ["0.3 20", "0.1 30", "0.02 10", "5 15 150 10", "5 15 15 10", "stop"]
    _, out, _ = command("run", book, keys="\n".join(keys))
    assert "flat_pitch, blade 3: 150 mm is 140 from the other 3 typed, 7.00 times the limit" in flat(out)


def test_a_tip_out_of_its_usual_place(book: Path, command: Command) -> None:
    """37 beside 5 to 15 is within three limits of the spread; in the other condition that blade is at 8."""
    readings = ["0.3 20", "0.1 30", "0.02 10"]
    keys = [*readings, "5 15 8 10", *readings, "5 15 37 10", "stop"]
    _, out, _ = command("run", book, keys="\n".join(keys))
    # middle tip (10 + 8) / 2 = 9 at first and (10 + 15) / 2 = 12.5 now
    assert "hover, blade 3: +24.5 mm from the other tips, and -1 where it was read otherwise" in flat(out)


def test_two_stray_enters_shift_amplitude_and_phase_into_heights(book: Path, command: Command) -> None:
    keys = ["", "", "", "0.31 124", "back", "back", "back", "0.31 124", "stop"]
    _, out, _ = command("run", book, keys="\n".join(keys))
    said = flat(out)
    assert "Passed over in flat_pitch: cockpit_vertical, cockpit_lateral, tail. Were they not read" in said
    assert "123.7 from the other tip typed" in said
    assert said.endswith("Go on with: trackbal log run " + str(book))


def test_passing_over_is_asked_about_once_a_regime(book: Path, command: Command) -> None:
    keys = ["", "", "", "1", "yes", "-1 2 -2", "finish", ""]
    _, out, _ = command("run", book, keys="\n".join(keys))
    assert out.count("Passed over in") == 1
    assert runs(command, book) == 1


def test_the_same_sheet_entered_twice(book: Path, files: Path, command: Command) -> None:
    file = sheet(files / "run1.csv", {"flat_pitch": (0.5, 40.0), "hover": (0.5, 60.0)})
    assert command("run", book, file)[0] == 0
    code, _, error = command("run", book, file)
    assert code == 2 and "found the readings of run 1 again" in error and runs(command, book) == 1
    assert command("run", book, file, "--anyway")[0] in (0, 1)
    assert runs(command, book) == 2


def test_after_each_regime_what_was_typed_stands_in_a_table(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", {"flat_pitch": (0.5, 40.0)}))
    keys = ["7.9 mm/s 4:30", "0.1 30", "", "1 -1 2 -2", "stop"]
    _, out, _ = command("run", book, keys="\n".join(keys))
    lines = [line.split() for line in out.splitlines()]
    assert ["cockpit_vertical", "7.9", "mm/s", "at", "4:30", "0.2", "1.56", "over", "0.5", "ips", "at", "40.0"] in lines
    assert ["tip", "spread", "4", "mm", "20", "0.20", "4", "mm"] in lines
    command("run", book, keys="finish")
    _, out, _ = command("show", book, "--run", 2)
    assert "7.9 mm/s at 4:30" in out and "tips  1: 1  2: -1  3: 2  4: -2" in out
    assert command("show", book, "--run", 3)[0] == 2


def test_the_comparisons_say_nothing_of_a_sound_run() -> None:
    rows = [
        {
            "regime": Cell(regime.name),
            "cockpit_vertical.amp": Cell("0.3"),
            "cockpit_vertical.deg": Cell(str(20 + 30 * i)),
            **({f"height.{b}": Cell(h) for b, h in zip("1234", "1593", strict=True)} if regime.heights else {}),
        }
        for i, regime in enumerate(ROTOR.regimes)
    ]
    run = run_of_rows(ROTOR, rows, "test")
    assert not check_run(ROTOR, run).doubts
    assert same_readings(run, run)
    rows[2]["height.3"] = Cell("50")
    rows[1]["cockpit_vertical.amp"] = Cell("3.1")
    other = run_of_rows(ROTOR, rows, "test")
    assert {d.kind for d in check_run(ROTOR, other).doubts} >= {"tip_elsewhere", "own_jump"}
    assert not same_readings(run, other)


def test_comparisons_by_hand() -> None:
    assert [t.blade for t in tips_apart(np.array([0.0, 1.0, 2.0, 90.0]), 20.0)] == [3]
    assert not list(tips_apart(np.array([0.0, np.nan]), 20.0))
    limit = np.array([20.0, 20.0])
    tips = np.array([[0.0, 1.0, 2.0], [0.0, 30.0, 2.0], [0.0, 1.0, 2.0]])
    assert [(j.regime, j.blade) for j in tip_jumps(tips, limit)] == [(1, 1)]
    amplitude = np.array([[0.3], [0.2], [3.1]])
    (jump,) = own_jumps(amplitude, np.full((3, 1), 0.2))
    assert (jump.regime, jump.sensor, jump.most) == (2, 0, 0.3) and jump.times == pytest.approx(3.1 / 0.3)


def test_a_tip_that_its_own_tab_may_have_moved_is_asked_about_with_that_said(tmp_path: Path, command: Command) -> None:
    """A trial of a tab lifts its blade the more the faster the flight: the question stays, and names the tab."""
    day = Path(__file__).parents[2] / "demo_runs/first_trial"
    book = tmp_path / "day.tblog"
    command("new", book, "--rotor", day / "rotor.toml")
    command("start", book, "No. 1", "--settings", day / "settings.csv")
    assert command("run", book, day / "run1.csv")[0] in (0, 1)
    lines = (day / "run1.csv").read_text(encoding="utf-8").splitlines()
    cells = lines[-1].split(",")
    column = lines[0].split(",").index("height.2")
    cells[column] = f"{float(cells[column]) + 1.6:.2f}"
    jumped = tmp_path / "jumped.csv"
    jumped.write_text("\n".join([*lines[:-1], ",".join(cells), ""]), encoding="utf-8")

    def doubts() -> list[str]:
        with Book.open(book) as opened:
            job = open_job(opened, None)
            return doubts_of_rows(job, rows_of_run(job.rotor, load_table(jumped)), "jumped.csv")

    (before,) = [text for text in doubts() if "blade 2 flies" in text]
    assert "its tab" not in before
    done = tmp_path / "done.csv"
    done.write_text("blade,adjuster,amount\n2,tab,1\n", encoding="utf-8")
    assert command("done", book, "--sheet", done)[0] == 0
    (after,) = [text for text in doubts() if "blade 2 flies" in text]
    assert after == before + "; its tab was changed since, which acts the more the faster it flies"
