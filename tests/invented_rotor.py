"""An invented four-blade rotor for the tests of sheets and review."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from trackbal.runs.rotor import Adjuster, Regime, Rotor, Sensor

ROTOR = Rotor(
    name="Invented four-blade rotor",
    rpm=240.0,
    blades=("1", "2", "3", "4"),
    azimuth_deg=np.array([0.0, 90.0, 180.0, 270.0]),
    sensors=(
        Sensor("cockpit_vertical", "vertical", "ips"),
        Sensor("cockpit_lateral", "lateral", "ips"),
        Sensor("tail", "vertical", "g", harmonic=2, limit=0.1, stop=0.6),
    ),
    regimes=(
        Regime("flat_pitch", "Flat pitch, on the ground"),
        Regime("hover", "Hover", airborne=True),
        Regime("cruise", "Cruise", airborne=True),
        Regime("descent", "Descent", airborne=True, heights=False),
    ),
    adjusters=(
        Adjuster("tip_weight", "weight", "g", 10.0, 0.0, 600.0, 300.0, "add", "remove"),
        Adjuster("pitch_link", "pitch_link", "flats", 1.0, -12.0, 12.0, 6.0, "lengthen", "shorten"),
    ),
    vibration=0.2,
    vibration_stop=1.2,
    height_spread=20.0,
    height_spread_stop=120.0,
)


def rotor_with(**changes: Any) -> Rotor:
    """Return the invented rotor with some of its fields changed."""
    return replace(ROTOR, **changes)
