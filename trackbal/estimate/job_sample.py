"""Some past jobs of a history as they were flown, for what sums of readings do not tell."""

from __future__ import annotations

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.base.sampling import evenly_spaced
from trackbal.runs.run import History

MOST_JOBS = 60
MOST_RUNS = 4  # of a job, its first


def sample_jobs(history: History) -> list[JobRuns]:
    """Return the first runs of every job that is on record from its first run on; evenly spaced jobs of many."""
    starts = np.flatnonzero(history.run == 1)
    arrays = JobArrays(history.vibration, history.vibration_count, history.height, history.height_count, history.change)
    found = []
    for start in starts[evenly_spaced(len(starts), MOST_JOBS)].tolist():
        rows = start + np.flatnonzero(history.job[start : start + MOST_RUNS] == history.job[start])
        runs = [arrays.run(i) for i in rows.tolist()]
        found.append(JobRuns(runs, history.change[rows] - history.change[start]))
    return found
