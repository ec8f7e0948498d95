"""Past jobs of a virtual type, flown for the influence table that a drill may be asked for."""

from __future__ import annotations

from functools import cache

import numpy as np

from trackbal.fitting.fit import fit
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals, Run
from trackbal.virtual import VirtualType

PAST_JOBS = 14
_MOST_CHANGES = 3  # adjustments between two runs
_REACH = 0.35  # of the way to a bound, in one adjustment
_SEED = 41


@cache
def influence_of_type(kind: str) -> Influence:
    """Return what PAST_JOBS jobs of other aircraft of a virtual type say of it, the same every time."""
    flown = VirtualType.shipped(kind)
    return fit(flown.rotor, past_jobs(flown)).influence


def past_jobs(kind: VirtualType) -> History:
    """Return jobs of 3 or 4 runs through all regimes, adjusted at random in between."""
    rng = np.random.default_rng(_SEED)
    runs: list[Run] = []
    job, number, changes = [], [], []
    for j in range(PAST_JOBS):
        aircraft = kind.aircraft(int(rng.integers(2**31)), float(rng.uniform(0.4, 1.2)))
        found = aircraft.setting
        for k in range(int(rng.integers(3, 5))):
            if k:
                aircraft = aircraft.adjust(_some_change(kind.rotor, aircraft.setting, rng), rng)
            runs.append(aircraft.fly(rng))
            job.append(j)
            number.append(k + 1)
            changes.append(aircraft.setting - found)
    return History(
        jobs=tuple(f"past {j + 1}" for j in range(PAST_JOBS)),
        job=np.array(job),
        run=np.array(number),
        change=np.array(changes),
        vibration=np.array([run.vibration for run in runs]),
        vibration_count=np.array([run.vibration_count for run in runs]),
        vibration_squares=np.array([run.vibration_squares for run in runs]),
        height=np.array([run.height for run in runs]),
        height_count=np.array([run.height_count for run in runs]),
        height_squares=np.array([run.height_squares for run in runs]),
    )


def _some_change(rotor: Rotor, setting: Reals, rng: np.random.Generator) -> Reals:
    """Return one to three adjustments of whole steps well inside their bounds, shape (A, B)."""
    low, high = rotor.step_bounds(setting)
    change = np.zeros_like(setting)
    movable = np.argwhere(high > low)
    for a, b in movable[rng.permutation(len(movable))[: rng.integers(1, _MOST_CHANGES + 1)]]:
        reach = max(1, int(_REACH * max(high[a, b], -low[a, b])))
        steps = [n for n in range(max(low[a, b], -reach), min(high[a, b], reach) + 1) if n]
        change[a, b] = rng.choice(steps) * rotor.adjusters[a].step
    return change
