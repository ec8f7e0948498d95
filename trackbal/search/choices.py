"""Entries that cannot take every whole step: what can be fitted at a station is a sum of pieces.

Values stay whole numbers of steps, so that costs and relaxations are those of any entry. What
changes is what "the nearest step" is: the nearest value that can be made. A bound that counts how
far a relaxed entry must move to a value it may take stays a bound, and is the sharper the
fewer those values are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Ints = NDArray[np.int_]


@dataclass(frozen=True)
class Choices:
    """The values other than 0 that each of n entries may take.

    Parameters
    ----------
    table : ndarray, shape (n, L)
        Each row ascending, filled up with inf.
    count : ndarray of int, shape (n,)
        How many there are; at least one.
    base : ndarray of int, shape (n,)
        The least of each.
    below, above : ndarray, shape (n, W)
        For each whole number from the base on: the largest value not above it, the least not below it; inf, of
        either sign, where there is none.
    """

    table: Reals
    count: Ints
    base: Ints
    below: Reals
    above: Reals

    @classmethod
    def of(cls, values: Sequence[Ints]) -> Choices:
        """Return the choices of entries from the values each may take; 0 is passed over. None may be left empty."""
        kept = [np.unique(v[v != 0]) for v in values]
        count = np.array([v.size for v in kept], dtype=int)
        base = np.array([v[0] for v in kept], dtype=int)
        table = np.full((len(kept), int(count.max(initial=1))), np.inf)
        width = max((int(v[-1] - v[0]) + 1 for v in kept), default=1)
        below, above = np.full((len(kept), width), -np.inf), np.full((len(kept), width), np.inf)
        for i, v in enumerate(kept):
            table[i, : v.size] = v
            at = base[i] + np.arange(width)
            lower, upper = np.searchsorted(v, at, side="right") - 1, np.searchsorted(v, at)
            below[i] = np.where(lower >= 0, v[lower], -np.inf)
            above[i] = np.where(upper < v.size, v[np.minimum(upper, v.size - 1)], np.inf)
        return cls(table, count, base, below, above)

    @property
    def ends(self) -> tuple[Reals, Reals]:
        """Least and largest value of each entry, (n,)."""
        return self.base.astype(float), self.table[np.arange(len(self.count)), self.count - 1]

    def at_most(self, entry: Ints, x: Reals) -> Reals:
        """Return the largest value of entries not above whole numbers x, shapes alike; -inf where there is none."""
        place = np.clip(x, -1e15, 1e15).astype(int) - self.base[entry]
        found = self.below[entry, np.clip(place, 0, self.below.shape[1] - 1)]
        return np.where(place < 0, -np.inf, found)

    def at_least(self, entry: Ints, x: Reals) -> Reals:
        """Return the least value of entries not below whole numbers x, shapes alike; inf where there is none."""
        place = np.clip(x, -1e15, 1e15).astype(int) - self.base[entry]
        found = self.above[entry, np.clip(place, 0, self.above.shape[1] - 1)]
        return np.where(place >= self.above.shape[1], np.inf, found)

    def nearest(self, entry: Ints, x: Reals, low: Reals, high: Reals) -> Reals:
        """Return the value nearest to x in [low, high], both of them values themselves; all of one shape."""
        inside = np.clip(x, low, high)
        lower = np.maximum(self.at_most(entry, np.floor(inside)), low)
        upper = np.minimum(self.at_least(entry, np.ceil(inside)), high)
        return np.where(inside - lower <= upper - inside, lower, upper)
