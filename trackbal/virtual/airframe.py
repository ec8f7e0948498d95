"""The airframe's answer to hub loads: a few modes, each a damped oscillator.

m (q'' + 2 zeta w q' + w^2 q (1 + s q^2 / (q^2 + k^2))) = modal force, dots over time; s the stiffening,
k the knee (single mode: J. P. Den Hartog, Mechanical Vibrations (1956), ch. 2; from memory; the spring that
stiffens to a bounded extent is our own choice). The mean is left out: q counts from the trimmed position.
"""

from __future__ import annotations

import numpy as np

from trackbal.base.errors import TrackbalError
from trackbal.runs.run import Complexes, Reals
from trackbal.virtual.grid import ORDER, to_grid, to_harmonics
from trackbal.virtual.physics import Modes


def modal_motion(modes: Modes, omega: Reals, loads: Complexes, source: Complexes) -> Complexes:
    """Return harmonics of the modal motion, m, shape (R, M, 32), by azimuth of blade 1.

    Parameters
    ----------
    omega : ndarray, shape (R,)
        Rotor speed, rad/s.
    loads : ndarray of complex, shape (R, 5, 32)
        Harmonics of the hub loads.
    source : ndarray of complex, shape (R, M)
        Once-per-rev modal force that comes from no blade, N.

    Raises
    ------
    TrackbalError
        If the motion does not settle.
    """
    force: Complexes = np.einsum("ml,rln->rmn", modes.pickup, loads)
    force[..., 1] += source
    force[..., 0] = 0.0
    natural = (2.0 * np.pi * modes.frequency_hz)[:, None]
    forcing = (omega[:, None] * ORDER)[:, None, :]
    impedance = modes.mass_kg[:, None] * (natural**2 - forcing**2 + 2j * modes.damping[:, None] * natural * forcing)
    compliance = modes.active.T[..., None] / impedance
    rate = (modes.mass_kg * natural[:, 0] ** 2 * modes.stiffening)[:, None]
    knee2 = (modes.knee_m**2)[:, None]
    motion: Complexes = compliance * force
    if not np.any(modes.stiffening):
        return motion
    share, before = 1.0, np.inf
    for _ in range(300):
        q = to_grid(motion)
        stiffer = to_harmonics(rate * q**3 / (q**2 + knee2))
        stiffer[..., 0] = 0.0
        step = compliance * (force - stiffer) - motion
        change = np.abs(step).max()
        if change < 1e-13:
            return motion
        if change > before:  # near resonance a full step overshoots
            share *= 0.5
        motion = motion + share * step
        before = change
    raise TrackbalError(
        f"virtual rotor: airframe motion did not settle (last change {change:.3g} m); lessen the faults"
    )
