"""Coefficients, noise and spread between aircraft of one family of cells, from their statistics.

The cells of a family (all vibration readings, or the heights of all regimes) share each
adjuster's spread relative to its coefficient; everything else belongs to the cell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.base.covariance import Matrix, residual_sums
from trackbal.base.sampling import evenly_spaced
from trackbal.estimate import mixed
from trackbal.estimate.identification import DEAD_SQUARE, Identification, identify
from trackbal.estimate.job_statistics import CellStatistics
from trackbal.runs.run import Counts, Reals

#: Jobs that must have changed an adjuster before its spread between aircraft is estimated:
#: with two, a single difference would have to tell spread from a chance error.
LEAST_JOBS = 3
#: Jobs times cells the variance components are estimated on; larger histories give evenly spaced jobs.
COMPONENT_SAMPLE = 6000
#: Jobs from which the even part of a spread (see _parts) is estimated sensor by sensor.
MANY_JOBS = 16
START_KAPPA2 = 0.01
FEW_DOF = 5.0  # degrees of freedom below which a noise is rough
OUTER_ROUNDS = 6
OUTER_TOLERANCE = 1e-4


@dataclass(frozen=True)
class PriorKnowledge:
    """What an earlier influence file says of a family of cells (C cells, A adjusters).

    Parameters
    ----------
    spread : ndarray, shape (C, A)
        E|u|^2 between aircraft; 0 where it does not say.
    known : ndarray of bool, shape (C, A)
        Coefficients whose spread it does say.
    split : bool
        Whether it gives the spread apart from the error of the mean. If not, `spread`
        is only an assumption, used where the history cannot tell one.
    jobs : float
        Jobs it rests on.
    sigma2 : ndarray, shape (C,)
        Noise variance of one reading; 0 where it does not say.
    """

    spread: Reals
    known: NDArray[np.bool_]
    split: bool
    jobs: float
    sigma2: Reals


@dataclass(frozen=True)
class Estimate:
    """What the history alone says of a family of cells; natural units (C cells, A adjusters).

    Parameters
    ----------
    alpha : ndarray, shape (C, A)
        Coefficients; of what is unknown, the least that explains the readings.
    error : ndarray, shape (C, A, A)
        ``E[(a - alpha) conj(a - alpha)']`` of the type's mean.
    information, score : ndarray, shape (C, A, A) and (C, A)
        What the history adds to other knowledge: ``information @ alpha = score``.
    spread : ndarray, shape (C, A)
        E|u|^2 between aircraft.
    sigma2, noise_dof : ndarray, shape (C,)
        Noise variance of a single reading (both parts together for vibration); degrees
        of freedom it rests on, complex ones for vibration; 0 dof = not estimated here.
    kappa : ndarray, shape (A,)
        Spread relative to the coefficient; nan where it was not estimated.
    kappa2_error : ndarray, shape (A,)
        Standard error of its square, from the information of the restricted likelihood, and no less than as many
        aircraft can tell whose readings depart together; nan where it was not estimated.
    jobs, runs : ndarray of int, shape (C, A)
        Jobs in which the adjuster's effect on the reading was seen, and their runs.
    unexplained : ndarray, shape (C,)
        Mean square, per degree of freedom, of what the type's coefficients leave of a
        reading (both parts together for vibration); nan without any.
    identification : Identification
    assumed : ndarray of bool, shape (C,)
        Cells whose noise neither the history nor a prior tells: it is the floor's.
    """

    alpha: Matrix
    error: Matrix
    information: Matrix
    score: Matrix
    spread: Reals
    sigma2: Reals
    noise_dof: Reals
    kappa: Reals
    jobs: Counts
    runs: Counts
    unexplained: Reals
    identification: Identification
    assumed: NDArray[np.bool_]
    kappa2_error: Reals


@dataclass(frozen=True)
class Floor:
    """Noise variances, (C,), that a family of cells is held to (reading_noise.py; both parts together for vibration).

    Parameters
    ----------
    assumed : ndarray
        Where neither history nor prior tells one.
    stated : ndarray
        The least where FEW_DOF degrees of freedom or fewer tell it; 0: none.
    digit : ndarray
        The least anywhere.
    """

    assumed: Reals
    stated: Reals
    digit: Reals

    def under(self, sigma2: Reals, dof: Reals) -> Reals:
        """Return noise variances, (C,), that history or prior tell (0: they do not), raised to the floor.

        `dof`, (C,): degrees of freedom they rest on.
        """
        least = np.maximum(self.digit, np.where(dof < FEW_DOF, self.stated, 0.0))
        return np.where(sigma2 > 0, np.maximum(sigma2, least), np.where(dof > 0.5, least, self.assumed))


@dataclass(frozen=True)
class Estimates:
    """What a history alone says: vibration cells (regime by regime, sensor by sensor) and heights."""

    vibration: Estimate
    height: Estimate


def estimate(
    cells: Sequence[CellStatistics],
    largest_change: Reals,
    noise_groups: Counts,
    floor: Floor,
    prior: PriorKnowledge | None = None,
    *,
    spread: bool = True,
) -> Estimate:
    """Estimate a family of cells.

    Parameters
    ----------
    cells : sequence of CellStatistics, C of them
    largest_change : ndarray, shape (A,)
        Largest change of each adjuster on any blade.
    noise_groups : ndarray of int, shape (C,)
        Cells of a group share a noise where one of them cannot tell its own.
    floor : Floor
        What no noise is taken to be below.
    prior : PriorKnowledge, optional
    spread : bool
        False: every aircraft is taken to answer alike (ordinary least squares).
    """
    total = [_total(c) for c in cells]
    identified = identify(np.concatenate([t.gram for t in total]), largest_change)
    known = ~identified.unknown
    plain, dof = mixed.plain_noise(mixed.stack(total, identified.column, identified.null))
    sigma2 = _filled_noise(plain, dof, noise_groups, prior)
    jobs, runs = _support(cells, largest_change)

    free = (jobs.max(axis=0, initial=0) >= LEAST_JOBS) & spread
    kappa, kappa2_error = np.full(len(largest_change), np.nan), np.full(len(largest_change), np.nan)
    before = np.where(prior.known, prior.spread, 0.0) if prior is not None and spread else np.zeros(known.shape)
    between = before
    usable = np.flatnonzero(dof > 0.5)
    if len(usable) and (free.any() or between.any()):
        first = _means(total, identified, sigma2, np.zeros(known.shape))
        least = np.einsum("caa->ca", first.error).real
        size2 = np.where(free, np.maximum(np.abs(first.alpha) ** 2, least), between)
        sample = sample_jobs([cells[c] for c in usable.tolist()])
        groups = noise_groups[usable]
        part = _components(sample, largest_change, sigma2[usable], size2[usable], least[usable], free, groups)
        with_noise = part.dof > 0.5  # in the sample, too
        sigma2[usable[with_noise]] = part.sigma2[with_noise]
        dof[usable[with_noise]] = part.dof[with_noise] * len(cells[0].dof) / len(sample[0].dof)
        sigma2 = _filled_noise(sigma2, dof, noise_groups, prior)
        kappa[free] = np.sqrt(_relative(part.between, part.size2, groups))[free]
        spread_dof = np.maximum(jobs.max(axis=0, initial=0) - 1.0, 1.0)
        kappa2_error[free] = np.maximum(part.kappa2_error, np.sqrt(2.0 / spread_dof) * np.nan_to_num(kappa) ** 2)[free]
        of_cells = np.where(free, kappa**2 * size2, 0.0)  # of cells that tell no noise
        of_cells[usable] = np.where(free, part.between, 0.0)
        between = np.where(known, _pooled_spread(of_cells, prior, free, jobs), before)
    assumed = (dof <= 0.5) & (sigma2 <= 0)
    sigma2 = floor.under(sigma2, dof)
    means = _means(cells, identified, sigma2, between)
    return Estimate(
        alpha=means.alpha,
        error=means.error,
        information=means.information,
        score=means.score,
        spread=between,
        sigma2=sigma2,
        noise_dof=dof,
        kappa=kappa,
        jobs=jobs,
        runs=runs,
        unexplained=_unexplained(total, means.alpha),
        identification=identified,
        assumed=assumed,
        kappa2_error=kappa2_error,
    )


def noise_at(cells: Sequence[CellStatistics], largest_change: Reals, sigma2: Reals, spread: Reals) -> Reals:
    """Return about the noise variance, shape (C,), that cells tell if the spread between aircraft is as given.

    Parameters
    ----------
    cells : sequence of CellStatistics, C of them
    largest_change : ndarray, shape (A,)
        Largest change of each adjuster on any blade.
    sigma2 : ndarray, shape (C,)
        To begin with.
    spread : ndarray, shape (C, A)
        E|u|^2.
    """
    identified = identify(np.concatenate([_total(c).gram for c in cells]), largest_change)
    data = mixed.stack(cells, identified.column, identified.null)
    return mixed.noise_at(data, spread * identified.column**2, sigma2)


def _total(cell: CellStatistics) -> CellStatistics:
    """Return the sums over all jobs as if they were one job's."""
    return CellStatistics(
        cell.gram.sum(axis=0, keepdims=True),
        cell.moment.sum(axis=0, keepdims=True),
        cell.squares.sum(keepdims=True),
        cell.dof.sum(keepdims=True),
        cell.runs.sum(keepdims=True),
        cell.repeat_squares,
        cell.repeat_dof,
    )


def _support(cells: Sequence[CellStatistics], largest_change: Reals) -> tuple[Counts, Counts]:
    """Return the jobs, and their runs, in which each adjuster's effect was seen; both (C, A)."""
    jobs = np.zeros((len(cells), len(largest_change)), dtype=int)
    runs = np.zeros_like(jobs)
    for c, cell in enumerate(cells):
        moved = np.einsum("jaa->ja", cell.gram).real > DEAD_SQUARE * largest_change**2
        jobs[c] = moved.sum(axis=0)
        runs[c] = (moved * cell.runs[:, None]).sum(axis=0)
    return jobs, runs


def _filled_noise(sigma2: Reals, dof: Reals, groups: Counts, prior: PriorKnowledge | None) -> Reals:
    """Return the noise; where a cell cannot tell its own, the prior's, else its group's, else 0."""
    filled = np.where(dof > 0.5, sigma2, 0.0)
    for c in np.flatnonzero(dof <= 0.5):
        others = (groups == groups[c]) & (dof > 0.5)
        if prior is not None and prior.sigma2[c] > 0:
            filled[c] = prior.sigma2[c]
        elif others.any():
            filled[c] = np.average(sigma2[others], weights=dof[others])
    return filled


def sample_jobs(cells: Sequence[CellStatistics]) -> list[CellStatistics]:
    """Return evenly spaced jobs of the cells, about COMPONENT_SAMPLE jobs times cells."""
    jobs = len(cells[0].dof)
    wanted = max(LEAST_JOBS, COMPONENT_SAMPLE // len(cells))
    if jobs <= wanted:
        return list(cells)
    chosen = evenly_spaced(jobs, wanted)
    return [c.of_jobs(chosen) for c in cells]


@dataclass(frozen=True)
class _Components:
    """Variance components of the cells that can tell a noise; `size2` is what the spread is relative to."""

    between: Reals
    sigma2: Reals
    dof: Reals
    size2: Reals
    kappa2_error: Reals


def _components(
    sample: Sequence[CellStatistics],
    largest_change: Reals,
    sigma2: Reals,
    size2: Reals,
    least: Reals,
    free: NDArray[np.bool_],
    groups: Counts,
) -> _Components:
    """Estimate noise and spread of the C cells of a sample; natural units.

    The size of a coefficient, which its spread is relative to, is found again after each
    climb. A coefficient is not taken to be smaller than its plain chance error (`least`,
    squared); otherwise one near 0 would seem to have an enormous relative spread. For
    adjusters not `free`, `size2` is their spread itself and stays.
    """
    identified = identify(np.concatenate([_total(c).gram for c in sample]), largest_change)
    data = mixed.stack(sample, identified.column, identified.null)
    estimated = free & ~identified.unknown
    given = np.where(free, 0.0, size2)
    size2 = np.where(estimated, size2, 0.0)
    apart = len(sample[0].dof) >= MANY_JOBS
    parts, open_parts = _parts(size2, given, groups, apart)
    start = np.where(open_parts, START_KAPPA2 / 2.0, 1.0)
    now = mixed.Components(np.maximum(sigma2, mixed.noise_floor(data)), start)
    for _ in range(OUTER_ROUNDS):
        now = mixed.climb(data, parts * identified.column**2, open_parts, now)
        between = np.tensordot(now.kappa2, parts, axes=1)
        at = mixed.solve(data, now.sigma2, between * identified.column**2)
        new = np.where(estimated, np.maximum(np.abs(at.alpha / identified.column) ** 2, least), 0.0)
        moved = np.abs(new - size2).max(axis=0, initial=0.0)
        size2, largest = new, size2.max(axis=0, initial=0.0)
        if (moved <= OUTER_TOLERANCE * largest).all():
            break
        parts, open_parts = _parts(size2, given, groups, apart)
    error = mixed.components_error(data, parts * identified.column**2, open_parts, now)
    shares = np.array([_relative(each, size2, groups) for each in parts])  # of each part in the square of kappa
    kappa2_error = np.sqrt(np.maximum(np.einsum("ka,kl,la->a", shares, error, shares), 0.0))
    return _Components(between, now.sigma2, now.sigma2 * at.noise_trace, size2, kappa2_error)


def _parts(size2: Reals, given: Reals, groups: Counts, apart: bool) -> tuple[Reals, NDArray[np.bool_]]:
    """Return what the spread is made of, (K, C, A), and which parts are to be estimated, (K,).

    For every adjuster a part in proportion to the coefficient, and one that is the same in
    the whole group of cells: where the ways in which an adjuster shakes a place nearly
    cancel, its departures do not. Both are shared by all groups, as departures of one
    aircraft go together and a dozen jobs tell little more; `apart`: the second part is each
    group's own. One part, not estimated, is `given`.
    """
    even = []
    for g in np.unique(groups):
        live = (groups == g)[:, None] & (size2 > 0)
        even.append(np.where(live, (size2 * live).sum(axis=0) / np.maximum(live.sum(axis=0), 1), 0.0))
    if not apart:
        even = [np.sum(even, axis=0)]
    adjusters = np.eye(size2.shape[1])[:, None, :]
    parts = np.concatenate([given[None], adjusters * size2, *(adjusters * each for each in even)])
    estimated = np.ones(len(parts), dtype=bool)
    estimated[0] = False
    return parts, estimated


def _relative(between: Reals, size2: Reals, groups: Counts) -> Reals:
    """Return the mean-square spread of each adjuster relative to its coefficients, shape (A,)."""
    ratios = []
    for g in np.unique(groups):
        whole, size = between[groups == g].sum(axis=0), size2[groups == g].sum(axis=0)
        ratios.append(np.where(size > 0, whole / np.where(size > 0, size, 1.0), np.nan))
    finite = np.isfinite(ratios)
    return np.asarray(np.where(finite, ratios, 0.0).sum(axis=0) / np.maximum(finite.sum(axis=0), 1))


def _pooled_spread(of_history: Reals, prior: PriorKnowledge | None, free: NDArray[np.bool_], jobs: Counts) -> Reals:
    """Return the spread of history and prior together, (C, A).

    Each counts by its jobs less one, as variances of two samples are pooled.
    """
    history_weight = np.where(free, np.maximum(jobs - 1.0, 0.0), 0.0)
    if prior is None:
        return np.where(history_weight > 0, of_history, 0.0)
    prior_weight = np.where(prior.known & (prior.split | ~free), max(prior.jobs - 1.0, 1.0), 0.0)
    together = history_weight + prior_weight
    return (history_weight * of_history + prior_weight * prior.spread) / np.where(together > 0, together, 1.0)


@dataclass(frozen=True)
class _Means:
    """Coefficients of the cells, natural units; fields as in Estimate."""

    alpha: Matrix
    error: Matrix
    information: Matrix
    score: Matrix


def _means(cells: Sequence[CellStatistics], identified: Identification, sigma2: Reals, spread: Reals) -> _Means:
    """Return the coefficients at given noise (C,) and spread (C, A), cell by cell to save memory."""
    found = []
    for c, cell in enumerate(cells):
        one = slice(c, c + 1)
        column = identified.column[one]
        data = mixed.stack([cell], column, identified.null[one])
        floored = np.maximum(sigma2[one], mixed.noise_floor(data))
        found.append(mixed.solve_means(data, floored, spread[one] * column**2))
    column, pair = identified.column, identified.column[:, :, None] * identified.column[:, None, :]
    alpha, error, information, score = (np.concatenate(part) for part in zip(*found, strict=True))
    return _Means(alpha / column, error / pair, information * pair, score * column)


def _unexplained(total: Sequence[CellStatistics], alpha: Matrix) -> Reals:
    """Return the mean square that coefficients (C, A) leave of each cell, per degree of freedom."""
    mean = np.full(len(total), np.nan)
    for c, t in enumerate(total):
        if t.dof[0] > 0:
            _, squares = residual_sums(t.gram, t.moment, t.squares, alpha[c])
            mean[c] = max(float(squares[0]), 0.0) / t.dof[0]
    return mean
