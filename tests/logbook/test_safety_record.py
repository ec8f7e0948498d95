"""The record: what a later rotor file, a partial run or another program must not make of what was entered."""

from __future__ import annotations

from pathlib import Path

import pytest
from logbook_cases import TOML, Command, sheet, show

from trackbal.commands.group import run as run_command

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
    assert code == 0 and "cockpit_vertical: limit 0.2 -> 0.3 ips, in flat_pitch, hover, cruise, descent" in out
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
    assert code == 1 and "STOP" in out.splitlines()[0]
    assert command("close", book)[0] == 2
    command("run", book, sheet(files / "run2.csv", QUIET))  # the cause found, and run again
    assert show(command, book)["next"] != "stop"


def test_a_stop_in_flight_is_not_closed_over_by_a_ground_run(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", STOPPED))
    command("run", book, sheet(files / "run2.csv", GROUND))
    assert show(command, book)["next"] == "stop"
    assert "STOP" in command("advise", book)[1].splitlines()[0]


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
