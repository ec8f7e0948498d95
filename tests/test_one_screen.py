"""Advice on every run of every demo fits a terminal of 80 by 24, and nothing that matters is left out for it."""

from __future__ import annotations

import re
from types import SimpleNamespace

import pytest
from demo_fits import FOLDERS, demo, demo_fit, settings_of

from trackbal.commands import options
from trackbal.plan.advice import advise
from trackbal.reports.advice_report import advice_text, plan_adjustments
from trackbal.runs.words import adjustment_words


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
