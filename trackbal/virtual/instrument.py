"""Records of vibration as a pick-up and a tach give them, and readings taken from them.

Nothing here knows how the motion came about: a reading is what an instrument can tell from samples of the
signal and the times of the tach pulses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.runs.run import Complexes, Reals
from trackbal.virtual.grid import ORDER
from trackbal.virtual.physics import Instrument

SAMPLES = 64  # a revolution; the highest harmonic of the motion is 31
#: Unit -> (derivatives of displacement, metres or m/s or m/s^2 in one unit, reading over peak). Typed here afresh
#: (1 in = 0.0254 m, 1 g = 9.80665 m/s^2, mil = 0.001 in read peak-to-peak), so that an error elsewhere shows.
_UNITS = {"ips": (1, 0.0254, 1.0), "mm/s": (1, 0.001, 1.0), "g": (2, 9.80665, 1.0), "mil": (0, 2.54e-5, 2.0)}


@dataclass(frozen=True)
class Records:
    """One record per regime: `time_s` (R, J), `signal` (R, S, J) in the sensors' units, `tach_s` (R, P).

    `tach_s`: when blade 1 passed the tach; a record holds whole revolutions and starts anywhere in one.
    """

    time_s: Reals
    signal: Reals
    tach_s: Reals


def sensor_signal(motion: Complexes, units: Sequence[str], omega: Reals) -> Complexes:
    """Return harmonics of the signals in the sensors' units (peak), shape (R, S, 32), of displacements in m."""
    signal = motion.copy()
    for s, unit in enumerate(units):
        order, size, _ = _UNITS[unit]
        signal[:, s] *= (1j * omega[:, None] * ORDER) ** order / size
    return signal


def take_records(
    signal: Complexes,
    harmonics: NDArray[np.int_],
    omega: Reals,
    instrument: Instrument,
    rng: np.random.Generator | None,
) -> Records:
    """Return one record per regime of signals given as harmonics by azimuth of blade 1, shape (R, S, 32).

    With `rng`, the record starts at a random azimuth and holds random vibration and once-per-rev scatter;
    without it, it holds two clean revolutions from azimuth 0.
    """
    regimes, sensors = signal.shape[:2]
    turns = 2 if rng is None else instrument.revolutions
    start = np.zeros(regimes)
    if rng is not None:
        start = rng.uniform(0.0, 2.0 * np.pi, size=(regimes,))
        signal = signal.copy()
        scatter = rng.standard_normal((2, regimes, sensors)) * instrument.scatter
        signal[:, np.arange(sensors), harmonics] += scatter[0] + 1j * scatter[1]
    angle = start[:, None] + 2.0 * np.pi * np.arange(SAMPLES) / SAMPLES  # of blade 1, one revolution
    wave = np.exp(1j * angle[..., None] * ORDER)
    one = np.real(signal @ np.swapaxes(wave, -1, -2))
    samples = np.tile(one, turns)
    if rng is not None:
        samples += rng.standard_normal(samples.shape) * instrument.broadband[:, None]
    time = np.arange(turns * SAMPLES) / SAMPLES * (2.0 * np.pi / omega)[:, None]
    first = np.mod(instrument.tach_azimuth - start, 2.0 * np.pi) / omega
    tach = first[:, None] + np.arange(turns) * (2.0 * np.pi / omega)[:, None]
    return Records(time, samples, tach)


def take_readings(records: Records, harmonics: NDArray[np.int_], units: Sequence[str]) -> tuple[Reals, Reals]:
    """Return amplitude and lag in degrees, shape (R, S), of each sensor's harmonic.

    The signal is correlated with cosine and sine of the angle since the tach pulse over whole revolutions;
    the lag runs from the pulse to the positive peak. "mil" is read peak-to-peak, the rest as peak.
    """
    period = (records.tach_s[:, -1] - records.tach_s[:, 0]) / (records.tach_s.shape[1] - 1)
    angle = 2.0 * np.pi * (records.time_s - records.tach_s[:, :1]) / period[:, None]
    turned = harmonics[:, None] * angle[:, None, :]
    scale = 2.0 / records.time_s.shape[1]
    in_phase = scale * np.sum(records.signal * np.cos(turned), axis=-1)
    in_quadrature = scale * np.sum(records.signal * np.sin(turned), axis=-1)
    factor = np.array([_UNITS[unit][2] for unit in units])
    return factor * np.hypot(in_phase, in_quadrature), np.degrees(np.arctan2(in_quadrature, in_phase))
