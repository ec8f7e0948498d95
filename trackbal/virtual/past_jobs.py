"""Past jobs of a virtual type: aircraft flown, adjusted at random, and flown again."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals, Run
from trackbal.virtual.aircraft import Aircraft


def past_jobs(fleet: Iterable[Aircraft], rng: np.random.Generator, most: int, reach: float) -> History:
    """Return a job of each aircraft: 3 or 4 runs through all regimes, adjusted at random in between.

    Parameters
    ----------
    fleet : iterable of Aircraft
        Taken one by one, each before its first run.
    most : int
        Adjustments between two runs, at most.
    reach : float
        How far an adjustment goes at most, as a part of the way to its bound.
    """
    runs: list[Run] = []
    job, number, changes = [], [], []
    for j, aircraft in enumerate(fleet):
        found = aircraft.setting
        for k in range(int(rng.integers(3, 5))):
            if k:
                aircraft = aircraft.adjust(_some_change(aircraft.rotor, aircraft.setting, rng, most, reach), rng)
            runs.append(aircraft.fly(rng))
            job.append(j)
            number.append(k + 1)
            changes.append(aircraft.setting - found)
    names = ("vibration", "vibration_count", "vibration_squares", "height", "height_count", "height_squares")
    readings: dict[str, Any] = {name: np.array([getattr(run, name) for run in runs]) for name in names}
    jobs = tuple(f"past {j + 1}" for j in range(job[-1] + 1))
    return History(jobs=jobs, job=np.array(job), run=np.array(number), change=np.array(changes), **readings)


def _some_change(rotor: Rotor, setting: Reals, rng: np.random.Generator, most: int, reach: float) -> Reals:
    """Return one to `most` adjustments of whole steps well inside their bounds, shape (A, B)."""
    low, high = rotor.step_bounds(setting)
    change = np.zeros_like(setting)
    movable = np.argwhere(high > low)
    for a, b in movable[rng.permutation(len(movable))[: rng.integers(1, most + 1)]]:
        farthest = max(1, int(reach * max(high[a, b], -low[a, b])))
        steps = [n for n in range(max(low[a, b], -farthest), min(high[a, b], farthest) + 1) if n]
        change[a, b] = rng.choice(steps) * rotor.adjusters[a].step
    return change
