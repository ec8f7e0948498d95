"""How far off adjustments are made from what is recorded, and a reading's own noise, from the runs of past jobs.

What one adjustment is set wrong by acts on all readings of every run after it as the adjuster does, unlike the noise
of a reading, which is its own. A fit reading by reading cannot see the difference: it takes what setting errors do to
a reading for noise. So the variances of both are found together, as the blade differences are (blade_differences.py),
from the covariance of all readings of a job,

    V = V0 + sum_a theta[a] sum_e l[e] l[e]' + sum_g part[g] N[g]

V0 that of the model without either, l[e] what a unit of the adjuster on that blade does to the readings of the runs
since, and N[g] the noise that the fit has found in one sensor's readings, or in the tips, of which `part` is their
own, 1 at the most. The likelihood is multiplied by the standard deviations of the setting errors, as by that of what
is left unexplained and for the same reason. No noise becomes less than the rotor's file states.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.posterior import OwnAircraft, posterior, runs_of_jobs
from trackbal.aircraft.type_model import TypeModel
from trackbal.base.covariance import contrasts
from trackbal.base.sampling import evenly_spaced
from trackbal.estimate import mixed
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.runs.reading_noise import noise_floor
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals

MOST_JOBS = 24
_MOST_ENTRIES = 180  # readings of a job, about; more are thinned evenly
_MOST_ROUNDS = 20
_SETTLED = 1e-4  # of twice the log-likelihood: a step that promises less is the last
_START = 0.1  # of a step
_LEAST_OF_LAST, _MOST_OF_LAST = 0.1, 10.0
_LEAST_ALONE = 0.2  # of the noise that a fit has found; so much is a reading's own whatever few jobs seem to say


def find_setting_errors(
    rotor: Rotor, influence: Influence, departures: Departures, jobs: Sequence[JobRuns]
) -> Departures:
    """Return departures with setting errors, 0 for adjusters that the jobs did not move, and each reading's own noise.

    Parameters
    ----------
    influence : Influence
        Of the type.
    departures : Departures
        Any setting errors there are not used.
    jobs : sequence of JobRuns
        Past jobs; those of a single run tell nothing.
    """
    adjusters, sensors = len(rotor.adjusters), len(rotor.sensors)
    without = replace(
        departures, setting_error=np.zeros(adjusters), noise_alone=np.ones(sensors), noise_height_alone=1.0
    )
    model = TypeModel.of(rotor, influence, without)
    several = [job for job in jobs if len(job.runs) > 1]
    several = [several[i] for i in evenly_spaced(len(several), MOST_JOBS).tolist()]
    parts = [_parts(posterior(model, runs_of_jobs(model, [job], _MOST_ENTRIES))) for job in several]
    theta = np.append([(_START * a.step) ** 2 for a in rotor.adjusters], np.ones(sensors + 1))
    least = np.append(np.zeros(adjusters), _least_alone(rotor, influence))
    most = np.append(np.full(adjusters, np.inf), np.ones(sensors + 1))
    told = np.zeros(theta.size, dtype=bool)
    for _ in range(_MOST_ROUNDS if parts else 0):
        slope, information = _slope(parts, theta)
        told = information.diagonal() > 0.0
        off_zero = np.where(told, 1.0 / theta, 0.0)[:adjusters]
        slope[:adjusters] += off_zero
        information[np.diag_indices(adjusters)] += off_zero**2
        step, promised = mixed.scoring_step(slope, information, told, theta)
        theta = np.clip(
            theta + step, np.maximum(_LEAST_OF_LAST * theta, least), np.minimum(_MOST_OF_LAST * theta, most)
        )
        if promised < _SETTLED:
            break
    return replace(
        without,
        setting_error=np.where(told, np.sqrt(theta), 0.0)[:adjusters],
        noise_alone=theta[adjusters:-1],
        noise_height_alone=float(theta[-1]),
    )


def _least_alone(rotor: Rotor, influence: Influence) -> Reals:
    """Return the least part of each sensor's noise, and of the tips', that is their own, shape (S + 1,)."""
    stated = noise_floor(rotor)
    floors = np.column_stack([stated.stated, stated.height_stated])
    found = np.column_stack([influence.vibration_noise, influence.height_noise])
    part = np.divide(floors, found, out=np.zeros_like(found), where=found > 0.0) ** 2
    return np.clip(part.max(axis=0), _LEAST_ALONE, 1.0)


@dataclass(frozen=True)
class _JobPart:
    """V0 of a job's D readings, what they miss the model by, (D,), and for each variance its root, (D, any)."""

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
    noise = _noise_loads(aircraft)
    fixed = aircraft.cov - sum(load @ load.T for load in noise)
    return _JobPart(fixed, aircraft.cov @ aircraft.weighed, [*_setting_loads(aircraft), *noise])


def _noise_loads(aircraft: OwnAircraft) -> list[Reals]:
    """Return a root of N[g] of each sensor and of the tips, which are about their mean: it has no noise."""
    blades, sensors = len(aircraft.model.rotor.blades), len(aircraft.model.rotor.sensors)
    runs = [one.entries for one in aircraft.runs]
    height = np.concatenate([entries.is_height for entries in runs])
    sensor = np.concatenate([entries.sensor_of for entries in runs])
    sd = np.sqrt(np.concatenate([entries.noise for entries in runs]))
    loads = []
    for s in range(sensors):
        rows = np.flatnonzero(~height & (sensor == s))
        load = np.zeros((sd.size, rows.size))
        load[rows, np.arange(rows.size)] = sd[rows]
        loads.append(load)
    rows = np.flatnonzero(height)
    tips = np.zeros((sd.size, rows.size // blades * (blades - 1)))
    tips[rows] = sd[rows, None] * np.kron(np.eye(rows.size // blades), contrasts(blades).T)
    return [*loads, tips]


def _setting_loads(aircraft: OwnAircraft) -> list[Reals]:
    """Return l[e] of each adjuster, shape (D, its changes)."""
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
    return loads
