"""The short lessons: their pictures and the figures in their text are what today's code gives."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import numpy as np
import pytest

from trackbal.runs.words import chance_words

pytestmark = pytest.mark.usefixtures("fits_remembered")

ROOT = Path(__file__).parents[1]
TEXT = " ".join((ROOT / "docs" / "lessons.md").read_text(encoding="utf-8").split())
_spec = importlib.util.spec_from_file_location("lesson_pictures", ROOT / "docs" / "lesson_pictures.py")
assert _spec is not None and _spec.loader is not None
drawn = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(drawn)
HINT = "run python docs/lesson_pictures.py, look at the pictures, bring docs/lessons.md up to date"


def assert_alike(one, other):
    """Fail if two sets of numbers differ by more than a hundredth (a few thousandths near 0), or in any word."""
    assert type(one) is type(other)
    if isinstance(one, dict):
        assert one.keys() == other.keys(), HINT
        one, other = list(one.values()), list(other.values())
    if isinstance(one, list):
        assert len(one) == len(other), HINT
        for a, b in zip(one, other, strict=True):
            assert_alike(a, b)
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=0.01, abs=0.004), HINT
    else:
        assert one == other, HINT


@pytest.mark.parametrize("name", drawn.PICTURES)
def test_pictures_show_the_numbers_of_this_code(name):
    _, numbers = drawn.PICTURES[name]()
    assert_alike(numbers, drawn.told_by(name))
    assert f"](pictures/{name}.png)" in TEXT
    assert (drawn.FOLDER / f"{name}.png").stat().st_size < 120_000


def section(number):
    """Return the text of a lesson."""
    return re.search(rf"## {number}\. (.*?) ## ", TEXT + " ## ")[1]


def said(number, *phrases):
    for phrase in phrases:
        assert phrase in section(number), f"lesson {number} should say '{phrase}': {HINT}"


def test_figures_of_mass_and_lift():
    for case in drawn.told_by("lesson_signatures").values():
        readings = " | ".join(f"{row[0]:.2f}" for row in case["vibration"])
        said(1, f"{readings} | {case['spread'][0]:.2f} to {case['spread'][-1]:.2f} |")


def test_figures_of_ground_and_flight():
    told = drawn.told_by("lesson_ground_flight")
    (_, light, off), (_, heavy, on) = told.pop("weights")
    found, covered = told.values()
    said(2, f"{-off:g} g off blade {light}", f"{on:g} g on blade {heavy}", f"spread of {found['spread'][0]:.2f} limits")
    said(2, f"sideways, {found['vibration'][0][1]:.2f} of the limit", f"it works: {covered['vibration'][0][1]:.2f}.")
    said(2, f"{found['vibration'][1][1]:.2f} has become {covered['vibration'][1][1]:.2f}")
    said(2, f"was {found['vibration'][3][0]:.2f} and is {covered['vibration'][3][0]:.2f}")


def test_figures_of_the_phase():
    told = drawn.told_by("lesson_phase")
    said(3, ", ".join(f"{lag:.0f}°" for lag in told["lag_deg"]), f"is the same, {told['ratio'][0]:.2f};")
    a_gram = told["ratio"][0] / 150.0
    said(3, f"= {a_gram:.4f}", f"= {1.0 / (2.0 * np.cos(np.radians(36.0)) * a_gram):.0f} g on each")
    for lag, blade in ((told["lag_deg"][1], 2), (told["lag_deg"][2], 3)):
        assert abs(lag - 300.0) == pytest.approx(36.0, abs=0.5)
        said(3, f"blade {blade} ({lag:.0f}°)")
    assert told["lag_deg"][4] == pytest.approx(120.0, abs=0.5)
    said(3, f"{1.0 / a_gram:.0f} g light")


def test_figures_of_what_is_not_seen():
    drawn_rotor = drawn.VirtualType.shipped("main4").as_drawn()
    signal = drawn.changed(drawn_rotor, ("pitch_link", 1, 6.0), ("pitch_link", 3, 6.0)).signal
    assert np.abs(signal[3, 0, 2]) > 0.1  # ips twice per revolution in flight, as the text says
    told = drawn.told_by("lesson_unseen")
    assert np.max(told["vibration"]) < 0.005
    said(4, f"{told['spread'][0]:.2f} limits apart on the ground and {told['spread'][-1]:.2f} at")


def test_figures_of_ranges_and_counts():
    told = drawn.told_by("lesson_plus_minus")
    said(5, f"with {told['count']} adjustments", f"likely spread of the tips is {told['spread'][2]:.1f} mm")
    said(5, f"it is {told['spread'][3]:.1f} mm, each tip ±{told['height_sd'][3]:.1f} mm")
    said(
        5, f"±{told['height_sd'][2]:.1f} mm", f"here {100 * told['chance']:.0f} %", f"once: {0.95**10:.0%}"[6:-1] + " %"
    )
    ladder = drawn.told_by("lesson_by_count")
    plans = {count: (chance, worst) for count, chance, worst in ladder["plans"]}
    assert ladder["recommended"] == 4
    assert plans[4][0] > 0.98
    said(6, f"at {plans[3][1]:.2f} of its limit; with 4 at {plans[4][1]:.2f}")
    said(6, f"from {chance_words(plans[3][0])} to {chance_words(plans[4][0])}")
    said(6, f"look at 5, whose chance is {100 * plans[5][0]:.0f} %, less than that of 4")
    assert plans[5][0] < plans[4][0]


def test_figures_of_when_to_stop():
    told = drawn.told_by("lesson_enough")
    seen = [f"{ratio:.2f}" for ratio in told["ratio"]]
    said(7, f"reading is {told['true']:.2f} of the limit", f"between {min(seen)} and {max(seen)}")
    assert {"0.86", "0.74"} <= set(seen)
