"""How the aircraft of a type depart from it together, and how much their blades differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.base.contracts import check_finite, check_not_negative, check_shape
from trackbal.runs.run import Reals

#: What a file that does not say believes of `blades_unlike`: as if on one aircraft in ten blades answered 10 % unlike
#: each other. Past jobs whose blades answer alike say that it is next to nothing, and nothing of an aircraft that is
#: not so; our own choice, what it costs and gains is measured in docs/closed_loop.md; no published source.
BLADES_UNLIKE = 0.03


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
    noise_alone : ndarray, shape (S,)
        Part of the squared noise of a reading (Influence.vibration_noise) that is its own, setting errors apart:
        a fit reading by reading takes what they do to it for noise too.
    noise_height_alone : float
        The same of the tips.
    blades_unlike : float
        Root mean square, as a part of the type's coefficients, by which one blade answers an adjuster otherwise than
        the aircraft's other blades, the same in all its readings. Believed, not found from past jobs: see
        BLADES_UNLIKE.

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
    noise_alone: Reals
    noise_height_alone: float
    blades_unlike: float = BLADES_UNLIKE

    def __post_init__(self) -> None:
        """Check shapes and numbers."""
        sensors = len(self.unexplained)
        check_shape("sensors", self.sensors, (sensors, sensors))
        regimes = len(self.regimes)
        check_shape("regimes", self.regimes, (regimes, regimes))
        check_shape("heights", self.heights, (regimes, regimes))
        for name in ("regimes", "sensors", "heights", "blade_differences", "unexplained", "setting_error"):
            check_finite(name, getattr(self, name))
        for name in ("unexplained_alike", "noise_alone"):
            parts = getattr(self, name)
            check_shape(name, parts, (sensors,))
            if not np.all((parts >= 0.0) & (parts <= 1.0)):
                raise ValueError(f"{name} is {parts}, not parts from 0 to 1")
        for name in ("unexplained_height_alike", "noise_height_alone"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} is {getattr(self, name)}, not a part from 0 to 1")
        for name in ("blade_differences", "unexplained", "setting_error"):
            check_not_negative(name, getattr(self, name))
        for name in ("unexplained_height", "blades_unlike"):
            if not 0.0 <= getattr(self, name) < np.inf:
                raise ValueError(f"{name} is {getattr(self, name)}, not a finite size")

    @classmethod
    def neutral(cls, regimes: int, sensors: int, blade_differences: Reals) -> Departures:
        """Return departures that share nothing, with given blade differences, (A,), and nothing unexplained."""
        none = np.zeros(sensors), 0.0, np.zeros(len(blade_differences)), np.zeros(sensors), 0.0, np.ones(sensors), 1.0
        return cls(np.eye(regimes), np.eye(sensors), np.eye(regimes), blade_differences, *none)
