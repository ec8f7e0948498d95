"""Likely explanations of a surprising run, ranked by how much better they fit than the record.

Every mistake is weighed reading by reading first, hundreds side by side; those that fit best
then by the model of the aircraft that the surprise comes from (surprise.py).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.aircraft.belief import Step, prior_belief, run_by_run
from trackbal.aircraft.estimated_law import tail
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.surprise import ALARM, held_against
from trackbal.influence.coefficients import Influence
from trackbal.records.entry_mistakes import Mistake, all_mistakes
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Counts, Reals

_BATCH = 256  # mistakes weighed side by side
_WEIGHED_TWICE = 24  # the best of them, weighed again by the model of the aircraft
_ONE_BY_ONE = 1e-5  # p, reading by reading, that these must reach: readings depart together, which it does not know
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
    overturns : bool
        It is a bundle of several adjustments at once that takes back what a person stated to have done otherwise
        than advised.
    """

    kind: str
    text: str
    gain: float
    score: float
    p: float
    change: Reals | None
    job: JobArrays
    overturns: bool = False


def explain(
    rotor: Rotor,
    job: JobArrays,
    influence: Influence,
    advised: Reals | None = None,
    setting: Reals | None = None,
    earlier: Sequence[JobRuns] = (),
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

    earlier : sequence of JobRuns
        Earlier jobs of the same aircraft.

    Notes
    -----
    The likelihood is that of all readings after each one's first, so that mistakes in
    earlier runs and in this one are weighed alike. Only mistakes under which the run is
    not surprising any more are returned, and of those the ones nearly as good as the best.
    What a person stated to have done otherwise than advised was stated on purpose: a bundle
    of several adjustments that takes it back is left out where anything else fits, and a
    single mistake is listed beside bundles however much better they fit.
    """
    mistakes = all_mistakes(rotor, job, advised, setting)
    found = _screened(rotor, job, influence, mistakes)
    if influence.departures is not None:
        found = _weighed_again(rotor, job, influence, found, earlier)
    of_kind = Counter(m.kind for m in mistakes)
    explained = [
        Explanation(
            m.kind, m.text, gain, gain - math.log(of_kind[m.kind]), p, m.change, m.job, _overturns(job, m, advised)
        )
        for m, gain, p in found
    ]
    explained.sort(key=lambda e: -e.score)  # stable: the commoner mistakes are listed first
    if not all(e.overturns for e in explained):
        explained = [e for e in explained if not e.overturns]
    singles = [e for e in explained if not _is_bundle(job, e.change)]
    least = max((e.score for e in singles), default=math.inf) - WORTH_SHOWING
    return tuple(
        e
        for e in explained
        if e.score > explained[0].score - WORTH_SHOWING or (not _is_bundle(job, e.change) and e.score > least)
    )


_Fitting = tuple[Mistake, float, float]  # a mistake, how much better the job fits with it put right, and the run's p


def _screened(rotor: Rotor, job: JobArrays, influence: Influence, mistakes: Sequence[Mistake]) -> list[_Fitting]:
    """Return the mistakes that fit reading by reading."""
    record = _Weighed.of(rotor, [job], influence)
    least = ALARM if influence.departures is None else _ONE_BY_ONE
    found: list[_Fitting] = []
    for first in range(0, len(mistakes), _BATCH):
        some = mistakes[first : first + _BATCH]
        weighed = _Weighed.of(rotor, [m.job for m in some], influence)
        gains = weighed.log_likelihood - record.log_likelihood[0] + _jacobian(some, weighed)
        believable = (weighed.unbelievable <= record.unbelievable[0]).tolist()
        for mistake, gain, chi2, can_be in zip(some, gains.tolist(), weighed.chi2.tolist(), believable, strict=True):
            p = tail(chi2, weighed.dof)
            if gain > 0.0 and p >= least and can_be:
                found.append((mistake, gain, p))
    return found


def _weighed_again(
    rotor: Rotor, job: JobArrays, influence: Influence, found: Sequence[_Fitting], earlier: Sequence[JobRuns]
) -> list[_Fitting]:
    """Return those of the best mistakes that fit by the model of the aircraft."""
    best = sorted(range(len(found)), key=lambda i: -found[i][1])[:_WEIGHED_TWICE]
    chosen = [found[i] for i in sorted(best)]
    as_written = _by_model(rotor, job, influence, earlier)[0]
    again = []
    for mistake, _, _ in chosen:
        likelihood, p = _by_model(rotor, mistake.job, influence, earlier)
        gain = likelihood - as_written + _scaled(mistake, job)
        if gain > 0.0 and p >= ALARM:
            again.append((mistake, gain, p))
    return again


def _by_model(rotor: Rotor, job: JobArrays, influence: Influence, earlier: Sequence[JobRuns]) -> tuple[float, float]:
    """Return the log-likelihood of the job's later runs, each given those before it, and p of the last."""
    surprises = [held_against(rotor, job, t, range(t), influence, earlier) for t in range(1, len(job))]
    return sum(one.log_likelihood for one in surprises), surprises[-1].p


def _scaled(mistake: Mistake, job: JobArrays) -> float:
    """Return what changing the scale of readings adds to their log-likelihood, those read before alone."""
    total = 0.0
    for t in range(1, len(job)):
        before = (job.vibration_count[:t] > 0).any(axis=0), (job.height_count[:t] > 0).any(axis=0)
        free = job.height.shape[-1] - 1
        total += 2.0 * float(mistake.log_scale[t][before[0] & (job.vibration_count[t] > 0)].sum())
        total += free * float(mistake.height_log_scale[t][before[1] & (job.height_count[t] > 0)].sum())
    return total


def _is_bundle(job: JobArrays, change: Reals | None) -> bool:
    """Return whether an explanation takes several adjustments for otherwise than recorded; None: readings."""
    return change is not None and int(np.count_nonzero(change != job.change[-1] - job.change[-2])) > 1


def _overturns(job: JobArrays, mistake: Mistake, advised: Reals | None) -> bool:
    """Return whether a mistake is a bundle that takes back a deviation from the advice that a person stated."""
    if advised is None or mistake.change is None or not _is_bundle(job, mistake.change):
        return False
    recorded = job.change[-1] - job.change[-2]
    stated = (recorded != advised) & (advised != 0.0)
    return bool((stated & (mistake.change != recorded)).any())


@dataclass(frozen=True)
class _Weighed:
    """Jobs of the same readings taken, weighed: chi2 of the last run, log-likelihood of all; both (H,).

    `unbelievable` (H,): readings of LARGEST_FIRST limits or more that nothing before them was compared with.
    """

    chi2: Reals
    log_likelihood: Reals
    dof: int
    steps: tuple[Step, ...]
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
        likelihood, unbelievable = np.zeros(len(jobs)), np.zeros(len(jobs), dtype=int)
        steps = tuple(run_by_run(rotor, prior_belief(rotor, influence), together))
        for t, step in enumerate(steps):
            likelihood += step.vibration.log_likelihood.sum(axis=(-2, -1)) + step.height.log_likelihood.sum(axis=-1)
            alone = (first.vibration_count[t] > 0) & (step.vibration.dof == 0)
            large = np.abs(together.vibration[t]) > LARGEST_FIRST * rotor.vibration_limit
            unbelievable += (alone & large).sum(axis=(-2, -1))
        vibration, height = steps[-1].vibration, steps[-1].height
        chi2 = vibration.chi2.sum(axis=(-2, -1)) + height.chi2.sum(axis=-1)
        return cls(chi2, likelihood, int(vibration.dof.sum() + height.dof.sum()), steps, unbelievable)


def _jacobian(mistakes: Sequence[Mistake], weighed: _Weighed) -> Reals:
    """Return what changing the scale of readings adds to their log-likelihood, shape (H,)."""
    total = np.zeros(len(mistakes))
    for t, step in enumerate(weighed.steps):
        scale = np.array([m.log_scale[t] for m in mistakes])
        rise = np.array([m.height_log_scale[t] for m in mistakes])
        total += (scale * step.vibration.dof).sum(axis=(-2, -1)) + (rise * step.height.dof).sum(axis=-1)
    return total
