"""Runs that do not fit: improbable given the other runs of their job and the type's coefficients.

Each reading of a run is compared with what all OTHER runs lead to expect of it (the
deletion residual of generalised least squares: ``(Q y)[t] / Q[t, t]`` with Q the inverse
covariance less what the coefficients and the job's start take up; Christensen, Pearson
and Johnson 1992, Technometrics 34, from memory). Its tail probability allows for the noise
being estimated from the same runs. Where aircraft are taken to answer alike that is exact:
of c degrees of freedom the squared, scaled residual e of k parts takes a share e / c that
is Beta(k/2, (c - k)/2). Where their spread is estimated too, e / k is taken as F(k, c), c
the noise's effective degrees of freedom: approximate, with the heavier tail. Readings of a
run are put together by Fisher's method (Statistical Methods for Research Workers, section
21.1), beside the single most improbable one. A run is suspect when its probability is below FALSE_ALARM / (number of
runs): a history without a fault then names any run once in a thousand times.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trackbal.estimate.estimate import Estimate, Estimates
from trackbal.estimate.job_statistics import CentredDesign, HistoryCells, Matrix
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Counts, History, Reals

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
    statistics = cells.vibration_statistics
    for pairs, design in cells.vibration_designs():
        for r, s in pairs:
            c = r * sensors + s
            if vibration.noise_dof[c] > 1.5 and vibration.sigma2[c] > 0:
                own = _JobFit.of(statistics[c].gram, statistics[c].moment, vibration, c)
                y = cells.vibration_reading(r, s, design)
                tally.add(c, *_vibration_surprise(design, y, own, cells.job_of_run, vibration.noise_dof[c]))
    statistics = cells.height_statistics
    for regimes, design in cells.height_designs():
        for r in regimes:
            free = len(cells.rotor.blades) - 1
            if height.noise_dof[r] > free + 0.5 and height.sigma2[r] > 0:
                own = _JobFit.of(statistics[r].gram, statistics[r].moment, height, r)
                y = cells.height_reading(r, design)
                c = len(vibration.sigma2) + r
                tally.add(c, *_height_surprise(design, y, own, cells.job_of_run, height.noise_dof[r]))
    return tally.judgement()


@dataclass(frozen=True)
class _JobFit:
    """What deletion residuals of one cell need.

    `alpha` (A,): the type's coefficients; `moved` (J, A): how far each job's own are
    expected from them; `taken` (J, A, A): B in ``Q = weight / sigma2 (centring) -
    weight z~' B z~ weight``, what the fitted coefficients take off the precision;
    `alike`: no spread between aircraft.
    """

    alpha: Matrix
    moved: Matrix
    taken: Matrix
    sigma2: float
    alike: bool

    @classmethod
    def of(cls, gram: Matrix, moment: Matrix, found: Estimate, c: int) -> _JobFit:
        sigma2, spread = found.sigma2[c], found.spread[c]
        inner = gram * spread
        diagonal = np.arange(gram.shape[-1])
        inner[:, diagonal, diagonal] += sigma2
        g = np.linalg.inv(inner)
        own = np.einsum("jab,jb->ja", g, moment - gram @ found.alpha[c])
        taken = spread[:, None] * g / sigma2 + g.conj().swapaxes(-1, -2) @ found.error[c] @ g
        return cls(found.alpha[c], spread * own, taken, float(sigma2), not spread.any())


def _vibration_surprise(
    design: CentredDesign, y: Complexes, own: _JobFit, job: Counts, dof: float
) -> tuple[Reals, Reals]:
    """Return minus the log probability of every run's reading, and its distance; nan where it cannot be judged."""
    effect, weight = design.effect, design.weight
    left = y - np.einsum("an,an->n", effect, own.moved[job].T + own.alpha[:, None])
    share = weight / own.sigma2
    bound = np.einsum("an,nab,bn->n", effect, own.taken[job], effect.conj(), optimize=True).real
    precision = share * (1 - weight / design.job_weight[job]) - weight**2 * bound
    pull = share * left
    judged = (weight > 0) & (precision > LEAST_LEVERAGE_LEFT * share)
    safe = np.where(judged, precision, 1.0)
    share_of_dof = np.abs(pull) ** 2 / safe / dof  # complex: k = 2 of 2 dof
    if own.alike:
        surprise = -(dof - 1) * np.log1p(-np.minimum(share_of_dof, 1 - 1e-12))
    else:
        surprise = dof * np.log1p(share_of_dof)
    return np.where(judged, surprise, np.nan), np.where(judged, np.abs(pull) / safe, np.nan)


def _height_surprise(design: CentredDesign, y: Reals, own: _JobFit, job: Counts, dof: float) -> tuple[Reals, Reals]:
    """Return the same for the heights of a regime, all tips together."""
    from scipy.special import betaincc, fdtrc

    effect, weight = design.effect, design.weight  # (A, B, n)
    blades = effect.shape[1]
    shift = own.moved[job] + own.alpha  # (n, A)
    pull = (y - np.einsum("abn,na->bn", effect, shift)) * weight / own.sigma2
    whole = weight * (1 - weight / design.job_weight[job]) / own.sigma2
    judged = whole > LEAST_LEVERAGE_LEFT * np.maximum(weight, 1.0) / own.sigma2
    whole = np.where(judged, whole, 1.0)
    own_gram = np.einsum("abn,cbn->nac", effect, effect, optimize=True)
    seen = np.einsum("abn,bn->na", effect, pull)
    ratio = (weight**2 / whole)[:, None, None] * (1 - LEAST_LEVERAGE_LEFT)
    taken = own.taken[job]
    inner = np.eye(len(effect)) - ratio * (taken @ own_gram)
    correction = np.linalg.solve(inner, np.einsum("nac,nc->na", taken, seen)[..., None])[..., 0]
    squares = np.einsum("bn,bn->n", pull, pull) / whole
    squares = squares + (weight / whole) ** 2 * np.einsum("na,na->n", seen, correction)
    free = blades - 1
    if own.alike:
        chance = betaincc(free / 2, (dof - free) / 2, np.clip(squares / dof, 0.0, 1 - 1e-12))
    else:
        chance = fdtrc(free, dof, np.maximum(squares, 0.0) / free)
    surprise = np.where(judged, -np.log(np.maximum(chance, 1e-300)), np.nan)
    missed = (pull + (weight**2 / whole) * np.einsum("abn,na->bn", effect, correction)) / whole
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
    worst one's shadow, and are judged again without it. Of two equal ones the later.
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
    """Return, for each of some jobs (growing), the run that parts it in two sound halves; -1 if none does.

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
    """Return the history with the readings of some runs not taken."""
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
    sensors, cell = len(rotor.sensors), int(judgement.worst[i])
    miss = float(judgement.miss[i])
    if cell < len(rotor.regimes) * sensors:
        sensor = rotor.sensors[cell % sensors]
        what = f"{rotor.regimes[cell // sensors].name} / {sensor.name} is {miss:.3g} {sensor.unit}"
    else:
        regime = rotor.regimes[cell - len(rotor.regimes) * sensors]
        what = f"the heights of {regime.name} are {miss:.3g} {rotor.height_unit} (rms)"
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
