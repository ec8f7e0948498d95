"""The reading noise to go by where too few runs tell it: never none.

Two runs with one adjustment between them fit exactly, whatever their noise: taken at its word
such a fit says that readings have none and that coefficients are exact. So there is a floor:
what the user states in rotor.toml (`noise` of a sensor, `height_noise` of the tips), else
ASSUMED_PART of the limit; and never less than what the last digit written down leaves open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals

#: Standard deviation of one part of a reading, or of one tip, as a part of the limit (of the tip spread), where
#: neither runs nor user say. Our own choice, on the careful side; no published source.
ASSUMED_PART = 0.1
_FINEST = 6  # decimal places looked at


@dataclass(frozen=True)
class NoiseFloor:
    """Standard deviations below which a noise is not believed.

    Parameters
    ----------
    vibration, height : ndarray, shape (R, S) and (R,)
        To go by where runs tell no noise; sd of each part of one reading, and of one tip.
    digit : ndarray, shape (R, S)
        What the last digit written leaves open, however many runs there are; 0 where digits do not show. Of tips,
        which are taken from their mean, digits never show.
    stated, height_stated : ndarray, shape (R, S) and (R,)
        What the user states; 0 where nothing.
    """

    vibration: Reals
    height: Reals
    digit: Reals
    stated: Reals
    height_stated: Reals


def noise_floor(rotor: Rotor, history: History | None = None) -> NoiseFloor:
    """Return the floor of a rotor's readings; digits are those of the history's, if one is given."""
    regimes, sensors = len(rotor.regimes), len(rotor.sensors)
    stated = np.tile([s.noise or 0.0 for s in rotor.sensors], (regimes, 1))
    height_stated = np.full(regimes, rotor.height_noise or 0.0)
    tip_limit = np.where(np.isfinite(rotor.height_limit), rotor.height_limit, 0.0)
    digit = np.zeros((regimes, sensors))
    if history is not None:
        for r in range(regimes):
            for s in range(sensors):
                single = history.vibration_count[:, r, s] == 1
                digit[r, s] = _last_digit(np.abs(history.vibration[single, r, s]))
    vibration = np.where(stated > 0, stated, ASSUMED_PART * rotor.vibration_limit)
    height = np.where(height_stated > 0, height_stated, ASSUMED_PART * tip_limit)
    return NoiseFloor(np.maximum(vibration, digit), height, digit, stated, height_stated)


def _last_digit(values: Reals) -> float:
    """Return the standard deviation of rounding to the digits that values are written with; 0 if that does not show.

    A rounding error is evenly spread over one unit of the last digit: its standard deviation is that over the root
    of 12 (B. N. Taylor and C. E. Kuyatt, NIST Technical Note 1297 (1994), sect. 4.6; from memory).
    """
    if len(values) < 2:
        return 0.0
    for places in range(_FINEST + 1):
        unit = 10.0**-places
        if (np.abs(values / unit - np.rint(values / unit)) < 1e-6).all():
            return float(unit / np.sqrt(12.0))
    return 0.0
