"""The record: what a later rotor file, a partial run or another program must not make of what was entered."""

from __future__ import annotations

import csv
import io
import json
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from logbook_cases import TOML, Command, sheet, show

from trackbal.commands.group import run as run_command
from trackbal.logbook.entries import type_cells
from trackbal.logbook.records import find_job, load_job
from trackbal.logbook.rows import Cell
from trackbal.logbook.store import Book

QUIET = {"flat_pitch": (0.05, 10.0), "hover": (0.04, 20.0), "cruise": (0.06, 30.0), "descent": (0.05, 40.0)}
GROUND = {"flat_pitch": (0.05, 10.0)}
FLIGHT = {name: at for name, at in QUIET.items() if name != "flat_pitch"}
STOPPED = QUIET | {"hover": (1.3, 20.0)}


def renew(command: Command, book: Path, old: str, new: str, *more: object) -> tuple[int, str, str]:
    """Renew the rotor with one thing in its file replaced."""
    assert old in TOML
    file = book.parent / "renewed.toml"
    file.write_text(TOML.replace(old, new, 1))
    return command("renew", book, "--rotor", file, *more)


CHANGED_MEANINGS = {
    "sensor-unit": ('unit = "ips"', 'unit = "mm/s"', "sensor cockpit_vertical: unit ips then, mm/s now"),
    "harmonic": ('unit = "ips"', 'unit = "ips"\nharmonic = 2', "sensor cockpit_vertical: harmonic 1 then, 2 now"),
    "height-unit": ("rpm = 240.0", 'rpm = 240.0\nheight_unit = "in"', "height_unit mm then, in now"),
    "phase-sense": ("rpm = 240.0", 'rpm = 240.0\nphase_sense = "lead"', "phase_sense lag then, lead now"),
    "blade-order": ('"1", "2", "3", "4"', '"1", "4", "3", "2"', "blades 1, 2, 3, 4 then, 1, 4, 3, 2 now"),
    "azimuth": ("rpm = 240.0", "rpm = 240.0\nazimuth_deg = [0, 80, 180, 260]", "azimuth_deg"),
    "adjuster-unit": ('unit = "g"\nstep', 'unit = "oz"\nstep', "adjuster tip_weight: unit g then, oz now"),
    "sense": (
        'positive = "add"\nnegative = "remove"',
        'positive = "remove"\nnegative = "add"',
        "adjuster tip_weight: a positive amount is 'add' then",
    ),
    "sensor-gone": ('name = "cockpit_vertical"', 'name = "cockpit_fore"', "no sensor cockpit_vertical any more"),
}


@pytest.mark.parametrize("change", CHANGED_MEANINGS.values(), ids=CHANGED_MEANINGS)
@pytest.mark.parametrize("closed", [False, True], ids=["open", "closed"])
def test_readings_keep_the_meaning_they_were_entered_with(
    book: Path, files: Path, command: Command, change: tuple[str, str, str], closed: bool
) -> None:
    command("run", book, sheet(files / "run1.csv", QUIET))
    command("done", book, "--item", "1", "tip_weight", "20")
    if closed:
        command("close", book, "--outcome", "put away")
    before = book.read_bytes()
    old, new, said = change
    code, _, error = renew(command, book, old, new, "--why", "a new manual")
    assert code == 2 and error.count("\n") == 1
    assert said[:50] in error and "begin a new rotor" in error
    assert book.read_bytes() == before


def test_an_unused_rotor_may_be_put_right(files: Path, command: Command) -> None:
    book = files / "empty.tblog"
    command("new", book, "--rotor", files / "rotor.toml")
    assert renew(command, book, 'unit = "ips"', 'unit = "mm/s"')[0] == 0


def test_a_new_speed_is_refused_only_where_a_unit_was_converted_with_the_old(
    book: Path, files: Path, command: Command
) -> None:
    command("run", book, sheet(files / "run1.csv", QUIET))
    code, out, _ = renew(command, book, "rpm = 240.0", "rpm = 241.0")
    assert code == 0 and "rpm 240 then, 241 now" in out
    (files / "run2.csv").write_text("regime,cockpit_vertical.amp [g],cockpit_vertical.deg\nhover,0.01,20\n")
    assert command("run", book, files / "run2.csv")[0] in (0, 1)
    assert renew(command, book, "rpm = 240.0", "rpm = 244.0")[0] == 2


def test_a_new_speed_of_a_regime_is_refused_only_where_it_was_run(book: Path, files: Path, command: Command) -> None:
    (files / "run1.csv").write_text("regime,cockpit_vertical.amp [g],cockpit_vertical.deg\nhover,0.01,20\n")
    assert command("run", book, files / "run1.csv")[0] in (0, 1)
    hover, ground = 'name = "hover"', 'name = "flat_pitch"'
    code, _, error = renew(command, book, hover, f"{hover}\nrpm = 200.0")
    assert code == 2 and "hover: rpm 240 then, 200 now" in error
    code, out, _ = renew(command, book, ground, f"{ground}\nrpm = 200.0")
    assert code == 0 and "flat_pitch: rpm 240 then, 200 now" in out


def test_a_fit_does_not_read_a_logbook_in_another_unit(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", QUIET))
    other = files / "other.toml"
    other.write_text(TOML.replace('unit = "ips"', 'unit = "mm/s"', 1))
    assert run_command(["examine", "--rotor", str(other), "--log", str(book)]) == 2


def test_new_limits_while_a_job_is_open_need_a_reason_and_stand_in_it(
    book: Path, files: Path, command: Command
) -> None:
    command("run", book, sheet(files / "run1.csv", QUIET))
    old, new = "vibration = 0.2", "vibration = 0.3"
    code, _, error = renew(command, book, old, new)
    assert code == 2 and "cockpit_vertical: limit 0.2 -> 0.3 ips" in error and "--why" in error
    code, out, _ = renew(command, book, old, new, "--why", "amendment 12")
    changed = "cockpit_vertical: limit 0.2 -> 0.3 ips, in flat_pitch, hover, cruise, descent"
    assert code == 0 and changed in " ".join(out.split())
    (note,) = show(command, book)["notes"]
    assert "limit 0.2 -> 0.3 ips" in note["text"] and "amendment 12" in note["text"] and note["by"] == "tester"


@pytest.mark.parametrize("stop", ["vibration_stop = 3.0", ""], ids=["loosened", "removed"])
def test_a_stop_stays_on_record_when_its_limit_is_moved(book: Path, files: Path, command: Command, stop: str) -> None:
    assert command("run", book, sheet(files / "run1.csv", STOPPED))[0] == 1
    assert show(command, book)["next"] == "stop"
    assert renew(command, book, "vibration_stop = 1.2", stop, "--why", "amendment 12")[0] == 0
    seen = show(command, book)
    assert (seen["next"], seen["runs"][0]["stop"]) == ("stop", True)
    code, out, _ = command("advise", book)
    assert code == 1 and "Invented four-blade rotor: STOP." in out
    assert command("close", book)[0] == 2
    command("run", book, sheet(files / "run2.csv", QUIET))  # the cause found, and run again
    assert show(command, book)["next"] != "stop"


def test_a_stop_in_flight_is_not_closed_over_by_a_ground_run(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", STOPPED))
    command("run", book, sheet(files / "run2.csv", GROUND))
    assert show(command, book)["next"] == "stop"
    assert "Invented four-blade rotor: STOP." in command("advise", book)[1]


# ------------------------------------------------------------------------------ what was not read


def test_a_job_is_not_closed_while_something_is_unread(book: Path, files: Path, command: Command) -> None:
    code, out, _ = command("run", book, sheet(files / "run1.csv", GROUND))
    assert code == 0 and "inside in 1 of 4 regimes" in out and "Not read since the last change: hover, cruise" in out
    seen = show(command, book)
    assert (seen["next"], seen["finished"]) == ("read", False)
    code, _, error = command("close", book)
    assert code == 2 and "not read: hover, cruise, descent" in error and "--outcome" in error
    code, out, _ = command("close", book, "--outcome", "ground run only, to be flown on Monday")
    assert code == 1 and "to be flown on Monday" in out


def test_a_ground_run_and_a_flight_are_one_look_at_the_rotor(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", GROUND))
    command("run", book, sheet(files / "run2.csv", FLIGHT))
    assert show(command, book)["next"] in ("close", "explain")
    assert show(command, book)["finished"]
    assert command("close", book)[0] == 0


def test_what_was_read_before_the_last_change_does_not_count(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", QUIET))
    command("done", book, "--item", "1", "tip_weight", "20")
    command("run", book, sheet(files / "run2.csv", GROUND))
    assert not show(command, book)["finished"]
    assert command("close", book)[0] == 2


def test_heights_alone_do_not_close_a_job(book: Path, files: Path, command: Command) -> None:
    (files / "run1.csv").write_text(
        "regime,height.1,height.2,height.3,height.4\nflat_pitch,1,2,3,4\nhover,1,2,3,4\ncruise,1,2,3,4\n"
    )
    command("run", book, files / "run1.csv")
    assert command("close", book)[0] == 2


# ------------------------------------------------------------------------------ recorded means shown


def test_advice_is_recorded_only_when_it_was_shown_and_its_files_are_there(
    book: Path, files: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    command("run", book, sheet(files / "run1.csv", {name: (0.25, 10.0) for name in QUIET}))
    before = (book.read_bytes(), sorted(p.name for p in files.iterdir()))

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    outputs = ("--card", files / "card.html", "--plan-out", files / "plan.csv")
    with monkeypatch.context() as patch:
        patch.setattr("trackbal.commands.log_advise.echo_text", full)
        code, _, error = command("advise", book, *outputs)
        assert code == 2 and "No space left" in error
    assert (book.read_bytes(), sorted(p.name for p in files.iterdir())) == before
    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", full)
        assert command("advise", book, *outputs)[0] == 2
    assert sorted(p.name for p in files.iterdir()) == before[1]
    assert show(command, book)["runs"][0]["advised"] is None
    assert command("advise", book, *outputs)[0] in (0, 1)
    assert (files / "card.html").exists() and show(command, book)["runs"][0]["advised"] is not None


# ------------------------------------------------------------------------------ text, settings, stop limits


def test_control_characters_of_a_record_are_shown_not_sent(book: Path, files: Path, command: Command) -> None:
    command("note", book, "a\x1b[2Jb\x9b2J\u202e", "--by", "eve\x1b[31m")
    command("close", book, "--outcome", "inside\x1b[1A\nB-1: B, closed", "--by", "eve\x1b[31m")
    for words in (["show", "--job", "A-1"], ["show", "--job", "A-1", "--all"], ["jobs"], ["jobs", "--json"]):
        code, out, error = command(words[0], book, *words[1:])
        assert code == 0, error
        assert not any(c in out for c in "\x1b\x9b\u202e")
    assert len(command("jobs", book)[1].splitlines()) == 1


def test_what_settings_are_assumed_is_said_at_the_start(files: Path, command: Command) -> None:
    file = files / "other.tblog"
    command("new", file, "--rotor", files / "rotor.toml", "--influence", files / "influence.json")
    (files / "settings.csv").write_text("blade,adjuster,setting\n1,tip_weight,100\n1,pitch_link,0\n")
    code, out, _ = command("start", file, "A", "--settings", files / "settings.csv")
    said = " ".join(out.split())
    assert code == 0 and "taken as 0: tip_weight on blades 2, 3, 4; pitch_link on blades 2, 3, 4" in said
    command("run", file, sheet(files / "run1.csv", {name: (0.25, 10.0) for name in QUIET}))
    code, out, _ = command("advise", file, "--json")
    assert "taken as 0: tip_weight on blades 2, 3, 4" in out


def test_that_no_stop_is_set_is_said_when_a_logbook_is_made(files: Path, command: Command) -> None:
    bare = TOML.replace("vibration_stop = 1.2\n", "").replace("height_spread_stop = 120.0\n", "")
    (files / "bare.toml").write_text(bare.replace("stop = 0.6\n", ""))
    code, out, _ = command("new", files / "bare.tblog", "--rotor", files / "bare.toml")
    assert code == 0 and "No stop limit is set for every reading" in out
    code, out, _ = command("new", files / "whole.tblog", "--rotor", files / "rotor.toml")
    assert code == 0 and "stop limit" not in out


# ------------------------------------------------------------------------------ damage


def test_a_damaged_logbook_is_refused_when_it_is_opened(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", QUIET))
    content = bytearray(book.read_bytes())
    refused = 0
    for page in range(1, len(content) // 4096):
        damaged = bytes(content[: page * 4096]) + bytes(4096) + bytes(content[(page + 1) * 4096 :])
        book.write_bytes(damaged)
        code, _, error = command("show", book)
        assert code in (0, 1, 2) and error.count("\n") == (code == 2)
        refused += code == 2
    assert refused > len(content) // 4096 // 2


def test_a_record_altered_by_another_program_is_one_line(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", QUIET))
    sound = book.read_bytes()
    for sql in (
        "UPDATE reading SET value = 'x' WHERE quantity LIKE '%.amp'",
        "UPDATE reading SET value = x'ff' WHERE quantity LIKE '%.amp'",
        "UPDATE reading SET quantity = 'height.9' WHERE quantity = 'height.1'",
        "UPDATE run SET job = 99",
        "UPDATE job SET rotor = 'none'",
        "UPDATE job SET name = x'80'",
        "DELETE FROM entry",
        "UPDATE rotor SET toml = x'00'",
    ):
        book.write_bytes(sound)
        with sqlite3.connect(book) as connection:
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                connection.execute(f"DROP TRIGGER {name}")
            connection.execute(sql)
        connection.close()
        for words in (["show"], ["show", "--all"], ["jobs"], ["export", "--runs", files / "out.csv", "--force"]):
            code, _, error = command(words[0], book, *words[1:])
            assert code in (0, 1, 2) and error.count("\n") == (code == 2), (sql, words, error)


# ------------------------------------------------------------------------------ two at once, cells, workbooks


def test_two_terminals_typing_one_run_are_told_of_each_other(
    book: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the person thinks about the second reading, another types the same one."""
    command("run", book, keys="0.31 124\nstop")

    def answer(prompt: str = "") -> str:
        print(prompt, end="")
        if "tip" not in prompt and not others:
            others.append(prompt)
            with Book.open(book, write=True) as opened:
                record = load_job(opened, find_job(opened, None))
                assert record.draft is not None
                cells = {"height.1": Cell("7")}
                type_cells(opened, record.entry, record.draft.entry, 1, cells, "eve")
            return "3"
        return "stop"

    others: list[str] = []
    monkeypatch.setattr("click.termui.visible_prompt_func", answer)
    code, out, _ = command("run", book)
    assert code == 1 and "Begun by tester" in out
    assert "Somebody else is typing this run" in out and "height.1 = 7, by eve" in out and "NOT recorded" in out
    said = " ".join(
        t["text"] for e in json.loads(command("show", book, "--all", "--json")[1])["entries"] for t in e["says"]
    )
    assert "height.1 = 7" in said and " = 3" not in said


def test_a_cell_that_a_spreadsheet_would_run_is_exported_as_text_and_comes_back(
    book: Path, files: Path, command: Command
) -> None:
    texts = ["=cmd|' /C calc'!A0", "+1+1", "-cold", "@SUM(A1)", "'quoted", "-5", "plain"]
    lines = ["regime,cockpit_vertical.amp,cockpit_vertical.deg,note"]
    lines += [f'hover,0.0{i + 1},{10 * i},"{text}"' for i, text in enumerate(texts)]
    (files / "run1.csv").write_text("\n".join(lines) + "\n")
    assert command("run", book, files / "run1.csv")[0] in (0, 1)
    outputs = ["--runs", files / "out.csv", "--adjustments", files / "adj.csv"]
    assert command("export", book, *outputs)[0] == 0
    with open(files / "out.csv", newline="") as stream:
        notes = [row["note"] for row in csv.DictReader(stream)]
    assert notes == ["'=cmd|' /C calc'!A0", "'+1+1", "'-cold", "'@SUM(A1)", "'quoted", "-5", "plain"]
    other = files / "other.tblog"
    command("new", other, "--rotor", files / "rotor.toml")
    assert command("import", other, *outputs)[0] == 0
    with Book.open(other) as opened:
        run = load_job(opened, find_job(opened, "A-1")).runs[0]
    assert [row["note"].text for row in run.rows] == texts


def test_a_workbook_with_a_cell_at_the_far_corner_is_one_line(book: Path, files: Path, command: Command) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    workbook = openpyxl.Workbook()
    for line in (("regime", "cockpit_vertical.amp", "cockpit_vertical.deg"), ("hover", 0.1, 20)):
        workbook.active.append(line)
    workbook.save(files / "run1.xlsx")
    workbook.active["XFD1048576"] = 1
    workbook.save(files / "far.xlsx")
    code, _, error = command("run", book, files / "far.xlsx")
    assert code == 2 and error.count("\n") == 1 and "16384 columns and 1048576 rows" in error
    assert command("run", book, files / "run1.xlsx")[0] in (0, 1)


def test_a_logbook_that_was_killed_while_made_leaves_nothing(files: Path) -> None:
    """What is written aside has no name, where the system can do that."""
    if not hasattr(os, "O_TMPFILE"):
        pytest.skip("no files without a name on this system")
    code = (
        "import os, signal, sys\n"
        "os.fsync = lambda handle: os.kill(os.getpid(), signal.SIGKILL)\n"
        "from trackbal.commands.group import run\n"
        "run(['log', 'new', sys.argv[1], '--rotor', sys.argv[2]])\n"
    )
    before = sorted(p.name for p in files.iterdir())
    done = subprocess.run(
        [sys.executable, "-c", code, str(files / "new.tblog"), str(files / "rotor.toml")], check=False
    )
    assert done.returncode == -9
    assert sorted(p.name for p in files.iterdir()) == before


def test_an_entry_that_could_not_be_said_is_said_to_be_recorded(
    book: Path, files: Path, command: Command, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A disk full behind standard output: the entry stands, once, and the one line says so."""

    class FullDisk(io.StringIO):
        def flush(self) -> None:
            raise OSError(28, "No space left on device")

    run = str(sheet(files / "run1.csv", QUIET))
    for line in (
        ["run", str(book), run],
        ["note", str(book), "restless"],
        ["done", str(book), "--nothing"],
        ["correct", "reading", str(book), "1", "hover", "cockpit_vertical.amp", "0.1", "--why", "misread"],
        ["close", str(book), "--outcome", "put away"],
    ):
        with monkeypatch.context() as patched:
            patched.setattr("sys.stdout", FullDisk())
            assert run_command(["log", *line]) == 2, line
        error = capsys.readouterr().err
        assert "the entry is recorded: do not make it again" in error and error.count("\n") == 1, line
    _, shown, _ = command("show", book, "--all", "--job", "A-1")
    assert shown.count("restless") == 1 and shown.count("put away") == 1 and shown.count("nothing") == 1
