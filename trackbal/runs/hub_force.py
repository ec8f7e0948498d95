"""What one unit of a weight pulls at the hub, from its hardware in the rotor file.

F = m r Omega^2 (elementary mechanics), outward along the blade, a weight ahead of the axis by y pulling at ``r + i y``.
"""

from __future__ import annotations

import numpy as np

from trackbal.runs.rotor import Adjuster, Rotor
from trackbal.runs.run import Complexes

#: What a unit of a weight adjuster weighs, kg, where the rotor file does not say.
_KG = {"g": 1e-3, "kg": 1.0, "oz": 0.028349523125, "lb": 0.45359237}


def mass_per_unit(adjuster: Adjuster) -> float | None:
    """Return what one unit of a weight weighs, kg; None for other adjusters and unknown units."""
    if adjuster.kind != "weight":
        return None
    return adjuster.hardware.kg_per_unit or _KG.get(adjuster.unit)


def moment_per_unit(adjuster: Adjuster) -> complex | None:
    """Return the static moment of one unit about the rotor's axis, kg m: outward + i ahead; None if not known.

    Outward is along its blade; a station that passes after it, on the hub between two, is turned back by as much.
    """
    mass, radius, hardware = mass_per_unit(adjuster), adjuster.hardware.radius_m, adjuster.hardware
    if mass is None or radius is None:
        return None
    turn = complex(np.exp(-1j * np.deg2rad(hardware.azimuth_offset_deg)))
    return mass * complex(radius, hardware.ahead_mm / 1e3) * turn


def hub_force_per_unit(rotor: Rotor) -> Complexes:
    """Return the hub force of one unit of each adjuster, N, outward + i ahead, shape (A,); nan where not known."""
    found = np.full(len(rotor.adjusters), complex(np.nan, np.nan))
    for a, adjuster in enumerate(rotor.adjusters):
        moment = moment_per_unit(adjuster)
        if moment is not None:
            found[a] = moment * (rotor.rpm * np.pi / 30.0) ** 2
    return found
