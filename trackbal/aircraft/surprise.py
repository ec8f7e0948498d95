"""Is a new run what the runs and adjustments before it lead to expect?

What is expected, and how far it may be missed, is that of the model behind every chance and
likely reading (posterior.py); where the influence does not say how departures go together,
that of readings taken one by one (belief.py). Squared over its covariance and summed over all
readings the difference is a chi-square, and so is, for each adjustment recorded before the run, its part
in the direction in which that adjustment acts: what one wrongly recorded would make of it. The tail
probabilities of all of these, put together, are the surprise p.

After a surprising run nobody can know whether the aircraft changed or that run was
written wrongly. The next one is therefore held against both: the surprising run and what
followed it alone, and the runs that were not surprising. It is as expected if either is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.belief import prior_belief, run_by_run
from trackbal.aircraft.entries import Entries, entries_of
from trackbal.aircraft.estimated_law import EstimatedLaw, known_by, tail, together
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.learning import posterior_of
from trackbal.aircraft.posterior import OwnAircraft
from trackbal.base.covariance import contrasts
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Counts, Reals

#: A run less probable than this is called surprising: of runs with nothing wrong, one in a thousand.
ALARM = 1e-3


@dataclass(frozen=True)
class Surprise:
    """How a job's last run compares with what was expected of it.

    Parameters
    ----------
    chi2, dof : float, int
        Squared distance over all readings compared, and how many numbers those are.
    p : float
        Probability of being this far off or farther, as a whole or along a recorded adjustment; 1 where nothing can be
        compared.
    p_as_whole : float
        The same of all readings together alone.
    vibration, vibration_sd : ndarray, shape (R, S)
        Expected phasors, and the standard deviation of one part of the difference.
    height, height_sd : ndarray, shape (R, B) and (R,)
        Expected tips and the same for one contrast of them.
    vibration_chi2, height_chi2 : ndarray, shape (R, S) and (R,)
        Squared distance of each reading by itself.
    vibration_compared, height_compared : ndarray of bool, shape (R, S) and (R,)
        Readings that were compared: taken now and before.
    log_likelihood : float
        Of the readings compared, given those before, Gaussian.
    rests_on : tuple of int
        Runs before it that it was held against, by index.
    """

    chi2: float
    dof: int
    p: float
    p_as_whole: float
    vibration: Complexes
    vibration_sd: Reals
    height: Reals
    height_sd: Reals
    vibration_chi2: Reals
    height_chi2: Reals
    vibration_compared: NDArray[np.bool_]
    height_compared: NDArray[np.bool_]
    log_likelihood: float
    rests_on: tuple[int, ...]

    @property
    def surprising(self) -> bool:
        """Whether the run is less probable than ALARM."""
        return self.p < ALARM


def surprise(rotor: Rotor, job: JobArrays, influence: Influence, earlier: Sequence[JobRuns] = ()) -> Surprise | None:
    """Return how the last run of a job compares with what was expected of it; None for a first run.

    Parameters
    ----------
    job : JobArrays
        The runs of the job so far, in their order.
    influence : Influence
        Of the type, for one more aircraft.
    earlier : sequence of JobRuns
        Earlier jobs of the same aircraft.
    """
    return surprises(rotor, job, influence, earlier)[-1]


def surprises(
    rotor: Rotor, job: JobArrays, influence: Influence, earlier: Sequence[JobRuns] = ()
) -> tuple[Surprise | None, ...]:
    """Return the same of every run of a job, each held against the runs before it."""
    found: list[Surprise | None] = []
    for t in range(len(job)):
        odd = [s for s, judged in enumerate(found) if judged is not None and judged.surprising]
        bases = [tuple(range(odd[-1] if odd else 0, t))]
        if odd:
            bases.append(tuple(s for s in range(t) if s not in odd))
        ways = [held_against(rotor, job, t, base, influence, earlier) for base in bases] if t else []
        found.append(max(ways, key=lambda one: one.p) if ways else None)
    return tuple(found)


def held_against(
    rotor: Rotor, job: JobArrays, t: int, before: Sequence[int], influence: Influence, earlier: Sequence[JobRuns] = ()
) -> Surprise:
    """Return how run t compares with what some runs before it, by index, lead to expect."""
    part = job.chosen(before)
    change = part.change - part.change[0]
    jobs = [*earlier, JobRuns([part.run(s) for s in range(len(part))], change)]
    made = job.change[t] - part.change[-1]
    read = np.any(part.vibration_count > 0, axis=0), np.any(part.height_count > 0, axis=0)
    posterior = posterior_of(rotor, jobs, influence, made)
    if posterior is not None:
        return _by_model(posterior, job, t, made, read, tuple(before))
    return _by_reading(rotor, job, t, influence, tuple(before))


# ---- by the model of the aircraft ------------------------------------------------------------


def _by_model(
    posterior: OwnAircraft,
    job: JobArrays,
    t: int,
    made: Reals,
    read: tuple[Any, Any],
    before: tuple[int, ...],
) -> Surprise:
    rotor = posterior.model.rotor
    regimes, sensors, blades = len(rotor.regimes), len(rotor.sensors), len(rotor.blades)
    count = np.where(read[0], job.vibration_count[t], 0)
    height_count = np.where(read[1], job.height_count[t], 0)
    now = JobArrays(
        job.vibration[t : t + 1], count[None], job.height[t : t + 1], height_count[None], job.change[t : t + 1]
    )
    entries = entries_of(posterior.model, now.run(0))
    miss, rest, noise = posterior.missed(entries, made)
    turn = _free_parts(entries, blades)
    cells, free = len(entries.regime), blades - 1
    part, known = turn @ miss, known_by(posterior.model.influence)
    law = EstimatedLaw(turn @ rest @ turn.T, turn @ noise @ turn.T, known)
    spread, whole = law.rest + law.noise, law.whole(part)
    chi2 = float(part @ np.linalg.solve(spread, part)) if part.size else 0.0
    mean = entries.values - miss
    at = entries.regime, entries.sensor
    limit, half = rotor.vibration_limit[at], rotor.height_limit[entries.height_regime] / 2.0
    vibration = np.full((regimes, sensors), complex(np.nan, np.nan))
    vibration[at] = (mean[:cells] + 1j * mean[cells : 2 * cells]) * limit
    height = np.full((regimes, blades), np.nan)
    height[entries.height_regime] = mean[2 * cells :].reshape(-1, blades) * half[:, None]
    sd, height_sd = np.full((regimes, sensors), np.nan), np.full(regimes, np.nan)
    alone, height_alone = np.zeros((regimes, sensors)), np.zeros(regimes)
    variance = np.diag(spread)
    sd[at] = np.sqrt((variance[:cells] + variance[cells : 2 * cells]) / 2.0) * limit
    for i, (r, s) in enumerate(zip(*at, strict=True)):
        alone[r, s] = _alone(part, spread, np.array([i, cells + i]))
    for i, r in enumerate(entries.height_regime):
        rows = 2 * cells + free * i + np.arange(free)
        height_sd[r] = np.sqrt(variance[rows].mean()) * half[i]
        height_alone[r] = _alone(part, spread, rows)
    return Surprise(
        chi2=chi2,
        dof=part.size,
        p=together(whole, law.along(part, turn @ entries.effect[:, made.ravel() != 0.0])),
        p_as_whole=whole,
        vibration=vibration,
        vibration_sd=sd,
        height=height,
        height_sd=height_sd,
        vibration_chi2=alone,
        height_chi2=height_alone,
        vibration_compared=count > 0,
        height_compared=height_count > 0,
        log_likelihood=-0.5 * (chi2 + float(np.linalg.slogdet(spread)[1]) + part.size * math.log(2.0 * math.pi)),
        rests_on=before,
    )


def _free_parts(entries: Entries, blades: int) -> Reals:
    """Return the rows that take entries to their free numbers: tips to contrasts, as their mean is always 0."""
    cells, heights = 2 * len(entries.regime), len(entries.height_regime)
    turn = np.zeros((cells + heights * (blades - 1), entries.values.size))
    turn[:cells, :cells] = np.eye(cells)
    turn[cells:, cells:] = np.kron(np.eye(heights), contrasts(blades))
    return turn


def _alone(part: Reals, spread: Reals, rows: Counts) -> float:
    return float(part[rows] @ np.linalg.solve(spread[np.ix_(rows, rows)], part[rows]))


# ---- reading by reading ------------------------------------------------------------------------


def _by_reading(rotor: Rotor, job: JobArrays, t: int, influence: Influence, before: tuple[int, ...]) -> Surprise:
    *_, step = run_by_run(rotor, prior_belief(rotor, influence), job, (*before, t))
    vibration, height = step.vibration, step.height
    chi2 = float(vibration.chi2.sum() + height.chi2.sum())
    dof = int(vibration.dof.sum() + height.dof.sum())
    state, tips = step.expected.vibration, step.expected.height
    free = len(rotor.blades) - 1
    count, height_count = np.maximum(job.vibration_count[t], 1), np.maximum(job.height_count[t], 1)
    spread = (state.cov[..., 0, 0] + state.cov[..., 1, 1]) / 2.0 + state.noise**2 / count
    rise = np.einsum("rii->r", tips.cov[:, :free, :free]) / free + tips.noise**2 / height_count
    started, tips_started = state.started, tips.started
    return Surprise(
        chi2=chi2,
        dof=dof,
        p=tail(chi2, dof),
        p_as_whole=tail(chi2, dof),
        vibration=np.where(started, state.mean[..., 0] + 1j * state.mean[..., 1], complex(np.nan, np.nan)),
        vibration_sd=np.where(started, np.sqrt(spread), np.nan),
        height=np.where(tips_started[:, None], tips.mean[:, :free] @ contrasts(free + 1), np.nan),
        height_sd=np.where(tips_started, np.sqrt(rise), np.nan),
        vibration_chi2=vibration.chi2,
        height_chi2=height.chi2,
        vibration_compared=vibration.dof > 0,
        height_compared=height.dof > 0,
        log_likelihood=float(vibration.log_likelihood.sum() + height.log_likelihood.sum()),
        rests_on=before,
    )
