"""Every support of every size once, each with a lower bound of its cost, by shared Cholesky rows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.search import box_qp
from trackbal.search.additive_bounds import additive_bounds
from trackbal.search.box_qp import Reals
from trackbal.search.whole_steps import Best, Problem

_STATE_NUMBERS = 40_000_000  # numbers of one branch of the enumeration held at once

Supports = NDArray[np.int16]


def promising_supports(problem: Problem, bests: list[Best], first: int = 1) -> Iterator[tuple[Supports, Reals]]:
    """Yield (supports (m, K), bounds (K,)) for m = first ... len(bests) - 1, all that may hold the best plan.

    What is left out has a bound above ``bests[m].cost``, equal costs set aside.
    """
    if len(bests) > first:
        yield from _grow(_Wanted(problem, bests, first), {-1: _root(problem, len(bests))})


class _Wanted:
    """Which supports are worth going on with: the additive bounds against the best plans known.

    `first`: the smallest size of which plans are wanted.
    """

    def __init__(self, problem: Problem, bests: list[Best], first: int) -> None:
        self.problem = problem
        self.bests = bests
        self.first = first
        self.additive = additive_bounds(problem, len(bests) - 1)

    def worst(self, size: int) -> float:
        """Return the cost that a plan of this size may have at most."""
        return self.bests[size].cost + self.problem.tolerance

    def extensible(self, sums: Reals, last: int, size: int) -> NDArray[np.bool_]:
        """Return which supports of a size, given their sums (counts, K), may lead to a best plan of a larger one."""
        hopeful = np.zeros(sums.shape[1], dtype=bool)
        for m in range(max(size + 1, self.first), len(self.bests)):
            room = self.worst(m) - self.additive.constant[m] - self.additive.tail[m, m - size, last]
            hopeful |= sums[m] <= room
        return hopeful


@dataclass(frozen=True)
class _Level:
    """K supports of one size that end in the same variable, with what their supersets need.

    Columns are the variables after the last one. `support` (size, K); `sums` (counts, K) of
    the additive bounds' weights, for each count; `rows` (size, columns, K) Cholesky rows;
    `pivots` and `slopes` (columns, K) what is left of diag G and of g; `cost` (K,) the
    minimum over the support without bounds.
    """

    support: Supports
    sums: Reals
    rows: Reals
    pivots: Reals
    slopes: Reals
    cost: Reals


def _root(problem: Problem, counts: int) -> _Level:
    """Return the empty support."""
    return _Level(
        support=np.zeros((0, 1), dtype=np.int16),
        sums=np.zeros((counts, 1)),
        rows=np.zeros((0, problem.lin.size, 1)),
        pivots=np.diag(problem.quad)[:, None],
        slopes=problem.lin[:, None],
        cost=np.array([problem.constant]),
    )


def _grow(wanted: _Wanted, levels: dict[int, _Level]) -> Iterator[tuple[Supports, Reals]]:
    """Yield all larger supports (size, K) and bounds (K,) that do not pass the best of their size.

    `levels` holds supports of one size by their last variable.
    """
    size = next(iter(levels.values())).support.shape[0] + 1
    if size >= wanted.first:
        for last, level in levels.items():
            yield from _survivors(wanted, size, last, level)
    if size + 1 < len(wanted.bests):
        for piece in _pieces(levels):
            grown = _extend(wanted, piece, keep_rows=size + 2 < len(wanted.bests))
            if grown:
                yield from _grow(wanted, grown)


def _pivot_floor(problem: Problem) -> Reals:
    """Return what the pivot of each variable is raised to, shape (n,)."""
    return np.asarray(box_qp.PIVOT_FLOOR * np.diag(problem.quad) + 1e-300)


def _survivors(wanted: _Wanted, size: int, last: int, level: _Level) -> Iterator[tuple[Supports, Reals]]:
    """Yield the supports of `size`, one larger than those of a level, whose bounds may be passed by none better.

    Three bounds in turn: the additive one; the minimum over the support without bounds; and that
    plus what it costs to take the added variable to its nearest whole step that is allowed and
    not 0, the others following.
    """
    problem, additive, worst = wanted.problem, wanted.additive, wanted.worst(size)
    room = worst - additive.constant[size] - additive.weight[size, last + 1 :, None]
    pivots = np.maximum(level.pivots, _pivot_floor(problem)[last + 1 :, None])
    with np.errstate(over="ignore"):
        bound = level.cost - level.slopes**2 / pivots
    column, k = np.nonzero((bound <= worst) & (level.sums[size] <= room))
    if k.size == 0:
        return
    pivot, added = pivots[column, k], column + last + 1
    relaxed = -level.slopes[column, k] / pivot
    low, high = problem.box(added)
    bound = bound[column, k] + pivot * (relaxed - problem.nearest(added, relaxed, low, high)) ** 2
    kept = np.flatnonzero(bound <= worst)
    if kept.size:
        support = np.concatenate([level.support[:, k[kept]], added[None, kept].astype(np.int16)])
        if problem.allowed is not None:
            usable = problem.allowed(support)
            support, kept = support[:, usable], kept[usable]
        yield support, bound[kept]


def _pieces(levels: dict[int, _Level]) -> Iterator[dict[int, _Level]]:
    """Split supports so that extending each piece holds a bounded amount of numbers at once."""
    numbers = 0
    for level in levels.values():
        size, columns = level.support.shape[0] + 1, level.pivots.shape[0]
        numbers += level.cost.size * (size + 2) * columns * (columns - 1) // 2
    total = sum(level.cost.size for level in levels.values())
    if numbers <= _STATE_NUMBERS or total == 1:
        yield levels
    elif len(levels) > 1:
        for last, level in levels.items():
            yield from _pieces({last: level})
    else:
        ((last, level),) = levels.items()
        half = total // 2
        for part in (slice(None, half), slice(half, None)):
            piece = _Level(
                level.support[:, part],
                level.sums[:, part],
                level.rows[:, :, part],
                level.pivots[:, part],
                level.slopes[:, part],
                level.cost[part],
            )
            yield from _pieces({last: piece})


def _extend(wanted: _Wanted, levels: dict[int, _Level], *, keep_rows: bool) -> dict[int, _Level]:
    """Return the supports one larger, each by one more Cholesky row, by their last variable.

    Those that lead to no best plan are left out. Without `keep_rows` they cannot be extended again.
    """
    problem, weight = wanted.problem, wanted.additive.weight
    n = problem.lin.size
    size = next(iter(levels.values())).support.shape[0] + 1
    parents = _side_by_side(levels, n)
    lasts = np.repeat(list(levels), [level.cost.size for level in levels.values()])
    grown = {}
    for j in range(min(levels) + 1, n - 1):  # one that ends in the last variable has no supersets
        before = int(np.searchsorted(lasts, j))
        hopeful = wanted.extensible(parents.sums[:, :before] + weight[:, j, None], j, size)
        if hopeful.any():
            chosen = slice(before) if hopeful.all() else np.flatnonzero(hopeful)
            grown[j] = _one_larger(problem, parents, chosen, j, weight[:, j, None], keep_rows=keep_rows)
    return grown


def _side_by_side(levels: dict[int, _Level], n: int) -> _Level:
    """Return the supports of levels, which are in the order of their last variables, as one with a column for each.

    Columns up to the last variable of a support hold nothing.
    """
    parts = list(levels.values())
    kept, k = parts[0].rows.shape[0], sum(level.cost.size for level in parts)
    rows, pivots, slopes = np.empty((kept, n, k)), np.empty((n, k)), np.empty((n, k))
    end = 0
    for last, level in levels.items():
        at = slice(end, end := end + level.cost.size)
        rows[:, last + 1 :, at], pivots[last + 1 :, at], slopes[last + 1 :, at] = level.rows, level.pivots, level.slopes
    return _Level(
        support=np.concatenate([level.support for level in parts], axis=1),
        sums=np.concatenate([level.sums for level in parts], axis=1),
        rows=rows,
        pivots=pivots,
        slopes=slopes,
        cost=np.concatenate([level.cost for level in parts]),
    )


def _one_larger(
    problem: Problem, parents: _Level, chosen: slice | NDArray[np.intp], j: int, weight: Reals, *, keep_rows: bool
) -> _Level:
    """Return some of the supports of `_side_by_side`, all of which end before variable j, with that variable added.

    `weight`, (counts, 1): what it adds to the sums.
    """
    root = np.sqrt(np.maximum(parents.pivots[j, chosen], _pivot_floor(problem)[j]))
    rows = parents.rows[:, j:, chosen]
    row = (problem.quad[j, j + 1 :, None] - np.einsum("qk,qck->ck", rows[:, 0], rows[:, 1:])) / root
    y = parents.slopes[j, chosen] / root
    support = parents.support[:, chosen]
    return _Level(
        support=np.concatenate([support, np.full((1, root.size), j, dtype=np.int16)]),
        sums=parents.sums[:, chosen] + weight,
        rows=np.concatenate([rows[:, 1:], row[None]]) if keep_rows else rows[:0, 1:],
        pivots=parents.pivots[j + 1 :, chosen] - row**2,
        slopes=parents.slopes[j + 1 :, chosen] - row * y,
        cost=parents.cost[chosen] - y**2,
    )
