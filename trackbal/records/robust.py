"""A fit that bad records neither move nor blur: what is set aside, and what each of it would have moved.

From coefficients fitted without the runs that stand out most (misfits.py), every job's
record is weighed (set_aside.py); what does not fit is set aside, the rest is fitted, and all
is weighed again with that. A record set aside costs its own information, nothing else: a
wrong adjustment parts its job in two, each half with a start of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from trackbal.base.covariance import Matrix, mixed_sums
from trackbal.estimate.estimate import Estimate, Estimates
from trackbal.estimate.job_statistics import CellStatistics, HistoryCells
from trackbal.influence.coefficients import Influence
from trackbal.records.set_aside import SetAside, Sifted, in_words, parted, sift
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import History, Reals

LEAST_DOF = 6.0  # of the noise of every reading: with fewer, chance alone looks like a bad record
ALL_DOF = 2.0 * LEAST_DOF  # of the noise of all readings of a kind together, for one to borrow from the others
ROUNDS = 3


@dataclass(frozen=True)
class Record:
    """A record that a fit does not rely upon.

    Parameters
    ----------
    job : str
    run : int
        Of an adjustment, the run after it.
    row : int
        Index of that run in the history.
    why : str
    gain : float
        Log-likelihood of the job's readings without relying on it, less that with.
    shift : float
        How far relying on it would move a coefficient, in standard errors of the type's mean; the
        largest such shift.
    where : str
        The coefficient it would move so; "" of a repeated reading, which is judged by its repeats alone.
    sensors : tuple of int
        Whose readings are set aside (HEIGHTS: the tips); () of a whole run or an adjustment.
    """

    job: str
    run: int
    row: int
    why: str
    gain: float
    shift: float
    where: str
    sensors: tuple[int, ...] = ()


def sharing_noise(rotor: Rotor, found: Estimates) -> Estimates:
    """Return estimates in which a noise of fewer than LEAST_DOF degrees of freedom leans on that of the other readings.

    What lacks is filled up with the mean of all, each in its own limits (a moderated variance, as G. K. Smyth, Stat.
    Appl. Genet. Mol. Biol. 3 (2004), art. 3; from memory). A noise is never made smaller: that could only accuse.
    """
    return Estimates(
        _sharing(found.vibration, rotor.vibration_limit.ravel()), _sharing(found.height, rotor.height_limit)
    )


def _sharing(part: Estimate, limit: Reals) -> Estimate:
    dof, size = part.noise_dof, np.where(np.isfinite(limit), limit, 1.0) ** 2
    read = part.jobs.any(axis=1)
    lacking = np.where(read, np.maximum(LEAST_DOF - dof, 0.0), 0.0)
    total = float(dof[read].sum())
    if not lacking.any() or total < ALL_DOF:
        return part
    usual = float((dof * part.sigma2 / size)[read].sum()) / total
    filled = (dof * part.sigma2 + lacking * usual * size) / np.where(read, dof + lacking, 1.0)
    return replace(part, sigma2=np.where(read, np.maximum(part.sigma2, filled), part.sigma2), noise_dof=dof + lacking)


def can_judge(found: Estimates) -> bool:
    """Return whether noise and spread are known well enough to tell a bad record from chance."""
    for part in (found.vibration, found.height):
        read = part.jobs.any(axis=1)
        known = ~part.identification.unknown[read].all(axis=0)
        if read.any() and (part.noise_dof[read].min() < LEAST_DOF or (part.sigma2[read] <= 0).any()):
            return False
        if not np.isfinite(part.kappa[known]).all():
            return False
    return True


def sift_and_refit(cells: HistoryCells, influence: Influence, refit: Callable[[History], Influence]) -> Sifted:
    """Return the history without what does not fit.

    Parameters
    ----------
    cells : HistoryCells
        Of the history.
    influence : Influence
        To begin with.
    refit : callable
        From a history, the influence fitted to it.
    """
    sifted = sift(cells, influence)
    for _ in range(ROUNDS - 1):
        if not sifted.found:
            break
        again = sift(cells, refit(sifted.history))
        same = [(row, one.kind) for row, one in again.found] == [(row, one.kind) for row, one in sifted.found]
        sifted = again
        if same:
            break
    return sifted


def records(rotor: Rotor, history: History, sifted: Sifted, found: Estimates) -> tuple[Record, ...]:
    """Return what was set aside, with what each record would move; `found` rests on the rest."""
    listed = []
    runs = np.bincount(history.job, minlength=len(history.jobs))
    for row, one in sifted.found:
        shift, where = _effect(rotor, history, sifted, found, row, one)
        job = int(history.job[row])
        why = in_words(rotor, one, int(runs[job]))
        sensors = () if one.sensor is None else (one.sensor,)
        listed.append(Record(history.jobs[job], int(history.run[row]), row, why, one.gain, shift, where, sensors))
    return tuple(listed)


def odd_records(history: History) -> tuple[Record, ...]:
    """Return the repeated readings that are left out because their repeats contradict them."""
    at = {(history.jobs[j], int(run)): n for n, (j, run) in enumerate(zip(history.job, history.run, strict=True))}
    return tuple(
        Record(o.job, o.run, at[o.job, o.run], o.text, o.gain, 0.0, "", tuple(w.sensor for w in o.without))
        for o in history.odd
        if (o.job, o.run) in at
    )


def _effect(
    rotor: Rotor, history: History, sifted: Sifted, found: Estimates, row: int, one: SetAside
) -> tuple[float, str]:
    """Return the largest shift that putting one record back would cause, and of what."""
    rows = np.flatnonzero(history.job == history.job[row])
    without = sifted.history.of_runs(rows)
    count, height_count = without.vibration_count.copy(), without.height_count.copy()
    part = without.job - without.job[0]
    given = history.of_runs(rows)
    if one.kind == "step":
        part = part - (np.arange(len(rows)) >= one.run)
    else:
        at = slice(None) if one.kind == "column in every run" else one.run
        where = slice(None) if one.regime is None else one.regime
        if one.sensor != HEIGHTS:
            which = slice(None) if one.sensor is None else one.sensor
            count[at, where, which] = given.vibration_count[at, where, which]
        if one.sensor in (None, HEIGHTS):
            height_count[at, where] = given.height_count[at, where]
    back = parted(given, count, height_count, part)
    with_it, without_it = HistoryCells(rotor, back), HistoryCells(rotor, without)
    shifts = _shifts(with_it.vibration_statistics, without_it.vibration_statistics, found.vibration)
    tip_shifts = _shifts(with_it.height_statistics, without_it.height_statistics, found.height)
    both = np.concatenate([shifts, tip_shifts])
    c, a = np.unravel_index(int(np.argmax(both)), both.shape)
    regime, sensor = rotor.reading_of_cell(int(c))
    reading = f"{rotor.regimes[regime].name} / {rotor.reading_name(sensor)}"
    return float(both[c, a]), f"{rotor.adjusters[int(a)].name} in {reading}"


def _shifts(more: Sequence[CellStatistics], less: Sequence[CellStatistics], found: Estimate) -> Reals:
    """Return the shift of each coefficient, (C, A), by the sums of a job with and without a record.

    At the noise and spread found, ``a = alpha + (I + K dW)^-1 K (ds - dW alpha)``.
    """
    result = np.zeros(found.alpha.shape)
    for c, (one, other) in enumerate(zip(more, less, strict=True)):
        variance = np.diag(found.error[c]).real
        if found.sigma2[c] <= 0:
            continue
        w, s = _information(one, found, c)
        w_less, s_less = _information(other, found, c)
        change = (s - s_less) - (w - w_less) @ found.alpha[c]
        moved = np.linalg.solve(np.eye(len(w)) + found.error[c] @ (w - w_less), found.error[c] @ change)
        result[c] = np.abs(moved) / np.sqrt(np.where(variance > 0, variance, np.inf))
    return result


def _information(cell: CellStatistics, found: Estimate, c: int) -> tuple[Matrix, Matrix]:
    information, score = mixed_sums(cell.gram, cell.moment, found.spread[c], found.sigma2[c])
    return information.sum(axis=0), score.sum(axis=0)
