"""Amplitude and phase as complex phasors, and the units vibration is read in.

Conventions
-----------
Lag: ``v(t) = A cos(h Omega t - phi)``, phi being degrees (of harmonic h) from
the tach pulse to the positive peak; the phasor is ``V = A exp(-i phi)``, so that
``v(t) = Re(V exp(i h Omega t))``. Example: 0.5 ips at 90 degrees is ``-0.5j``.
A rotor whose ``phase_sense`` is "lead" writes minus phi; it is negated on the way
in and out and never seen inside.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

PhaseSense = Literal["lag", "lead"]
PhaseShown = Literal["degrees", "clock"]

STANDARD_GRAVITY = 9.80665  # m/s^2, exact by definition (3rd CGPM, 1901)
MM_PER_INCH = 25.4
METRES_PER_INCH = 0.0254  # exact by definition (international yard and pound, 1959)

#: Vibration unit -> (derivatives of displacement it measures, SI value of one unit's peak).
#: "mil" is read peak-to-peak, so that its peak is half of it.
PEAK_UNITS: dict[str, tuple[int, float]] = {
    "ips": (1, METRES_PER_INCH),
    "mm/s": (1, 1e-3),
    "g": (2, STANDARD_GRAVITY),
    "mil": (0, 0.5 * 1e-3 * METRES_PER_INCH),
}

#: Units a sensor or a sheet's column may be in: those, and root mean square, which of a sinusoid is its peak over
#: sqrt(2) (ISO 2041, from memory); "mil rms" is of the displacement itself, not of its peak-to-peak.
VIBRATION_UNITS: dict[str, tuple[int, float]] = PEAK_UNITS | {
    "ips rms": (1, math.sqrt(2.0) * METRES_PER_INCH),
    "mm/s rms": (1, math.sqrt(2.0) * 1e-3),
    "g rms": (2, math.sqrt(2.0) * STANDARD_GRAVITY),
    "mil rms": (0, math.sqrt(2.0) * 1e-3 * METRES_PER_INCH),
}

#: Height unit -> metres.
HEIGHT_UNITS: dict[str, float] = {"mm": 1e-3, "in": METRES_PER_INCH}


def to_phasor(amplitude: ArrayLike, phase_deg: ArrayLike, sense: PhaseSense = "lag") -> NDArray[np.complex128]:
    """Return the phasor ``A exp(-i phi)`` of amplitude and phase.

    Parameters
    ----------
    amplitude : array_like
        Peak amplitude, any unit, any shape.
    phase_deg : array_like
        Phase in degrees of the harmonic, in `sense`; broadcast against amplitude.
    sense : {"lag", "lead"}
        Lag counts degrees of rotation from the tach pulse to the positive peak.

    Returns
    -------
    ndarray of complex
        In the lag convention, whatever `sense` was.
    """
    turn = -1.0 if sense == "lag" else 1.0
    return np.asarray(amplitude) * np.exp(turn * 1j * np.deg2rad(phase_deg))


def phase_deg(phasor: ArrayLike, sense: PhaseSense = "lag") -> NDArray[np.float64]:
    """Return the phase of a lag-convention phasor in degrees, 0 <= phase < 360, in `sense`."""
    turn = -1.0 if sense == "lag" else 1.0
    degrees = np.asarray(np.mod(turn * np.degrees(np.angle(np.asarray(phasor, dtype=np.complex128))), 360.0))
    return np.where(degrees >= 360.0, 0.0, degrees)  # mod rounds -1e-17 up to 360


def clock_hours(degrees: float) -> str:
    """Return a phase as hours of a clock face, 30 degrees an hour, to the nearest whole degree.

    Examples
    --------
    >>> [clock_hours(degrees) for degrees in (0.0, 135.0, 359.7, 361.0)]
    ['12:00', '4:30', '12:00', '12:02']
    """
    hour, minute = divmod(2 * (round(degrees) % 360), 60)
    return f"{hour or 12}:{minute:02d}"


def unit_factor(unit: str, wanted: str, frequency_hz: float) -> complex:
    """Return the complex factor that turns a phasor in one vibration unit into another.

    ``V[wanted] = factor * V[unit]`` for a sinusoid of `frequency_hz`. Each
    differentiation multiplies a lag-convention phasor by ``i omega``: acceleration
    leads velocity by 90 degrees, displacement lags it by 90 (any vibration text).

    Parameters
    ----------
    unit, wanted : {"ips", "mm/s", "g", "mil"}, or one of them followed by " rms"
        Peak values, except "mil", which is peak-to-peak; root mean square with " rms".
    frequency_hz : float
        Harmonic times rotor speed, in Hz; positive.

    Raises
    ------
    KeyError
        If a unit is not one of VIBRATION_UNITS.
    """
    order, size = VIBRATION_UNITS[unit]
    wanted_order, wanted_size = VIBRATION_UNITS[wanted]
    omega = 2.0 * math.pi * frequency_hz
    return (1j * omega) ** (wanted_order - order) * size / wanted_size


def blade_delays(azimuth_deg: ArrayLike, harmonic: ArrayLike) -> NDArray[np.complex128]:
    """Return ``exp(-i h psi_b)``, by which a sensor of harmonic h sees blade b later than blade 1.

    Parameters
    ----------
    azimuth_deg : array_like, shape (...b)
        Degrees of rotation after blade 1 at which a blade passes.
    harmonic : array_like of int, shape (...h)

    Returns
    -------
    ndarray of complex, shape (...b, ...h)
    """
    psi = np.deg2rad(np.asarray(azimuth_deg, dtype=float))
    return np.exp(-1j * np.multiply.outer(psi, np.asarray(harmonic, dtype=float)))


def blade_harmonic(x: ArrayLike, azimuth_deg: ArrayLike, harmonic: ArrayLike) -> NDArray[np.complex128]:
    """Return ``sum_b x[..., b] exp(-i h psi_b)``, what a sensor of harmonic h sees of x.

    Parameters
    ----------
    x : array_like, shape (..., blades)
        Changes blade by blade.
    azimuth_deg : array_like, shape (blades,)
        Degrees of rotation after blade 1 at which each blade passes.
    harmonic : array_like of int, shape (...h)
        One or several harmonics.

    Returns
    -------
    ndarray of complex, shape (..., ...h)
    """
    return np.tensordot(np.asarray(x, dtype=float), blade_delays(azimuth_deg, harmonic), axes=(-1, 0))
