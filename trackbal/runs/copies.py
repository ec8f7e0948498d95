"""Readings that stand in a history again, digit for digit: rows of the same run, and jobs under another name.

Exports that overlap, a block pasted twice, a job kept under two names: no instrument reads many numbers twice in every
digit. Copied rows, taken for repeats, would say that readings hardly scatter; a copied job would count as one aircraft
more. So a copied row counts once and a copied job not at all, and both are said.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trackbal.base.text_layout import count
from trackbal.runs.readings import RowReadings
from trackbal.runs.run import Complexes, Counts, History, OddRepeat, Reals, Run

IN_ROW = 3  # readings the same in every digit that make a row a copy; all tips of a row are one reading
IN_JOB = 4  # the same over all repeats of a job, or over the runs of one; a few coarse ones agree by chance
IN_RUN = 2  # readings, from which two runs at other times do not read the same by chance
MOST_NAMED = 4


def copied_rows(rows: RowReadings, group: Counts, job: Counts) -> Counts:
    """Return the earlier row of its run and regime that each row is a copy of, or -1; shape (rows,).

    Parameters
    ----------
    rows : RowReadings
    group, job : ndarray of int, shape (rows,)
        Run and regime of each row as one number, and its job.
    """
    copy_of = np.full(len(group), -1)
    again = np.bincount(group)[group] > 1
    if not again.any():
        return copy_of
    first: dict[tuple[int, bytes], int] = {}
    keys = _keys(rows.vibration[again], rows.height[again], rows.rpm[again][:, None])
    for row, key in zip(np.flatnonzero(again).tolist(), keys, strict=True):
        its = first.setdefault((int(group[row]), key), row)
        copy_of[row] = its if its != row else -1
    if (copy_of < 0).all():
        return copy_of
    copied, agree = copy_of >= 0, _readings(rows.vibration, rows.height)
    repeat = np.ones(len(group), dtype=bool)
    repeat[np.unique(group, return_index=True)[1]] = False
    jobs = int(job.max()) + 1
    whole = np.bincount(job[copied], minlength=jobs) == np.bincount(job[repeat], minlength=jobs)  # no repeat differs
    enough = np.bincount(job[copied], agree[copied], minlength=jobs) >= IN_JOB
    return np.where((agree >= IN_ROW) | (whole & enough)[job], copy_of, -1)


@dataclass(frozen=True)
class Kept:
    """The rows of a history that are no copies of an earlier one, by run and regime.

    Parameters
    ----------
    rows : RowReadings
    kept : ndarray of int, shape (K,)
        Which rows of the sheet these are.
    run_of_row, regime, group : ndarray of int, shape (K,)
        Index of each row's run, its regime, and both as one number.
    said : tuple of OddRepeat
        What is said of the copies.
    """

    rows: RowReadings
    kept: Counts
    run_of_row: Counts
    regime: Counts
    group: Counts
    said: tuple[OddRepeat, ...]


def without_copied_rows(
    rows: RowReadings,
    run_of_row: Counts,
    regime: Counts,
    regimes: int,
    job: Counts,
    names: Sequence[tuple[str, int]],
    lines: Sequence[int] | None = None,
) -> Kept:
    """Return the rows of a history without copies.

    Parameters
    ----------
    rows : RowReadings
    run_of_row, regime : ndarray of int, shape (rows,)
    regimes : int
    job : ndarray of int, shape (runs,)
    names : sequence of (str, int)
        Job and number of each run.
    lines : sequence of int, optional
        Where each row stands in its sheet.
    """
    group = run_of_row * regimes + regime
    copy_of = copied_rows(rows, group, job[run_of_row])
    kept = np.flatnonzero(copy_of < 0)
    said = _of_copied_rows(copy_of, run_of_row, names, lines)
    return Kept(rows.of(kept) if said else rows, kept, run_of_row[kept], regime[kept], group[kept], said)


def _of_copied_rows(
    copy_of: Counts, run_of_row: Counts, names: Sequence[tuple[str, int]], lines: Sequence[int] | None
) -> tuple[OddRepeat, ...]:
    """Return what is said of copied rows, job by job."""
    of_job: dict[str, list[int]] = defaultdict(list)
    for row in np.flatnonzero(copy_of >= 0).tolist():
        of_job[names[run_of_row[row]][0]].append(row)
    return tuple(
        OddRepeat(job, names[run_of_row[its[0]]][1], -1, _row_words(its, copy_of, lines), 0.0, (), "copied_rows")
        for job, its in of_job.items()
    )


def _row_words(its: Sequence[int], copy_of: Counts, lines: Sequence[int] | None) -> str:
    one = len(its) == 1
    said = f"{count(len(its), 'row')} {'reads' if one else 'read'} as an earlier one of the same run"
    if lines is not None:
        named = [f"row {lines[row]} as row {lines[copy_of[row]]}" for row in its[:MOST_NAMED]]
        said += f" ({', '.join(named)}{' ...' if len(its) > MOST_NAMED else ''})"
    return f"{said}, digit for digit: {'a copy, which counts' if one else 'copies, which count'} once"


def with_copies(history: History, only: Kept) -> History:
    """Return a history of the kept rows that says of copied rows and of copied jobs too."""
    return replace(history, odd=(*copied_jobs(history), *only.said, *history.odd))


def copied_jobs(history: History) -> tuple[OddRepeat, ...]:
    """Return the jobs whose every run reads, digit for digit, as a run of one other job does: the later, or shorter."""
    keys = _keys(history.vibration, history.height, np.zeros((len(history.job), 1)))
    agree = _readings(history.vibration, history.height)
    ends = np.searchsorted(history.job, np.arange(len(history.jobs) + 1))
    runs = [[i for i in range(ends[j], ends[j + 1]) if agree[i]] for j in range(len(history.jobs))]
    holders: dict[bytes, set[int]] = defaultdict(set)
    for j, its in enumerate(runs):
        for i in its:
            holders[keys[i]].add(j)
    found: dict[int, OddRepeat] = {}
    for j in sorted(range(len(runs)), key=lambda j: (len(runs[j]), -j)):
        if len(runs[j]) < 2 or agree[runs[j]].sum() < IN_JOB:  # one run teaches nothing, and may begin a further job
            continue
        others = set.intersection(*(holders[keys[i]] for i in runs[j])) - found.keys() - {j}
        if others:
            text = (
                f"it reads as job {history.jobs[min(others)]} in every run, digit for digit: one job under two names, "
                "which does not count twice"
            )
            found[j] = OddRepeat(history.jobs[j], 1, -1, text, 0.0, (), "copied_job")
    return tuple(found[j] for j in sorted(found))


def without_jobs_of(history: History, run: Run) -> tuple[History, tuple[str, ...]]:
    """Return a history without the jobs of which a run reads as `run` does, digit for digit, and their names."""
    vibration = np.concatenate([run.vibration[None], history.vibration])
    height = np.concatenate([run.height[None], history.height])
    first, *keys = _keys(vibration, height, np.zeros((len(vibration), 1)))
    if _readings(run.vibration[None], run.height[None])[0] < IN_RUN or first not in keys:
        return history, ()
    its = np.unique(history.job[[key == first for key in keys]])
    kept = np.setdiff1d(np.arange(len(history.jobs)), its)
    return history.of_jobs(kept), tuple(history.jobs[j] for j in its.tolist())


def _keys(vibration: Complexes, height: Reals, more: Reals) -> list[bytes]:
    """Return what was read in each of n rows or runs, as bytes that are equal where all of it is."""
    parts = [part.reshape(len(part), -1) for part in (vibration.real, vibration.imag, height, more)]
    values = np.concatenate(parts, axis=1)
    values = np.where(np.isnan(values), np.inf, values) + 0.0  # one kind of nan, and of 0
    return [row.tobytes() for row in values]


def _readings(vibration: Complexes, height: Reals) -> Counts:
    """Return how many readings of each of n rows or runs are no zeros, all tips of a regime being one; shape (n,)."""
    n = len(vibration)
    tips = np.ptp(height, axis=-1) > 0.0  # nan where a tip is missing
    return np.asarray((np.abs(vibration) > 0.0).reshape(n, -1).sum(axis=1) + tips.reshape(n, -1).sum(axis=1))
