"""Lower bounds of the cost of any plan that add up entry by entry.

The cost f is convex, so that for any point p and its slope ``2u = 2(Gp + g)``

    f(x) >= f(p) + 2u'(x - p) >= f(p) - 2u'p + sum over the entries used of min(2 u_j low_j, 2 u_j high_j).

The point decides only how good the bound is. "At most m entries differ from 0" relaxes to an L1
constraint, ``sum |x_j| / range_j <= m`` with the range of the side that x_j is on, and the bound is
good where p is the minimum of the cost under it (the lasso: Tibshirani 1996, J. R. Stat. Soc. B 58;
from memory). Those minima are found as minima of the cost plus an L1 penalty, for many weights of
the penalty side by side, and for each count the best bound is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.search.box_qp import Reals
from trackbal.search.whole_steps import Problem

_PENALTIES = 32
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
    points = _penalised_minima(problem)
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


def _penalised_minima(problem: Problem) -> Reals:
    """Return the minima, shape (n, penalties), of the cost plus ``penalty * sum |x_j| / range_j`` within the bounds.

    By coordinate descent on all penalties side by side. It need not have converged: any point gives a bound.
    """
    low, high, lin = problem.low.astype(float), problem.high.astype(float), problem.lin
    dearest = 2.0 * np.max(np.maximum(-lin * high, -lin * low))  # above it, nothing changes
    penalty = 0.5 * max(dearest, 1e-300) * np.geomspace(1.0, 1e-3, _PENALTIES)
    diagonal = np.maximum(np.diag(problem.quad), 1e-300)
    x = np.zeros((lin.size, _PENALTIES))
    half_slope = np.repeat(lin[:, None], _PENALTIES, axis=1)
    with np.errstate(divide="ignore"):
        up, down = penalty / high[:, None], penalty / -low[:, None]  # inf where that side is shut
    for _ in range(_SWEEPS):
        for j in range(lin.size):
            pull = diagonal[j] * x[j] - half_slope[j]
            new = (np.maximum(pull - up[j], 0.0) + np.minimum(pull + down[j], 0.0)) / diagonal[j]
            new = np.minimum(np.maximum(new, low[j]), high[j])
            half_slope += problem.quad[:, j : j + 1] * (new - x[j])
            x[j] = new
    return x
