"""What a record that cannot be right, or is out of date, says of itself at the next command."""

from __future__ import annotations

import json
from pathlib import Path

from logbook_cases import TOML, Command, sheet, show

HIGH = {"flat_pitch": (0.3, 10.0), "hover": (0.28, 20.0), "cruise": (0.3, 30.0), "descent": (0.25, 40.0)}


def test_a_setting_that_cannot_be_is_said_until_it_is_put_right(book: Path, files: Path, command: Command) -> None:
    """A weight taken off that was not there by the record: entered because it truly was so."""
    command("run", book, sheet(files / "run1.csv", HIGH))
    assert command("done", book, "--item", 1, "tip_weight", "-40", "--anyway")[0] == 0
    command("run", book, sheet(files / "run2.csv", HIGH))
    command("checked", book, "as written")
    words = "tip_weight of blade 1 is at -40 g (range 0 to 600)"
    assert words in " ".join(command("show", book)[1].split())
    answer = json.loads(command("advise", book, "--json", "--most", 1, "--plan-anyway")[1])
    assert words in answer["cautions"][0]
    command("close", book, "--outcome", "left")
    code, _, error = command("start", book, "A")
    assert code == 2 and "tip_weight of blade 1 at -40 g" in error and "--settings" in error and "--anyway" not in error
    command("correct", "setting", book, 1, "tip_weight", "60", "--job", "A-1")
    assert command("start", book, "A")[0] == 0
    assert "that cannot be" not in command("show", book)[1]


def test_advice_by_limits_or_influence_since_renewed_is_to_be_asked_for_again(
    book: Path, files: Path, command: Command
) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("advise", book, "--most", 1)
    before = show(command, book)["next"]
    assert before in ("done", "investigate")
    (files / "tight.toml").write_text(TOML.replace("vibration = 0.2", "vibration = 0.1"))
    assert command("renew", book, "--rotor", files / "tight.toml", "--why", "amendment")[0] == 0
    assert show(command, book)["next"] == "advise" and show(command, book)["likely"] is None
    assert "changed after this advice: ask again" in command("show", book)[1]
    command("advise", book, "--most", 1)
    assert show(command, book)["next"] != "advise"
    assert command("renew", book, "--influence", files / "influence.json")[0] == 0
    assert show(command, book)["next"] == "advise"
    command("close", book, "--outcome", "left")
    assert "ask again" not in command("show", book, "--job", "A-1")[1]


def test_runs_dated_in_another_order_than_they_were_entered_are_named(
    book: Path, files: Path, command: Command
) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH), "--date", "2026-05-04T10:00")
    assert "is dated" not in command("run", book, sheet(files / "run2.csv", HIGH), "--date", "2026-05-04")[1]
    words = "Run 3 is dated 2026-05-03, before run 2 (2026-05-04), but counts after it, as it was entered."
    out = command("run", book, sheet(files / "run3.csv", HIGH), "--date", "2026-05-03")[1]
    assert words in " ".join(out.split()) and words in " ".join(command("show", book)[1].split())


def test_a_job_closed_on_work_advised_of_which_nobody_spoke_says_so(book: Path, files: Path, command: Command) -> None:
    """The next job begins with the settings that this one left."""
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("advise", book, "--most", 4, "--plan-anyway")
    out = command("close", book, "--outcome", "flown away")[1]
    assert "Nobody has said what was done after run 1, where work was advised" in " ".join(out.split())
    command("correct", "done", book, 1, 1, "tip_weight", "20", "--job", "A-1")
    assert command("start", book, "A")[0] == 0
    assert {"blade": "1", "adjuster": "tip_weight", "setting": "20"} in show(command, book)["settings"]
    command("run", book, sheet(files / "run1.csv", HIGH))
    assert "Nobody has said" not in command("close", book, "--outcome", "flown away")[1]


def test_as_advised_is_not_taken_for_granted_of_advice_that_is_out_of_date(
    book: Path, files: Path, command: Command
) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("advise", book, "--most", 4, "--plan-anyway")
    command("correct", "reading", book, 1, "hover", "cockpit_vertical.deg", "200")
    code, _, error = command("done", book)
    assert code == 2 and "changed after the advice on run 1" in error and error.count("\n") == 1
    assert show(command, book)["runs"][0]["done"] is None
    assert command("done", book, "--item", 1, "tip_weight", "20")[0] == 0


def test_a_vibration_reading_is_taken_back_and_entered_whole(book: Path, files: Path, command: Command) -> None:
    """Amplitude or phase alone can be neither: a sheet with one of them is no sheet."""
    command("run", book, sheet(files / "run1.csv", HIGH))
    code, _, error = command("correct", "reading", book, 1, "hover", "cockpit_vertical.amp", "none")
    assert code == 0, error
    assert "hover: cockpit_vertical" in command("show", book)[1]  # among what was not read
    code, _, error = command("correct", "reading", book, 1, "hover", "cockpit_vertical.amp", "0.31 124")
    assert code == 0, error
    typed = json.loads(command("show", book, "--run", 1, "--json")[1])["rows"]
    (row,) = (r for r in typed if r["regime"]["typed"] == "hover")
    assert (row["cockpit_vertical.amp"]["typed"], row["cockpit_vertical.deg"]["typed"]) == ("0.31", "124")
    assert command("correct", "reading", book, 1, "hover", "cockpit_vertical.amp", "0.31 124 7")[0] == 2


def test_a_surprising_run_of_a_few_readings_fits_80_columns(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("run", book, sheet(files / "run2.csv", {"hover": (0.02, 200.0)}))
    out = command("show", book)[1]
    assert "SURPRISING" in out and "inside in 1 of 4 regimes" in out
    assert max(map(len, out.splitlines())) <= 80


def test_new_ranges_and_figures_for_going_on_need_a_reason_as_new_limits_do(
    book: Path, files: Path, command: Command
) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    for old, new, words in (
        ("maximum = 600.0", "maximum = 900.0", "tip_weight: maximum 600 -> 900 g"),
        ('unit = "ips"', 'unit = "ips"\ngo_on = 0.6', "cockpit_vertical: go_on none -> 0.6 ips"),
    ):
        (files / "new.toml").write_text(TOML.replace(old, new, 1))
        code, _, error = command("renew", book, "--rotor", files / "new.toml")
        assert code == 2 and words in error and "--why" in error
        assert command("renew", book, "--rotor", files / "new.toml", "--why", "amendment")[0] == 0
        assert command("renew", book, "--rotor", files / "rotor.toml", "--why", "back")[0] == 0
    assert "maximum 600 -> 900 g" in show(command, book)["notes"][0]["text"]
