"""The least work: for each amount of it that buys anything, the proven best plan of no more work.

Work is a price for each entry that is changed, and one for each place that is opened at all:
minutes for an adjustment, and minutes for getting at a blade. The ladder of it is found from the
top: the best plan whatever its work, then the best of less work than that one took, and so on
down to nothing. Each is a search over the supports within that work (search.py), so that each is
proven as every count is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.search.box_qp import Ints, Reals
from trackbal.search.search import Solution
from trackbal.search.whole_steps import Allowed

_SLACK = 1e-6  # of a minute: amounts closer than this are the same


@dataclass(frozen=True)
class Work:
    """What plans take.

    Parameters
    ----------
    entry : ndarray, shape (n,)
        Of changing each entry.
    place : ndarray of int, shape (n,)
        Where each entry is.
    opening : float
        Of opening a place at all, whatever is changed there.
    """

    entry: Reals
    place: Ints
    opening: float

    def of(self, x: Ints) -> float:
        """Return the work of a plan, shape (n,)."""
        used = np.flatnonzero(x)
        return float(self.entry[used].sum() + self.opening * np.unique(self.place[used]).size)

    def of_supports(self, support: NDArray[np.int_]) -> Reals:
        """Return the work of supports, shape (m, K) -> (K,)."""
        if not len(support):
            return np.zeros(support.shape[1])
        place = np.sort(self.place[support], axis=0)
        opened = 1 + (np.diff(place, axis=0) != 0).sum(axis=0)
        total: Reals = self.entry[support].sum(axis=0) + self.opening * opened
        return total

    def most_entries(self, room: float) -> int:
        """Return a count of entries that no plan of less work than `room` passes."""
        cheapest = np.cumsum(np.sort(self.entry))
        a_place = np.bincount(self.place).max()
        opened = np.ceil(np.arange(1, len(cheapest) + 1) / a_place)
        return int(np.count_nonzero(cheapest + self.opening * opened < room))


def least_work(
    best_within: Callable[[Allowed | None, int], Solution],
    most: int,
    work: Work,
    tolerance: float,
    allowed: Allowed | None = None,
) -> list[Solution]:
    """Return the empty plan and the best plan of each amount of work that buys a lower cost, the least work first.

    Parameters
    ----------
    best_within : callable
        The proven best plan of at most so many entries on the supports that a condition allows.
    most : int
        Largest count of entries.
    tolerance : float
        Costs that differ by no more are equal; of equal costs the less work.
    allowed : callable, optional
        What is allowed whatever the work.
    """
    found: list[Solution] = []
    room = np.inf
    while True:

        def within(support: NDArray[np.int_], room: float = room) -> NDArray[np.bool_]:
            usable = work.of_supports(support) < room
            return usable if allowed is None else usable & allowed(support)

        if np.isfinite(room):
            best = best_within(within, min(most, work.most_entries(room)))
        else:
            best = best_within(allowed, most)
        if found and best.cost <= found[-1].cost + tolerance:
            found.pop()
        found.append(best)
        room = work.of(best.x) - _SLACK
        if not best.x.any():
            return found[::-1]
        if room <= 0.0:  # what is left takes no work at all: before it stands the empty plan
            return [best_within(allowed, 0), *found[::-1]]
