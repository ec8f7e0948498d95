"""Likely explanations of a surprising run, ranked by how much better they fit than the record."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.aircraft.belief import Innovation, after_change, prior_belief
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.surprise import ALARM, observe_run, tail
from trackbal.influence.coefficients import Influence
from trackbal.records.entry_mistakes import Mistake, all_mistakes
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Counts, Reals

_BATCH = 256  # mistakes weighed side by side
WORTH_SHOWING = 6.0  # log-likelihood below the best beyond which an explanation is e^6 = 400 times less likely
LARGEST_FIRST = 10.0  # limits: a larger reading is not explained by having been taken where none was before
ALIKE = 3.0  # log-likelihoods closer than this (e^3 = 20 to 1) are said to be about as likely


@dataclass(frozen=True)
class Explanation:
    """A recording mistake under which the run is no longer surprising.

    Parameters
    ----------
    kind, text : str
        As in Mistake.
    gain : float
        Log-likelihood of the job's readings with the mistake put right, less that of the record as it stands.
    score : float
        `gain` less the logarithm of how many mistakes of its kind were tried: with so many, one fits
        better by chance. Explanations are ranked by it.
    p : float
        Tail probability of chi-square with the mistake put right.
    change : ndarray, shape (A, B), or None
        What would then have been done before the last run; None if readings are meant.
    job : JobArrays
        The job as it would then have been recorded.
    """

    kind: str
    text: str
    gain: float
    score: float
    p: float
    change: Reals | None
    job: JobArrays


def explain(
    rotor: Rotor,
    job: JobArrays,
    influence: Influence,
    advised: Reals | None = None,
    setting: Reals | None = None,
) -> tuple[Explanation, ...]:
    """Return the mistakes that would explain the last run, best first; empty if none does.

    Parameters
    ----------
    job : JobArrays
        Of at least two runs.
    influence : Influence
        Of the type.
    advised, setting : ndarray, shape (A, B), optional
        As in `all_mistakes`.

    Notes
    -----
    The likelihood is that of all readings after each one's first, so that mistakes in
    earlier runs and in this one are weighed alike. Only mistakes under which the run is
    not surprising any more are returned, and of those the ones nearly as good as the best.
    """
    mistakes = all_mistakes(rotor, job, advised, setting)
    record = _Weighed.of(rotor, [job], influence)
    of_kind = Counter(m.kind for m in mistakes)
    found = []
    for first in range(0, len(mistakes), _BATCH):
        some = mistakes[first : first + _BATCH]
        weighed = _Weighed.of(rotor, [m.job for m in some], influence)
        gains = weighed.log_likelihood - record.log_likelihood[0] + _jacobian(some, weighed)
        believable = (weighed.unbelievable <= record.unbelievable[0]).tolist()
        for mistake, gain, chi2, can_be in zip(some, gains.tolist(), weighed.chi2.tolist(), believable, strict=True):
            p = tail(chi2, weighed.dof)
            if gain > 0.0 and p >= ALARM and can_be:
                score = gain - math.log(of_kind[mistake.kind])
                found.append(Explanation(mistake.kind, mistake.text, gain, score, p, mistake.change, mistake.job))
    found.sort(key=lambda e: -e.score)  # stable: the commoner mistakes are listed first
    return tuple(e for e in found if e.score > found[0].score - WORTH_SHOWING)


@dataclass(frozen=True)
class _Weighed:
    """Jobs of the same readings taken, weighed: chi2 of the last run, log-likelihood of all; both (H,).

    `unbelievable` (H,): readings of LARGEST_FIRST limits or more that nothing before them was compared with.
    """

    chi2: Reals
    log_likelihood: Reals
    dof: int
    compared: tuple[Innovation, ...]
    unbelievable: Counts

    @classmethod
    def of(cls, rotor: Rotor, jobs: Sequence[JobArrays], influence: Influence) -> _Weighed:
        first = jobs[0]
        together = JobArrays(
            np.stack([j.vibration for j in jobs], axis=1),
            first.vibration_count,
            np.stack([j.height for j in jobs], axis=1),
            first.height_count,
            np.stack([j.change for j in jobs], axis=1),
        )
        belief = prior_belief(rotor, influence)
        likelihood, unbelievable = np.zeros(len(jobs)), np.zeros(len(jobs), dtype=int)
        compared: list[Innovation] = []
        for t in range(len(first)):
            if t:
                belief = after_change(rotor, belief, together.change[t] - together.change[t - 1])
            belief, vibration, height = observe_run(rotor, belief, together, t)
            likelihood = likelihood + vibration.log_likelihood.sum(axis=(-2, -1)) + height.log_likelihood.sum(axis=-1)
            alone = (first.vibration_count[t] > 0) & (vibration.dof == 0)
            large = np.abs(together.vibration[t]) > LARGEST_FIRST * rotor.vibration_limit
            unbelievable = unbelievable + (alone & large).sum(axis=(-2, -1))
            compared += [vibration, height]
        chi2 = vibration.chi2.sum(axis=(-2, -1)) + height.chi2.sum(axis=-1)
        return cls(chi2, likelihood, int(vibration.dof.sum() + height.dof.sum()), tuple(compared), unbelievable)


def _jacobian(mistakes: Sequence[Mistake], weighed: _Weighed) -> Reals:
    """Return what changing the scale of readings adds to their log-likelihood, shape (H,)."""
    total = np.zeros(len(mistakes))
    vibration, height = weighed.compared[0::2], weighed.compared[1::2]
    for t, (innovation, tip_innovation) in enumerate(zip(vibration, height, strict=True)):
        scale = np.array([m.log_scale[t] for m in mistakes])
        rise = np.array([m.height_log_scale[t] for m in mistakes])
        total += (scale * innovation.dof).sum(axis=(-2, -1)) + (rise * tip_innovation.dof).sum(axis=-1)
    return total
