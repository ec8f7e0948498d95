"""Lower bounds of the cost of any plan that add up entry by entry.

The cost f is convex, so that for any point p and its slope ``2u = 2(Gp + g)``

    f(x) >= f(p) + 2u'(x - p) >= f(p) - 2u'p + sum over the entries used of min(2 u_j low_j, 2 u_j high_j).

The point decides only how good the bound is. It is good where p is the minimum of the
cost within the bounds and within a total of m, each change counted as the part it takes of its range:
the relaxation of "at most m entries". Those minima are found for many prices of that total
at once, and for each count the best is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.search.box_qp import Reals
from trackbal.search.whole_steps import Problem

_PRICES = 32
_SWEEPS = 40


@dataclass(frozen=True)
class AdditiveBounds:
    """For each count m: no plan on the support T of size m costs less than ``constant[m] + sum weight[m, T]``.

    Parameters
    ----------
    constant : ndarray, shape (most + 1,)
    weight : ndarray, shape (most + 1, n)
        Not above 0.
    tail : ndarray, shape (most + 1, most + 1, n)
        ``tail[m, q, j]``: sum of the q lowest of weight[m] after entry j; inf where there are fewer.
    """

    constant: Reals
    weight: Reals
    tail: Reals


def additive_bounds(problem: Problem, most: int) -> AdditiveBounds:
    """Return additive bounds for each count 0 ... `most`."""
    points = _priced_minima(problem)
    half_slope = problem.quad @ points + problem.lin[:, None]
    value = problem.constant + np.einsum("jp,jp->p", points, half_slope + problem.lin[:, None])
    constants = value - 2.0 * np.einsum("jp,jp->p", half_slope, points)
    weights = 2.0 * np.minimum(half_slope * problem.low[:, None], half_slope * problem.high[:, None])
    lowest_first = np.cumsum(np.sort(weights, axis=0), axis=0)
    reached = np.concatenate([constants[None], constants + lowest_first[:most]])
    chosen = reached.argmax(axis=1)
    weight = weights[:, chosen].T
    return AdditiveBounds(constants[chosen], weight, _tails(weight, most))


def _tails(weight: Reals, most: int) -> Reals:
    counts, n = weight.shape
    tail = np.full((counts, most + 1, n), np.inf)
    tail[:, 0] = 0.0
    for j in range(n - 1):
        after = np.cumsum(np.sort(weight[:, j + 1 :], axis=1)[:, :most], axis=1)
        tail[:, 1 : after.shape[1] + 1, j] = after
    return tail


def _priced_minima(problem: Problem) -> Reals:
    """Return, shape (n, prices), minima of the cost plus a price times the part of the range that each change takes.

    By coordinate descent, the prices side by side; it need not have settled.
    """
    low, high, lin = problem.low.astype(float), problem.high.astype(float), problem.lin
    dearest = 2.0 * np.max(np.maximum(-lin * high, -lin * low))  # above it, nothing changes
    price = 0.5 * max(dearest, 1e-300) * np.geomspace(1.0, 1e-3, _PRICES)
    diagonal = np.maximum(np.diag(problem.quad), 1e-300)
    x = np.zeros((lin.size, _PRICES))
    half_slope = np.repeat(lin[:, None], _PRICES, axis=1)
    with np.errstate(divide="ignore"):
        up, down = price / high[:, None], price / -low[:, None]  # inf where that side is shut
    for _ in range(_SWEEPS):
        for j in range(lin.size):
            pull = diagonal[j] * x[j] - half_slope[j]
            new = (np.maximum(pull - up[j], 0.0) + np.minimum(pull + down[j], 0.0)) / diagonal[j]
            new = np.minimum(np.maximum(new, low[j]), high[j])
            half_slope += problem.quad[:, j : j + 1] * (new - x[j])
            x[j] = new
    return x
