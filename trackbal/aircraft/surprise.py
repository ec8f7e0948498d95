"""Is a new run what the runs and adjustments before it lead to expect?

The expectation and its covariance come from belief.py: present state and influence of this
aircraft, the noise of the readings before and of this one. Squared and summed over all
readings the difference is a chi-square; its upper tail probability is the surprise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.belief import Belief, Innovation, after_change, contrasts, observe, prior_belief
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals

#: A run less probable than this is called surprising. Readings share what one aircraft answers otherwise than its
#: type, which a sum of independent readings does not know, so the figure is set by measurement: docs/logbook.md.
ALARM = 1e-5


@dataclass(frozen=True)
class Surprise:
    """How a job's last run compares with what was expected of it.

    Parameters
    ----------
    chi2, dof : float, int
        Squared distance over all readings compared, and how many numbers those are.
    p : float
        Probability of a distance this large or larger; 1 where nothing can be compared.
    vibration, vibration_sd : ndarray, shape (R, S)
        Expected phasors, and the standard deviation of one part of the difference.
    height, height_sd : ndarray, shape (R, B) and (R,)
        Expected tips and the same for one contrast of them.
    vibration_chi2, height_chi2 : ndarray, shape (R, S) and (R,)
        Share of each reading.
    vibration_compared, height_compared : ndarray of bool, shape (R, S) and (R,)
        Readings that were compared: taken now and before.
    """

    chi2: float
    dof: int
    p: float
    vibration: Complexes
    vibration_sd: Reals
    height: Reals
    height_sd: Reals
    vibration_chi2: Reals
    height_chi2: Reals
    vibration_compared: NDArray[np.bool_]
    height_compared: NDArray[np.bool_]

    @property
    def surprising(self) -> bool:
        """Whether the run is less probable than ALARM."""
        return self.p < ALARM


def observe_run(rotor: Rotor, belief: Belief, job: JobArrays, t: int) -> tuple[Belief, Innovation, Innovation]:
    """Return `observe` of run t of a job."""
    return observe(rotor, belief, job.vibration[t], job.vibration_count[t], job.height[t], job.height_count[t])


def surprise(rotor: Rotor, job: JobArrays, influence: Influence) -> Surprise | None:
    """Return how the last run of a job compares with what was expected of it; None for a first run.

    Parameters
    ----------
    influence : Influence
        Of the type, for one more aircraft.
    """
    return surprises(rotor, job, influence)[-1]


def surprises(rotor: Rotor, job: JobArrays, influence: Influence) -> tuple[Surprise | None, ...]:
    """Return the same of every run of a job, each held against the runs before it."""
    belief = prior_belief(rotor, influence)
    found: list[Surprise | None] = []
    for t in range(len(job)):
        if t:
            belief = after_change(rotor, belief, job.change[t] - job.change[t - 1])
        before = belief
        belief, vibration, height = observe_run(rotor, before, job, t)
        found.append(_compared(rotor, before, vibration, height, job, t) if t else None)
    return tuple(found)


def _compared(
    rotor: Rotor, belief: Belief, vibration: Innovation, height: Innovation, job: JobArrays, t: int
) -> Surprise:
    """Return the surprise of run t, `belief` being what was expected of it."""
    chi2 = float(vibration.chi2.sum() + height.chi2.sum())
    dof = int(vibration.dof.sum() + height.dof.sum())
    state, tips = belief.vibration, belief.height
    free = len(rotor.blades) - 1
    count, height_count = np.maximum(job.vibration_count[t], 1), np.maximum(job.height_count[t], 1)
    spread = (state.cov[..., 0, 0] + state.cov[..., 1, 1]) / 2.0 + state.noise**2 / count
    rise = np.einsum("rii->r", tips.cov[:, :free, :free]) / free + tips.noise**2 / height_count
    seen, seen_height = state.started, tips.started
    return Surprise(
        chi2=chi2,
        dof=dof,
        p=tail(chi2, dof),
        vibration=np.where(seen, state.mean[..., 0] + 1j * state.mean[..., 1], complex(np.nan, np.nan)),
        vibration_sd=np.where(seen, np.sqrt(spread), np.nan),
        height=np.where(seen_height[:, None], tips.mean[:, :free] @ contrasts(free + 1), np.nan),
        height_sd=np.where(seen_height, np.sqrt(rise), np.nan),
        vibration_chi2=vibration.chi2,
        height_chi2=height.chi2,
        vibration_compared=vibration.dof > 0,
        height_compared=height.dof > 0,
    )


def tail(chi2: float, dof: int) -> float:
    """Return the upper tail probability of chi-square; 1 without degrees of freedom."""
    if dof == 0:
        return 1.0
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi2))
