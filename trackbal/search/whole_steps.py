"""What the parts of the search share: the problem over whole steps, and the best plan known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trackbal.search import box_qp
from trackbal.search.box_qp import Ints, Reals
from trackbal.search.choices import Choices

Allowed = Callable[[NDArray[Any]], NDArray[np.bool_]]

_SAME = 1e-9  # costs closer than this part of (1 + |c|) are equal


@dataclass(frozen=True)
class Problem:
    """``min c + x'Gx + 2g'x`` over whole x in [low, high], every bound containing 0 and another step.

    `allowed`: which supports may be used, as a mask over supports (m, K); whatever is allowed, its parts are too.
    `choices`: the values that entries may take besides 0, where that is not every step; low and high are then
    the ends of these.
    """

    quad: Reals
    lin: Reals
    constant: float
    low: Ints
    high: Ints
    choices: Choices | None = None
    allowed: Allowed | None = None

    def permitted(self, support: Ints) -> Ints:
        """Return those of some supports, shape (m, K), that may be used."""
        return support if self.allowed is None else support[:, self.allowed(support)]

    @property
    def tolerance(self) -> float:
        """Costs that differ by no more are equal."""
        return _SAME * (1.0 + abs(self.constant))

    def cost(self, x: Ints) -> float:
        """Return the cost of x, shape (n,)."""
        return float(self.constant + x @ (self.quad @ x) + 2.0 * (self.lin @ x))

    def box(self, support: Ints) -> tuple[Reals, Reals]:
        """Return the box of supports, any shape, whose entries are not zero: a side that is 0 moves to one step.

        Lowest and highest step of each entry, both of the shape of `support`.
        """
        if self.choices is not None:
            low, high = self.choices.ends
            return low[support], high[support]
        low, high = self.low[support].astype(float), self.high[support].astype(float)
        return np.where(low == 0.0, 1.0, low), np.where(high == 0.0, -1.0, high)

    def nearest(self, support: Ints, x: Reals, low: Reals, high: Reals) -> Reals:
        """Return the nearest values to x in [low, high] that the entries of supports may take, none of them 0.

        All of one shape; x and the bounds in steps.
        """
        if self.choices is None:
            return box_qp.nearest_step(x, low, high)
        return self.choices.nearest(support, x, low, high)

    def slack(self, support: Ints) -> float:
        """Return how far floored pivots may have raised the bound of a singular support of (m, K)."""
        reach = np.maximum(np.abs(self.low), self.high)
        return float(len(support) * box_qp.PIVOT_FLOOR * (np.diag(self.quad) * reach**2).max())


class Best:
    """The best plan known for one count, ties decided by fewer, then smaller changes.

    `nodes_left` is what its search may still spend. Threads may offer plans at the same time.
    """

    def __init__(self, problem: Problem, group: Ints, x: Ints, nodes_left: int = 0) -> None:
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
        """Take x, shape (n,), if it is better."""
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
