"""Order and weights together: the fewest weights for each count, over every order.

With m weights the residual is the distance of an order's own from minus the nearest sum of m weights. Up to
two weights those sums are listed, and every order looks its nearest up; what is found is the least there is.
More weights, or more sums than can be listed, are searched for the orders that came best with fewer, each proven by
the search of advise; over all orders that is not proven, and said so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from trackbal.runs.hub_force import moment_per_unit
from trackbal.runs.pieces import change_choices
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals
from trackbal.search.search import search
from trackbal.seating.order import EVERY, Complexes, Ints, Order, best_order, nearest, orders, turning_changes_nothing

MOST_WEIGHTS = 2
UNLIKELY = 0.05  # of the median moment: blades of one set are alike to far less (our own choice)
_MOST_SUMS = 1_500_000
_BEST_ORDERS = 60


@dataclass(frozen=True)
class Seating:
    """The best for at most a number of weights.

    Parameters
    ----------
    blade_at : ndarray of int, shape (N,)
        Index of the blade at each position.
    weights : ndarray, shape (A, N)
        What is fitted at each position, in the adjusters' units.
    residual : complex
        What is left, kg m, counted as ``exp(-i psi)``: its phase is the lag of the heavy place behind position 1.
    proven : bool
        No order with at most as many weights leaves less.
    """

    blade_at: Ints
    weights: Reals
    residual: complex
    proven: bool

    @property
    def count(self) -> int:
        """How many weights."""
        return int(np.count_nonzero(self.weights))


@dataclass(frozen=True)
class SeatingAdvice:
    """The ladder of fewest weights, and which rung to take.

    `recommended`: the first inside the limit, else the one of least residual; `limit` in kg m, inf if none is given.
    """

    rungs: tuple[Seating, ...]
    recommended: int
    limit: float
    moment: Complexes
    orders: int

    @property
    def inside(self) -> bool:
        """Whether what is recommended is inside the limit."""
        return bool(abs(self.rungs[self.recommended].residual) <= self.limit)

    @property
    def doubtful(self) -> tuple[int, ...]:
        """Blades, by index, whose moment is unlike most others': a slip of sign, unit or digits, or another blade."""
        span = self.moment.real
        median = float(np.median(span))
        off = np.abs(span - median) > UNLIKELY * abs(median)
        return tuple(np.flatnonzero(off).tolist()) if 2 * int(off.sum()) < len(span) else ()


def seat(
    rotor: Rotor, moment: Complexes, hub: Complexes, limit: float = np.inf, most: int = MOST_WEIGHTS
) -> SeatingAdvice:
    """Return the order of blades on the hub and the weights that leave the least unbalance.

    Parameters
    ----------
    moment : ndarray of complex, shape (N,)
        Static moment of each blade about the rotor's axis, kg m: outward + i ahead.
    hub : ndarray of complex, shape (N,)
        Of each hub position's own.
    limit : float
        Largest residual wanted, kg m.
    most : int
        Most weights.

    Raises
    ------
    ValueError
        For more blades than `best_order` takes.
    """
    alone = best_order(moment, rotor.azimuth_deg, hub)
    none = np.zeros((len(rotor.adjusters), len(rotor.blades)))
    rungs = [Seating(alone.blade_at, none, alone.residual, True)]
    stations = [a for a, adjuster in enumerate(rotor.adjusters) if moment_per_unit(adjuster) is not None]
    if stations and most:
        rungs += _with_weights(rotor, moment, hub, alone, stations, most, limit)
    inside = [m for m, rung in enumerate(rungs) if abs(rung.residual) <= limit]
    least = min(range(len(rungs)), key=lambda m: (round(abs(rungs[m].residual), 12), m))
    return SeatingAdvice(tuple(rungs), inside[0] if inside else least, limit, moment, alone.orders)


def _with_weights(
    rotor: Rotor, moment: Complexes, hub: Complexes, alone: Order, stations: list[int], most: int, limit: float
) -> list[Seating]:
    n = len(moment)
    turn = np.exp(-1j * np.deg2rad(rotor.azimuth_deg))
    listed = orders(n, turning_changes_nothing(rotor.azimuth_deg, hub)) if n <= EVERY else alone.blade_at[None]
    residuals = moment[listed] @ turn + complex(hub @ turn)
    pieces = _stations(rotor, stations, turn)
    rungs: list[Seating] = []
    best = Seating(alone.blade_at, np.zeros((len(rotor.adjusters), n)), alone.residual, True)
    for m in range(1, most + 1):
        found = _listed_sums(rotor, pieces, residuals, listed, m) if m <= 2 else None
        proven = found is not None and n <= EVERY
        if found is None:
            found = _searched(rotor, stations, residuals, listed, turn, m)
        if abs(found[2]) < abs(best.residual) - 1e-12 * float(np.abs(moment).max()):
            best = Seating(*found, proven=proven)
        else:
            best = Seating(best.blade_at, best.weights, best.residual, proven)
        rungs.append(best)
        if abs(best.residual) <= limit < np.inf:
            break
    return rungs


@dataclass(frozen=True)
class _Station:
    """A weight adjuster at a position: the amounts it takes, in units, and the moment each adds."""

    adjuster: int
    position: int
    amounts: Reals
    adds: Complexes


def _stations(rotor: Rotor, stations: Sequence[int], turn: Complexes) -> list[_Station]:
    """Return what can be fitted where, nothing being fitted before."""
    empty = np.array([[max(a.minimum, 0.0)] * len(rotor.blades) for a in rotor.adjusters])
    low, high = rotor.step_bounds(empty)
    choices = change_choices(rotor, empty, low, high)
    found = []
    for a in stations:
        per_unit = moment_per_unit(rotor.adjusters[a])
        assert per_unit is not None
        for p in range(len(rotor.blades)):
            steps = np.arange(low[a, p], high[a, p] + 1) if choices is None else choices[a * len(rotor.blades) + p]
            amounts = steps[steps != 0] * rotor.adjusters[a].step
            found.append(_Station(a, p, amounts, amounts * per_unit * turn[p]))
    return found


def _listed_sums(
    rotor: Rotor, pieces: list[_Station], residuals: Complexes, listed: Ints, m: int
) -> tuple[Ints, Reals, complex] | None:
    """Return the best of all orders with exactly m = 1 or 2 weights; None if the sums are too many to list."""
    groups: list[tuple[_Station, ...]] = [(one,) for one in pieces] if m == 1 else list(combinations(pieces, 2))
    sizes = [int(np.prod([len(s.amounts) for s in group])) for group in groups]
    if sum(sizes) > _MOST_SUMS:
        return None
    sums = np.concatenate(
        [g[0].adds if m == 1 else np.add.outer(g[0].adds, g[-1].adds).ravel() for g in groups] or [np.zeros(0, complex)]
    )
    if not sums.size:
        return None
    apart, at = nearest(sums, -residuals)
    k = int(np.flatnonzero(apart <= apart.min() + 1e-12 * float(np.abs(sums).max()))[0])
    ends = np.cumsum(sizes)
    g = int(np.searchsorted(ends, at[k], side="right"))
    inside = int(at[k] - (ends[g] - sizes[g]))
    weights = np.zeros((len(rotor.adjusters), len(rotor.blades)))
    for one, i in zip(groups[g], np.unravel_index(inside, [len(s.amounts) for s in groups[g]]), strict=True):
        weights[one.adjuster, one.position] = one.amounts[i]
    return listed[k], weights, complex(residuals[k] + sums[at[k]])


def _searched(
    rotor: Rotor, stations: list[int], residuals: Complexes, listed: Ints, turn: Complexes, m: int
) -> tuple[Ints, Reals, complex]:
    """Return the best with at most m weights of the orders that leave least without any."""
    empty = np.array([[max(a.minimum, 0.0)] * len(rotor.blades) for a in rotor.adjusters])
    low, high = rotor.step_bounds(empty)
    shut = [a for a in range(len(rotor.adjusters)) if a not in stations]
    low[shut] = high[shut] = 0
    choices = change_choices(rotor, empty, low, high)
    per_step = np.zeros(low.shape, dtype=complex)
    for a in stations:
        per_step[a] = (moment_per_unit(rotor.adjusters[a]) or 0.0) * rotor.adjusters[a].step * turn
    scale = float(np.abs(per_step).max())
    design = np.stack([per_step.real.ravel(), per_step.imag.ravel()]) / scale
    group = np.repeat(np.arange(low.shape[0]), low.shape[1])
    best: tuple[Ints, Reals, complex] | None = None
    for k in np.argsort(np.abs(residuals), kind="stable")[:_BEST_ORDERS].tolist():
        target: NDArray[np.float64] = np.array([residuals[k].real, residuals[k].imag]) / scale
        lin, constant = design.T @ target, float(target @ target)
        solution = search(design.T @ design, lin, constant, low.ravel(), high.ravel(), group, m, choices=choices)[m]
        residual = complex(residuals[k] + (per_step.ravel() @ solution.x))
        if best is None or abs(residual) < abs(best[2]):
            steps = np.array([a.step for a in rotor.adjusters])[:, None]
            best = listed[k], solution.x.reshape(low.shape) * steps, residual
    assert best is not None
    return best
