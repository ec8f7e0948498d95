"""Runs that do not fit: improbable given the other runs of their job and the type's coefficients.

Each reading of a run is compared with what all OTHER runs lead to expect of it
(deletion.py). Its tail probability allows for the noise being estimated from the same runs.
Where aircraft are taken to answer alike that is exact: of c degrees of freedom the squared,
scaled residual e of k parts takes a share e / c that is Beta(k/2, (c - k)/2). Where their
spread is estimated too, e / k is taken as F(k, c), c the noise's effective degrees of freedom:
approximate, with the heavier tail. Readings of a run are put together by Fisher's method
(Statistical Methods for Research Workers, section 21.1), beside the single most improbable
one. A run is suspect when its probability is below FALSE_ALARM / (number of runs): a history
without a fault then names any run once in a thousand times.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trackbal.estimate.estimate import Estimate, Estimates
from trackbal.estimate.job_statistics import CellStatistics, HistoryCells
from trackbal.records.deletion import Deletion, JobFit, TipPrecision
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import Counts, History, Reals

FALSE_ALARM = 1e-3
LEAST_LEVERAGE_LEFT = 1e-6  # a reading that all but fixes its own fit cannot be judged


@dataclass(frozen=True)
class Suspect:
    """A run that does not fit, and why."""

    job: str
    run: int
    why: str


@dataclass(frozen=True)
class Judgement:
    """How improbable each of n runs is.

    Parameters
    ----------
    surprise : ndarray, shape (n,)
        Minus the natural logarithm of the run's probability.
    worst : ndarray of int, shape (n,)
        Its most improbable cell: vibration cells first, then the heights; -1 if none.
    miss : ndarray, shape (n,)
        How far that reading is from the expected: amplitude, or root mean square of
        the tips.
    """

    surprise: Reals
    worst: Counts
    miss: Reals


def judge(cells: HistoryCells, estimates: Estimates) -> Judgement:
    """Return how improbable each run is."""
    n = len(cells.history.run)
    tally = _Tally(n)
    sensors = len(cells.rotor.sensors)
    vibration, height = estimates.vibration, estimates.height
    for pairs, design in cells.vibration_designs():
        for r, s in pairs:
            c = r * sensors + s
            if vibration.noise_dof[c] > 1.5 and vibration.sigma2[c] > 0:
                fit = _job_fit(cells.vibration_statistics[c], vibration, c)
                of = Deletion(design, cells.vibration_reading(r, s, design), fit, cells.job_of_run)
                tally.add(c, *_vibration_surprise(of, not vibration.spread[c].any(), vibration.noise_dof[c]))
    free = len(cells.rotor.blades) - 1
    for regimes, design in cells.height_designs():
        for r in regimes:
            if height.noise_dof[r] > free + 0.5 and height.sigma2[r] > 0:
                fit = _job_fit(cells.height_statistics[r], height, r)
                of = Deletion(design, cells.height_reading(r, design), fit, cells.job_of_run)
                c = len(vibration.sigma2) + r
                tally.add(c, *_height_surprise(of, not height.spread[r].any(), height.noise_dof[r]))
    return tally.judgement()


def _job_fit(cell: CellStatistics, found: Estimate, c: int) -> JobFit:
    between, sigma2 = np.diag(found.spread[c]), float(found.sigma2[c])
    return JobFit.of(cell, found.alpha[c], between, sigma2, found.error[c])


def _vibration_surprise(of: Deletion, alike: bool, dof: float) -> tuple[Reals, Reals]:
    """Return minus the log probability of every run's reading, and its distance; nan where it cannot be judged.

    `alike`: no spread between aircraft.
    """
    weight = of.design.weight
    judged = (weight > 0) & (of.precision > LEAST_LEVERAGE_LEFT * weight / of.fit.sigma2)
    safe = np.where(judged, of.precision, 1.0)
    share_of_dof = np.abs(of.pull) ** 2 / safe / dof  # complex: k = 2 of 2 dof
    exact = -(dof - 1) * np.log1p(-np.minimum(share_of_dof, 1 - 1e-12))
    surprise = exact if alike else dof * np.log1p(share_of_dof)
    return np.where(judged, surprise, np.nan), np.where(judged, np.abs(of.pull) / safe, np.nan)


def _height_surprise(of: Deletion, alike: bool, dof: float) -> tuple[Reals, Reals]:
    """Return the same for the heights of a regime, all tips together."""
    from scipy.special import betaincc, fdtrc

    share, weight = of.share(of.design.weight), of.design.weight
    judged = share > LEAST_LEVERAGE_LEFT * np.maximum(weight, 1.0) / of.fit.sigma2
    share = np.where(judged, share, 1.0)
    precision = TipPrecision(share[None], of.weighted, (1 - LEAST_LEVERAGE_LEFT) * of.taken)
    (drawn,), (squares,) = precision.drawn(of.pull)
    free = len(of.y) - 1
    if alike:
        chance = betaincc(free / 2, (dof - free) / 2, np.clip(squares / dof, 0.0, 1 - 1e-12))
    else:
        chance = fdtrc(free, dof, np.maximum(squares, 0.0) / free)
    surprise = np.where(judged, -np.log(np.maximum(chance, 1e-300)), np.nan)
    missed = (of.pull + np.einsum("abn,na->bn", of.weighted, drawn)) / share
    return surprise, np.where(judged, np.sqrt(np.mean(missed**2, axis=0)), np.nan)


class _Tally:
    """Puts the readings of each run together, cell after cell."""

    def __init__(self, runs: int) -> None:
        self.total = np.zeros(runs)
        self.count = np.zeros(runs)
        self.most = np.zeros(runs)
        self.worst = np.full(runs, -1)
        self.miss = np.full(runs, np.nan)

    def add(self, cell: int, surprise: Reals, miss: Reals) -> None:
        judged = np.isfinite(surprise)
        value = np.where(judged, surprise, 0.0)
        self.total += value
        self.count += judged
        higher = judged & (value > self.most)
        self.most = np.where(higher, value, self.most)
        self.worst = np.where(higher, cell, self.worst)
        self.miss = np.where(higher, miss, self.miss)

    def judgement(self) -> Judgement:
        from scipy.special import gammaincc

        together = gammaincc(np.maximum(self.count, 1.0), self.total)  # 2 * total is chi-square of 2 * count
        single = self.count * np.exp(-self.most)
        chance = 2.0 * np.minimum(together, single)
        surprise = np.where(self.count > 0, -np.log(np.clip(chance, 1e-300, 1.0)), 0.0)
        return Judgement(surprise, self.worst, self.miss)


def pick(judgement: Judgement, job: Counts) -> Counts:
    """Return the indices of runs that do not fit, at most one of a job.

    Only runs at least half as surprising as the worst: lesser ones may be in the
    worst one's shadow, and are judged again without it. Of two equal ones the later. `job`, (n,): whose each run is.
    """
    surprise = judgement.surprise
    bound = max(_bound(len(job)), 0.5 * float(surprise.max(initial=0.0)))
    order = np.lexsort((np.arange(len(job)), np.round(surprise, 6), job))
    last_of_job = np.append(job[order][1:] != job[order][:-1], True)[: len(job)]
    worst = order[last_of_job]
    return worst[surprise[worst] > bound]


def _bound(runs: int) -> float:
    """Return the surprise from which a run is suspect."""
    return float(-np.log(FALSE_ALARM / max(runs, 1)))


def breaks(rotor: Rotor, history: History, estimates: Estimates, jobs: Counts) -> Counts:
    """Return, for each of some jobs (indices, growing), the run that parts it in two sound halves, (K,); -1: none.

    A wrong record of an adjustment sets all later runs of its job off.
    """
    rows = np.flatnonzero(np.isin(history.job, jobs))
    part = history.of_runs(rows)
    owner = np.searchsorted(jobs, part.job)
    first = np.searchsorted(part.job, jobs)
    place = np.arange(len(rows)) - first[owner]
    runs = np.bincount(owner, minlength=len(jobs))
    least = np.full(len(jobs), _bound(len(history.run)))
    where = np.full(len(jobs), -1)
    for k in range(1, int(runs.max(initial=1))):
        parted = replace(part, job=2 * part.job + (place >= k))
        surprise = judge(HistoryCells(rotor, parted), estimates).surprise
        most = np.zeros(len(jobs))
        np.maximum.at(most, owner, surprise)
        better = (runs > k) & (most <= least)
        least = np.where(better, most, least)
        where = np.where(better, rows[np.minimum(first + k, len(rows) - 1)], where)
    return where


def without(history: History, runs: Counts) -> History:
    """Return the history with the readings of some runs, given by index, shape (K,), not taken."""
    taken = np.ones(len(history.run), dtype=bool)
    taken[runs] = False
    return replace(
        history,
        vibration_count=history.vibration_count * taken[:, None, None],
        vibration_squares=history.vibration_squares * taken[:, None, None],
        height_count=history.height_count * taken[:, None],
        height_squares=history.height_squares * taken[:, None],
    )


def describe(rotor: Rotor, history: History, judgement: Judgement, i: int, alone: bool) -> Suspect:
    """Return the suspect in words; `alone`: its job has no other two runs that agree."""
    r, s = rotor.reading_of_cell(int(judgement.worst[i]))
    regime, miss = rotor.regimes[r].name, float(judgement.miss[i])
    if s == HEIGHTS:
        what = f"the heights of {regime} are {miss:.3g} {rotor.height_unit} (rms)"
    else:
        what = f"{regime} / {rotor.sensors[s].name} is {miss:.3g} {rotor.sensors[s].unit}"
    why = f"{what} from what the other runs lead to expect"
    if alone:
        why += "; the job has no other two runs to tell which one is wrong"
    why += ": check its readings and the adjustments recorded just before and after it"
    return Suspect(history.jobs[history.job[i]], int(history.run[i]), why)


def describe_break(history: History, i: int) -> Suspect:
    """Return in words that a job starts anew at a run."""
    why = (
        "from this run on the readings do not follow from the adjustments recorded before it, while the runs on "
        "either side agree among themselves: check that record"
    )
    return Suspect(history.jobs[history.job[i]], int(history.run[i]), why)
