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


def _floored(problem: Problem, last: int, level: _Level) -> Reals:
    floor = box_qp.PIVOT_FLOOR * np.diag(problem.quad)[last + 1 :, None] + 1e-300
    return np.maximum(level.pivots, floor)


def _survivors(wanted: _Wanted, size: int, last: int, level: _Level) -> Iterator[tuple[Supports, Reals]]:
    """Yield the supports of `size`, one larger than those of a level, whose bounds may be passed by none better.

    Three bounds in turn: the additive one; the minimum over the support without bounds; and that
    plus what it costs to take the added variable to its nearest whole step that is allowed and
    not 0, the others following.
    """
    problem, additive, worst = wanted.problem, wanted.additive, wanted.worst(size)
    room = worst - additive.constant[size] - additive.weight[size, last + 1 :, None]
    pivots = _floored(problem, last, level)
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
    floored = {last: _floored(problem, last, level) for last, level in levels.items()}
    grown = {}
    for j in range(min(levels) + 1, n - 1):  # one that ends in the last variable has no supersets
        parents = []
        for last, level in levels.items():
            if last < j:
                hopeful = wanted.extensible(level.sums + weight[:, j, None], j, size)
                chosen = slice(None) if hopeful.all() else np.flatnonzero(hopeful)
                parents.append((last, level, chosen, int(np.count_nonzero(hopeful))))
        count = sum(taken for *_, taken in parents)
        if count:
            new = _empty(len(wanted.bests), size, n - 1 - j, count, keep_rows=keep_rows)
            end = 0
            for last, level, chosen, taken in parents:
                if taken:
                    part = slice(end, end := end + taken)
                    _fill(problem, new, part, level, chosen, j - last - 1, floored[last], j)
            new.support[size - 1] = j
            new.sums[:] += weight[:, j, None]
            grown[j] = new
    return grown


def _empty(counts: int, size: int, columns: int, k: int, *, keep_rows: bool) -> _Level:
    return _Level(
        support=np.empty((size, k), dtype=np.int16),
        sums=np.empty((counts, k)),
        rows=np.empty((size if keep_rows else 0, columns, k)),
        pivots=np.empty((columns, k)),
        slopes=np.empty((columns, k)),
        cost=np.empty(k),
    )


def _fill(
    problem: Problem,
    new: _Level,
    part: slice,
    parent: _Level,
    chosen: slice | NDArray[np.intp],
    at: int,
    pivots: Reals,
    j: int,
) -> None:
    """Write the chosen supports of a parent, extended by variable j (its column `at`), into a part of a level."""
    size = parent.support.shape[0]
    rows = parent.rows[:, at:, chosen]
    root = np.sqrt(pivots[at, chosen])
    row = (problem.quad[j, j + 1 :, None] - np.einsum("qk,qck->ck", rows[:, 0], rows[:, 1:])) / root
    y = parent.slopes[at, chosen] / root
    new.support[:size, part] = parent.support[:, chosen]
    new.sums[:, part] = parent.sums[:, chosen]
    if len(new.rows):
        new.rows[:size, :, part] = rows[:, 1:]
        new.rows[size, :, part] = row
    np.subtract(parent.pivots[at + 1 :, chosen], row**2, out=new.pivots[:, part])
    np.subtract(parent.slopes[at + 1 :, chosen], row * y, out=new.slopes[:, part])
    new.cost[part] = parent.cost[chosen] - y**2
