"""The commands of the logbook, from start to close."""

from __future__ import annotations

import html
import json
import re
import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_rotor import ROTOR
from logbook_cases import Command, invented_influence, sheet, show

from trackbal.commands.group import run as run_command
from trackbal.logbook.records import find_job, load_job
from trackbal.logbook.store import Book
from trackbal.runs.sheets import read_run, read_settings, write_run

HIGH = {"flat_pitch": (0.5, 40.0), "hover": (0.4, 50.0), "cruise": (0.6, 60.0), "descent": (0.3, 20.0)}
LOW = {"flat_pitch": (0.05, 10.0), "hover": (0.04, 20.0), "cruise": (0.06, 30.0), "descent": (0.05, 40.0)}

COMMANDS = (
    "new",
    "start",
    "run",
    "show",
    "advise",
    "trial",
    "done",
    "checked",
    "note",
    "correct",
    "close",
    "jobs",
    "renew",
    "export",
    "import",
)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_help_has_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_command(["log", name, "--help"]) == 0
    out = capsys.readouterr().out
    assert "Example:" in out and f"trackbal log {name}" in out


@pytest.mark.parametrize("name", ("reading", "done", "setting", "withdraw"))
def test_every_help_of_correct_has_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_command(["log", "correct", name, "--help"]) == 0
    assert f"trackbal log correct {name} fleet.tblog" in capsys.readouterr().out


@pytest.mark.parametrize("page", ["logbook.md", "maintainer.md"])
def test_the_docs_name_commands_that_exist(page: str) -> None:
    text = (Path(__file__).parents[2] / "docs" / page).read_text(encoding="utf-8")
    named = set(re.findall(r"`(?:trackbal )?log ([a-z]+)", text))
    assert named <= {*COMMANDS}, named
    if page == "logbook.md":
        assert named == {*COMMANDS}


def test_the_list_of_commands_is_complete(capsys: pytest.CaptureFixture[str]) -> None:
    assert run_command(["log", "--help"]) == 0
    listed = capsys.readouterr().out.split("Commands:")[1].split()
    assert [word for word in listed if word in COMMANDS][: len(COMMANDS)] and set(COMMANDS) <= set(listed)


def test_a_job_from_start_to_close(book: Path, files: Path, command: Command) -> None:
    assert show(command, book)["next"] == "run"
    code, out, _ = command("run", book, sheet(files / "run1.csv", HIGH))
    assert code == 0 and "outside limits; worst 3.00 of its limit" in out
    assert show(command, book)["next"] == "advise"
    code, out, error = command("advise", book, "--json", "--plan-anyway", "--plan-out", files / "plan.csv")
    advice = json.loads(out)
    assert code in (0, 1), error
    plan = advice["plans"][advice["recommended"]]["adjustments"]
    standing = show(command, book)
    assert standing["next"] == "done"
    advised = [(i["blade"], i["adjuster"], float(i["amount"])) for i in standing["runs"][0]["advised"]]
    assert advised == [(i["blade"], i["adjuster"], i["amount"]) for i in plan]
    assert command("done", book)[0] == 0
    standing = show(command, book)
    assert standing["next"] == "run"
    assert {(i["blade"], i["adjuster"]): float(i["amount"]) for i in standing["runs"][0]["done"]} == {
        (b, a): amount for b, a, amount in advised
    }
    assert command("run", book, sheet(files / "run2.csv", LOW))[0] in (0, 1)
    standing = show(command, book)
    assert standing["next"] == "explain" and standing["surprising"] and standing["hold"] == [2]
    assert command("checked", book, "sheet compared")[0] == 0
    standing = show(command, book)
    assert standing["next"] == "close" and standing["surprising"] and standing["hold"] == []
    assert command("note", book, "ship-shape", "--run", 2)[0] == 0
    code, out, _ = command("close", book, "--outcome", "inside limits")
    assert code == 0 and "2 runs" in out and "3.00 of its limit at first, 0.30 now" in out
    assert command("run", book, files / "run2.csv")[0] == 2
    assert json.loads(command("jobs", book, "--json")[1])["jobs"][0]["outcome"] == "inside limits"


def test_the_first_advice_is_that_of_advise(book: Path, files: Path, command: Command, capsys) -> None:
    run1 = sheet(files / "run1.csv", HIGH)
    command("run", book, run1)
    code, out, _ = command("advise", book, "--json", "--most", 3)
    arguments = ["advise", "--rotor", files / "rotor.toml", "--influence", files / "influence.json", "--run", run1]
    assert run_command([*map(str, arguments), "--most", "3", "--json"]) == code
    plain = json.loads(capsys.readouterr().out)
    logged = json.loads(out)
    assert logged.pop("learned") is False and logged.pop("earlier_jobs") == 0
    assert logged.pop("preferences") == {}
    assert logged.pop("ranges")  # kept with the record, to be held against what comes
    assert logged == plain


def test_what_a_job_is_to_keep_to_holds_for_its_later_advice(book: Path, files: Path, command: Command) -> None:
    def advised(*options: str) -> set[tuple[str, str]]:
        code, out, error = command("advise", book, "--json", "--most", 3, "--plan-anyway", *options)
        assert code in (0, 1), error
        return {(j["blade"], j["adjuster"]) for plan in json.loads(out)["plans"] for j in plan["adjustments"]}

    command("run", book, sheet(files / "run1.csv", HIGH))
    free = advised()
    blade = min(blade for blade, _ in free)
    (adjuster,) = {adjuster for _, adjuster in free} - {"pitch_link"} or {"pitch_link"}
    assert not any(b == blade for b, _ in advised("--reference", blade))
    kept = advised("--hold", adjuster)
    assert not any(b == blade or a == adjuster for b, a in kept)
    assert advised() == kept
    assert show(command, book)["preferences"] == {"hold": [adjuster], "reference": blade}
    out = " ".join(command("show", book)[1].split())
    assert f"Plans of this job keep to: blade {blade} not touched; {adjuster.replace('_', ' ')} held." in out
    assert advised("--no-preferences") == kept  # those of the rotor file are meant
    assert advised("--drop-preferences") == free
    assert show(command, book)["preferences"] == {}
    advised("--hold", adjuster)
    command("close", book, "--outcome", "done")
    command("start", book, "A")
    assert show(command, book)["preferences"] == {}  # another job


def test_settings_follow_from_the_record(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    assert command("done", book, "--item", "2", "tip_weight", "100", "--item", "3", "pitch_link", "-2")[0] == 0
    command("run", book, sheet(files / "run2.csv", HIGH))
    assert command("done", book, "--item", "2", "tip_weight", "-30.5")[0] == 0
    with Book.open(book) as opened:
        record = load_job(opened, find_job(opened, None))
    assert record.settings_text()["2", "tip_weight"] == "69.5"
    assert record.settings_text(before_run=2)["2", "tip_weight"] == "100"
    assert record.settings_text(before_run=1)["2", "tip_weight"] == "0"
    expected = np.zeros((2, 4))
    expected[0, 1], expected[1, 2] = 69.5, -2.0
    np.testing.assert_array_equal(record.setting(), expected)
    np.testing.assert_array_equal(record.change[1][0], [0.0, 100.0, 0.0, 0.0])
    out = files / "now.csv"
    assert command("export", book, "--job", "A-1", "--settings-now", out)[0] == 0
    np.testing.assert_array_equal(read_settings(ROTOR, out), expected)
    command("close", book, "--outcome", "put away")
    assert "check them on the aircraft" in " ".join(command("start", book, "A")[1].split())
    with Book.open(book) as opened:
        assert load_job(opened, find_job(opened, None)).settings_text()["2", "tip_weight"] == "69.5"


def test_readings_mean_what_the_sheet_means(book: Path, files: Path, command: Command) -> None:
    run1 = files / "run1.csv"
    run1.write_text(
        "regime,rpm,cockpit_vertical.amp [mm/s],cockpit_vertical.deg,tail.amp [mil],tail.deg,"
        "height.1 [in],height.2,height.3,height.4,note,info.wind,info.fuel\n"
        'hover,238,7.9,4:30,3.1,200,0.01,1,2,3,"restless, gusts",12 kt,\n'
        "flat_pitch,,5.5,350,,,,,,,,,half\n"
        "hover,241,8.1,140,3.0,198,0.02,1,2,3,again,14 kt,\n"
    )
    assert command("run", book, run1)[0] in (0, 1)
    wanted = read_run(ROTOR, run1)
    with Book.open(book) as opened:
        record = load_job(opened, find_job(opened, None))
    found = record.readings[0]
    for name in (
        "vibration",
        "height",
        "vibration_count",
        "height_count",
        "vibration_squares",
        "height_squares",
        "rpm",
    ):
        np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name), err_msg=name)
    assert found.notes == wanted.notes
    assert sorted(found.info) == sorted(wanted.info)
    assert record.runs[0].rows[0]["cockpit_vertical.amp"].text == "7.9"
    assert record.runs[0].rows[0]["cockpit_vertical.amp"].unit == "mm/s"
    assert record.runs[0].rows[0]["cockpit_vertical.deg"].text == "4:30"


@pytest.mark.parametrize(("hover", "verdict"), [(0.4, "investigate"), (1.3, "stop")])
def test_no_plan_is_recorded_as_advised_where_the_cause_is_to_be_found(
    book: Path, files: Path, command: Command, hover: float, verdict: str
) -> None:
    """Else "done", which means "as advised", would enter a plan that nobody was to carry out."""
    command("run", book, sheet(files / "run1.csv", HIGH | {"hover": (hover, 50.0)}))
    assert command("advise", book)[0] == 1
    assert show(command, book)["runs"][0]["advised"] == []
    assert show(command, book)["next"] == verdict
    code, _, error = command("done", book)
    assert code == 2 and f'no plan offered after run 1 (verdict "{verdict}")' in error
    assert command("done", book, "--nothing")[0] == 0


def test_a_correction_counts_and_the_old_value_stays(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("advise", book)
    why = ("--why", "misread")
    code, _, error = command("correct", "reading", book, 1, "cruise", "cockpit_vertical.amp", "0.06", *why)
    assert code == 0, error
    standing = show(command, book)
    assert standing["runs"][0]["worst"] == pytest.approx(2.5)
    assert standing["next"] == "advise"  # what was advised rested on the old value
    entries = json.loads(command("show", book, "--all", "--json")[1])["entries"]
    said = [(line["text"], line["superseded"]) for e in entries for line in e["says"]]
    amplitudes = [s for s in said if "cockpit_vertical.amp" in s[0] and "row 3" in s[0]]
    assert [(text.split(" = ")[1], old) for text, old in amplitudes] == [("0.6", True), ("0.06", False)]
    assert entries[-1]["why"] == "misread" and entries[-1]["by"] == "tester"
    assert command("correct", "reading", book, 1, "cruise", "cockpit_vertical.amp", "-3", *why)[0] == 2
    assert (
        command("correct", "reading", book, 1, "cruise", "cockpit_vertical.deg", "none", *why)[0] == 2
    )  # its amplitude
    assert command("correct", "reading", book, 1, "cruise", "height.2", "none", *why)[0] == 0
    assert show(command, book)["runs"][0]["worst"] == pytest.approx(2.5)
    assert command("correct", "reading", book, 1, "hover", "cockpit_vertical.amp", "8", "--unit", "mm/s", *why)[0] == 0


def test_what_was_done_is_recorded_once_and_corrected_openly(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    assert command("done", book)[0] == 2  # nothing was advised
    assert command("done", book, "--item", "1", "tip_weight", "20")[0] == 0
    assert command("done", book, "--item", "2", "tip_weight", "30")[0] == 0  # the next shift
    code, _, error = command("done", book, "--item", "1", "tip_weight", "40")
    assert code == 2 and "20 is recorded" in error
    assert command("correct", "done", book, 1, "1", "tip_weight", "40")[0] == 0
    assert command("correct", "done", book, 1, "2", "tip_weight", "0")[0] == 0
    done = show(command, book)["runs"][0]["done"]
    assert done == [{"blade": "1", "adjuster": "tip_weight", "amount": "40"}]
    code, _, error = command("done", book, "--item", "1", "pitch_link", "-13")
    assert code == 2 and "-12 to 12" in error
    assert command("done", book, "--item", "1", "pitch_link", "-13", "--anyway")[0] == 0


def test_done_from_a_sheet_and_item_by_item(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    (files / "adj.csv").write_text("blade,adjuster,amount\n1,tip_weight,20\n3,pitch_link,1\n")
    assert command("done", book, "--sheet", files / "adj.csv")[0] == 0
    assert len(show(command, book)["runs"][0]["done"]) == 2
    command("run", book, sheet(files / "run2.csv", HIGH))
    command("checked", book, "nothing moved, sheet compared")
    command("advise", book, "--most", 2, "--plan-anyway")
    advised = show(command, book)["runs"][1]["advised"]
    assert len(advised) == 1
    keys = "x\n0\n4 tip_weight ten\n4 tip_weight add 10\n\n"
    code, out, error = command("done", book, "--ask", keys=keys)
    assert code == 0, error
    assert "found 'x'" in out and "found 'ten'" in out
    done = {(i["blade"], i["adjuster"]): i["amount"] for i in show(command, book)["runs"][1]["done"]}
    assert done == {("4", "tip_weight"): "10"}


def test_nothing_done_is_not_the_same_as_nobody_said(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    _, out, _ = command("run", book, sheet(files / "run2.csv", HIGH))
    assert "Nobody has said what was done after run 1" in out
    assert show(command, book)["runs"][0]["done"] is None
    assert command("done", book, "--nothing", "--after", 1)[0] == 0
    assert show(command, book)["runs"][0]["done"] == []


def test_no_advice_on_readings_from_before_the_adjustments(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("done", book, "--item", "1", "tip_weight", "20")
    code, _, error = command("advise", book)
    assert code == 2 and "the next run first" in error


def test_a_withdrawn_run_no_longer_counts(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("run", book, sheet(files / "run2.csv", HIGH))
    command("done", book, "--item", "1", "tip_weight", "20")
    command("run", book, sheet(files / "run3.csv", LOW))
    assert command("correct", "withdraw", book, 2, "--why", "entered twice")[0] == 1  # on hold
    standing = show(command, book)
    assert [run["worst"] for run in standing["runs"]] == pytest.approx([3.0, 0.3])
    with Book.open(book) as opened:
        record = load_job(opened, find_job(opened, None))
    assert record.change[1][0, 0] == 20.0  # what was done after it still was done


def test_two_open_jobs_must_be_told_apart(book: Path, files: Path, command: Command) -> None:
    command("start", book, "B")
    code, _, error = command("run", book, sheet(files / "run1.csv", HIGH))
    assert code == 2 and "--job" in error and "A-1" in error
    assert command("run", book, files / "run1.csv", "--job", "B-1")[0] == 0
    code, _, error = command("start", book, "B")
    assert code == 2 and "still open" in error


def test_bad_input_changes_nothing(book: Path, files: Path, command: Command) -> None:
    before = book.read_bytes()
    bad = files / "bad.csv"
    bad.write_text("regime,cockpit_vertical.amp,cockpit_vertical.deg\nhover,0.3,10\ncruise,x,10\n")
    code, _, error = command("run", book, bad)
    assert code == 2 and "bad.csv, row 3, column cockpit_vertical.amp: found 'x'" in error
    assert error.count("\n") == 1
    bad.write_text("regime,cockpit_vertical.amp\nhover,0.3\n")
    assert command("run", book, bad)[0] == 2
    assert command("run", book, files / "none.csv")[0] == 2
    assert command("note", book, "")[0] == 2
    assert command("note", book, "x", "--run", 1)[0] == 2
    assert command("done", book, "--nothing")[0] == 2
    assert command("advise", book)[0] == 2
    assert command("close", book, "--job", "nobody")[0] == 2
    (files / "settings.csv").write_text("blade,adjuster,setting\n1,tip_weight,601\n")
    command("close", book, "--outcome", "put away")
    after_close = book.read_bytes()
    assert before != after_close
    code, _, error = command("start", book, "A", "--settings", files / "settings.csv")
    assert code == 2 and "0 to 600" in error
    assert book.read_bytes() == after_close


def test_a_reading_at_its_stop_limit_warns(book: Path, files: Path, command: Command) -> None:
    code, out, _ = command("run", book, sheet(files / "run1.csv", {"hover": (1.3, 0.0)}))
    assert code == 1 and "STOP" in out
    assert show(command, book)["next"] == "stop"
    code, out, _ = command("advise", book, "--json")
    assert code == 1 and json.loads(out)["plans"] == []
    assert show(command, book)["next"] == "stop"


def test_renew_keeps_the_old_and_refuses_what_does_not_fit(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    text = (files / "rotor.toml").read_text()
    (files / "rotor2.toml").write_text(text.replace("vibration = 0.2", "vibration = 0.3"))
    assert command("renew", book, "--rotor", files / "rotor2.toml", "--why", "manual revision 12")[0] == 0
    assert show(command, book)["runs"][0]["worst"] == pytest.approx(2.0)
    (files / "rotor3.toml").write_text(text.replace('name = "cruise"', 'name = "cruise_100"'))
    code, _, error = command("renew", book, "--rotor", files / "rotor3.toml")
    assert code == 2 and "cruise" in error
    with sqlite3.connect(book) as raw:
        assert raw.execute("SELECT count(*) FROM rotor").fetchone() == (2,)
    raw.close()


def test_a_surprise_is_named_and_put_right(book: Path, files: Path, command: Command) -> None:
    """The second run is what -100 g on blade 2 gives by the influence, +100 g is written down."""
    command("run", book, sheet(files / "run1.csv", HIGH))
    change = np.zeros((2, 4))
    change[0, 1] = -100.0
    first = read_run(ROTOR, files / "run1.csv")
    influence = invented_influence()
    second = replace(
        first,
        vibration=first.vibration + influence.vibration_change(ROTOR, change),
        height=first.height + influence.height_change(change),
    )
    write_run(ROTOR, files / "run2.csv", second, force=True)
    command("correct", "setting", book, "2", "tip_weight", "200")
    command("done", book, "--item", "2", "tip_weight", "100")
    code, out, _ = command("run", book, files / "run2.csv")
    assert code == 1 and "SURPRISING" in out
    standing = show(command, book)
    assert standing["explanations"][0]["kind"] == "wrong_sign"
    assert f"trackbal log correct done {book} 1 2 tip_weight -100" in out
    code, out, _ = command("advise", book)
    assert code == 1 and "HOLD" in out and "nobody has said why" in " ".join(out.split())
    code, out, _ = command("trial", book)
    assert code == 1 and "SURPRISING" in out and "trial is needed" not in out
    assert json.loads(command("trial", book, "--json")[1])["verdict"] == "hold"
    assert command("correct", "done", book, 1, "2", "tip_weight", "-100", "--why", "removed")[0] == 0
    standing = show(command, book)
    assert not standing["surprising"] and standing["explanations"] == []
    code, out, _ = command("advise", book, "--json")
    assert json.loads(out)["learned"] is True


def surprising_job(book: Path, files: Path, command: Command) -> None:
    """Enter a run, 100 g said to be added on blade 2, and a second run of the same readings."""
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("done", book, "--item", "2", "tip_weight", "100")
    assert command("run", book, sheet(files / "run2.csv", HIGH))[0] == 1


def test_a_surprising_run_holds_the_job_until_somebody_says_why(book: Path, files: Path, command: Command) -> None:
    surprising_job(book, files, command)
    card, plan = files / "card.html", files / "plan.csv"
    code, out, _ = command("advise", book, "--json", "--card", card, "--plan-out", plan)
    answer = json.loads(out)
    assert code == 1 and answer["verdict"] == "hold" and answer["recommended"] is None and answer["plans"] == []
    assert answer["hold"] == [2] and answer["surprise"]["p"] < 1e-3 and answer["explanations"]
    page = card.read_text()
    assert "HOLD" in page and answer["explanations"][0]["text"] in html.unescape(page) and "chance" not in page.lower()
    assert not plan.exists()
    code, _, error = command("done", book)  # "as advised", and nothing was
    assert code == 2 and 'no plan offered after run 2 (verdict "hold")' in error
    code, out, _ = command("show", book)
    assert code == 1 and "HOLD" in out and "trackbal log checked" in " ".join(out.split())
    assert command("checked", book, "  ")[0] == 2  # a reason is needed
    assert command("checked", book, "Weighed blade 2: it is on", "--by", "R. Lindqvist")[0] == 0
    code, out, _ = command("show", book)
    assert code == 0 and "checked by R. Lindqvist" in out and "Weighed blade 2" in out
    code, out, _ = command("advise", book, "--json", "--most", 1, "--plan-anyway")
    assert json.loads(out)["verdict"] in ("adjust", "investigate") and json.loads(out)["plans"]


def test_a_name_must_sign_that_a_run_was_checked(book: Path, files: Path, command: Command, monkeypatch) -> None:
    surprising_job(book, files, command)
    monkeypatch.delenv("TRACKBAL_BY")
    code, _, error = command("checked", book, "looked at")
    assert code == 2 and "--by" in error


def test_a_check_does_not_outlive_a_correction(book: Path, files: Path, command: Command) -> None:
    surprising_job(book, files, command)
    command("checked", book, "all as written")
    assert show(command, book)["hold"] == []
    command("correct", "done", book, 1, "2", "tip_weight", "150")
    assert show(command, book)["hold"] == [2]
    command("correct", "done", book, 1, "2", "tip_weight", "0")
    assert show(command, book)["hold"] == []  # explained: nothing was done


def test_a_job_closed_on_hold_warns_and_a_finding_ends_it(book: Path, files: Path, command: Command) -> None:
    surprising_job(book, files, command)
    code, out, _ = command("close", book, "--outcome", "left")
    assert code == 1 and "HOLD" in out.upper()
    assert command("start", book, "A")[0] == 0
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("done", book, "--item", "2", "tip_weight", "100")
    command("run", book, sheet(files / "run2.csv", LOW))
    code, out, _ = command("close", book, "--finding", "cracked pylon mount, replaced", "--json")
    closed = json.loads(out)
    assert code == 0 and closed["hold"] == [] and closed["finding"] == "cracked pylon mount, replaced"


def test_earlier_jobs_of_the_aircraft_count_until_it_was_reworked(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("done", book, "--nothing")
    command("run", book, sheet(files / "run2.csv", HIGH))
    command("close", book, "--outcome", "enough")

    def earlier(*options: str) -> int:
        command("start", book, "A", *options)
        command("run", book, sheet(files / "run1.csv", HIGH))
        found = json.loads(command("advise", book, "--json", "--most", 1)[1])["earlier_jobs"]
        command("close", book, "--outcome", "enough")
        return int(found)

    assert earlier() == 1
    assert earlier("--reworked", "pick-ups moved") == 0
    assert earlier() == 0  # a single run tells nothing


def test_other_programs_read_json_after_every_entry(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    for arguments in (
        ("note", book, "x"),
        ("correct", "reading", book, 1, "hover", "cockpit_vertical.deg", "51"),
        ("correct", "done", book, 1, "1", "tip_weight", "10"),
        ("correct", "setting", book, "1", "tip_weight", "20"),
        ("run", book, sheet(files / "run2.csv", HIGH)),
        ("correct", "withdraw", book, 2),
    ):
        code, out, error = command(*arguments, "--json")
        assert code in (0, 1), error
        assert json.loads(out)["job"] == "A-1"
    assert {(s["blade"], s["adjuster"]): s["setting"] for s in json.loads(out)["settings"]}["1", "tip_weight"] == "30"
    assert command("run", book, "--json")[0] == 2
    assert command("done", book, "--ask", "--json")[0] == 2


def test_the_card_names_aircraft_and_run(book: Path, files: Path, command: Command) -> None:
    command("run", book, sheet(files / "run1.csv", HIGH))
    command("done", book, "--item", "1", "tip_weight", "20")
    command("run", book, sheet(files / "run2.csv", HIGH))
    code, _, error = command("advise", book, "--most", 2, "--card", files / "card.html")
    assert code in (0, 1), error
    page = (files / "card.html").read_text()
    assert "job A-1, run 2" in page
    assert command("advise", book, "--card", files / "card.html")[0] == 2  # not over an existing one
    assert (
        len([e for e in json.loads(command("show", book, "--all", "--json")[1])["entries"] if e["kind"] == "advice"])
        == 1
    )
    command("close", book, "--outcome", "put away")
    command("start", book, "B")
    command("run", book, sheet(files / "run1.csv", {"hover": (1.3, 0.0)}))
    assert command("advise", book, "--card", files / "stop.html")[0] == 1
    assert "1.3" in (files / "stop.html").read_text()
