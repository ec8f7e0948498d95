"""How the aircraft of a type depart from it together, and how much their blades differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.base.contracts import check_finite, check_not_negative, check_shape
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
    blade_differences : ndarray, shape (A,)
        Blade differences: root mean square of what acts as the adjuster does, on aircraft as they come, in the
        adjuster's unit. (The file's word; no mechanical blade_differences is meant.)
    unexplained : ndarray, shape (S,)
        Root mean square of each part (real, imaginary) of a first reading that no such
        difference explains; sensor unit.
    unexplained_height : float
        The same of one tip's height.
    setting_error : ndarray, shape (A,)
        Root-mean-square error of setting one adjustment, in the adjuster's unit.
    unexplained_alike : ndarray, shape (S,)
        Part of the variance of `unexplained` that regimes share, as far as their departures are alike.
    unexplained_height_alike : float
        The same of the tips.

    Raises
    ------
    ValueError
        If a correlation is not square, or a number is not finite or, of a size, below 0.
    """

    regimes: Reals
    sensors: Reals
    heights: Reals
    blade_differences: Reals
    unexplained: Reals
    unexplained_height: float
    setting_error: Reals
    unexplained_alike: Reals
    unexplained_height_alike: float

    def __post_init__(self) -> None:
        """Check shapes and numbers."""
        sensors = len(self.unexplained)
        check_shape("sensors", self.sensors, (sensors, sensors))
        regimes = len(self.regimes)
        check_shape("regimes", self.regimes, (regimes, regimes))
        check_shape("heights", self.heights, (regimes, regimes))
        for name in ("regimes", "sensors", "heights", "blade_differences", "unexplained", "setting_error"):
            check_finite(name, getattr(self, name))
        check_shape("unexplained_alike", self.unexplained_alike, (sensors,))
        if not (np.all((self.unexplained_alike >= 0.0) & (self.unexplained_alike <= 1.0))):
            raise ValueError(f"unexplained_alike is {self.unexplained_alike}, not parts from 0 to 1")
        if not 0.0 <= self.unexplained_height_alike <= 1.0:
            raise ValueError(f"unexplained_height_alike is {self.unexplained_height_alike}, not a part from 0 to 1")
        for name in ("blade_differences", "unexplained", "setting_error"):
            check_not_negative(name, getattr(self, name))
        if not 0.0 <= self.unexplained_height < np.inf:
            raise ValueError(f"unexplained_height is {self.unexplained_height}, not a finite size")

    @classmethod
    def neutral(cls, regimes: int, sensors: int, blade_differences: Reals) -> Departures:
        """Return departures that share nothing, with given blade differences, (A,), and nothing unexplained."""
        none = np.zeros(sensors), 0.0, np.zeros(len(blade_differences)), np.zeros(sensors), 0.0
        return cls(np.eye(regimes), np.eye(sensors), np.eye(regimes), blade_differences, *none)
