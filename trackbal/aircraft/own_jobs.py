"""The earlier jobs of one aircraft, from a history that says whose runs it holds."""

from __future__ import annotations

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.base.errors import InputError
from trackbal.runs.run import History

MOST_JOBS = 6  # the last; more tell little and take long


def own_jobs(history: History, aircraft: str, since: str | None = None) -> tuple[JobRuns, ...]:
    """Return the jobs of an aircraft in a history, in their order; those of a single run tell nothing and are left out.

    Their order is that of their first days where all of them are dated, else that of the history.

    Parameters
    ----------
    since : str, optional
        Name of the first job to count: before it head, airframe or pick-ups were worked on, after which the
        aircraft may answer otherwise.

    Raises
    ------
    InputError
        If the history holds no job of the aircraft, or none of that name.
    """
    chosen = [j for j, name in enumerate(history.aircraft) if name == aircraft]
    if not chosen:
        known = ", ".join(sorted(set(history.aircraft))[:12])
        raise InputError(history.source, aircraft, f"an aircraft of the history: {known}", column="aircraft")
    chosen = _in_order(history, chosen)
    if since is not None:
        names = [history.jobs[j] for j in chosen]
        if since not in names:
            raise InputError(history.source, since, f"a job of {aircraft}: {', '.join(names[:12])}", column="job")
        chosen = chosen[names.index(since) :]
    jobs = []
    for j in chosen:
        rows = np.flatnonzero(history.job == j)
        if len(rows) > 1:
            job = JobArrays(
                history.vibration[rows],
                history.vibration_count[rows],
                history.height[rows],
                history.height_count[rows],
                history.change[rows] - history.change[rows[0]],
            )
            jobs.append(JobRuns([job.run(t) for t in range(len(job))], job.change))
    return tuple(jobs[-MOST_JOBS:])


def _in_order(history: History, jobs: list[int]) -> list[int]:
    dates = [history.date[history.job == j] for j in jobs]
    if any(np.isnat(days).all() for days in dates):
        return jobs
    first = [days[~np.isnat(days)].min() for days in dates]
    return [jobs[i] for i in np.argsort(first, kind="stable").tolist()]
