"""Variance components: noise of a reading and spread between aircraft, by REML.

Within a cell (one reading; see job_statistics), for job j, ~ centred within the job,

    y~[j] = Z~[j] (alpha + u[j]) + noise,   E|u[a]|^2 = D[a],   E|noise|^2 = sigma2 / weight

complex circular for vibration, real for heights. sigma2 belongs to the cell; D is made of
parts that cells share, as ten jobs cannot tell a spread for every reading (estimate.py).
With D as a diagonal matrix and the sums gram M, moment b of a job,

    G = (sigma2 I + M D)^-1,  W = G M,  K = (sum_j W)^-1,  alpha = K sum_j G b,  K the error of alpha

(Henderson and others 1959, Biometrics 15; Harville 1977, J. Am. Stat. Assoc. 72). The restricted
likelihood is climbed by Fisher's scoring steps (Jennrich and Sampson 1976, Technometrics 18),
no variance below 0, each halved until it does not lower the likelihood. (References from memory.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.base.covariance import Matrix, mixed_matrix, mixed_sums, residual_sums, scaled_to_unit
from trackbal.estimate.job_statistics import CellStatistics
from trackbal.runs.run import Reals

TOLERANCE = 1e-9  # of the log-likelihood: a step that promises less is not taken
MOST_STEPS = 100
MOST_HALVINGS = 20
RIDGE = 1e-10  # of the largest information: parts that the runs cannot tell apart stay solvable
MOST_NOISE_STEPS, NOISE_SETTLED = 20, 0.05  # towards a noise at a given spread, and the part of it that is near enough
MOST_EXCHANGES, ROUNDING = (
    30,
    1e-13,
)  # of entries held at 0; a pull below this part of the largest there could be is none
LEAST_DOF = 1e-3  # of the noise in a cell; with less it stays as it is
NOISE_FLOOR = 1e-8  # of the mean square of a reading's changes: with less the sums are lost in rounding


@dataclass(frozen=True)
class Stack:
    """Statistics of C cells and J jobs side by side, adjusters scaled to unit total gram.

    Parameters
    ----------
    gram : ndarray, shape (C, J, A, A)
    moment : ndarray, shape (C, J, A)
    squares, dof : ndarray, shape (C, J)
    repeat_squares, repeat_dof : ndarray, shape (C,)
    column : ndarray, shape (C, A)
        What the adjusters were divided by: a coefficient is the scaled one over `column`.
    null : ndarray, shape (C, A, A)
        Orthogonal projector on what the runs cannot tell, in scaled adjusters.
    """

    gram: Matrix
    moment: Matrix
    squares: Reals
    dof: Reals
    repeat_squares: Reals
    repeat_dof: Reals
    column: Reals
    null: Matrix

    @property
    def rank(self) -> Reals:
        """Coefficients (combinations) the runs can tell, shape (C,)."""
        return self.null.shape[-1] - np.einsum("caa->c", self.null).real.round()


@dataclass(frozen=True)
class Components:
    """Variance components: `sigma2` shape (C,), `kappa2` shape (K,), what each part of the spread counts for."""

    sigma2: Reals
    kappa2: Reals


@dataclass(frozen=True)
class Solution:
    """Generalised least squares at given variances; scaled adjusters.

    Parameters
    ----------
    alpha : ndarray, shape (C, A)
    error : ndarray, shape (C, A, A)
        K: ``E[(a - alpha) conj(a - alpha)']``; 0 in what the runs cannot tell.
    information, score : ndarray, shape (C, A, A) and (C, A)
        ``sum_j W`` and ``sum_j G b``.
    score_squares : ndarray, shape (C, A)
        ``sum_j |w|^2``, w = G (b - M alpha).
    score_trace : ndarray, shape (C, A)
        What `score_squares` would be on average.
    noise_squares, noise_trace : ndarray, shape (C,)
        ``r' V^-2 r`` and the trace of the projected inverse it would be on average.
    likelihood : float
        Restricted log-likelihood, without constants (complex: natural units; real: twice).
    g, w : ndarray, shape (C, J, A, A)
        G and W of each job.
    """

    alpha: Matrix
    error: Matrix
    information: Matrix
    score: Matrix
    score_squares: Reals
    score_trace: Reals
    noise_squares: Reals
    noise_trace: Reals
    likelihood: float
    g: Matrix
    w: Matrix


def stack(cells: Sequence[CellStatistics], column: Reals, null: Matrix) -> Stack:
    """Return cells side by side; `column` (C, A) and `null` (C, A, A) as in Stack."""
    gram = np.stack([c.gram for c in cells])
    gram = gram / (column[:, None, :, None] * column[:, None, None, :])
    return Stack(
        gram,
        np.stack([c.moment for c in cells]) / column[:, None, :],
        np.stack([c.squares for c in cells]),
        np.stack([c.dof for c in cells]),
        np.array([c.repeat_squares for c in cells]),
        np.array([c.repeat_dof for c in cells]),
        column,
        null,
    )


def restricted_inverse(information: Matrix, null: Matrix) -> tuple[Matrix, Reals]:
    """Return the inverse on what `null` leaves, 0 on `null`, and the log-determinant there; both (C, ...)."""
    size = np.maximum(np.einsum("caa->c", information).real, np.finfo(float).tiny)
    keep = np.eye(null.shape[-1]) - null
    filled = keep @ information @ keep + size[:, None, None] * null
    inverse: Matrix = keep @ np.linalg.inv(filled) @ keep
    lost = np.einsum("caa->c", null).real.round()
    return inverse, np.linalg.slogdet(filled)[1] - lost * np.log(size)


def solve(data: Stack, sigma2: Reals, spread: Reals) -> Solution:
    """Return the generalised least squares solution.

    Parameters
    ----------
    data : Stack
    sigma2 : ndarray, shape (C,)
        Noise variance of a single reading, positive.
    spread : ndarray, shape (C, A)
        D: spread between aircraft of the scaled coefficients, E|u|^2.
    """
    adjusters = data.gram.shape[-1]
    gram, noise = data.gram, sigma2[:, None]
    inner = mixed_matrix(gram, spread, sigma2)
    g = np.linalg.inv(inner)
    w = g @ gram
    information = w.sum(axis=1)
    error, log_information = restricted_inverse(information, data.null)
    score = np.einsum("cjab,cjb->ca", g, data.moment)
    alpha = np.einsum("cab,cb->ca", error, score)

    remaining, raw = residual_sums(gram, data.moment, data.squares, alpha[:, None])
    residual_score = np.einsum("cjab,cjb->cja", g, remaining)  # X' V^-1 r
    moved = spread[:, None, :] * residual_score
    overlap = np.einsum("cja,cja->cj", moved.conj(), remaining).real
    twice = np.einsum("cja,cjab,cjb->cj", moved.conj(), gram, moved).real

    carried = w @ error[:, None]
    w_diagonal = np.einsum("cjaa->cja", w).real
    score_trace = (w_diagonal - np.einsum("cjab,cjba->cja", carried, w).real).sum(axis=1)
    whole_trace = (data.dof - np.einsum("ca,cja->cj", spread, w_diagonal)) / noise
    lost_trace = np.einsum("cjab,cab->cj", w @ g.conj().swapaxes(-1, -2), error.swapaxes(-1, -2)).real
    log_inner = np.linalg.slogdet(inner)[1]
    per_cell = (
        -((data.dof - adjusters) * np.log(noise) + log_inner).sum(axis=1)
        - log_information
        - ((raw - overlap) / noise).sum(axis=1)
        - data.repeat_dof * np.log(sigma2)
        - data.repeat_squares / sigma2
    )
    return Solution(
        alpha=alpha,
        error=error,
        information=information,
        score=score,
        score_squares=(np.abs(residual_score) ** 2).sum(axis=1),
        score_trace=score_trace,
        noise_squares=((raw - 2 * overlap + twice).sum(axis=1) + data.repeat_squares) / sigma2**2,
        noise_trace=(whole_trace - lost_trace).sum(axis=1) + data.repeat_dof / sigma2,
        likelihood=float(per_cell.sum()),
        g=g,
        w=w,
    )


def solve_means(data: Stack, sigma2: Reals, spread: Reals) -> tuple[Matrix, Matrix, Matrix, Matrix]:
    """Return alpha, error, information and score of `solve` alone; parameters as there."""
    if spread.any():
        of_jobs = mixed_sums(data.gram, data.moment, spread, sigma2)
        information, score = of_jobs[0].sum(axis=1), of_jobs[1].sum(axis=1)
    else:
        information = data.gram.sum(axis=1) / sigma2[:, None, None]
        score = data.moment.sum(axis=1) / sigma2[:, None]
    error, _ = restricted_inverse(information, data.null)
    return np.einsum("cab,cb->ca", error, score), error, information, score


def scores(data: Stack, sigma2: Reals, spread: Reals, alpha: Matrix) -> tuple[Matrix, Matrix]:
    """Return ``X'V^-1 r`` (C, J, A) and ``X'V^-1 X`` (C, J, A, A), r what alpha (C, A) leaves; else as in `solve`."""
    remaining = data.moment - np.einsum("cjab,cb->cja", data.gram, alpha)
    information, score = mixed_sums(data.gram, remaining, spread, sigma2)
    return score, information


def noise_floor(data: Stack) -> Reals:
    """Return the least sigma2 the equations are solved with, shape (C,), positive."""
    dof = np.maximum(data.dof.sum(axis=1) + data.repeat_dof, 1.0)
    floor = NOISE_FLOOR * (data.squares.sum(axis=1) + data.repeat_squares) / dof
    return np.maximum(floor, 1e-30)


def plain_noise(data: Stack) -> tuple[Reals, Reals]:
    """Return sigma2 and its degrees of freedom, both (C,), as plain least squares has them."""
    ones = np.ones(len(data.gram))
    flat = solve(data, ones, np.zeros_like(data.column))
    squares = np.maximum(flat.noise_squares, 0.0)
    dof = data.dof.sum(axis=1) + data.repeat_dof - data.rank
    return np.where(dof > 0.5, squares / np.maximum(dof, 1.0), 0.0), dof


def noise_at(data: Stack, spread: Reals, start: Reals) -> Reals:
    """Return the REML estimate of the noise, shape (C,), at a spread that is given: each cell by itself.

    Parameters
    ----------
    data : Stack
    spread : ndarray, shape (C, A)
        D of the scaled coefficients.
    start : ndarray, shape (C,)
    """
    least = noise_floor(data)
    sigma2 = np.maximum(start, least)
    for _ in range(MOST_NOISE_STEPS):
        at = solve(data, sigma2, spread)
        information = _noise_information(data, sigma2, at)
        estimable = at.noise_trace * sigma2 > LEAST_DOF
        step = np.where(estimable, (at.noise_squares - at.noise_trace) / np.where(estimable, information, 1.0), 0.0)
        moved = np.maximum(np.clip(sigma2 + step, 0.1 * sigma2, 10.0 * sigma2), least)
        settled = np.abs(moved - sigma2) <= NOISE_SETTLED * sigma2
        sigma2 = moved
        if settled.all():
            break
    return sigma2


def climb(data: Stack, parts: Reals, free: NDArray[np.bool_], start: Components) -> Components:
    """Return the REML estimate of noise and spread.

    Parameters
    ----------
    data : Stack
    parts : ndarray, shape (K, C, A)
        The spread of the scaled coefficients is ``sum_k kappa2[k] parts[k]``.
    free : ndarray of bool, shape (K,)
        Parts whose kappa2 is estimated; the others keep the start's.
    start : Components
    """
    cells = len(data.gram)
    least = np.concatenate([noise_floor(data), np.zeros(len(parts))])
    theta = np.maximum(np.concatenate([start.sigma2, start.kappa2]), least)
    here = _solved(data, parts, theta)
    for _ in range(MOST_STEPS):
        gradient, information = _gradient(data, parts, theta, here)
        estimable = np.concatenate([here.noise_trace * theta[:cells] > LEAST_DOF, free])
        estimable[cells:] &= information.diagonal()[cells:] > 0
        step, promised = scoring_step(gradient, information, estimable, theta - least)
        if promised < TOLERANCE:
            break
        for _ in range(MOST_HALVINGS):
            moved = np.maximum(theta + step, least)
            there = _solved(data, parts, moved)
            if there.likelihood >= here.likelihood:
                break
            step = step / 2.0
        else:
            break
        theta, here = moved, there
    return Components(theta[:cells], theta[cells:])


def components_error(data: Stack, parts: Reals, free: NDArray[np.bool_], at: Components) -> Reals:
    """Return the covariance of the estimated kappa2, (K, K), from their expected information; 0 of those not free."""
    cells, found = len(data.gram), np.zeros((len(parts), len(parts)))
    theta = np.concatenate([at.sigma2, at.kappa2])
    _, information = _gradient(data, parts, theta, _solved(data, parts, theta))
    estimable = np.concatenate([np.ones(cells, dtype=bool), free]) & (information.diagonal() > 0)
    scaled, size = scaled_to_unit(information[np.ix_(estimable, estimable)])
    cov = np.linalg.pinv(scaled, rcond=RIDGE, hermitian=True) / (size[:, None] * size)
    chosen = np.flatnonzero(estimable[cells:])
    found[np.ix_(chosen, chosen)] = cov[-len(chosen) :, -len(chosen) :] if len(chosen) else 0.0
    return found


def _solved(data: Stack, parts: Reals, theta: Reals) -> Solution:
    cells = len(data.gram)
    return solve(data, theta[:cells], np.tensordot(theta[cells:], parts, axes=1))


def _gradient(data: Stack, parts: Reals, theta: Reals, at: Solution) -> tuple[Reals, Reals]:
    """Return the slope of the restricted likelihood by each variance, and its information.

    The slope is exact. Of the information, ``tr V^-1 V'[k] V^-1 V'[l]``, what fitting the
    coefficients takes off is left out: it only makes steps a little shorter.
    """
    cells = len(data.column)
    sigma2, g, w = theta[:cells], at.g, at.w
    squared = np.einsum("cjab,cjab->cab", w.conj(), w).real
    twice = np.einsum("cjab,cjab->ca", w, g.conj()).real
    information = np.zeros((len(theta), len(theta)))
    information[:cells, :cells] = np.diag(_noise_information(data, sigma2, at))
    information[:cells, cells:] = np.einsum("kca,ca->ck", parts, twice)
    information[cells:, :cells] = information[:cells, cells:].T
    information[cells:, cells:] = np.einsum("kca,cab,lcb->kl", parts, squared, parts, optimize=True)
    slope = np.tensordot(parts, at.score_squares - at.score_trace, axes=2)
    return np.concatenate([at.noise_squares - at.noise_trace, slope]), information


def _noise_information(data: Stack, sigma2: Reals, at: Solution) -> Reals:
    """Return ``tr V^-2`` of each cell, shape (C,): the information on its noise."""
    alone = (data.dof - data.column.shape[1]).sum(axis=1) + data.repeat_dof  # the spread takes A directions of each job
    return np.asarray(np.einsum("cjab,cjba->c", at.g, at.g).real + alone / sigma2**2)


def slope_of_loads(loads: Sequence[Reals], inverse: Reals, weighed: Reals) -> tuple[Reals, Reals]:
    """Return the slope of twice the log-likelihood by each of K variances, (K,), and its information, (K, K).

    Variance k adds ``load[k] @ load[k].T`` to the covariance V of D readings.

    Parameters
    ----------
    loads : sequence of ndarray, shape (D, any)
    inverse, weighed : ndarray, shape (D, D) and (D,)
        V^-1, and V^-1 times what the readings miss their mean by.
    """
    of = np.repeat(np.eye(len(loads)), [load.shape[1] for load in loads], axis=0)  # which columns are whose
    together = np.concatenate(loads, axis=1)
    inward = together.T @ inverse @ together
    slope = ((together.T @ weighed) ** 2 - inward.diagonal()) @ of
    return slope, of.T @ inward**2 @ of


def scoring_step(gradient: Reals, information: Reals, estimable: NDArray[np.bool_], room: Reals) -> tuple[Reals, float]:
    """Return the step, shape (T,), that promises the largest gain of a likelihood of T variances, and the gain.

    ``gradient' d - d' information d / 2`` is greatest under ``d >= -room``, over the variances that are
    `estimable`; the others do not move. Slope and room have the shape (T,), the information (T, T).
    """
    step = np.zeros(len(gradient))
    if not estimable.any():
        return step, 0.0
    slope, whole, slack = gradient[estimable], information[np.ix_(estimable, estimable)], room[estimable]
    scaled, scale = scaled_to_unit(whole)
    size, axes = np.linalg.eigh(scaled)
    size = np.maximum(size, RIDGE * size[-1])
    root = np.sqrt(size)[:, None] * axes.T
    aim = axes.T @ (slope / scale) / np.sqrt(size) + root @ (slack * scale)
    step[estimable] = (nonnegative_least_squares(root, aim) - slack * scale) / scale
    moved = step[estimable]
    return step, float(slope @ moved - moved @ whole @ moved / 2.0)


def nonnegative_least_squares(matrix: Reals, target: Reals) -> Reals:
    """Return the x >= 0, shape (n,), that brings ``matrix @ x`` nearest to the target; `matrix` has full column rank.

    Entries that would fall below 0 are held there, and let go if that brings x nearer, all at once in each round
    (Portugal, Judice & Vicente 1994, Math. Comput. 63:625, from memory). Where that has not settled, as it need not,
    scipy does it; not always, as scipy.optimize takes longer to import than a small history to fit.
    """
    free = np.ones(matrix.shape[1], dtype=bool)
    least = ROUNDING * np.linalg.norm(matrix, axis=0) * np.linalg.norm(target)
    for _ in range(MOST_EXCHANGES):
        x = np.zeros(free.size)
        x[free] = np.linalg.lstsq(matrix[:, free], target, rcond=None)[0]
        pull = matrix.T @ (target - matrix @ x)
        change = np.where(free, x < 0.0, pull > least)
        if not change.any():
            return x
        free ^= change
    from scipy.optimize import nnls

    return np.asarray(nnls(matrix, target)[0])
