"""How probable the readings of a job are under another account of what happened in it.

An account is the job as it may truly have been: other adjustments, other readings, a
reading set aside as worthless, or work between two runs that nobody wrote down. Accounts
are weighed by the probability of everything that was read, given the type's influence
(belief.py, run by run), so that they can be compared with each other whatever they leave
free: what is set aside is taken to be anything of the size such readings have, and
unrecorded work to move the readings as far as recorded work does (Box and Tiao 1968,
"A Bayesian approach to some outlier problems", Biometrika 55, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.belief import Belief, prior_belief, run_by_run
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Counts, History, Reals

_BATCH = 256  # accounts weighed side by side
UNKNOWN = (
    10.0  # limits, or usual steps, that the largest change of an adjuster of unknown influence may move a reading by
)
LEAST_SIZE = 1e-3  # of the limit: the least size of a reading, or of a step of it, that is taken as usual


@dataclass(frozen=True)
class Sizes:
    """How large readings, and their changes from run to run, usually are.

    Parameters
    ----------
    vibration, vibration_step : ndarray, shape (R, S)
        Root mean square of one part (real or imaginary).
    height, height_step : ndarray, shape (R,)
        Root mean square of one tip.
    change : ndarray, shape (A,)
        Largest change of each adjuster since a job's start.
    """

    vibration: Reals
    vibration_step: Reals
    height: Reals
    height_step: Reals
    change: Reals

    @classmethod
    def of(cls, rotor: Rotor, history: History) -> Sizes:
        """Return the sizes in a history: medians, so that the wrong records themselves hardly count."""
        apart = np.diff(history.job, prepend=-1) == 0
        read, tips = history.vibration_count > 0, history.height_count > 0
        both, both_tips = read & np.roll(read, 1, axis=0), tips & np.roll(tips, 1, axis=0)
        both[~apart] = both_tips[~apart] = False
        limit = np.where(np.isfinite(rotor.height_limit), rotor.height_limit, 1.0)
        step = np.abs(history.vibration - np.roll(history.vibration, 1, axis=0))
        rise = _tip_rms(history.height - np.roll(history.height, 1, axis=0))
        # the median of |complex normal|^2 is 2 ln 2 times the variance of a part
        part = 1.0 / np.sqrt(2.0 * np.log(2.0))
        return cls(
            part * _median(np.abs(history.vibration), read, LEAST_SIZE * rotor.vibration_limit),
            part * _median(step, both, LEAST_SIZE * rotor.vibration_limit),
            _median(_tip_rms(history.height), tips, LEAST_SIZE * limit),
            _median(rise, both_tips, LEAST_SIZE * limit),
            np.abs(history.change).max(axis=(0, 2), initial=0.0),
        )


def _tip_rms(height: Reals) -> Reals:
    return np.asarray(np.sqrt(np.mean(height**2, axis=-1)))


def _median(values: Reals, read: NDArray[np.bool_], least: Reals) -> Reals:
    """Return the median along the first axis of what was read, at least `least`, which stands where nothing was."""
    result = least.copy()
    for place in np.argwhere(read.any(axis=0)):
        cell = tuple(place.tolist())
        result[cell] = max(float(np.median(values[(slice(None), *cell)][read[(slice(None), *cell)]])), least[cell])
    return result


@dataclass(frozen=True)
class Account:
    """A job as it may truly have been (n runs).

    Parameters
    ----------
    job : JobArrays
        Its counts are 0 where a reading was set aside.
    out, out_height : ndarray of bool, shape (n, R, S) and (n, R)
        Readings set aside.
    loose : ndarray, shape (n,)
        Unknown work before each run, in usual sizes of a step; 0 for none, as before the first.
    log_scale, height_log_scale : ndarray, shape (n, R, S) and (n, R)
        Logarithm of how many times larger than written each reading would be.
    """

    job: JobArrays
    out: NDArray[np.bool_]
    out_height: NDArray[np.bool_]
    loose: Reals
    log_scale: Reals
    height_log_scale: Reals

    @classmethod
    def as_recorded(cls, job: JobArrays) -> Account:
        """Return the account that the record gives."""
        shape, tips = job.vibration.shape, job.height.shape[:2]
        return cls(
            job,
            np.zeros(shape, dtype=bool),
            np.zeros(tips, dtype=bool),
            np.zeros(len(job)),
            np.zeros(shape),
            np.zeros(tips),
        )

    def loosened(self, t: int, size: float) -> Account:
        """Return the account with unknown work before run t (by index), in usual sizes of a step."""
        loose = self.loose.copy()
        loose[t] = size
        return replace(self, loose=loose)

    def set_aside(self, vibration: NDArray[np.bool_], height: NDArray[np.bool_]) -> Account:
        """Return the account without some readings, shapes (n, R, S) and (n, R)."""
        vibration, height = vibration & (self.job.vibration_count > 0), height & (self.job.height_count > 0)
        job = replace(
            self.job,
            vibration_count=np.where(vibration, 0, self.job.vibration_count),
            height_count=np.where(height, 0, self.job.height_count),
        )
        return replace(self, job=job, out=self.out | vibration, out_height=self.out_height | height)


@dataclass(frozen=True)
class Weights:
    """Log-probability of the readings under each of H accounts, cell by cell: (H, R, S) and (H, R)."""

    vibration: Reals
    height: Reals

    @property
    def total(self) -> Reals:
        """Log-probability of all the readings, shape (H,)."""
        return np.asarray(self.vibration.sum(axis=(1, 2)) + self.height.sum(axis=1))


def weigh(rotor: Rotor, accounts: Sequence[Account], influence: Influence, sizes: Sizes) -> Weights:
    """Return how probable the readings are under accounts of one job.

    Parameters
    ----------
    accounts : sequence of Account, H of them
    influence : Influence
        Of the type, for one more aircraft.
    sizes : Sizes
        What readings and steps are taken to be where an account leaves them free.
    """
    parts = [_weigh(rotor, accounts[i : i + _BATCH], influence, sizes) for i in range(0, len(accounts), _BATCH)]
    return Weights(np.concatenate([p.vibration for p in parts]), np.concatenate([p.height for p in parts]))


def _weigh(rotor: Rotor, accounts: Sequence[Account], influence: Influence, sizes: Sizes) -> Weights:
    vibration = np.zeros((len(accounts), *accounts[0].out.shape[1:]))
    height = np.zeros((len(accounts), accounts[0].out_height.shape[1]))
    belief = prior_belief(rotor, bounded(rotor, influence, sizes))
    stacked = JobArrays(
        np.stack([a.job.vibration for a in accounts], axis=1),
        np.stack([a.job.vibration_count for a in accounts], axis=1),
        np.stack([a.job.height for a in accounts], axis=1),
        np.stack([a.job.height_count for a in accounts], axis=1),
        np.stack([a.job.change for a in accounts], axis=1),
    )
    scale = np.stack([a.log_scale for a in accounts], axis=1)
    rise = np.stack([a.height_log_scale for a in accounts], axis=1)
    loose = np.stack([a.loose for a in accounts], axis=1)
    for step in run_by_run(rotor, belief, stacked, beside=lambda known, t: _loosened(known, loose[t], sizes)):
        vibration += step.vibration.log_likelihood + scale[step.run] * step.vibration.dof
        height += step.height.log_likelihood + rise[step.run] * step.height.dof
    out = np.stack([a.out for a in accounts], axis=1)
    out_height = np.stack([a.out_height for a in accounts], axis=1)
    size = np.maximum(np.abs(np.where(out, stacked.vibration, 0.0)) / np.sqrt(2.0), sizes.vibration)
    height_size = np.maximum(_tip_rms(np.where(out_height[..., None], stacked.height, 0.0)), sizes.height)
    weighed, weighed_height = _weighed(out, stacked.vibration_count), _weighed(out_height, stacked.height_count)
    vibration += np.where(weighed, anything(size, 2), 0.0).sum(axis=0)
    height += np.where(weighed_height, anything(height_size, len(rotor.blades) - 1), 0.0).sum(axis=0)
    return Weights(vibration, height)


def _weighed(out: NDArray[np.bool_], count: Counts) -> NDArray[np.bool_]:
    """Return which readings set aside count, runs along the first axis.

    The first reading of a job fixes its start and is not weighed; that is the first one set aside if none is left.
    """
    return np.asarray(out & ((count > 0).any(axis=0) | (np.cumsum(out, axis=0) > 1)))


def bounded(rotor: Rotor, influence: Influence, sizes: Sizes) -> Influence:
    """Return the influence with what is unknown said to be 0 give or take what UNKNOWN says, and no noise of nothing.

    Without such a bound the readings of a job that moved it would be all but impossible to weigh in floating point.
    A file may say nothing of a reading's noise (restricted, or written by hand): it is then as where no runs tell it.
    """
    amount = np.where(sizes.change > 0, sizes.change, [a.step for a in rotor.adjusters])
    size = np.maximum(rotor.vibration_limit, sizes.vibration_step)
    tips = np.maximum(np.where(np.isfinite(rotor.height_limit), rotor.height_limit, 1.0), sizes.height_step)
    sd = UNKNOWN * size[:, :, None] / amount * np.moveaxis(influence.unknown_vibration, 0, -1)
    rise = UNKNOWN * tips[:, None] / amount * influence.unknown_height.T
    cov, height_cov = influence.vibration_cov.copy(), influence.height_cov.copy()
    both, each = np.arange(cov.shape[-1]), np.arange(height_cov.shape[-1])
    cov[..., both, both] += np.repeat(sd, 2, axis=-1) ** 2
    height_cov[..., each, each] += rise**2
    return replace(
        influence.with_noise(rotor),
        vibration_cov=cov,
        height_cov=height_cov,
        unknown_vibration=np.zeros_like(influence.unknown_vibration),
        unknown_height=np.zeros_like(influence.unknown_height),
    )


def anything(size: Reals, numbers: int) -> Reals:
    """Return the log-density of some numbers of which only the usual size is known (a normal law's average).

    `size`: their root mean square, of any shape, which that of the result is.
    """
    return np.asarray(-0.5 * numbers * np.log(2.0 * np.pi * np.e * size**2))


def _loosened(belief: Belief, loose: Reals, sizes: Sizes) -> Belief:
    """Return the belief with the state widened by unknown work, `loose` (H,) in usual sizes of a step."""
    if not loose.any():
        return belief
    vibration, height = belief.vibration, belief.height
    free = height.mean.shape[-1] - (vibration.mean.shape[-1] - 2) // 2
    cov = np.broadcast_to(vibration.cov, (len(loose), *vibration.cov.shape[-4:])).copy()
    cov[..., :2, :2] += ((loose[:, None, None] * sizes.vibration_step) ** 2)[..., None, None] * np.eye(2)
    tips = np.broadcast_to(height.cov, (len(loose), *height.cov.shape[-3:])).copy()
    tips[..., :free, :free] += ((loose[:, None] * sizes.height_step) ** 2)[..., None, None] * np.eye(free)
    return Belief(replace(vibration, cov=cov), replace(height, cov=tips))
