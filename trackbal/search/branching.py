"""Branch and bound over whole steps on many supports at once, with the box in the bound."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trackbal.search import box_qp
from trackbal.search.box_qp import Batch, Ints, Reals
from trackbal.search.choices import Choices
from trackbal.search.supports import Supports
from trackbal.search.whole_steps import Best, Problem

_THREADS = 2  # numpy leaves the interpreter free while it computes
_CHUNK = 4096  # supports handled by one set of array operations: they stay in the cache
_COMBINATIONS_PER_NODE = 32  # a combination of weak variables costs this much less than a node
_WHOLE = 1e-6  # a relaxed value this near to a whole step is whole


@dataclass(frozen=True)
class _Nodes:
    """Boxes (m, K) on some of a batch's supports; `of` (K,) says on which."""

    of: Ints
    low: Reals
    high: Reals


def branch_and_bound(problem: Problem, best: Best, support: Supports, bound: Reals) -> None:
    """Improve `best` to the minimum over the supports, shape (m, K), unless its nodes run out.

    `bound`, shape (K,): a lower bound of the cost on each support; it is written over.
    """
    first = np.argpartition(bound, _CHUNK)[:_CHUNK] if bound.size > _CHUNK else np.arange(bound.size)
    _search_chunk(problem, best, support[:, first].astype(int))
    bound[first] = np.inf
    rest = np.flatnonzero(bound <= best.cost + problem.tolerance)
    chunks = [rest[start : start + _CHUNK] for start in range(0, rest.size, _CHUNK)]
    with ThreadPoolExecutor(_THREADS) as pool:
        list(pool.map(lambda chunk: _search_chunk(problem, best, support[:, chunk].astype(int)), chunks))


def _search_chunk(problem: Problem, best: Best, support: Ints) -> None:
    """Search some supports, shape (m, K), to the end."""
    batch = box_qp.gather(problem.quad, problem.lin, problem.constant, support, problem.choices)
    low, high = problem.box(support)
    miss = (batch.free - batch.nearest(batch.free, low, high)) ** 2 / batch.inverse_diagonal
    singular = batch.weak.any(axis=0)
    bound = batch.free_cost + miss.max(axis=0) - problem.slack(support) * singular
    kept = bound <= best.cost + problem.tolerance
    of = np.flatnonzero(kept & ~singular)
    _search_nodes(problem, best, support, batch, _Nodes(of, low[:, of], high[:, of]))
    for pattern in np.unique(batch.weak[:, kept & singular], axis=1).T:
        of = np.flatnonzero(kept & (batch.weak == pattern[:, None]).all(axis=0))
        for k, part, nodes in _hold_weak(problem, best, support[:, of], batch.take(of), pattern):
            _search_nodes(problem, best, support[:, of[k]], part, nodes)


def _search_nodes(problem: Problem, best: Best, support: Ints, batch: Batch, nodes: _Nodes) -> None:
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


def _branch(problem: Problem, best: Best, support: Ints, batch: Batch, nodes: _Nodes) -> _Nodes:
    """Solve the nodes' boxes, offer what they round to, and split those that may hold better."""
    part = batch.take(nodes.of)
    worst = best.cost + problem.tolerance
    x, value, bound = box_qp.solve_box(part, nodes.low, nodes.high, problem.constant, worst)
    whole = part.nearest(x, nodes.low, nodes.high)
    best.offer_batch(support[:, nodes.of], whole, box_qp.cost(part, whole, problem.constant))
    away = np.abs(x - whole)
    broken = away >= _WHOLE
    unsettled = ~broken.any(axis=0) & (value - bound > problem.tolerance)  # whole, but perhaps not the minimum
    open_ = np.flatnonzero((bound <= best.cost + problem.tolerance) & (broken.any(axis=0) | unsettled))
    # Split where rounding costs most; a whole point not shown to be the minimum, along its longest side.
    length = nodes.high - nodes.low
    score = np.where(broken, 1.0 + away**2 / part.inverse_diagonal, length / (1.0 + length) * unsettled)
    at = score[:, open_].argmax(axis=0), np.arange(open_.size)
    low, high = nodes.low[:, open_], nodes.high[:, open_]
    lower_high, upper_low = high.copy(), low.copy()
    lower_high[at], upper_low[at] = _sides(problem, part.support[:, open_][at], x[:, open_][at], high[at])
    split_low = np.concatenate([low, upper_low], axis=1)
    split_high = np.concatenate([lower_high, high], axis=1)
    of = np.concatenate([nodes.of[open_], nodes.of[open_]])
    some = (split_low <= split_high).all(axis=0)
    return _Nodes(of[some], split_low[:, some], split_high[:, some])


def _sides(problem: Problem, entry: Ints, x: Reals, high: Reals) -> tuple[Reals, Reals]:
    """Return, for entries of boxes that end at `high`, the last value at or below x and the first above that."""
    below = np.minimum(np.floor(x + _WHOLE), high - 1.0)
    if problem.choices is not None:
        below = problem.choices.at_most(entry, below)
        # an entry without a value that low has them all on its right
        first = problem.choices.at_least(entry, np.where(np.isfinite(below), below + 1.0, -1e15))
        return below, first
    return np.where(below == 0.0, -1.0, below), np.where(below == -1.0, 1.0, below + 1.0)


def _hold_weak(
    problem: Problem, best: Best, support: Ints, batch: Batch, weak: NDArray[np.bool_]
) -> Iterator[tuple[Ints, Batch, _Nodes]]:
    """Try every whole value of the weak variables, where relaxing them would bound nothing.

    With those held, the rest is well conditioned; its nearest whole steps bound the cost.
    Yields for those that are left which of the given supports they are on, their quadratics
    and boxes, until the nodes of `best` run out.
    """
    low, high = problem.box(support)
    strong = np.flatnonzero(~weak)
    held = np.flatnonzero(weak)
    rest = box_qp.gather(problem.quad, problem.lin, problem.constant, support[strong], problem.choices)
    follow = box_qp.follow(rest, batch.quad[np.ix_(strong, held)])
    inverse_diagonal = np.full(support.shape, np.inf)
    inverse_diagonal[strong] = rest.inverse_diagonal
    slack = problem.slack(support)
    for of, values in _combinations(low[held], high[held], problem.choices, support[held]):
        best.nodes_left -= of.size // _COMBINATIONS_PER_NODE
        if best.nodes_left <= 0:
            return
        x = rest.free[:, of] + np.einsum("ijk,jk->ik", follow[:, :, of], values)
        miss = (x - rest.nearest(x, low[strong][:, of], high[strong][:, of], of)) ** 2 / rest.inverse_diagonal[:, of]
        bound = batch.free_cost[of] + miss.max(axis=0, initial=0.0) - slack
        kept = np.flatnonzero(bound <= best.cost + problem.tolerance)
        chosen = of[kept]
        box_low, box_high = low[:, chosen], high[:, chosen]
        box_low[held] = box_high[held] = values[:, kept]
        part = replace(batch.take(chosen), inverse_diagonal=inverse_diagonal[:, chosen])
        yield chosen, part, _Nodes(np.arange(chosen.size), box_low, box_high)


def _combinations(
    low: Reals, high: Reals, choices: Choices | None = None, entry: Ints | None = None
) -> Iterator[tuple[Ints, Reals]]:
    """Yield (k, values): every point of whole values but those with a 0 of K boxes, shapes (e, K), in chunks.

    With `choices`, every point of those of the entries, shape (e, K).
    """
    both = (low < 0.0) & (high > 0.0)
    sizes = (high - low + 1.0 - both).astype(int)
    if choices is not None and entry is not None:
        sizes = choices.count[entry]
    ends = np.cumsum(sizes.prod(axis=0))
    for start in range(0, int(ends[-1]), 16 * _CHUNK):
        index = np.arange(start, min(start + 16 * _CHUNK, ends[-1]))
        of = np.searchsorted(ends, index, side="right")
        index = ends[of] - 1 - index
        values = np.empty((len(low), index.size))
        for e in range(len(low)):
            index, digit = np.divmod(index, sizes[e, of])
            if choices is not None and entry is not None:
                values[e] = choices.table[entry[e, of], digit]
                continue
            value = low[e, of] + digit
            values[e] = value + (both[e, of] & (value >= 0.0))
        yield of, values
