"""Which further adjustment, in the next job, would teach most of the type's coefficients."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.estimate.estimate import Estimate, Estimates
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.runs.run import Reals


@dataclass(frozen=True)
class Lesson:
    """What one more change on the next aircraft would teach.

    Parameters
    ----------
    adjuster : int
    amount : float
        On one blade, between two runs through every regime; the largest made so far.
    error : float
        Root mean square, over all readings, of what the error of this adjuster's mean
        coefficient is worth at that amount, in limits (half the spread limit for tips).
    saved : float
        Part of the squared errors of all adjusters, taken together, that it would do away with.
    unknown : bool
        Whether readings are there in which the adjuster is not known at all.
    """

    adjuster: int
    amount: float
    error: float
    saved: float
    unknown: bool


def lessons(cells: HistoryCells, estimates: Estimates) -> tuple[Lesson, ...]:
    """Return the lesson of every adjuster, the most instructive first; unknown ones lead."""
    rotor = cells.rotor
    steps = np.array([a.step for a in rotor.adjusters])
    most = np.array([a.largest_change for a in rotor.adjusters])
    amount = np.minimum(np.where(cells.largest_change > 0, cells.largest_change, steps), most)
    limit2 = rotor.vibration_limit.reshape(-1) ** 2
    with_tips = np.array([bool(np.isfinite(limit)) for limit in rotor.height_limit])
    tip2 = np.where(with_tips, (rotor.height_limit / 2.0) ** 2, 1.0)
    blades = len(rotor.blades)
    now, saved = _family(estimates.vibration, limit2, amount, 1.0)
    tip_now, tip_saved = _family(estimates.height, tip2, amount, 1.0 - 1.0 / blades)
    tip_now, tip_saved = tip_now * with_tips[:, None] / blades, tip_saved * with_tips[:, None] / blades
    each = now.sum(axis=0) + tip_now.sum(axis=0)
    total = max(float(each.sum()), np.finfo(float).tiny)
    readings = len(limit2) + int(with_tips.sum())
    unknown = estimates.vibration.identification.unknown.any(axis=0)
    unknown |= estimates.height.identification.unknown[with_tips].any(axis=0)
    found = [
        Lesson(
            a,
            float(amount[a]),
            float(np.sqrt(each[a] / readings)),
            float((saved[:, a].sum() + tip_saved[:, a].sum()) / total),
            bool(unknown[a]),
        )
        for a in range(len(rotor.adjusters))
    ]
    return tuple(sorted(found, key=lambda lesson: (not lesson.unknown, -lesson.saved)))


def _family(found: Estimate, limit2: Reals, amount: Reals, share: float) -> tuple[Reals, Reals]:
    """Return squared errors now, and what a change of each adjuster takes off their sum, both (C, A).

    Two runs, one before and one after a change x of adjuster a, add the information
    ``w = m / (sigma2 + m D)``, ``m = seen x^2 / 2``, to the a-th diagonal entry: the error K
    of the mean falls by ``K[:, a] K[a, :] w / (1 + w K[a, a])`` (Sherman and Morrison).
    """
    variance = np.einsum("caa->ca", found.error).real
    worth = share * amount**2 / limit2[:, None]
    m = share * amount**2 / 2.0
    noise = found.sigma2[:, None] + m * found.spread
    w = np.where(noise > 0, m / np.where(noise > 0, noise, 1.0), 0.0)
    fall = np.abs(found.error) ** 2 * (w / (1.0 + w * variance))[:, None, :]  # [c, b, a]: of b by changing a
    return variance * worth, np.einsum("cba,cb->ca", fall, worth)
