"""The probability that a normal phasor lies within a circle about 0."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from trackbal.runs.run import Complexes, Reals

_NODES = 64
_FAR = 8.5  # standard deviations beyond which a normal variable does not go
_CHUNK = 96  # phasors handled by one set of array operations: small enough for the cache and the allocator
_GRID = 8_001  # the normal distribution between them, good to 4e-7 when interpolated


def chance_within(mean: Complexes, cov: Reals, radius: Reals) -> Reals:
    """Return ``P(|V| <= radius)`` for phasors V with normal parts.

    In the principal axes of the covariance the parts are independent, and

        P = integral phi(t) [Phi((h - m2) / s2) - Phi((-h - m2) / s2)] dt,  h = sqrt(radius^2 - (m1 + s1 t)^2)

    by Gauss and Legendre in an angle that takes the root's sharp ends away.

    Parameters
    ----------
    mean : ndarray of complex, shape (...)
    cov : ndarray, shape (..., 2, 2)
        Covariance of (re, im); may be singular.
    radius : ndarray, shape (...), positive

    Returns
    -------
    ndarray, shape (...)
    """
    return chance_in_axes(*principal_axes(mean, cov), radius)


def principal_axes(mean: Complexes, cov: Reals) -> tuple[Reals, Reals]:
    """Return mean and standard deviation of phasors in the principal axes of their covariance, shapes (..., 2)."""
    values, vectors = np.linalg.eigh(cov)
    centre = np.einsum("...ji,...j->...i", vectors, np.stack([mean.real, mean.imag], axis=-1))
    return centre, np.sqrt(np.maximum(values, 0.0))


def chance_in_axes(centre: Reals, spread: Reals, radius: Reals) -> Reals:
    """Return `chance_within`, shape (...), of phasors given in their `principal_axes`, shapes (..., 2)."""
    centre = centre / radius[..., None]
    spread = np.maximum(spread / radius[..., None], 1e-12)
    chance = np.empty(centre.shape[:-1])
    flat, at, sd = chance.reshape(-1), centre.reshape(-1, 2), spread.reshape(-1, 2)
    for start in range(0, flat.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        flat[part] = _in_unit_circle(at[part], sd[part])
    return np.clip(chance, 0.0, 1.0)


def _in_unit_circle(centre: Reals, spread: Reals) -> Reals:
    """Return the chance that N phasors, given in their principal axes, shapes (N, 2), are within 1, shape (N,)."""
    first, second = centre[:, :1], centre[:, 1:]
    small, large = spread[:, :1], spread[:, 1:]
    low = np.clip((-1.0 - first) / small, -_FAR, _FAR)
    high = np.clip((1.0 - first) / small, -_FAR, _FAR)
    sine, weight = _nodes()
    half = 0.5 * (high - low)
    t = 0.5 * (high + low) + half * sine
    reach = np.sqrt(np.maximum(1.0 - (first + small * t) ** 2, 0.0))
    inner = _normal((reach - second) / large) - _normal((-reach - second) / large)
    density = np.exp(-0.5 * t**2) / math.sqrt(2.0 * math.pi)
    return np.asarray(np.sum(weight * half * density * inner, axis=-1))


def _normal(x: Reals) -> Reals:
    """Return the standard normal distribution function, by the table's straight lines (its steps are even)."""
    _, table, rise = _normal_table()
    at = np.clip((x + _FAR) * ((_GRID - 1) / (2.0 * _FAR)), 0.0, _GRID - 1.0)
    below = at.astype(np.intp)
    return np.asarray(table[below] + (at - below) * rise[below])


def normal_quantile(chance: Reals) -> Reals:
    """Return what a standard normal variable is below with these chances, any shape; no farther out than _FAR."""
    grid, table, _ = _normal_table()
    return np.interp(chance, table, grid)


@cache
def _nodes() -> tuple[Reals, Reals]:
    """Return the sines of the angles at which is summed, and their weights, the cosine in them."""
    angle, weight = np.polynomial.legendre.leggauss(_NODES)
    return np.sin(0.5 * np.pi * angle), 0.5 * np.pi * weight * np.cos(0.5 * np.pi * angle)


@cache
def _normal_table() -> tuple[Reals, Reals, Reals]:
    """Return a grid, the normal distribution function on it, and what that rises by to the next point."""
    grid = np.linspace(-_FAR, _FAR, _GRID)
    table = np.array([0.5 * math.erfc(-x / math.sqrt(2.0)) for x in grid.tolist()])
    return grid, table, np.diff(table, append=table[-1])
