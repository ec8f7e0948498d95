"""The demo folders read and fitted, once in a process for all tests that look at them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from trackbal.fitting.fit import Fit, fit
from trackbal.lessons.demo_folder import Demo, read_demo
from trackbal.lessons.lesson import Lesson, prepare_lesson
from trackbal.runs.run import Reals
from trackbal.runs.sheets import read_settings

ROOT = Path(__file__).parents[1] / "demo_runs"
FOLDERS = sorted(p.parent.name for p in ROOT.glob("*/history.csv"))


@cache
def demo(name: str) -> Demo:
    return read_demo(ROOT / name)


@cache
def demo_fit(name: str) -> Fit:
    return fit(demo(name).rotor, demo(name).history)


@cache
def demo_lesson(name: str) -> Lesson:
    return prepare_lesson(demo(name))


def settings_of(name: str) -> Reals:
    """Return what was installed before run 1."""
    return read_settings(demo(name).rotor, ROOT / name / "settings.csv")
