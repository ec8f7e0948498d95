"""The order of blades on the hub that leaves the least static unbalance, exactly.

A blade of static moment m (outward + i ahead, in the direction of rotation) at a position that passes
psi degrees after the first adds ``m exp(-i psi)``; the hub adds its own. Up to EVERY blades each order is
tried. Beyond, positions are parted in two halves: for every way to share the blades out, the sums of either
half are listed, and for each of the first the nearest of the second is found. No order is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, permutations
from math import comb, factorial

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int_]
Complexes = NDArray[np.complex128]

EVERY = 8  # blades up to which every order is listed
MOST_BLADES = 14
_SAME = 1e-9  # of the moments: residuals closer than this are equal


@dataclass(frozen=True)
class Order:
    """Blades by position, shape (N,), what they leave, kg m, and how many orders were compared."""

    blade_at: Ints
    residual: complex
    orders: int


def orders(n: int, fixed: bool) -> Ints:
    """Return every order of n blades, shape (orders, n); `fixed`: blade 1 stays at position 1, as turning is idle."""
    rest = list(permutations(range(1, n) if fixed else range(n)))
    found = np.array(rest, dtype=int).reshape(len(rest), n - fixed)
    return np.column_stack([np.zeros(len(found), dtype=int), found]) if fixed else found


def turning_changes_nothing(azimuth_deg: NDArray[np.float64], hub: Complexes) -> bool:
    """Return whether all positions, (n,), are alike: evenly spaced, on a hub, (n,), that adds nothing of its own."""
    n = len(azimuth_deg)
    even = np.allclose(azimuth_deg, 360.0 * np.arange(n) / n, rtol=0.0, atol=1e-9)
    return bool(even and not hub.any())


def best_order(moment: Complexes, azimuth_deg: NDArray[np.float64], hub: Complexes) -> Order:
    """Return the order of least residual.

    Parameters
    ----------
    moment : ndarray of complex, shape (N,)
        Of each blade, kg m: outward + i ahead.
    azimuth_deg : ndarray, shape (N,)
        Of each position.
    hub : ndarray of complex, shape (N,)
        What each position adds of its own, in the same terms.

    Raises
    ------
    ValueError
        For more than MOST_BLADES blades.
    """
    n = len(moment)
    if n > MOST_BLADES:
        raise ValueError(f"at most {MOST_BLADES} blades")
    turn = np.exp(-1j * np.deg2rad(azimuth_deg))
    of_hub = complex(hub @ turn)
    fixed = turning_changes_nothing(azimuth_deg, hub)
    compared = factorial(n - 1) if fixed else factorial(n)
    if n <= EVERY:
        listed = orders(n, fixed)
        residual = moment[listed] @ turn + of_hub
        tolerance = _SAME * float(np.abs(moment).max())
        first = int(np.flatnonzero(np.abs(residual) <= np.abs(residual).min() + tolerance)[0])
        return Order(listed[first], complex(residual[first]), compared)
    best: Order | None = None
    for blade_at, unbalance in _halves(moment, turn, of_hub, fixed):
        if best is None or abs(unbalance) < abs(best.residual) - _SAME * float(np.abs(moment).max()):
            best = Order(blade_at, unbalance, compared)
    assert best is not None
    return best


def _halves(moment: Complexes, turn: Complexes, of_hub: complex, fixed: bool) -> Iterator[tuple[Ints, complex]]:
    """Yield, for every way to share the blades out to two halves of the positions, the best order and its residual."""
    n = len(moment)
    size = min((abs(comb(n, k) * (factorial(k) - factorial(n - k))), k) for k in range(1, n))[1]
    size += fixed  # the first blade does not move
    first_orders, second_orders = orders(size, fixed), orders(n - size, fixed=False)
    for others in combinations(range(fixed, n), size - fixed):
        here = np.array([*range(fixed), *others])
        there = np.setdiff1d(np.arange(n), here)
        one = moment[here][first_orders] @ turn[:size] + of_hub
        two = moment[there][second_orders] @ turn[size:]
        apart, at = nearest(two, -one)
        i = int(apart.argmin())
        j = int(at[i])
        yield np.concatenate([here[first_orders[i]], there[second_orders[j]]]), complex(one[i] + two[j])


def nearest(points: Complexes, wanted: Complexes) -> tuple[NDArray[np.float64], Ints]:
    """Return how far the nearest of some points, (N,), is from each wanted place, (K,), and which it is."""
    from scipy.spatial import cKDTree

    tree = cKDTree(np.column_stack([points.real, points.imag]))
    apart, at = tree.query(np.column_stack([wanted.real, wanted.imag]))
    return np.asarray(apart, dtype=float), np.asarray(at, dtype=int)
