"""Many small quadratics over boxes at once, with lower bounds that rounding cannot spoil.

The problems are ``min c + x'Gx + 2g'x`` over ``low <= x <= high`` for K supports of m
variables each. Arrays are laid out with the batch last, so that every numpy operation
runs along K contiguous numbers: matrices (m, m, K), vectors (m, K).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.search.choices import Choices

Reals = NDArray[np.float64]
Ints = NDArray[np.int_]

#: A pivot below this part of its diagonal is raised to it.
PIVOT_FLOOR = 1e-13
_WEAK_PIVOT = 1e-7  # a variable whose pivot is below this part of its diagonal hardly adds a direction
_ROUNDS = 10  # of the active-set iteration; what has not settled by then is still bounded


@dataclass(frozen=True)
class Batch:
    """K quadratics on supports of m variables.

    Parameters
    ----------
    quad : ndarray, shape (m, m, K)
    lin : ndarray, shape (m, K)
    inverse_diagonal : ndarray, shape (m, K)
        Diagonal of the inverse of each `quad`, of its floored factor where singular.
    weak : ndarray of bool, shape (m, K)
        Variables that (nearly) depend on those before them.
    free : ndarray, shape (m, K)
        The minimum without bounds.
    free_cost : ndarray, shape (K,)
        Cost there.
    support : ndarray of int, shape (m, K)
    choices : Choices or None
        Values that entries of the whole problem may take; None: any whole number.
    """

    quad: Reals
    lin: Reals
    inverse_diagonal: Reals
    weak: NDArray[np.bool_]
    free: Reals
    free_cost: Reals
    support: Ints
    choices: Choices | None = None

    def nearest(self, x: Reals, low: Reals, high: Reals, of: Ints | slice = slice(None)) -> Reals:
        """Return the nearest values to x, shape (m, K), that entries may take in [low, high]; `of`: some of the K."""
        if self.choices is None:
            return nearest_step(x, low, high)
        return self.choices.nearest(self.support[:, of], x, low, high)

    def take(self, chosen: NDArray[np.bool_] | Ints) -> Batch:
        """Return the quadratics that a mask, shape (K,), or an array of indices picks out."""
        return Batch(
            self.quad[:, :, chosen],
            self.lin[:, chosen],
            self.inverse_diagonal[:, chosen],
            self.weak[:, chosen],
            self.free[:, chosen],
            self.free_cost[chosen],
            self.support[:, chosen],
            self.choices,
        )


def gather(quad: Reals, lin: Reals, constant: float, support: Ints, choices: Choices | None = None) -> Batch:
    """Return the quadratics of K supports, factored and solved without bounds.

    Parameters
    ----------
    quad, lin, constant
        The whole problem, shapes (n, n), (n,) and scalar.
    support : ndarray of int, shape (m, K)
    choices : Choices, optional
        Values that the n entries may take.
    """
    sub = quad[support[:, None, :], support[None, :, :]]
    sub_lin = lin[support]
    lower, weak = _cholesky(sub)
    inverse = _triangular_inverse(lower)
    y = np.einsum("ijk,jk->ik", inverse, sub_lin)
    free = -np.einsum("jik,jk->ik", inverse, y)
    inverse_diagonal = np.einsum("jik,jik->ik", inverse, inverse)
    free_cost = constant - np.einsum("ik,ik->k", y, y)
    return Batch(sub, sub_lin, inverse_diagonal, weak, free, free_cost, support, choices)


def cost(batch: Batch, x: Reals, constant: float) -> Reals:
    """Return ``c + x'Gx + 2g'x`` for each x, shape (m, K) -> (K,)."""
    return constant + np.einsum("ik,ik->k", x, _times(batch.quad, x) + 2.0 * batch.lin)


def nearest_step(x: Reals, low: Reals, high: Reals) -> Reals:
    """Return the nearest whole number to x that lies in [low, high] and is not 0; all of one shape."""
    whole = np.rint(x)
    whole = np.where(whole == 0.0, np.copysign(1.0, x), whole)
    return np.clip(whole, low, high)


def solve_box(
    batch: Batch, low: Reals, high: Reals, constant: float, enough: float = np.inf
) -> tuple[Reals, Reals, Reals]:
    """Return the minimum of each quadratic over its box, its cost, and a bound for whole steps in the box.

    The active-set iteration is that of Hintermueller, Ito & Kunisch (2003, SIAM J. Optim.
    13:865, from memory). The bound does not rely on its having settled: for any x and y in
    the box, ``f(y) = f(x) + grad f(x)'(y - x) + (y - x)'G(y - x)``; the second term is
    minimised over the box exactly, and the third is at least ``d^2 / (G^-1)_jj`` where y_j
    must differ from x_j by d.

    Parameters
    ----------
    low, high : ndarray, shape (m, K)
        Values the entries may take: whole numbers, none of them 0.
    enough : float
        Quadratics bounded above this are not solved further.

    Returns
    -------
    x : ndarray, shape (m, K)
        Inside the box.
    value : ndarray, shape (K,)
        f(x).
    bound : ndarray, shape (K,)
        No whole point of the box without a 0 costs less.
    """
    x = batch.free.copy()
    pinned = low == high
    at_low, at_high = (x < low) | pinned, (x > high) & ~pinned
    bound = np.full(x.shape[1], -np.inf)
    todo = np.flatnonzero((at_low | at_high).any(axis=0))
    for _ in range(_ROUNDS):
        if todo.size == 0:
            break
        lo, hi, al, ah = low[:, todo], high[:, todo], at_low[:, todo], at_high[:, todo]
        quad, lin = batch.quad[:, :, todo], batch.lin[:, todo]
        xt = _solve_fixed(quad, lin, al | ah, np.where(al, lo, hi))
        slope = _times(quad, xt) + lin
        rests = (np.where(al, slope, 0.0) >= 0.0) & (np.where(ah, slope, 0.0) <= 0.0) | pinned[:, todo]
        miss = (xt - batch.nearest(xt, lo, hi, todo)) ** 2 / batch.inverse_diagonal[:, todo]
        below = constant + np.einsum("ik,ik->k", xt, slope + lin) + miss.max(axis=0)
        bound[todo] = np.where(rests.all(axis=0), np.maximum(bound[todo], below), bound[todo])
        scale = 1e-9 * (1.0 + np.abs(xt))
        new_low = np.where(al, slope > 0.0, xt < lo - scale) | pinned[:, todo]
        new_high = np.where(ah, slope < 0.0, xt > hi + scale) & ~pinned[:, todo]
        changed = ((new_low != al) | (new_high != ah)).any(axis=0)
        x[:, todo], at_low[:, todo], at_high[:, todo] = xt, new_low, new_high
        todo = todo[changed & (bound[todo] <= enough)]
    np.clip(x, low, high, out=x)
    half_slope = _times(batch.quad, x) + batch.lin
    value = constant + np.einsum("ik,ik->k", x, half_slope + batch.lin)
    gap = 2.0 * np.maximum(half_slope * (x - low), half_slope * (x - high)).sum(axis=0)
    miss = (x - batch.nearest(x, low, high)) ** 2 / batch.inverse_diagonal
    return x, value, np.maximum(bound, value - gap + miss.max(axis=0))


def follow(batch: Batch, coupling: Reals) -> Reals:
    """Return ``-G^-1 C``: how the minimum moves with e variables held outside, shape (m, e, K).

    `coupling` C is the block of G between the batch's variables and those held, (m, e, K).
    """
    lower, _ = _cholesky(batch.quad)
    return np.stack([-_back_solve(lower, coupling[:, j]) for j in range(coupling.shape[1])], axis=1)


def _times(quad: Reals, x: Reals) -> Reals:
    return np.einsum("ijk,jk->ik", quad, x)


def _solve_fixed(quad: Reals, lin: Reals, fixed: NDArray[np.bool_], at: Reals) -> Reals:
    """Return the minimum with some variables held at given values, shape (m, K)."""
    held = np.where(fixed, at, 0.0)
    right = np.where(fixed, at, -(lin + _times(quad, held)))
    free = ~fixed
    matrix = np.where(free[:, None, :] & free[None, :, :], quad, 0.0)
    for i in range(len(lin)):
        matrix[i, i] += fixed[i]
    lower, _ = _cholesky(matrix)
    return _back_solve(lower, right)


def _cholesky(matrix: Reals) -> tuple[Reals, NDArray[np.bool_]]:
    """Return lower factors, shape (m, m, K), and which pivots are weak, shape (m, K)."""
    m = len(matrix)
    lower = np.zeros_like(matrix)
    weak = np.zeros(matrix.shape[1:], dtype=bool)
    for j in range(m):
        column = matrix[j:, j]
        if j:
            column = column - np.einsum("iqk,qk->ik", lower[j:, :j], lower[j, :j])
        weak[j] = column[0] <= _WEAK_PIVOT * matrix[j, j] + 1e-300
        pivot = np.sqrt(np.maximum(column[0], PIVOT_FLOOR * matrix[j, j] + 1e-300))
        lower[j, j] = pivot
        if j + 1 < m:
            lower[j + 1 :, j] = column[1:] / pivot
    return lower, weak


def _triangular_inverse(lower: Reals) -> Reals:
    m = len(lower)
    inverse = np.zeros_like(lower)
    for i in range(m):
        inverse[i, i] = 1.0 / lower[i, i]
        if i:
            inverse[i, :i] = -np.einsum("qk,qjk->jk", lower[i, :i], inverse[:i, :i]) * inverse[i, i]
    return inverse


def _back_solve(lower: Reals, right: Reals) -> Reals:
    m = len(lower)
    x = right.copy()
    for i in range(m):
        if i:
            x[i] -= np.einsum("qk,qk->k", lower[i, :i], x[:i])
        x[i] /= lower[i, i]
    for i in reversed(range(m)):
        if i + 1 < m:
            x[i] -= np.einsum("qk,qk->k", lower[i + 1 :, i], x[i + 1 :])
        x[i] /= lower[i, i]
    return x
