"""The algebra of covariances and of mixed linear models, each formula once.

Complex numbers d as real ones: (re, im) of each in turn. They are circular if turning all of
them by one angle changes nothing: then ``K = E[d conj(d)']`` says all, and the covariance of
their parts is ``[[Re K, -Im K], [Im K, Re K]] / 2`` (Goodman 1963, Ann. Math. Stat. 34; from
memory). A matrix acts on the last axes of an array; axes before them (...) are cases side by side.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Complexes = NDArray[np.complex128]
#: Complex or real.
Matrix = NDArray[Any]

PSD_TOLERANCE = 1e-9  # of the largest variance: how far below 0 rounding may push an eigenvalue

# ---- complex numbers as pairs of real ones -----------------------------------------------


def real_parts(values: Matrix) -> Reals:
    """Return complex numbers, shape (..., A), as (re, im) of each in turn, shape (..., 2A)."""
    return np.stack([values.real, values.imag], axis=-1).reshape(*values.shape[:-1], 2 * values.shape[-1])


def from_real_parts(parts: Reals) -> Complexes:
    """Return the complex numbers, shape (..., A), of which `parts`, shape (..., 2A), holds (re, im) in turn."""
    return np.asarray(parts[..., 0::2] + 1j * parts[..., 1::2])


def real_map(matrix: Matrix) -> Reals:
    """Return a complex linear map, shape (..., M, N), as it acts on (re, im) of each number, shape (..., 2M, 2N).

    ``real_parts(m @ d) = real_map(m) @ real_parts(d)``: each entry z becomes ``[[Re z, -Im z], [Im z, Re z]]``.
    """
    rows, columns = matrix.shape[-2:]
    real = np.empty((*matrix.shape[:-2], 2 * rows, 2 * columns))
    real[..., 0::2, 0::2] = real[..., 1::2, 1::2] = matrix.real
    real[..., 1::2, 0::2] = matrix.imag
    real[..., 0::2, 1::2] = -matrix.imag
    return real


def circular_cov(cov: Matrix) -> Reals:
    """Return the covariance of (re, im), shape (..., 2A, 2A), of circular numbers with ``E[d conj(d)'] = cov``."""
    return 0.5 * real_map(cov)


def complex_cov(cov: Reals) -> Complexes:
    """Return ``E[d conj(d)']``, shape (..., A, A), of numbers whose (re, im) have the covariance (..., 2A, 2A)."""
    real = cov[..., 0::2, 0::2] + cov[..., 1::2, 1::2]
    imag = cov[..., 1::2, 0::2] - cov[..., 0::2, 1::2]
    return np.asarray(real + 1j * imag)


# ---- one covariance ----------------------------------------------------------------------


def hermitian_part(matrix: Matrix) -> Matrix:
    """Return ``(m + conj(m)') / 2``, shape (..., n, n): the matrix without the asymmetry that rounding leaves."""
    return np.asarray(0.5 * (matrix + matrix.conj().swapaxes(-1, -2)))


def add_to_diagonal(matrix: Matrix, values: Reals | float) -> Matrix:
    """Add values, shape (..., n) or one for all, to the diagonals of a matrix (..., n, n) in place, and return it."""
    index = np.arange(matrix.shape[-1])
    matrix[..., index, index] += values
    return matrix


def symmetric_root(cov: Reals) -> Reals:
    """Return the symmetric positive semidefinite R with ``R R = cov``, shape (..., n, n); cov may be singular."""
    values, vectors = np.linalg.eigh(cov)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]) @ vectors.swapaxes(-1, -2))


def scaled_to_unit(cov: Matrix) -> tuple[Matrix, Reals]:
    """Return a covariance, shape (..., n, n), divided to a unit diagonal, and what each row was divided by (..., n).

    A row without variance is divided by 1.
    """
    size = np.sqrt(np.maximum(np.einsum("...ii->...i", cov).real, 0.0))
    size = np.where(size > 0, size, 1.0)
    return cov / (size[..., :, None] * size[..., None, :]), size


def is_positive(cov: Reals) -> NDArray[np.bool_]:
    """Return whether symmetric matrices, shape (..., n, n), have no eigenvalue below 0, rounding aside; shape (...)."""
    largest = np.sqrt(np.abs(np.einsum("...ii->...i", cov))).max(axis=-1, initial=0.0)
    values = np.linalg.eigvalsh(cov / np.where(largest > 0.0, largest, 1.0)[..., None, None] ** 2)
    positive = values[..., 0] >= -PSD_TOLERANCE * np.maximum(values[..., -1], 1.0)
    return np.where(largest > 0.0, positive, ~cov.any(axis=(-2, -1)))


def pairs(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which entries of a matrix, shape (..., n, n), have row and column known, shape (..., n)."""
    return known[..., :, None] & known[..., None, :]


def of_both_parts(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what is known of complex numbers, shape (..., A), for (re, im) of each in turn, shape (..., 2A)."""
    return np.repeat(known, 2, axis=-1)


def squared_distance(miss: Reals, cov: Reals) -> float:
    """Return ``miss' cov^-1 miss`` (Mahalanobis), shapes (n,) and (n, n); nan if the covariance has no inverse."""
    if not np.linalg.det(cov) > 0.0:
        return float("nan")
    return float(miss @ np.linalg.solve(cov, miss))


# ---- about the mean ----------------------------------------------------------------------


def centring(size: int) -> Reals:
    """Return ``I - 1 1' / n``, shape (n, n), which takes the mean away."""
    return np.eye(size) - 1.0 / size


def contrasts(size: int) -> Reals:
    """Return Helmert's orthonormal rows, shape (n - 1, n), each of sum 0: ``H' H`` is `centring`.

    The same as scipy.linalg.helmert, which is not used as advice needs no part of scipy and starts sooner without.
    """
    rows = np.tril(np.ones((size - 1, size)))
    k = np.arange(1, size)
    rows[np.arange(size - 1), k] = -k
    return rows / np.sqrt(k * (k + 1.0))[:, None]


# ---- mixed linear models -----------------------------------------------------------------
#
# Of a job with columns X, readings y and weights w (a reading averaged n times has variance
# sigma2 / n), let M = X' w X (the gram), b = X' w y (the moment). With the job's own
# departures of covariance D, the readings have covariance V = X D X' + sigma2 w^-1, and
#
#     X' V^-1 = (sigma2 I + M D)^-1 X' w
#
# so that nothing larger than the number of columns is ever solved (Henderson and others 1959,
# Biometrics 15; the matrix inversion lemma of Woodbury 1950; from memory).


def mixed_matrix(gram: Matrix, spread: Reals, sigma2: Reals | float) -> Matrix:
    """Return ``sigma2 I + M D`` of J jobs in each case, shape (..., J, A, A); D is diagonal.

    Parameters
    ----------
    gram : ndarray, shape (..., J, A, A)
        M.
    spread : ndarray, shape (..., A)
        Diagonal of D: variances between jobs.
    sigma2 : ndarray, shape (...), or float
        Noise variance of one reading.
    """
    return add_to_diagonal(gram * spread[..., None, None, :], np.asarray(sigma2)[..., None, None])


def full_mixed_matrix(gram: Matrix, between: Matrix, sigma2: float) -> Matrix:
    """Return ``sigma2 I + M D``, shape (..., A, A), where D (..., A, A) is a whole covariance."""
    return add_to_diagonal(gram @ between, sigma2)


def mixed_sums(gram: Matrix, moment: Matrix, spread: Reals, sigma2: Reals | float) -> tuple[Matrix, Matrix]:
    """Return information ``X' V^-1 X`` (..., J, A, A) and score ``X' V^-1 y`` (..., J, A) of each job.

    Parameters
    ----------
    gram, spread, sigma2
        As in `mixed_matrix`.
    moment : ndarray, shape (..., J, A)
        b, or that of what some coefficients leave: then the score is that of the residuals.
    """
    both = np.concatenate([gram, moment[..., None]], axis=-1)
    solved = np.linalg.solve(mixed_matrix(gram, spread, sigma2), both)
    return solved[..., :-1], solved[..., -1]


def residual_sums(gram: Matrix, moment: Matrix, squares: Reals, alpha: Matrix) -> tuple[Matrix, Reals]:
    """Return the moment ``b - M a`` (..., A) and the squares ``y'y - a'(2 b - M a)`` (...) that coefficients leave.

    Parameters
    ----------
    gram, moment, squares : ndarray, shape (..., A, A), (..., A) and (...)
        M, b and y' w y.
    alpha : ndarray, shape (..., A)
        a; broadcast against the moment.
    """
    remaining = moment - np.einsum("...ab,...b->...a", gram, alpha)
    return remaining, squares - np.einsum("...a,...a->...", alpha.conj(), moment + remaining).real
