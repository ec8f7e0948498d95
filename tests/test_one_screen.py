"""Advice on every run of every demo fits a terminal of 80 by 24, and nothing that matters is left out for it."""

from __future__ import annotations

import io
import re
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
from demo_fits import FOLDERS, demo, demo_fit, settings_of

from trackbal.base.cautions import general_cautions
from trackbal.commands import options
from trackbal.commands.group import run as run_command
from trackbal.commands.waiting import working
from trackbal.influence.influence_writer import write_influence
from trackbal.plan.advice import advise
from trackbal.reports.advice_report import advice_text, plan_adjustments
from trackbal.runs.words import adjustment_words

pytestmark = pytest.mark.usefixtures("fits_remembered")

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("name", FOLDERS)
def test_advice_on_every_demo_run_is_one_screen(name):
    whole, setting = demo(name), settings_of(name)
    for run in whole.runs:
        advice = advise(whole.rotor, run, demo_fit(name).influence, setting)
        text = advice_text(whole.rotor, run, advice)
        lines, words = text.splitlines(), " ".join(text.split())
        assert len(lines) <= 23
        assert max(map(len, lines)) <= 80
        if advice.offered is not None:
            for a, b, amount in plan_adjustments(whole.rotor, advice.offered):
                assert adjustment_words(whole.rotor, a, b, amount, float(advice.setting[a, b])) in words
        held = any("Do not go on" in caution for caution in advice.cautions)
        assert ("Do not go on" in words) is held
        assert ("INVESTIGATE" in words) is (advice.verdict == "investigate")
        for start in ("Weights:", "Pitch links:"):
            assert (start in words) is any(start[:-1] + " are" in caution for caution in advice.cautions)


def test_what_adjusting_could_do_at_best_is_the_same_in_headline_and_table():
    whole = demo("three_blades")
    advice = advise(whole.rotor, whole.runs[0], demo_fit("three_blades").influence, settings_of("three_blades"))
    assert advice.verdict == "investigate"
    text = advice_text(whole.rotor, whole.runs[0], advice)
    said = float(re.search(r"at best bring the worst reading to ([\d.]+) of its limit", " ".join(text.split()))[1])
    row = next(line for line in text.splitlines() if line.strip().startswith("worst") and "at best" in line)
    *_, at_best, limit, _ = row.split()
    assert float(at_best) / float(limit) == pytest.approx(said, abs=0.006)  # both are rounded


@pytest.mark.parametrize("no_color", ["1", ""])
def test_colour_is_for_terminals_that_want_it(monkeypatch, no_color):
    shown = []
    monkeypatch.setattr(options.sys, "stdout", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr(options.click, "echo", lambda text, nl: shown.append(text))
    monkeypatch.setenv("NO_COLOR", no_color)
    options.echo_text("STOP. INVESTIGATE.\n")
    assert ("\x1b[" in shown[0]) is (not no_color)


LONG_NAMES = {
    "tip_weight": "weight_pocket_at_the_blade_tip",
    "pitch_link": "pitch_link_upper_rod_end",
    "flat_pitch": "flat_pitch_on_the_ground_warm",
    "ground_run": "ground_run_pedals_neutral_warm",
    "cruise_110": "level_flight_110_kt_at_2000_ft",
    "seat_lateral": "crew_seat_rail_lateral_starboard",
}


CASES = [
    *(pytest.param(name, {}, id=name, marks=[] if name == "three_blades" else pytest.mark.long) for name in FOLDERS),
    pytest.param("three_blades", LONG_NAMES, id="three_blades, long names"),
    pytest.param("four_blade_tail", LONG_NAMES, id="four_blade_tail, long names", marks=pytest.mark.long),
]


@pytest.mark.parametrize("name, names", CASES)
def test_advice_within_a_job_is_one_screen_from_the_first_on(name, names, tmp_path, capsys):
    def told(*words: object) -> str:
        code = run_command(["log", *map(str, words)])
        said = capsys.readouterr()
        assert code in (0, 1), said.err
        return said.out

    write_influence(tmp_path / "influence.json", demo(name).rotor, demo_fit(name).influence)
    for file in [*(ROOT / "demo_runs" / name).iterdir(), tmp_path / "influence.json"]:
        text = file.read_text(encoding="utf-8")
        for short, long in names.items():
            text = re.sub(rf'(?<!kind = "){short}\b', long, text)
        (tmp_path / file.name).write_text(text, encoding="utf-8")
    book = tmp_path / "fleet.tblog"
    told("new", book, "--rotor", tmp_path / "rotor.toml", "--influence", tmp_path / "influence.json")
    started = told("start", book, "No. 7", "--settings", tmp_path / "settings.csv")
    assert all(words in " ".join(started.split()) for words in general_cautions())
    seen = set()
    for n in range(1, len(demo(name).runs) + 1):
        told("run", book, tmp_path / f"run{n}.csv", *(["--anyway"] if n > 1 else []))
        for asked in [["--card", tmp_path / "card_of_this_run.html", "--force"], ["--plan-anyway"]][n > 2 :]:
            text = told("advise", book, *asked)
            assert sum(max(1, -(-len(line) // 80)) for line in text.splitlines()) <= 23, text
            verdict = next(words for words in VERDICTS if words in " ".join(text.split()))
            seen.add(verdict)
            planned = verdict == "chance" or (verdict == "INVESTIGATE" and asked == ["--plan-anyway"])
            assert ("\nDo\n" in text) is planned, text
        done = tmp_path / f"adjustments{n}.csv"
        if done.exists():
            told("done", book, "--sheet", done)
    assert name != "three_blades" or {"INVESTIGATE", "HOLD"} <= seen


VERDICTS = ("INVESTIGATE", "HOLD", "STOP", "READ AGAIN", "chance", "inside limits", "inside in")


class _Err(io.StringIO):
    def __init__(self, terminal: bool) -> None:
        super().__init__()
        self.terminal = terminal

    def isatty(self) -> bool:
        return self.terminal


@pytest.mark.parametrize("terminal", [True, False])
def test_long_work_is_told_on_a_terminal_and_nowhere_else(monkeypatch, capsys, terminal):
    err = _Err(terminal)
    monkeypatch.setattr("sys.stderr", err)
    with working("Searching plans", quiet=0.01):
        for _ in range(200):
            time.sleep(0.01)
            if "Searching plans: 0 s" in err.getvalue() or not terminal:
                break
    assert ("Searching plans: 0 s" in err.getvalue()) is terminal
    assert err.getvalue().endswith("\r") is terminal  # the line is cleared
    assert capsys.readouterr().out == ""
    said = err.getvalue()
    with working("Work that is done at once"):
        pass
    assert err.getvalue() == said
