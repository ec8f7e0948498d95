"""A stop that was reached: named, and standing until that reading is taken again, whatever was done since."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from logbook_cases import Command, sheet, show

QUIET = {"flat_pitch": (0.05, 10.0), "hover": (0.04, 20.0), "cruise": (0.06, 30.0), "descent": (0.05, 40.0)}
GROUND = {"flat_pitch": (0.05, 10.0)}
STOPPED = QUIET | {"hover": (1.3, 20.0)}
NAMED = "hover, cockpit_vertical: 1.3 ips, stop limit 1.2"


@pytest.mark.parametrize("done", [["--nothing"], ["--item", "1", "tip_weight", "20"]], ids=["nothing", "a weight"])
def test_what_was_done_since_takes_no_stop_away(book: Path, files: Path, command: Command, done: list[str]) -> None:
    command("run", book, sheet(files / "run1.csv", STOPPED))
    assert command("done", book, *done)[0] == 0
    code, out, _ = command("show", book)
    assert code == 1 and NAMED in " ".join(out.split())
    assert command("run", book, sheet(files / "run2.csv", GROUND))[0] == 1
    code, out, _ = command("show", book)
    assert code == 1 and f"Run 1, {NAMED}; not read again since." in " ".join(out.split())
    assert show(command, book)["stops"] == [
        {"run": 1, "regime": "hover", "sensor": "cockpit_vertical", "value": 1.3, "stop": 1.2, "unit": "ips"}
    ]
    code, out, _ = command("advise", book)
    said = " ".join(out.split())
    assert code == 1 and "STOP. A stop limit was reached and not read again since" in said
    assert "hover, cockpit_vertical 1.3 ips in run 1 (stop limit 1.2)" in said
    command("run", book, sheet(files / "run3.csv", {"hover": (0.04, 20.0)}))
    assert show(command, book)["stops"] == [] and show(command, book)["next"] != "stop"


def test_a_run_of_the_same_regime_without_that_reading_takes_no_stop_away(
    book: Path, files: Path, command: Command
) -> None:
    command("run", book, sheet(files / "run1.csv", STOPPED))
    (files / "run2.csv").write_text("regime,height.1,height.2,height.3,height.4\nhover,1,-1,2,-2\n")
    assert command("run", book, files / "run2.csv")[0] == 1
    assert show(command, book)["next"] == "stop"


def test_a_stop_overridden_is_named_on_screen_and_signed_for_on_the_card(
    book: Path, files: Path, command: Command
) -> None:
    command("run", book, sheet(files / "run1.csv", STOPPED))
    command("run", book, sheet(files / "run2.csv", {"flat_pitch": (0.3, 10.0)}))
    card = files / "card.html"
    assert command("advise", book, "--card", card)[0] == 1
    page = card.read_text()
    assert "reached its stop limit before" in page and "hover, cockpit_vertical 1.3 ips in run 1" in page
    command("checked", book, "as written")
    _, out, _ = command("advise", book, "--override-stop", "--most", 2, "--json", "--card", card, "--force")
    answer = json.loads(out)
    assert answer["verdict"] != "stop" and "hover, cockpit_vertical 1.3 ips in run 1" in " ".join(answer["cautions"])
    assert "Stop limit overridden by" in card.read_text()


def test_a_stop_of_two_opposite_readings_is_shown_by_the_larger_not_by_their_mean(
    book: Path, files: Path, command: Command
) -> None:
    heading = "regime,cockpit_vertical.amp,cockpit_vertical.deg"
    (files / "run1.csv").write_text(f"{heading}\nhover,1.9,0\nhover,1.8,180\n")
    code, out, _ = command("run", book, files / "run1.csv")
    assert code == 1 and "hover, cockpit_vertical: 1.9 ips, stop limit 1.2" in " ".join(out.split())


def test_a_stop_in_a_run_being_typed_is_a_warning_to_programs_too(book: Path, command: Command) -> None:
    command("run", book, keys="1.3 124\nstop")
    code, out, _ = command("show", book, "--json")
    answer = json.loads(out)
    assert code == 1 and answer["next"] == "finish" and answer["typing"]["stop"] is True


# ------------------------------------------------------------------------------ what a correction makes of a job


def test_a_correction_that_makes_a_stop_says_so(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", QUIET))
    code, out, _ = command("correct", "reading", book, 1, "hover", "cockpit_vertical.amp", "7.6")
    said = " ".join(out.split())
    assert code == 1 and "STOP. hover, cockpit_vertical: 7.6 ips, stop limit 1.2" in said
    assert "Doubts" in said and "38 times its limit" in said
    code, out, _ = command("correct", "reading", book, 1, "hover", "cockpit_vertical.amp", "0.05")
    assert code == 0 and "STOP" not in out and "Next: close the job" in out


def test_a_check_of_a_run_that_is_not_on_hold_says_that_another_is(book: Path, files: Path, command: Command) -> None:
    high = dict.fromkeys(QUIET, (0.3, 10.0))
    command("run", book, sheet(files / "run1.csv", high))
    command("done", book, "--item", "2", "tip_weight", "100")
    command("run", book, sheet(files / "run2.csv", high))
    code, out, _ = command("checked", book, "looked at", "--run", 1)
    assert code == 1 and "HOLD. Next: find out why run 2 is surprising" in " ".join(out.split())
    code, out, _ = command("checked", book, "looked at")
    assert code == 0 and "HOLD" not in out


def test_the_figure_for_going_on_is_said_by_the_logbook_as_by_check(book: Path, files: Path, command: Command) -> None:
    figure = (files / "rotor.toml").read_text().replace('unit = "ips"', 'unit = "ips"\ngo_on = 0.6', 1)
    (files / "rotor.toml").write_text(figure)
    assert command("renew", book, "--rotor", files / "rotor.toml", "--why", "manual")[0] == 0
    words = "Do not go on to a further condition from: Flat pitch, on the ground."
    for code, out, error in (
        command("run", book, sheet(files / "run1.csv", {"flat_pitch": (0.7, 10.0)})),
        command("show", book),
    ):
        assert (code, error) == (0, "") and words in " ".join(out.split())
    assert show(command, book)["runs"][0]["no_further"] == ["flat_pitch"]


def test_what_an_earlier_run_read_outside_is_not_closed_as_inside(book: Path, files: Path, command: Command) -> None:
    """Hover was outside, nothing was changed, and the ground run after it was inside: the job is not."""
    command("run", book, sheet(files / "run1.csv", GROUND | {"hover": (0.5, 20.0)}))
    command("run", book, sheet(files / "run2.csv", GROUND))
    code, out, _ = command("close", book, "--outcome", "put away")
    assert code == 1 and "NOT inside limits" in out and "inside in 2 of" not in out


def test_an_overridden_stop_is_said_first_and_in_the_answer_itself(book: Path, files: Path, command: Command) -> None:
    """Not behind what was learned of the aircraft, of which one screen shows only the first."""
    command("run", book, sheet(files / "run1.csv", STOPPED))
    command("run", book, sheet(files / "run2.csv", {"flat_pitch": (0.3, 10.0)}))
    command("checked", book, "as written")
    out = command("advise", book, "--override-stop", "--most", 2, "--plan-anyway")[1]
    cautions = out[out.index("Cautions") :].splitlines()
    assert "OVERRIDDEN" in cautions[1].upper() or "overridden" in " ".join(cautions[1:4])
    assert "Invented four-blade rotor: STOP LIMIT OVERRIDDEN." in out
    answer = json.loads(command("advise", book, "--override-stop", "--most", 2, "--json")[1])
    assert answer["cautions"][0].startswith("A reading is at or above its stop limit (hover, cockpit_vertical 1.3 ips")
    learned = [k for k, c in enumerate(answer["cautions"]) if c.startswith("Influence as this aircraft")]
    assert all(k > 3 for k in learned)


def test_what_was_done_after_an_earlier_run_says_what_it_makes_of_the_job(
    book: Path, files: Path, command: Command
) -> None:
    high = dict.fromkeys(QUIET, (0.3, 10.0))
    command("run", book, sheet(files / "run1.csv", high))
    command("run", book, sheet(files / "run2.csv", high))
    code, out, _ = command("done", book, "--after", 1, "--item", "2", "tip_weight", "100")
    assert code == 1 and "HOLD. Next: find out why run 2 is surprising" in " ".join(out.split())
    code, out, _ = command("done", book, "--item", "1", "tip_weight", "20")
    assert code == 0 and "Next:" not in out


def test_what_an_earlier_run_read_outside_is_not_forgotten_by_advice_on_a_flight_that_is_inside(
    book: Path, files: Path, command: Command
) -> None:
    """The ground was outside, nothing was changed, and the flight inside: advice said no more of the ground."""
    command("run", book, sheet(files / "run1.csv", {"flat_pitch": (0.25, 10.0)}))
    command("run", book, sheet(files / "run2.csv", {n: at for n, at in QUIET.items() if n != "flat_pitch"}))
    command("checked", book, "as written")
    words = "flat_pitch, cockpit_vertical 0.25 ips in run 1 (limit 0.2)"
    assert words in " ".join(command("show", book)[1].split()) and show(command, book)["next"] == "advise"
    code, out, _ = command("advise", book)
    assert code == 1 and words in " ".join(out.split())
    assert show(command, book)["next"] == "read"  # asking again would say the same
    assert "Next: read all of it again in one run" in command("show", book)[1]
    assert command("close", book)[0] == 2
    command("run", book, sheet(files / "run3.csv", QUIET))
    command("checked", book, "as written")
    assert words not in " ".join(command("show", book)[1].split()) and show(command, book)["next"] == "close"


def test_a_hold_by_the_type_alone_is_told_by_the_type_alone(
    book: Path, files: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With its earlier jobs the run may be as expected: what is told of it must rest on what held it."""
    high = dict.fromkeys(QUIET, (0.3, 10.0))
    command("run", book, sheet(files / "run1.csv", high))
    command("done", book, "--item", "2", "tip_weight", "100")
    command("run", book, sheet(files / "run2.csv", high))
    monkeypatch.setattr("trackbal.logbook.earlier.earlier_jobs", lambda *_: ("a job that must not be looked at",))
    code, out, error = command("advise", book, "--type-only", "--json")
    answer = json.loads(out)
    assert code == 1 and not error and answer["verdict"] == "hold" and answer["hold"] == [2]
