"""The demo folders read and fitted, once in a process for all tests that look at them."""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from trackbal.fitting.fit import Fit, fit
from trackbal.lessons.demo_folder import Demo, read_demo
from trackbal.lessons.lesson import Lesson, prepare_lesson
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals
from trackbal.runs.sheets import read_settings

ROOT = Path(__file__).parents[1] / "demo_runs"
FOLDERS = sorted(p.parent.name for p in ROOT.glob("*/history.csv"))


@cache
def demo(name: str) -> Demo:
    return read_demo(ROOT / name)


_FITS: dict[bytes, Fit] = {}


def remembered_fit(rotor: Rotor, history: History, *prior: Any, **options: Any) -> Fit:
    """Return what `fit` does; of a history that was fitted before in this process, wherever it was read from, that."""
    key = pickle.dumps((rotor, replace(history, source=""), prior, options))
    if key not in _FITS:
        _FITS[key] = fit(rotor, history, *prior, **options)
    return _FITS[key]


def demo_fit(name: str) -> Fit:
    return remembered_fit(demo(name).rotor, demo(name).history)


@cache
def demo_lesson(name: str) -> Lesson:
    return prepare_lesson(demo(name))


def settings_of(name: str) -> Reals:
    """Return what was installed before run 1."""
    return read_settings(demo(name).rotor, ROOT / name / "settings.csv")
