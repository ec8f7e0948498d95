"""With "investigate": the reading that stands alone, what it would be if misread, and honesty where none does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from demo_fits import demo, demo_fit, settings_of

from trackbal.pages.card import card as job_card
from trackbal.plan.advice import Advice, advise
from trackbal.plan.misread import NONE_ALONE
from trackbal.reports.advice_report import advice_text
from trackbal.runs.run import Run

NAME = "five_blades"
R, S = 0, 0


def answer(change: np.ndarray | None = None, heights: np.ndarray | None = None, k: int = -1) -> tuple[Run, Advice]:
    """Return a run of the demo, its vibration multiplied and its tips moved, and the advice on it."""
    whole = demo(NAME)
    run = whole.runs[k]
    if change is not None:
        run = replace(run, vibration=run.vibration * change, entered=None)
    if heights is not None:
        run = replace(run, height=run.height + heights, entered=None)
    return run, advise(whole.rotor, run, demo_fit(NAME).influence, settings_of(NAME), most=6, override_stop=True)


def factor(value: complex) -> np.ndarray:
    run = demo(NAME).runs[-1]
    change = np.ones(run.vibration.shape, dtype=complex)
    change[R, S] = value
    return change


def test_one_reading_far_too_large_too_large_is_named_with_the_slip_before_the_causes():
    rotor = demo(NAME).rotor
    run, advice = answer(factor(40.0))
    place = f"{rotor.regimes[R].name}, {rotor.sensors[S].name}"
    assert advice.verdict == "investigate"
    assert place in advice.misread[0]
    assert "the others expect about" in advice.misread[0]
    assert "the decimal point one place to the left" in advice.misread[0]
    assert advice.misread[0] in advice.cautions[:2]  # behind the stop that was overridden
    for everything in (False, True):
        text = " ".join(advice_text(rotor, run, advice, everything=everything).split())
        assert text.count("All but one reading") == 1
        assert text.index("All but one reading") < text.index("Look for the cause")
    page = job_card(rotor, run, demo_fit(NAME).influence, advice)
    assert page.index("All but one reading") < page.index("Look for the cause")


@pytest.mark.parametrize(("regime", "sensor"), [(1, 1), (2, 0), (3, 1)])
def test_a_phase_turned_by_180_degrees_is_named(regime, sensor):
    whole = demo(NAME)
    turned = np.ones(whole.runs[1].vibration.shape, dtype=complex)
    turned[regime, sensor] = -1.0
    _, advice = answer(turned, k=1)
    assert advice.verdict == "investigate"
    place = f"{whole.rotor.regimes[regime].name}, {whole.rotor.sensors[sensor].name}"
    assert any(place in said and "phase turned by 180 degrees" in said for said in advice.misread)


@pytest.mark.parametrize("blade", [0, 3])
def test_a_tip_misread_is_named_with_its_distance(blade):
    whole = demo(NAME)
    moved = np.zeros(whole.runs[-1].height.shape)
    moved[1, blade] = 200.0
    _, advice = answer(heights=moved)
    assert advice.verdict == "investigate"
    said = " ".join(advice.misread)
    assert f"{whole.rotor.regimes[1].name}, height of blade {whole.rotor.blades[blade]}" in said
    assert "mm lower than read" in said


def test_where_no_single_reading_stands_alone_that_is_said():
    run = demo(NAME).runs[-1]
    change = np.full(run.vibration.shape, 60.0, dtype=complex)
    change[1::2] *= -1.0
    _, advice = answer(change)
    assert advice.verdict == "investigate"
    assert advice.misread == (NONE_ALONE,)


def test_other_verdicts_name_none():
    assert answer()[1].misread == ()
