"""How the aircraft of a type depart from it together, and the faults their readings come from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.runs.run import Reals


@dataclass(frozen=True)
class Departures:
    """What the history says of the next aircraft beyond coefficient by coefficient.

    Parameters
    ----------
    regimes, sensors : ndarray, shape (R, R) and (S, S)
        Correlation of the relative departures of vibration coefficients.
    heights : ndarray, shape (R, R)
        The same of the height coefficients between regimes.
    fault : ndarray, shape (A,)
        Root-mean-square difference between blades, found on aircraft as they come, that acts
        as the adjuster does; in the adjuster's unit.
    unexplained : ndarray, shape (S,)
        Root mean square of each part (real, imaginary) of a first reading that no such
        difference explains; sensor unit.
    unexplained_height : float
        The same of one tip's height.
    """

    regimes: Reals
    sensors: Reals
    heights: Reals
    fault: Reals
    unexplained: Reals
    unexplained_height: float

    @classmethod
    def neutral(cls, regimes: int, sensors: int, fault: Reals) -> Departures:
        """Return departures that share nothing, with given faults and nothing unexplained."""
        return cls(np.eye(regimes), np.eye(sensors), np.eye(regimes), fault, np.zeros(sensors), 0.0)
