"""What is known of a type, ready for the posterior of any of its aircraft."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.base.covariance import symmetric_root
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals


@dataclass(frozen=True)
class TypeModel:
    """What is known of the type, ready for any of its aircraft.

    Parameters
    ----------
    root : ndarray, shape (R, S, 2A, 2A)
        ``root @ root.T`` is the covariance of (re, im) of delta; whatever departs in equal
        proportion in two cells has equal coordinates in front of their roots.
    height_root : ndarray, shape (R, A, A)
    own, height_own : ndarray, shape (R, S, 2A) and (R, A)
        Part of the variance of each coordinate that is its cell's own; the rest goes together in all cells, as far as
        they are alike.
    """

    rotor: Rotor
    influence: Influence
    departures: Departures
    root: Reals
    height_root: Reals
    own: Reals
    height_own: Reals

    @classmethod
    def of(cls, rotor: Rotor, influence: Influence, departures: Departures) -> TypeModel:
        """Return the model of a type."""
        turn, turned_mean = _phase_turns(influence.alpha), influence.mean_vibration_cov
        turned = turn @ influence.vibration_cov @ turn.swapaxes(-1, -2)
        root = turn.swapaxes(-1, -2) @ symmetric_root(turned)
        if turned_mean is not None:
            turned_mean = turn @ turned_mean @ turn.swapaxes(-1, -2)
        height_root = symmetric_root(influence.height_cov)
        own = _own_part(turned, turned_mean, influence.aircraft)
        height_own = _own_part(influence.height_cov, influence.mean_height_cov, influence.aircraft)
        return cls(rotor, influence, departures, root, height_root, own, height_own)


def _own_part(cov: Reals, mean_cov: Reals | None, aircraft: float | None) -> Reals:
    """Return the part of each coefficient's variance that is its cell's own, (..., n), from covariances (..., n, n).

    The error of the type's coefficients has two parts: what the aircraft of the record happen to depart by, about the
    spread over their number, goes together from cell to cell as departures do; what comes of the noise of past
    readings does not. 0 where a file does not tell.
    """
    total = np.einsum("...ii->...i", cov)
    if mean_cov is None or aircraft is None:
        return np.zeros_like(total)
    mean = np.minimum(np.einsum("...ii->...i", mean_cov), total)
    own = np.maximum(mean - (total - mean) / max(aircraft, 1.0), 0.0)
    return np.divide(own, total, out=np.zeros_like(total), where=total > 0.0)


def _phase_turns(alpha: Complexes) -> Reals:
    """Return the rotations, (R, S, 2A, 2A), that turn each coefficient's phase to 0."""
    adjusters, regimes, sensors = alpha.shape
    unit = np.exp(1j * np.angle(np.moveaxis(alpha, 0, -1)))
    turn = np.zeros((regimes, sensors, 2 * adjusters, 2 * adjusters))
    even, odd = np.arange(0, 2 * adjusters, 2), np.arange(1, 2 * adjusters, 2)
    turn[..., even, even] = turn[..., odd, odd] = unit.real
    turn[..., even, odd] = unit.imag
    turn[..., odd, even] = -unit.imag
    return turn
