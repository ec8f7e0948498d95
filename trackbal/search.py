"""The fewest whole-step changes: for each count, the proven minimum of a quadratic.

    minimise  c + x'Gx + 2g'x   over whole x, low <= x <= high, at most m entries not zero

for m = 0, 1, ... M. Pure arrays in, arrays out. Why the answer is the optimum is said in
docs/method.md; in short: every support of every count is met once. Its minimum without
bounds is a lower bound, and comes nearly free because supports share their Cholesky rows.
A support survives only if that bound, raised for the whole steps and the bounds of its
variables, does not pass the best plan known; what survives goes through branch and bound
with the box in the bound.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from trackbal import box_qp
from trackbal.box_qp import Batch, Ints, Reals, nearest_step

_THREADS = 2  # numpy leaves the interpreter free while it computes
_CHUNK = 4096  # supports handled by one set of array operations: they stay in the cache
_STATE_NUMBERS = 40_000_000  # numbers of one branch of the enumeration held at once
_SAME = 1e-9  # costs closer than this part of (1 + |c|) are equal
_COMBINATIONS_PER_NODE = 32  # a combination of weak variables costs this much less than a node
_WHOLE = 1e-6  # a relaxed value this near to a whole step is whole


@dataclass(frozen=True)
class Solution:
    """The best x with at most `count_limit` entries not zero.

    Parameters
    ----------
    x : ndarray of int, shape (n,)
    cost : float
        ``c + x'Gx + 2g'x`` at x.
    proven : bool
        False only where `most_nodes` was hit.
    """

    count_limit: int
    x: Ints
    cost: float
    proven: bool


def search(
    quad: Reals,
    lin: Reals,
    constant: float,
    low: Ints,
    high: Ints,
    group: Ints,
    most: int,
    *,
    most_nodes: int = 3_000_000,
) -> list[Solution]:
    """Return the proven best plan of at most m entries for each m = 0 ... `most`.

    Parameters
    ----------
    quad : ndarray, shape (n, n)
        Symmetric positive semidefinite G, per step squared.
    lin : ndarray, shape (n,)
        g; in the range of G.
    constant : float
        c.
    low, high : ndarray of int, shape (n,)
        Bounds in steps; low <= 0 <= high.
    group : ndarray of int, shape (n,)
        Entries of one group are one adjuster on different blades; of plans with equal
        cost that with fewer entries wins, then the smaller mean change (summed over
        the groups), then the smaller total of steps, then the earlier entries.
    most : int
        Largest count.
    most_nodes : int
        Branch-and-bound nodes per count after which the search gives up proving: some ten
        seconds. Met only by problems in which many entries act alike (docs/method.md).

    Returns
    -------
    list of Solution, length most + 1

    Raises
    ------
    ValueError
        If a bound excludes 0.
    """
    if (low > 0).any() or (high < 0).any():
        raise ValueError("every bound must contain 0: low <= 0 <= high")
    movable = np.flatnonzero((high > 0) | (low < 0))
    problem = _Problem(quad[np.ix_(movable, movable)], lin[movable], constant, low[movable], high[movable])
    ladder = _ladder(problem, group[movable], min(most, movable.size), most_nodes)
    ladder += [(ladder[-1][0], ladder[-1][1])] * (most + 1 - len(ladder))
    solutions = []
    for m, (x, proven) in enumerate(ladder):
        whole = np.zeros(quad.shape[0], dtype=int)
        whole[movable] = x
        solutions.append(Solution(m, whole, problem.cost(x), proven))
    return solutions


@dataclass(frozen=True)
class _Problem:
    quad: Reals
    lin: Reals
    constant: float
    low: Ints
    high: Ints

    @property
    def tolerance(self) -> float:
        return _SAME * (1.0 + abs(self.constant))

    def cost(self, x: Ints) -> float:
        return float(self.constant + x @ (self.quad @ x) + 2.0 * (self.lin @ x))

    def box(self, support: Ints) -> tuple[Reals, Reals]:
        """Return the box of a support whose entries are not zero: a side that is 0 moves to one step."""
        low, high = self.low[support].astype(float), self.high[support].astype(float)
        return np.where(low == 0.0, 1.0, low), np.where(high == 0.0, -1.0, high)

    def slack(self, support: Ints) -> float:
        """Return how far floored pivots may have raised the bound of a singular support."""
        reach = np.maximum(np.abs(self.low), self.high)
        return float(len(support) * box_qp.PIVOT_FLOOR * (np.diag(self.quad) * reach**2).max())


class _Best:
    """The best plan known for one count, ties decided by fewer, then smaller changes."""

    def __init__(self, problem: _Problem, group: Ints, x: Ints, nodes_left: int = 0) -> None:
        self._problem = problem
        self._group = group
        self._lock = Lock()
        self.nodes_left = nodes_left
        self.x = x
        self.cost = problem.cost(x)
        self.key = self._key(x)

    def _key(self, x: Ints) -> tuple[int | float, ...]:
        mean = np.abs(np.bincount(self._group, weights=x)).sum()
        return (np.count_nonzero(x), mean, np.abs(x).sum(), *(-np.abs(x)), *(-x))

    def offer(self, x: Ints) -> None:
        """Take x if it is better."""
        cost, key = self._problem.cost(x), self._key(x)
        with self._lock:
            equal = abs(cost - self.cost) <= self._problem.tolerance
            if key < self.key if equal else cost < self.cost:
                self.x, self.cost, self.key = x, cost, key

    def offer_batch(self, support: Ints, x: Reals, costs: Reals, most: int = 64) -> None:
        """Take the best of many x on supports, shapes (m, K)."""
        near = np.flatnonzero(costs <= min(self.cost, costs.min()) + self._problem.tolerance)
        for k in near[np.argsort(costs[near], kind="stable")][:most]:
            full = np.zeros(self._problem.lin.size, dtype=int)
            full[support[:, k]] = np.rint(x[:, k]).astype(int)
            self.offer(full)


def _ladder(problem: _Problem, group: Ints, most: int, most_nodes: int) -> list[tuple[Ints, bool]]:
    """Return (x, proven) for each count 0 ... most."""
    bests = [_Best(problem, group, np.zeros(problem.lin.size, dtype=int))]
    for m in range(1, most + 1):
        bests.append(_Best(problem, group, bests[-1].x, most_nodes))
        _local_search(problem, bests[-1], m)
    waiting: list[list[tuple[NDArray[np.int16], Reals]]] = [[] for _ in bests]
    if most:
        for support, bound in _grow(problem, bests, {-1: _root(problem)}):
            waiting[len(support)].append((support, bound))
    proven = [True] * (most + 1)
    for m in range(1, most + 1):
        bests[m].offer(bests[m - 1].x)
        if waiting[m]:
            support = np.concatenate([s for s, _ in waiting[m]], axis=1)
            bound = np.concatenate([b for _, b in waiting[m]])
            _branch_and_bound(problem, bests[m], support, bound)
        proven[m] = bests[m].nodes_left > 0 and proven[m - 1]
    return [(b.x, p) for b, p in zip(bests, proven, strict=True)]


# ---- every support once ------------------------------------------------------------------


@dataclass(frozen=True)
class _Level:
    """K supports of one size that end in the same variable, with what their supersets need.

    Columns are the variables after the last one. `support` (size, K); `rows` (size, columns, K)
    Cholesky rows; `pivots` and `slopes` (columns, K) what is left of diag G and of g; `cost` (K,)
    the minimum over the support without bounds.
    """

    support: NDArray[np.int16]
    rows: Reals
    pivots: Reals
    slopes: Reals
    cost: Reals


def _root(problem: _Problem) -> _Level:
    """Return the empty support."""
    return _Level(
        support=np.zeros((0, 1), dtype=np.int16),
        rows=np.zeros((0, problem.lin.size, 1)),
        pivots=np.diag(problem.quad)[:, None],
        slopes=problem.lin[:, None],
        cost=np.array([problem.constant]),
    )


def _grow(
    problem: _Problem, bests: list[_Best], levels: dict[int, _Level]
) -> Iterator[tuple[NDArray[np.int16], Reals]]:
    """Yield all larger supports (size, K) and bounds (K,) that do not pass the best of their size.

    `levels` holds supports of one size by their last variable.
    """
    size = next(iter(levels.values())).support.shape[0] + 1
    for last, level in levels.items():
        if level.pivots.size:
            yield from _survivors(problem, bests[size].cost + problem.tolerance, last, level)
    if size + 1 < len(bests):
        for piece in _pieces(levels):
            grown = _extend(problem, piece, keep_rows=size + 2 < len(bests))
            if grown:
                yield from _grow(problem, bests, grown)


def _floored(problem: _Problem, last: int, level: _Level) -> Reals:
    floor = box_qp.PIVOT_FLOOR * np.diag(problem.quad)[last + 1 :, None] + 1e-300
    return np.maximum(level.pivots, floor)


def _survivors(problem: _Problem, worst: float, last: int, level: _Level) -> Iterator[tuple[NDArray[np.int16], Reals]]:
    """Yield the supports one larger than those of a level whose bound is at most `worst`.

    The bound: the minimum over the support without bounds, plus what it costs to take the
    added variable to its nearest whole step that is allowed and not 0, the others following.
    """
    pivots = _floored(problem, last, level)
    with np.errstate(over="ignore"):
        bound = level.cost - level.slopes**2 / pivots
    column, k = np.nonzero(bound <= worst)
    if k.size == 0:
        return
    pivot, added = pivots[column, k], column + last + 1
    relaxed = -level.slopes[column, k] / pivot
    low, high = problem.box(added)
    bound = bound[column, k] + pivot * (relaxed - nearest_step(relaxed, low, high)) ** 2
    kept = np.flatnonzero(bound <= worst)
    if kept.size:
        support = np.concatenate([level.support[:, k[kept]], added[None, kept].astype(np.int16)])
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
                level.rows[:, :, part],
                level.pivots[:, part],
                level.slopes[:, part],
                level.cost[part],
            )
            yield from _pieces({last: piece})


def _extend(problem: _Problem, levels: dict[int, _Level], *, keep_rows: bool) -> dict[int, _Level]:
    """Return the supports one larger, each by one more Cholesky row, by their last variable.

    Without `keep_rows` they cannot be extended again.
    """
    n = problem.lin.size
    size = next(iter(levels.values())).support.shape[0]
    floored = {last: _floored(problem, last, level) for last, level in levels.items()}
    grown = {}
    for j in range(min(levels) + 1, n - 1):  # one that ends in the last variable has no supersets
        parents = [(last, level) for last, level in levels.items() if last < j]
        count = sum(level.cost.size for _, level in parents)
        columns = n - 1 - j
        new = _Level(
            support=np.empty((size + 1, count), dtype=np.int16),
            rows=np.empty((size + 1, columns, count) if keep_rows else (0, columns, count)),
            pivots=np.empty((columns, count)),
            slopes=np.empty((columns, count)),
            cost=np.empty(count),
        )
        end = 0
        for last, level in parents:
            at = j - last - 1
            part = slice(end, end := end + level.cost.size)
            root = np.sqrt(floored[last][at])
            row = problem.quad[j, j + 1 :, None] - np.einsum("qk,qck->ck", level.rows[:, at], level.rows[:, at + 1 :])
            row /= root
            y = level.slopes[at] / root
            new.support[:size, part] = level.support
            if keep_rows:
                new.rows[:size, :, part] = level.rows[:, at + 1 :]
                new.rows[size, :, part] = row
            np.subtract(level.pivots[at + 1 :], row**2, out=new.pivots[:, part])
            np.subtract(level.slopes[at + 1 :], row * y, out=new.slopes[:, part])
            new.cost[part] = level.cost - y**2
        new.support[size] = j
        grown[j] = new
    return grown


# ---- branch and bound on what is left ----------------------------------------------------


@dataclass(frozen=True)
class _Nodes:
    """Boxes (m, K) on some of a batch's supports; `of` (K,) says on which."""

    of: Ints
    low: Reals
    high: Reals


def _branch_and_bound(problem: _Problem, best: _Best, support: NDArray[np.int16], bound: Reals) -> None:
    """Improve `best` to the minimum over the supports, shape (m, K), unless its nodes run out."""
    first = np.argpartition(bound, _CHUNK)[:_CHUNK] if bound.size > _CHUNK else np.arange(bound.size)
    _search_chunk(problem, best, support[:, first].astype(int))
    bound[first] = np.inf
    rest = np.flatnonzero(bound <= best.cost + problem.tolerance)
    chunks = [rest[start : start + _CHUNK] for start in range(0, rest.size, _CHUNK)]
    with ThreadPoolExecutor(_THREADS) as pool:
        list(pool.map(lambda chunk: _search_chunk(problem, best, support[:, chunk].astype(int)), chunks))


def _search_chunk(problem: _Problem, best: _Best, support: Ints) -> None:
    """Search some supports, shape (m, K), to the end."""
    batch = box_qp.gather(problem.quad, problem.lin, problem.constant, support)
    low, high = problem.box(support)
    miss = (batch.free - nearest_step(batch.free, low, high)) ** 2 / batch.inverse_diagonal
    singular = batch.weak.any(axis=0)
    bound = batch.free_cost + miss.max(axis=0) - problem.slack(support) * singular
    kept = bound <= best.cost + problem.tolerance
    of = np.flatnonzero(kept & ~singular)
    _search_nodes(problem, best, support, batch, _Nodes(of, low[:, of], high[:, of]))
    for pattern in np.unique(batch.weak[:, kept & singular], axis=1).T:
        of = np.flatnonzero(kept & (batch.weak == pattern[:, None]).all(axis=0))
        for k, part, nodes in _hold_weak(problem, best, support[:, of], batch.take(of), pattern):
            _search_nodes(problem, best, support[:, of[k]], part, nodes)


def _search_nodes(problem: _Problem, best: _Best, support: Ints, batch: Batch, nodes: _Nodes) -> None:
    """Branch and bound from some boxes on the batch's supports."""
    stack = [nodes] if nodes.of.size else []
    while stack and best.nodes_left > 0:
        nodes = stack.pop()
        if nodes.of.size > _CHUNK:
            stack.append(_Nodes(nodes.of[_CHUNK:], nodes.low[:, _CHUNK:], nodes.high[:, _CHUNK:]))
            nodes = _Nodes(nodes.of[:_CHUNK], nodes.low[:, :_CHUNK], nodes.high[:, :_CHUNK])
        best.nodes_left -= nodes.of.size
        children = _branch(problem, best, support, batch, nodes)
        if children.of.size:
            stack.append(children)


def _branch(problem: _Problem, best: _Best, support: Ints, batch: Batch, nodes: _Nodes) -> _Nodes:
    """Solve the nodes' boxes, offer what they round to, and split those that may hold better."""
    own = batch.take(nodes.of)
    worst = best.cost + problem.tolerance
    x, value, bound = box_qp.solve_box(own, nodes.low, nodes.high, problem.constant, worst)
    whole = nearest_step(x, nodes.low, nodes.high)
    best.offer_batch(support[:, nodes.of], whole, box_qp.cost(own, whole, problem.constant))
    away = np.abs(x - whole)
    broken = away >= _WHOLE
    unsettled = ~broken.any(axis=0) & (value - bound > problem.tolerance)  # whole, but perhaps not the minimum
    open_ = np.flatnonzero((bound <= best.cost + problem.tolerance) & (broken.any(axis=0) | unsettled))
    # Split where rounding costs most; a whole point not shown to be the minimum, along its longest side.
    length = nodes.high - nodes.low
    score = np.where(broken, 1.0 + away**2 / own.inverse_diagonal, length / (1.0 + length) * unsettled)
    at = score[:, open_].argmax(axis=0), np.arange(open_.size)
    low, high = nodes.low[:, open_], nodes.high[:, open_]
    below = np.minimum(np.floor(x[:, open_][at] + _WHOLE), high[at] - 1.0)
    left_high, right_low = high.copy(), low.copy()
    left_high[at] = np.where(below == 0.0, -1.0, below)
    right_low[at] = np.where(below == -1.0, 1.0, below + 1.0)
    split_low = np.concatenate([low, right_low], axis=1)
    split_high = np.concatenate([left_high, high], axis=1)
    of = np.concatenate([nodes.of[open_], nodes.of[open_]])
    some = (split_low <= split_high).all(axis=0)
    return _Nodes(of[some], split_low[:, some], split_high[:, some])


def _hold_weak(
    problem: _Problem, best: _Best, support: Ints, batch: Batch, weak: NDArray[np.bool_]
) -> Iterator[tuple[Ints, Batch, _Nodes]]:
    """Try every whole value of the weak variables, where relaxing them would bound nothing.

    With those held, the rest is well conditioned; its nearest whole steps bound the cost.
    Yields for those that are left which of the given supports they are on, their quadratics
    and boxes, until the nodes of `best` run out.
    """
    low, high = problem.box(support)
    strong = np.flatnonzero(~weak)
    held = np.flatnonzero(weak)
    rest = box_qp.gather(problem.quad, problem.lin, problem.constant, support[strong])
    follow = box_qp.follow(rest, batch.quad[np.ix_(strong, held)])
    inverse_diagonal = np.full(support.shape, np.inf)
    inverse_diagonal[strong] = rest.inverse_diagonal
    slack = problem.slack(support)
    for of, values in _combinations(low[held], high[held]):
        best.nodes_left -= of.size // _COMBINATIONS_PER_NODE
        if best.nodes_left <= 0:
            return
        x = rest.free[:, of] + np.einsum("ijk,jk->ik", follow[:, :, of], values)
        miss = (x - nearest_step(x, low[strong][:, of], high[strong][:, of])) ** 2 / rest.inverse_diagonal[:, of]
        bound = batch.free_cost[of] + miss.max(axis=0, initial=0.0) - slack
        kept = np.flatnonzero(bound <= best.cost + problem.tolerance)
        chosen = of[kept]
        box_low, box_high = low[:, chosen], high[:, chosen]
        box_low[held] = box_high[held] = values[:, kept]
        part = replace(batch.take(chosen), inverse_diagonal=inverse_diagonal[:, chosen])
        yield chosen, part, _Nodes(np.arange(chosen.size), box_low, box_high)


def _combinations(low: Reals, high: Reals) -> Iterator[tuple[Ints, Reals]]:
    """Yield (k, values): every whole point but those with a 0 of K boxes, shapes (e, K), in chunks."""
    both = (low < 0.0) & (high > 0.0)
    sizes = (high - low + 1.0 - both).astype(int)
    ends = np.cumsum(sizes.prod(axis=0))
    for start in range(0, int(ends[-1]), 16 * _CHUNK):
        index = np.arange(start, min(start + 16 * _CHUNK, ends[-1]))
        of = np.searchsorted(ends, index, side="right")
        index = ends[of] - 1 - index
        values = np.empty((len(low), index.size))
        for e in range(len(low)):
            index, digit = np.divmod(index, sizes[e, of])
            value = low[e, of] + digit
            values[e] = value + (both[e, of] & (value >= 0.0))
        yield of, values


# ---- a good plan to start from -----------------------------------------------------------


def _local_search(problem: _Problem, best: _Best, m: int) -> None:
    """Improve `best` by adding one entry, then by exchanging one, while that helps."""
    n = problem.lin.size
    while True:
        before, key = best.cost, best.key
        used = np.flatnonzero(best.x)
        unused = np.setdiff1d(np.arange(n), used)
        if used.size < m:
            kept = np.repeat(used[:, None], unused.size, axis=1)
            support = np.concatenate([kept, unused[None]])
        else:
            pairs = [np.concatenate([np.delete(used, i), [j]]) for i in range(used.size) for j in unused]
            if not pairs:
                return
            support = np.array(pairs).T
        _round_off(problem, best, support)
        if best.key == key or (used.size == m and best.cost >= before - problem.tolerance):
            return


def _round_off(problem: _Problem, best: _Best, support: Ints) -> None:
    """Offer good whole plans on the supports, shape (m, K): the box minimum rounded, then coordinate descent."""
    batch = box_qp.gather(problem.quad, problem.lin, problem.constant, support)
    low, high = problem.box(support)
    x, _, _ = box_qp.solve_box(batch, low, high, problem.constant)
    x = nearest_step(x, low, high)
    diagonal = np.maximum(np.einsum("iik->ik", batch.quad), 1e-300)
    for _ in range(4):
        for i in range(len(support)):
            slope = np.einsum("jk,jk->k", batch.quad[i], x) + batch.lin[i]
            x[i] = nearest_step(x[i] - slope / diagonal[i], low[i], high[i])
    best.offer_batch(support, x, box_qp.cost(batch, x, problem.constant))
