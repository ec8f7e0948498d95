"""What can be fitted at a station, where that is not an even step: washers, bolts, plates.

A setting is then the sum of the pieces fitted, and a change exchanges some of them; a station
counts as one adjustment however many pieces change. Amounts are whole multiples of the
adjuster's step, which only counts them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from trackbal.base.errors import InputError
from trackbal.runs.rotor import STEP_SLACK, Adjuster, Rotor
from trackbal.runs.run import Counts, Reals


@dataclass(frozen=True)
class Sets:
    """Every set of pieces that a station takes.

    Parameters
    ----------
    number : ndarray of int, shape (M, K)
        How many of each of the K pieces; sets of fewer pieces first.
    total : ndarray of int, shape (M,)
        What they come to, in steps.
    """

    number: Counts
    total: Counts

    def making(self, total: int) -> Counts:
        """Return the sets that come to a total, shape (m, K), the fewest pieces first."""
        return self.number[self.total == total]


@cache
def sets_of(adjuster: Adjuster) -> Sets:
    """Return the sets of pieces that a station takes, within its range and its number of pieces."""
    counts = np.indices([piece.most + 1 for piece in adjuster.pieces]).reshape(len(adjuster.pieces), -1).T
    pieces = counts.sum(axis=1)
    steps = np.array([round(piece.amount / adjuster.step) for piece in adjuster.pieces])
    total = counts @ steps
    fits = pieces >= adjuster.least_pieces
    if adjuster.most_pieces is not None:
        fits &= pieces <= adjuster.most_pieces
    fits &= total <= adjuster.maximum / adjuster.step + STEP_SLACK
    fits &= total >= adjuster.minimum / adjuster.step - STEP_SLACK
    order = np.argsort(pieces[fits], kind="stable")
    return Sets(counts[fits][order], total[fits][order])


def in_steps(adjuster: Adjuster, amount: float) -> int | None:
    """Return an amount in whole steps; None if it is none."""
    steps = amount / adjuster.step
    return round(steps) if abs(steps - round(steps)) < 1e-6 else None


def can_be_fitted(adjuster: Adjuster, setting: float) -> bool:
    """Return whether some set of the pieces comes to a setting."""
    steps = in_steps(adjuster, setting)
    return steps is not None and bool((sets_of(adjuster).total == steps).any())


def nearest_that_fit(adjuster: Adjuster, setting: float) -> str:
    """Return in words the settings next to one that no set of the pieces comes to."""
    totals = np.unique(sets_of(adjuster).total) * adjuster.step
    below, above = totals[totals < setting][-1:].tolist(), totals[totals > setting][:1].tolist()
    return " or ".join(f"{total:.10g}" for total in below + above)


def change_choices(rotor: Rotor, setting: Reals, low: Counts, high: Counts) -> list[NDArray[np.int_]] | None:
    """Return the changes that each adjuster can make on each blade, A times B arrays of steps; None if all are even.

    Parameters
    ----------
    setting : ndarray, shape (A, B)
        What is installed.
    low, high : ndarray of int, shape (A, B)
        Bounds in steps.

    Raises
    ------
    InputError
        If no set of pieces comes to what is installed where a change is allowed.
    """
    if not any(adjuster.pieces for adjuster in rotor.adjusters):
        return None
    found = []
    for a, adjuster in enumerate(rotor.adjusters):
        totals = np.unique(sets_of(adjuster).total) if adjuster.pieces else None
        for b, blade in enumerate(rotor.blades):
            if totals is None or low[a, b] == high[a, b]:
                found.append(np.arange(low[a, b], high[a, b] + 1))
                continue
            if not can_be_fitted(adjuster, float(setting[a, b])):
                raise InputError(
                    rotor.name,
                    f"{adjuster.name} of blade {blade} at {setting[a, b]:.10g} {adjuster.unit}",
                    "a sum of the pieces that the rotor file lists for it",
                )
            moved = totals - round(float(setting[a, b]) / adjuster.step)
            found.append(moved[(moved >= low[a, b]) & (moved <= high[a, b])])
    return found


def exchange(adjuster: Adjuster, before: float, after: float) -> tuple[Counts, Counts] | None:
    """Return the sets fitted before and after, (K,) each, that differ by the fewest pieces; None if there are none.

    `before`, `after`: amounts in the adjuster's unit. A set says how many of each kind of piece.
    What is fitted before is taken to be the fewest pieces that come to it.
    """
    one, other = in_steps(adjuster, before), in_steps(adjuster, after)
    if one is None or other is None:
        return None
    now, then = sets_of(adjuster).making(one)[:1], sets_of(adjuster).making(other)
    if not len(now) or not len(then):
        return None
    return now[0], then[np.abs(then - now).sum(axis=1).argmin()]


def exchange_words(adjuster: Adjuster, before: float, after: float) -> str | None:
    """Return what to exchange: "remove 1 x washer A, add 1 x washer C"; None where the pieces do not say.

    Examples
    --------
    >>> from trackbal.runs.rotor import Piece
    >>> pieces = (Piece("washer A", 2.5, 3), Piece("washer C", 4.0, 2))
    >>> station = Adjuster("hub", "weight", "g", 0.5, 0.0, 15.5, 15.5, "add", "remove", pieces=pieces)
    >>> exchange_words(station, 2.5, 4.0)
    'remove 1 x washer A, add 1 x washer C'
    """
    found = exchange(adjuster, before, after)
    if found is None:
        return None
    moved = found[1] - found[0]
    named = list(zip(adjuster.pieces, moved.tolist(), strict=True))
    off = [f"remove {-n} x {piece.name}" for piece, n in named if n < 0]
    return ", ".join(off + [f"add {n} x {piece.name}" for piece, n in named if n > 0])


def fitted_words(adjuster: Adjuster, setting: float) -> str | None:
    """Return what makes a setting: "1 x washer A and 2 x washer C"; None where no set of the pieces does."""
    steps = in_steps(adjuster, setting)
    sets = sets_of(adjuster).making(steps) if steps is not None else np.zeros((0, 0), dtype=int)
    if not len(sets):
        return None
    named = [f"{n} x {p.name}" for p, n in zip(adjuster.pieces, sets[0].tolist(), strict=True) if n]
    return " and ".join(named) or "nothing"


def other_sets(adjuster: Adjuster, setting: float) -> bool:
    """Return whether more than one set of pieces comes to a setting."""
    steps = in_steps(adjuster, setting)
    return steps is not None and len(sets_of(adjuster).making(steps)) > 1


def piece_cautions(rotor: Rotor, setting: Reals, change: Reals) -> list[str]:
    """Return what to look at before exchanging pieces: where settings, (A, B), do not say which are fitted."""
    said = []
    for a, adjuster in enumerate(rotor.adjusters):
        for b in np.flatnonzero(change[a]).tolist() if adjuster.pieces else []:
            installed = float(setting[a, b])
            if other_sets(adjuster, installed):
                said.append(
                    f"{adjuster.name} of blade {rotor.blades[b]}: more than one set of pieces comes to "
                    f"{installed:.10g} {adjuster.unit}; {fitted_words(adjuster, installed)} is taken to be fitted. "
                    f"If it is another, fit what comes to {installed + float(change[a, b]):.10g} {adjuster.unit}."
                )
    return said
