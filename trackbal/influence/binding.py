"""Which rotor an influence file was made for: what its coefficients are in, compared with the rotor they are read for.

A coefficient of 0.01 is one in the sensor's unit, per the adjuster's unit, at the sensor's
harmonic, for blades at their azimuths. Another rotor file makes another thing of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trackbal.runs.meaning import SAME_SPEED, Difference, differences
from trackbal.runs.rotor import Rotor

OTHER_SPEED = 0.1  # of the speed: what a weight does is then a fifth off (it grows with the square of the speed)
UNBOUND = "The influence file names no units or azimuths: compare with the rotor file."
_REFUSED = ("blade_order", "azimuth", "height_unit", "sensor_unit", "harmonic", "adjuster_unit", "sense")
_SHAPES: dict[str, str] = {
    "rpm": "a rotor speed",
    "blades": "a list of texts",
    "azimuth_deg": "a list of numbers",
    "phase_sense": "a text",
    "height_unit": "a text",
    "sensors": "an object of objects",
    "regimes": "a list of texts",
    "regime_rpm": "an object of rotor speeds",
    "adjusters": "an object of objects",
}


@dataclass(frozen=True)
class Blind:
    """Readings of which an influence file says nothing at all, not even that it is unknown.

    Parameters
    ----------
    vibration : ndarray of bool, shape (R, S)
    height : ndarray of bool, shape (R,)
    """

    vibration: NDArray[np.bool_]
    height: NDArray[np.bool_]

    def and_also(self, other: Blind) -> Blind:
        """Return what both say nothing of."""
        return Blind(self.vibration & other.vibration, self.height & other.height)

    def words(self, rotor: Rotor, vibration: NDArray[np.bool_], height: NDArray[np.bool_]) -> tuple[str, ...]:
        """Return which of some readings these are: "hover", or "hover, tail" where others of the regime are known.

        `vibration`, `height`: the readings asked about, shapes (R, S) and (R,).
        """
        said = []
        for r, regime in enumerate(rotor.regimes):
            names = [s.name for s, b in zip(rotor.sensors, self.vibration[r] & vibration[r], strict=True) if b]
            names += ["tip heights"] if self.height[r] and height[r] else []
            taken = int(vibration[r].sum()) + int(height[r])
            said += [regime.name] if len(names) == taken > 0 else [f"{regime.name}, {name}" for name in names]
        return tuple(said)


def compared(made_for: Mapping[str, Any], rotor: Rotor) -> tuple[list[Difference], list[Difference]]:
    """Return the differences that make another thing of the coefficients, and those that only ought to be known."""
    found = [d for d in differences(made_for, rotor) if "speed" not in d.kind or d.size > SAME_SPEED]
    refused = [d for d in found if d.kind in _REFUSED or (d.kind == "speed" and d.size > OTHER_SPEED)]
    return refused, [d for d in found if d not in refused]


def expected_of(key: str, value: object) -> str:
    """Return what a key of `made_for` should hold, if it does not; nothing if it does, or is not known."""
    return "" if key not in _SHAPES or _fits(_SHAPES[key], value) else _SHAPES[key]


def _fits(shape: str, value: object) -> bool:
    if shape == "a rotor speed":
        return _is_number(value) and isinstance(value, int | float) and 0.0 < value < 1e9
    if shape == "an object of rotor speeds":
        return isinstance(value, dict) and all(_fits("a rotor speed", v) for v in value.values())
    if shape == "a text":
        return isinstance(value, str)
    if shape == "an object of objects":
        return isinstance(value, dict) and all(isinstance(v, dict) for v in value.values())
    if not isinstance(value, list):
        return False
    return all(isinstance(v, str) for v in value) if shape == "a list of texts" else all(map(_is_number, value))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e100
