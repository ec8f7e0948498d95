"""The azimuth grid: periodic functions by their values at 63 azimuths, and by their harmonics.

A function f of azimuth psi (radians) is ``f = f_0 + Re sum_{n>=1} f_n exp(i n psi)``. An odd
number of points has no lone highest harmonic, so differentiating twice is exact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from trackbal.runs.run import Complexes, Reals

POINTS = 63
TOP_HARMONIC = (POINTS - 1) // 2
PSI: Reals = 2.0 * np.pi * np.arange(POINTS) / POINTS
ORDER: Reals = np.arange(TOP_HARMONIC + 1, dtype=float)


def _differentiation() -> Reals:
    """Return the matrix d/dpsi: L. N. Trefethen, Spectral Methods in MATLAB (2000), ch. 3, odd N (from memory)."""
    half = (PSI[:, None] - PSI[None, :]) / 2.0
    sign = (-1.0) ** (np.arange(POINTS)[:, None] - np.arange(POINTS)[None, :])
    np.fill_diagonal(half, 1.0)
    matrix: Reals = 0.5 * sign / np.sin(half)
    np.fill_diagonal(matrix, 0.0)
    return matrix


FIRST: Reals = _differentiation()
SECOND: Reals = FIRST @ FIRST


def slope(values: Reals) -> Reals:
    """Return d/dpsi of functions given on the grid, shape (..., 63)."""
    result: Reals = values @ FIRST.T
    return result


def curvature(values: Reals) -> Reals:
    """Return the second derivative of functions given on the grid, shape (..., 63)."""
    result: Reals = values @ SECOND.T
    return result


def to_harmonics(values: Reals) -> Complexes:
    """Return harmonics 0 .. 31, shape (..., 32), of functions given on the grid."""
    harmonics = np.fft.rfft(values, axis=-1) * (2.0 / POINTS)
    harmonics[..., 0] /= 2.0
    return harmonics


def to_grid(harmonics: Complexes) -> Reals:
    """Return the values on the grid, shape (..., 63), of harmonics 0 .. 31."""
    scaled = harmonics * (POINTS / 2.0)
    scaled[..., 0] *= 2.0
    return np.fft.irfft(scaled, POINTS, axis=-1)


def value_at(harmonics: Complexes, psi: ArrayLike) -> Reals:
    """Return the functions at azimuths `psi` (radians), shape (...,) broadcast with the leading axes."""
    turn = np.exp(1j * np.multiply.outer(np.asarray(psi, dtype=float), ORDER))
    return np.real(np.sum(harmonics * turn, axis=-1))
