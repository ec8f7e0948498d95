"""Advice on every run of every demo fits a terminal of 80 by 24, and nothing that matters is left out for it."""

from __future__ import annotations

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


@pytest.mark.parametrize("no_color", ["1", ""])
def test_colour_is_for_terminals_that_want_it(monkeypatch, no_color):
    shown = []
    monkeypatch.setattr(options.sys, "stdout", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr(options.click, "echo", lambda text, nl: shown.append(text))
    monkeypatch.setenv("NO_COLOR", no_color)
    options.echo_text("STOP. INVESTIGATE.\n")
    assert ("\x1b[" in shown[0]) is (not no_color)
