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

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from trackbal.search import box_qp
from trackbal.search.box_qp import Ints, Reals
from trackbal.search.branching import branch_and_bound
from trackbal.search.choices import Choices
from trackbal.search.supports import Supports, promising_supports
from trackbal.search.useful_bounds import useful_bounds
from trackbal.search.whole_steps import Allowed, Best, Problem

_MOST_SUPPORTS = 100_000_000  # about a minute
_SUPPORTS_PER_S = 12e6  # one core of 2024; only `effort` rests on these three
_NODES_PER_S = 0.16e6
_MORE_NODES = 3.0  # times the boxes searched so far that one count more takes


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
    nodes : int
        Boxes that were searched for this count.
    """

    count_limit: int
    x: Ints
    cost: float
    proven: bool
    nodes: int


def search(
    quad: Reals,
    lin: Reals,
    constant: float,
    low: Ints,
    high: Ints,
    group: Ints,
    most: int,
    *,
    choices: Sequence[Ints] | None = None,
    allowed: Allowed | None = None,
    most_nodes: int = 3_000_000,
    known: Sequence[Solution] = (),
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
    choices : sequence of n ndarrays of int, optional
        The changes that each entry can make, where that is not every whole step: sums of the pieces that can be
        fitted, less those that are. Those outside the bounds are left out.
    allowed : callable, optional
        Of supports, ndarray of entries (m, K), those that may be used, (K,); of an allowed one every part is.
    most_nodes : int
        Branch-and-bound nodes per count after which the search gives up proving: some ten
        seconds. Met only by problems in which many entries act alike (docs/method.md).
    known : sequence of Solution
        What this function has found of the same problem for the first counts: not searched for again.

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
    made: Choices | None = None
    if choices is not None:
        kept = [v[(v >= lo) & (v <= hi) & (v != 0)] for v, lo, hi in zip(choices, low, high, strict=True)]
        low = np.array([v.min(initial=0) for v in kept], dtype=int)
        high = np.array([v.max(initial=0) for v in kept], dtype=int)
    movable = np.flatnonzero((high > 0) | (low < 0))
    if choices is not None:
        made = Choices.of([kept[j] for j in movable])
    problem = Problem(quad[np.ix_(movable, movable)], lin[movable], constant, low[movable], high[movable], made)
    if choices is None:
        low, high = useful_bounds(
            problem.quad, problem.lin, problem.low, problem.high, group[movable], problem.tolerance
        )
        problem = replace(problem, low=low, high=high)
    if allowed is not None:
        problem = replace(problem, allowed=lambda support: allowed(movable[support]))
    before = [(s.x[movable], s.proven, s.nodes) for s in known]
    ladder = _ladder(problem, group[movable], min(most, movable.size), most_nodes, before)
    ladder += [(ladder[-1][0], ladder[-1][1], 0)] * (most + 1 - len(ladder))
    solutions = []
    for m, (x, proven, nodes) in enumerate(ladder):
        whole = np.zeros(quad.shape[0], dtype=int)
        whole[movable] = x
        solutions.append(Solution(m, whole, problem.cost(x), proven, nodes))
    return solutions


def effort(solutions: list[Solution], movable: int, most: int) -> float:
    """Return about how many seconds a search for plans of one entry more than `most` would take.

    `solutions` are those of the search so far.

    It is told from the number of supports there are and the boxes searched so far, not from a clock, so that
    whoever stops by it stops at the same count on every machine.
    """
    counts = range(min(most + 1, movable) + 1)
    nodes = sum(s.nodes for s in solutions)
    return sum(math.comb(movable, m) for m in counts) / _SUPPORTS_PER_S + _MORE_NODES * nodes / _NODES_PER_S


_Found = tuple[Ints, bool, int]  # x, whether it is proven, and the nodes searched for it


def _ladder(problem: Problem, group: Ints, most: int, most_nodes: int, known: list[_Found]) -> list[_Found]:
    """Return what is found for each count 0 ... most; of the first counts it is known."""
    known = known[: most + 1]
    bests = [Best(problem, group, np.zeros(problem.lin.size, dtype=int))]
    bests += [Best(problem, group, x, most_nodes) for x, _, _ in known[1:]]
    for m in range(len(bests), most + 1):
        bests.append(Best(problem, group, bests[-1].x, most_nodes))
        _local_search(problem, bests[-1], m)
    counted = _countable(problem.lin.size, most)
    waiting: list[list[tuple[Supports, Reals]]] = [[] for _ in bests]
    for support, bound in promising_supports(problem, bests[: counted + 1], max(1, len(known))):
        waiting[len(support)].append((support, bound))
    proven = [True] * (counted + 1) + [False] * (most - counted)
    for m, (_, sure, _) in enumerate(known):
        proven[m] = sure
    for m in range(max(1, len(known)), most + 1):
        bests[m].offer(bests[m - 1].x)
        if waiting[m]:
            support = np.concatenate([s for s, _ in waiting[m]], axis=1)
            bound = np.concatenate([b for _, b in waiting[m]])
            branch_and_bound(problem, bests[m], support, bound)
        proven[m] &= bests[m].nodes_left > 0 and proven[m - 1]
    spent = [0] + [most_nodes - b.nodes_left for b in bests[1:]]
    return known + [(b.x, p, n) for b, p, n in zip(bests, proven, spent, strict=True)][len(known) :]


def _countable(n: int, most: int) -> int:
    """Return the largest count up to `most` of which all supports can be gone through."""
    total, counted = 0, 0
    while counted < most and (total := total + math.comb(n, counted + 1)) <= _MOST_SUPPORTS:
        counted += 1
    return counted


def _local_search(problem: Problem, best: Best, m: int) -> None:
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
        support = problem.permitted(support)
        if not support.size:
            return
        _round_off(problem, best, support)
        if best.key == key or (used.size == m and best.cost >= before - problem.tolerance):
            return


def _round_off(problem: Problem, best: Best, support: Ints) -> None:
    """Offer good whole plans on the supports, shape (m, K): the box minimum rounded, then coordinate descent."""
    batch = box_qp.gather(problem.quad, problem.lin, problem.constant, support, problem.choices)
    low, high = problem.box(support)
    x, _, _ = box_qp.solve_box(batch, low, high, problem.constant)
    x = batch.nearest(x, low, high)
    diagonal = np.maximum(np.einsum("iik->ik", batch.quad), 1e-300)
    for _ in range(4):
        for i in range(len(support)):
            slope = np.einsum("jk,jk->k", batch.quad[i], x) + batch.lin[i]
            x[i] = problem.nearest(support[i], x[i] - slope / diagonal[i], low[i], high[i])
    best.offer_batch(support, x, box_qp.cost(batch, x, problem.constant))
