"""A logbook without influence leads through the first day: no step it points at fails."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np

from trackbal.runs.sheets import write_run, write_settings
from trackbal.virtual import VirtualType

POINTS_AT = {
    "run": ["run"],
    "advise": ["advise"],
    "trial": ["trial"],
    "done": ["done"],
    "close": ["close"],
}


def after_first_run(tmp_path, command):
    """Return a logbook without influence in which a first aircraft has been run once."""
    kind = VirtualType.shipped("main4")
    book = tmp_path / "day.tblog"
    write_run(kind.rotor, tmp_path / "run.csv", kind.aircraft(10001).fly(np.random.default_rng(1)), force=False)
    command("new", book, "--rotor", VirtualType.rotor_file("main4"))
    command("start", book, "No. 1")
    command("run", book, tmp_path / "run.csv")
    return book


def test_the_first_day_from_new_to_close_without_any_past_run(tmp_path, command):
    """Only what `log show` says comes next is ever called, and it works every time."""
    kind = VirtualType.shipped("main4")
    aircraft = kind.aircraft(10001, 1.0)
    rng = np.random.default_rng(3)
    book, seen, flown = tmp_path / "day.tblog", [], 0
    write_settings(kind.rotor, tmp_path / "settings.csv", aircraft.setting, force=False)
    assert command("new", book, "--rotor", VirtualType.rotor_file("main4"))[0] == 0
    assert command("start", book, "No. 1", "--settings", tmp_path / "settings.csv")[0] == 0
    for _ in range(40):
        code, out, error = command("show", book, "--json", "--job", "No. 1-1")
        assert code in (0, 1), error
        following = json.loads(out)["next"]
        seen.append(following)
        if following == "closed":
            break
        assert following in POINTS_AT, following
        words = [*POINTS_AT[following], book]
        if following == "run":
            flown += 1
            write_run(kind.rotor, tmp_path / f"run{flown}.csv", aircraft.fly(rng), force=False)
            words.append(tmp_path / f"run{flown}.csv")
        code, out, error = command(*words)
        assert code in (0, 1), (words, error)
        assert "departures" not in out  # nobody has a history from which a fit could write them
        if following == "done":
            answer = json.loads(command("show", book, "--json", "--job", "No. 1-1")[1])
            change = np.zeros_like(aircraft.setting)
            for item in answer["runs"][-1]["done"]:
                a, b = kind.rotor.adjuster_index(item["adjuster"]), kind.rotor.blades.index(item["blade"])
                change[a, b] = float(item["amount"])
            aircraft = aircraft.adjust(change, rng)
    assert seen[-1] == "closed"
    assert seen[:6] == ["run", "advise", "trial", "done", "run", "advise"]
    assert flown <= 8


def test_textbook_estimates_are_entered_as_such(tmp_path, command):
    book = after_first_run(tmp_path, command)
    assert command("trial", book, "--json")[0] == 0
    import sqlite3

    with sqlite3.connect(book) as raw:
        assert raw.execute("SELECT source FROM influence").fetchall() == [("textbook estimates from the rotor file",)]


def test_no_trial_while_a_stop_reached_in_another_regime_stands(tmp_path, command):
    """The stop was reached in the first run; the second, in which nothing was changed, reads another regime alone."""
    kind = VirtualType.shipped("main4")
    book, rotor = tmp_path / "day.tblog", kind.rotor
    run = kind.aircraft(10001).fly(np.random.default_rng(1))
    vibration = run.vibration.copy()
    vibration[1, 0] = 1.1 * rotor.vibration_stop_limit[1, 0]
    write_run(rotor, tmp_path / "run1.csv", replace(run, vibration=vibration), force=False)
    command("new", book, "--rotor", VirtualType.rotor_file("main4"))
    command("start", book, "No. 1")
    assert command("run", book, tmp_path / "run1.csv")[0] == 1
    lines = (tmp_path / "run1.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "run2.csv").write_text("\n".join(lines[:2]) + "\n", encoding="utf-8")
    command("run", book, tmp_path / "run2.csv", "--anyway")
    assert json.loads(command("advise", book, "--json")[1])["verdict"] == "stop"
    code, out, _ = command("trial", book)
    assert code == 1 and "STOP" in out and "no trial" in out and "[ ]" not in out


def test_done_after_not_enough_known_asks_what_was_done(tmp_path, command):
    book = after_first_run(tmp_path, command)
    code, out, _ = command("advise", book)
    assert code == 1
    assert "log trial" in out
    code, _, error = command("done", book)
    assert code == 2
    assert "no plan offered after run 1" in error


def test_what_a_job_keeps_to_holds_for_a_trial_and_after_it(tmp_path, command):
    book = after_first_run(tmp_path, command)
    command("advise", book, "--hold", "pitch_link")
    answer = json.loads(command("trial", book, "--json")[1])
    assert "pitch_link" not in {a["adjuster"] for a in answer["trial"]["adjustments"]}
    assert any("pitch link held" in caution for caution in answer["cautions"])
    assert json.loads(command("show", book, "--json")[1])["preferences"] == {"hold": ["pitch_link"]}
