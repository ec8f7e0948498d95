"""Which readings and records of a history are better not relied upon, job by job.

For every job the account that its record gives is weighed (alternatives.py) against accounts
in which something is set aside: one reading, a sensor or the tips in one run or in all of
them, a whole run, or what was recorded between two runs. Each class of account has a
probability of its own beforehand (CLASSES, common practice, no published source), shared
by its members, so that with many ways to set something aside none is taken by chance. The
best is taken if it is WANTED_ODDS times as probable as leaving the rest as it is, and
the job is weighed again without it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.influence.coefficients import Influence
from trackbal.records.alternatives import Account, Sizes, weigh
from trackbal.records.gains import gains
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import Counts, History, Reals

#: Class of account -> probability beforehand that a job holds one.
CLASSES = {"step": 0.03, "run": 0.02, "column": 0.03, "reading": 0.03, "column in every run": 0.001}
STEP_SIZES = (
    1.0,
    4.0,
    16.0,
)  # usual sizes of a step that unknown work may have been: a normal law alone has thin tails
WANTED_ODDS = 20.0
SCREEN_MARGIN = 1.0  # of log-odds: the screen takes covariances as circular, judging a job does not
MOST_OF_JOB = 4  # records of one job set aside, at most


@dataclass(frozen=True)
class SetAside:
    """One record of a job that is not relied upon.

    Parameters
    ----------
    kind : str
        One of CLASSES.
    run : int
        Index within the job of the run meant; of a "step" the run after it.
    regime, sensor : int or None
        Of a reading, or the sensor of a column (HEIGHTS: the tips); None: all of them.
    gain : float
        Log-probability of the job's readings without relying on it, less that with.
    size : float
        Of a "step": how large it was, in usual sizes.
    """

    kind: str
    run: int
    regime: int | None
    sensor: int | None
    gain: float
    size: float = 1.0


def rows_of_jobs(history: History) -> Iterator[Counts]:
    """Yield the runs of each job that has any, as indices, shape (T,)."""
    edges = np.flatnonzero(np.diff(history.job, prepend=-1, append=-1))
    for first, last in itertools.pairwise(edges):
        yield np.arange(first, last)


def job_arrays(history: History, rows: Counts) -> JobArrays:
    """Return the runs of one job, given by index, shape (T,)."""
    return JobArrays(
        history.vibration[rows],
        history.vibration_count[rows],
        history.height[rows],
        history.height_count[rows],
        history.change[rows],
    )


def judge_job(rotor: Rotor, job: JobArrays, influence: Influence, sizes: Sizes) -> tuple[tuple[SetAside, ...], Account]:
    """Return what of a job is not to be relied upon, and the job without it."""
    account = Account.as_recorded(job)
    found: list[SetAside] = []
    while len(found) < MOST_OF_JOB:
        best, odds = _best(rotor, account, influence, sizes)
        if best is None or odds < math.log(WANTED_ODDS):
            break
        found.append(best)
        account = without(account, best)
    return tuple(found), account


def without(account: Account, one: SetAside) -> Account:
    """Return the account without relying on one record more."""
    if one.kind == "step":
        return account.loosened(one.run, one.size)
    vibration = np.zeros(account.job.vibration_count.shape, dtype=bool)
    height = np.zeros(account.job.height_count.shape, dtype=bool)
    runs = slice(None) if one.kind == "column in every run" else one.run
    regimes = slice(None) if one.regime is None else one.regime
    if one.sensor is None:
        vibration[runs], height[runs] = True, True
    elif one.sensor == HEIGHTS:
        height[runs, regimes] = True
    else:
        vibration[runs, regimes, one.sensor] = True
    return account.set_aside(vibration, height)


def _best(rotor: Rotor, now: Account, influence: Influence, sizes: Sizes) -> tuple[SetAside | None, float]:
    """Return the most probable thing to set aside, and the logarithm of its odds."""
    return max(set_asides(rotor, now, influence, sizes), key=lambda pair: pair[1], default=(None, -math.inf))


def set_asides(rotor: Rotor, now: Account, influence: Influence, sizes: Sizes) -> list[tuple[SetAside, float]]:
    """Return everything that may be set aside of a job, with the logarithm of its odds against nothing more."""
    n = len(now.job)
    whole = [without(now, SetAside("run", t, None, None, 0.0)) for t in range(n)]
    everything = now.set_aside(np.ones_like(now.out), np.ones_like(now.out_height))
    open_steps = [(t, size) for t in range(1, n) if not now.loose[t] for size in STEP_SIZES]
    steps = [now.loosened(t, size) for t, size in open_steps]
    at = weigh(rotor, [now, *whole, everything, *steps], influence, sizes)
    gain, height_gain = at.vibration - at.vibration[0], at.height - at.height[0]
    total = at.total - at.total[0]
    read, tips = now.job.vibration_count > 0, now.job.height_count > 0
    still_read = read.sum(axis=0)  # runs in which each reading is still taken
    found: dict[str, list[SetAside]] = {kind: [] for kind in CLASSES}
    for t in range(n):
        v, h = gain[1 + t], height_gain[1 + t]
        # the first or last run being wrong as a whole is the same as a step beside it
        if (read[t].any() or tips[t].any()) and (0 < t < n - 1 or n == 1):
            found["run"].append(SetAside("run", t, None, None, float(v.sum() + h.sum())))
        for s in np.flatnonzero(read[t].any(axis=0)).tolist():
            found["column"].append(SetAside("column", t, None, s, float(v[:, s].sum())))
        if tips[t].any():
            found["column"].append(SetAside("column", t, None, HEIGHTS, float(h.sum())))
        for r, s in np.argwhere(read[t] & (still_read > 1)).tolist():
            found["reading"].append(SetAside("reading", t, r, s, float(v[r, s])))
        for r in np.flatnonzero(tips[t]).tolist():
            found["reading"].append(SetAside("reading", t, r, HEIGHTS, float(h[r])))
    v, h = gain[1 + n], height_gain[1 + n]
    every = found["column in every run"]
    every += [SetAside("column in every run", n - 1, None, s, float(v[:, s].sum())) for s in range(v.shape[1])]
    every += [SetAside("column in every run", n - 1, None, HEIGHTS, float(h.sum()))]
    found["step"] = [
        SetAside("step", t, None, None, float(g), size) for (t, size), g in zip(open_steps, total[2 + n :], strict=True)
    ]
    return [
        (one, one.gain + math.log(CLASSES[kind] / len(members))) for kind, members in found.items() for one in members
    ]


def in_words(rotor: Rotor, one: SetAside, runs: int) -> str:
    """Return in words what does not fit though no single mistake explains it; `runs` of the job."""
    if one.kind == "step":
        text = f"work between runs {one.run} and {one.run + 1} that is not, or not rightly, recorded"
        ends = [t for t in (1, runs) if t in (one.run, one.run + 1)]
        return text + "".join(f", or the readings of run {t} are wrong as a whole" for t in ends)
    if one.kind == "run":
        return f"the readings of run {one.run + 1} do not fit the other runs"
    where = "in every run" if one.kind == "column in every run" else f"in run {one.run + 1}"
    what = "the tip heights" if one.sensor is None or one.sensor == HEIGHTS else rotor.sensors[one.sensor].name
    if one.regime is not None:
        what = f"{rotor.regimes[one.regime].name}, {what}"
    return f"{what} {where}: wrong in a way that no single mistake explains"


@dataclass(frozen=True)
class Sifted:
    """A history without the records that are not relied upon.

    Parameters
    ----------
    history : History
        Counts are 0 where a reading was set aside. Where a record between two runs was, the
        job is parted in two: job numbers then count the parts, `jobs` names each part's job.
    found : tuple of (int, SetAside)
        With the index of the run meant.
    """

    history: History
    found: tuple[tuple[int, SetAside], ...]


def sift(cells: HistoryCells, influence: Influence) -> Sifted:
    """Return the history without what does not fit the influence."""
    rotor, history = cells.rotor, cells.history
    sizes = Sizes.of(rotor, history)
    count, height_count = history.vibration_count.copy(), history.height_count.copy()
    part = np.zeros(len(history.run), dtype=int)
    found: list[tuple[int, SetAside]] = []
    wanted = math.log(WANTED_ODDS) - SCREEN_MARGIN
    promising = highest_odds(cells, influence, sizes, wanted) > wanted
    for rows in itertools.compress(rows_of_jobs(history), promising):
        its, account = judge_job(rotor, job_arrays(history, rows), influence, sizes)
        part[rows] = np.cumsum(account.loose > 0)
        if its:
            count[rows], height_count[rows] = account.job.vibration_count, account.job.height_count
            found += [(int(rows[one.run]), one) for one in its]
    return Sifted(parted(history, count, height_count, part), tuple(found))


def highest_odds(cells: HistoryCells, influence: Influence, sizes: Sizes, least: float = -math.inf) -> Reals:
    """Return the logarithm of the highest odds that `set_asides` finds in each job, shape (J,), all jobs side by side.

    Classes are as there; covariances are taken as circular. Odds of less than `least` need not be right.
    """
    history, starts = cells.history, cells.starts
    gain = gains(cells, influence, sizes, STEP_SIZES, least - math.log(CLASSES["step"]))
    read, tips = history.vibration_count > 0, history.height_count > 0
    runs = cells.sum_by_job(np.ones(len(history.run)))
    first = np.zeros(len(history.run), dtype=bool)
    first[starts] = True
    last = np.roll(first, -1)
    inside = (~first & ~last) | (first & last)
    some = read.any(axis=(1, 2)) | tips.any(axis=1)
    columns = np.concatenate([read.any(axis=1).T, np.atleast_2d(tips.any(axis=1))])
    still_read = cells.sum_by_job(np.moveaxis(read, 0, -1).astype(float))[..., cells.job_of_run]
    readings = (read & np.moveaxis(still_read > 1, -1, 0)).sum(axis=(1, 2)) + tips.sum(axis=1)
    members = {
        "run": cells.sum_by_job((inside & some).astype(float)),
        "column": cells.sum_by_job(columns.sum(axis=0).astype(float)),
        "reading": cells.sum_by_job(readings.astype(float)),
        "column in every run": np.full(len(starts), gain.column.shape[0]),
        "step": len(STEP_SIZES) * (runs - 1.0),
    }
    best = {
        "run": _largest(np.where(inside & some, gain.run, -np.inf), starts),
        "column": _largest(np.where(columns, gain.column, -np.inf).max(axis=0), starts),
        "reading": _largest(gain.reading, starts),
        "column in every run": gain.every,
        "step": _largest(gain.step.max(axis=0), starts),
    }
    odds = [best[kind] + math.log(prior) - np.log(np.maximum(members[kind], 1.0)) for kind, prior in CLASSES.items()]
    return np.asarray(np.max(odds, axis=0))


def _largest(values: Reals, starts: Counts) -> Reals:
    """Return the largest value of each job."""
    return np.maximum.reduceat(values, starts) if len(starts) else np.zeros(0)


def parted(history: History, count: Counts, height_count: Counts, part: Counts) -> History:
    """Return the history with other counts, its jobs parted: `part` (n,) numbers the parts of each job."""
    fresh = np.diff(history.job, prepend=-1) != 0
    fresh[1:] |= np.diff(part) != 0
    job = np.cumsum(fresh) - 1
    return replace(
        history,
        jobs=tuple(history.jobs[j] for j in history.job[fresh].tolist()),
        aircraft=tuple(history.aircraft[j] for j in history.job[fresh].tolist()),
        job=job,
        vibration_count=count,
        vibration_squares=np.where(count > 0, history.vibration_squares, 0.0),
        height_count=height_count,
        height_squares=np.where(height_count > 0, history.height_squares, 0.0),
    )
