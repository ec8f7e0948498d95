"""Past jobs of a virtual type, flown for the influence table that a drill may be asked for."""

from __future__ import annotations

from functools import cache

import numpy as np

from trackbal.fitting.fit import fit
from trackbal.influence.coefficients import Influence
from trackbal.runs.run import History
from trackbal.virtual import VirtualType
from trackbal.virtual.past_jobs import past_jobs

PAST_JOBS = 14
_MOST_CHANGES = 3  # adjustments between two runs
_REACH = 0.35  # of the way to a bound, in one adjustment
_SEED = 41


@cache
def influence_of_type(kind: str) -> Influence:
    """Return what PAST_JOBS jobs of other aircraft of a virtual type say of it, the same every time."""
    flown = VirtualType.shipped(kind)
    return fit(flown.rotor, past_jobs_of(flown)).influence


def past_jobs_of(kind: VirtualType) -> History:
    """Return PAST_JOBS jobs of other aircraft of a type."""
    rng = np.random.default_rng(_SEED)
    fleet = (kind.aircraft(int(rng.integers(2**31)), float(rng.uniform(0.4, 1.2))) for _ in range(PAST_JOBS))
    return past_jobs(fleet, rng, _MOST_CHANGES, _REACH)
