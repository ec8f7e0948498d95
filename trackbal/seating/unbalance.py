"""The permissible residual unbalance of a balance grade, which the user names."""

from __future__ import annotations

import numpy as np


def permissible_unbalance(grade_mm_s: float, mass_kg: float, rpm: float) -> float:
    """Return the permissible residual unbalance of a rotor, kg m.

    ``U = G m / Omega`` with G the grade in mm/s (ISO 21940-11:2016, formerly ISO 1940-1: G = e Omega, e the permissible
    eccentricity; from memory). It is that of the whole rotor; a rotor that is a disc has it in its one plane.
    Which grade applies, if any, is for the user's own manual to say.

    Examples
    --------
    >>> round(1e6 * permissible_unbalance(6.3, 100.0, 3000.0))  # g mm
    2005
    """
    return 1e-3 * grade_mm_s * mass_kg / (rpm * np.pi / 30.0)
