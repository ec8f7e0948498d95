"""How far off adjustments are made from what is recorded, from the runs of past jobs.

What one adjustment is set wrong by acts on all readings of every run after it as the adjuster does, unlike the noise
of a reading, which is its own. Its variance, adjuster by adjuster, is found as the blade differences are
(blade_differences.py): from the covariance of all readings of a job,

    V = V0 + sum_a theta[a] sum_e l[e] l[e]'

V0 that of the model without setting errors, its noise among it, and l[e] what a unit of the adjuster on that blade
does to the readings of the runs since. The noise stays as the fit has found it: it holds what setting errors did to
each reading by itself, but not that they do it to all readings at once, and of a few jobs' readings the two are not
to be told apart any better (docs/method.md). The likelihood is multiplied by the standard deviations of the setting
errors, as by that of what is left unexplained and for the same reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trackbal.aircraft.posterior import JobRuns, OwnAircraft, TypeModel, posterior, runs_of_jobs
from trackbal.base.sampling import evenly_spaced
from trackbal.estimate import mixed
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals

MOST_JOBS = 24
_MOST_ENTRIES = 180  # readings of a job, about; more are thinned evenly
_MOST_ROUNDS = 20
_SETTLED = 1e-4  # of twice the log-likelihood: a step that promises less is the last
_START = 0.1  # of a step
_LEAST_OF_LAST, _MOST_OF_LAST = 0.1, 10.0


def find_setting_errors(rotor: Rotor, influence: Influence, jobs: Sequence[JobRuns]) -> Reals:
    """Return the root-mean-square error of setting one adjustment, shape (A,), in the adjuster's unit.

    0 for adjusters that the jobs did not move.

    Parameters
    ----------
    influence : Influence
        Of the type, with departures; any setting errors there are not used.
    jobs : sequence of JobRuns
        Past jobs; those of a single run tell nothing.
    """
    if influence.departures is None:
        return np.zeros(len(rotor.adjusters))
    without = replace(influence.departures, setting_error=np.zeros(len(rotor.adjusters)))
    model = TypeModel.of(rotor, influence, without)
    several = [job for job in jobs if len(job.runs) > 1]
    several = [several[i] for i in evenly_spaced(len(several), MOST_JOBS).tolist()]
    parts = [_parts(posterior(model, runs_of_jobs(model, [job], _MOST_ENTRIES))) for job in several]
    theta = np.array([(_START * a.step) ** 2 for a in rotor.adjusters])
    moved = np.zeros(theta.size, dtype=bool)
    for _ in range(_MOST_ROUNDS if parts else 0):
        slope, information = _slope(parts, theta)
        moved = information.diagonal() > 0.0
        off_zero = np.where(moved, 1.0 / theta, 0.0)
        slope += off_zero
        information[np.diag_indices_from(information)] += off_zero**2
        step, promised = mixed.scoring_step(slope, information, moved, theta)
        theta = np.clip(theta + step, _LEAST_OF_LAST * theta, _MOST_OF_LAST * theta)
        if promised < _SETTLED:
            break
    return np.where(moved, np.sqrt(theta), 0.0)


@dataclass(frozen=True)
class _JobPart:
    """V0 of a job's D readings, what they miss the model by, (D,), and l[e] of each adjuster, (D, its changes)."""

    fixed: Reals
    miss: Reals
    loads: list[Reals]


def _slope(parts: Sequence[_JobPart], theta: Reals) -> tuple[Reals, Reals]:
    """Return the slope of twice the log-likelihood by each variance, and its information."""
    slope, information = np.zeros(theta.size), np.zeros((theta.size, theta.size))
    for one in parts:
        cov = one.fixed + sum(t * load @ load.T for t, load in zip(theta, one.loads, strict=True))
        inverse = np.linalg.inv(cov)
        of_one = mixed.slope_of_loads(one.loads, inverse, inverse @ one.miss)
        slope += of_one[0]
        information += of_one[1]
    return slope, information


def _parts(aircraft: OwnAircraft) -> _JobPart:
    rotor, size, blades = aircraft.model.rotor, len(aircraft.cov), len(aircraft.model.rotor.blades)
    ends = np.cumsum([0, *(one.entries.values.size for one in aircraft.runs)])
    loads = [np.zeros((size, 0)) for _ in rotor.adjusters]
    for t in range(1, len(aircraft.runs)):
        made = aircraft.runs[t].change - aircraft.runs[t - 1].change
        acted = np.concatenate([one.entries.effect for one in aircraft.runs[t:]])
        for a in range(len(rotor.adjusters)):
            columns = a * blades + np.flatnonzero(made[a])
            load = np.zeros((size, columns.size))
            load[ends[t] :] = acted[:, columns]
            loads[a] = np.column_stack([loads[a], load])
    return _JobPart(aircraft.cov, aircraft.cov @ aircraft.weighed, loads)
