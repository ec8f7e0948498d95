"""The readings of a run as one vector, and what adjusters and departures make of it.

In units of their limits (half the spread limit for heights): real parts of the vibration cells read, imaginary parts,
heights regime by regime.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.type_model import TypeModel
from trackbal.base.covariance import centring
from trackbal.base.phasor import blade_harmonic
from trackbal.base.sampling import evenly_spaced
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Counts, Reals, Run


@dataclass(frozen=True)
class Entries:
    """The readings taken in one run, as a vector of D entries in units of the limits.

    Parameters
    ----------
    regime, sensor : ndarray of int, shape (C,)
        Vibration cells read.
    height_regime : ndarray of int, shape (H,)
    values : ndarray, shape (D,), D = 2C + H B
    effect : ndarray, shape (D, A * B)
        What the type's coefficients make of a unit of each adjuster on each blade.
    noise : ndarray, shape (D,)
        Variance of the run's mean reading; `single` that of one reading.
    """

    regime: Counts
    sensor: Counts
    height_regime: Counts
    values: Reals
    effect: Reals
    noise: Reals
    single: Reals

    @cached_property
    def blades(self) -> int:
        """Tips of a regime; 0 where no heights were read."""
        heights = len(self.height_regime)
        return (self.values.size - 2 * len(self.regime)) // heights if heights else 0

    @cached_property
    def is_height(self) -> NDArray[np.bool_]:
        """Which entries are tip heights, shape (D,)."""
        return np.arange(self.values.size) >= 2 * len(self.regime)

    @cached_property
    def told(self) -> NDArray[np.bool_]:
        """Of which entries the type's coefficients tell anything, shape (D,)."""
        return np.asarray(self.effect.any(axis=1))

    @cached_property
    def regime_of(self) -> Counts:
        """Regime of each entry, shape (D,)."""
        return np.concatenate([self.regime, self.regime, np.repeat(self.height_regime, self.blades)])

    @cached_property
    def sensor_of(self) -> Counts:
        """Sensor of each entry, shape (D,); 0 for heights."""
        tips = np.zeros(len(self.height_regime) * self.blades, dtype=int)
        return np.concatenate([self.sensor, self.sensor, tips])

    @cached_property
    def part_of(self) -> Counts:
        """Real part 0 or imaginary part 1 of a sensor, or the tip, shape (D,)."""
        cells = np.repeat([0, 1], len(self.regime))
        return np.concatenate([cells, np.tile(np.arange(self.blades), len(self.height_regime))])

    def thinned(self, most: int, blades: int) -> Entries:
        """Return at most about `most` entries: vibration cells and regimes of heights, evenly spaced."""
        cells, regimes = len(self.regime), len(self.height_regime)
        if self.values.size <= most:
            return self
        share = most / self.values.size
        kept, tips = _evenly(cells, share), _evenly(regimes, share)
        heights = (2 * cells + blades * tips[:, None] + np.arange(blades)).ravel()
        rows = np.concatenate([kept, cells + kept, heights])
        return Entries(
            self.regime[kept],
            self.sensor[kept],
            self.height_regime[tips],
            self.values[rows],
            self.effect[rows],
            self.noise[rows],
            self.single[rows],
        )


def _evenly(count: int, share: float) -> Counts:
    """Return about a share of 0 ... count - 1, evenly spaced, at least one of any."""
    return evenly_spaced(count, max(1, int(count * share)))


@dataclass(frozen=True)
class RunEntries:
    """A run as the posterior holds it.

    Parameters
    ----------
    job : int
        Which job, numbered from 0; the present one is the last.
    entries : Entries
    change : ndarray, shape (A, B)
        Adjustments made before it since the job's first run.
    error : ndarray, shape (A B,)
        Variance of what those were set wrong by.
    basis : ndarray, shape (D, 3A, A B)
        What the coordinates of delta make of a unit of each adjuster on each blade.
    """

    job: int
    entries: Entries
    change: Reals
    error: Reals
    basis: Reals


def entries_of(model: TypeModel, run: Run) -> Entries:
    """Return the readings of a run as a vector in units of the limits."""
    rotor, influence = model.rotor, model.influence
    blades = len(rotor.blades)
    regime, sensor = np.nonzero(run.vibration_read)
    height_regime = np.flatnonzero(run.height_read)
    limit = rotor.vibration_limit[regime, sensor]
    half_spread = rotor.height_limit[height_regime] / 2.0
    alpha = influence.alpha[:, regime, sensor].T / limit[:, None]
    vibration = np.einsum("ca,cb->cab", alpha, delays(rotor, sensor)).reshape(
        regime.size, influence.tau.shape[0] * blades
    )
    centred = centring(blades)
    tau = influence.tau[:, height_regime].T / half_spread[:, None]
    heights = np.einsum("ha,cb->hcab", tau, centred).reshape(
        height_regime.size * blades, influence.tau.shape[0] * blades
    )
    value = run.vibration[regime, sensor] / limit
    tips = (run.height[height_regime] / half_spread[:, None]).ravel()
    alone, tips_alone = np.sqrt(model.departures.noise_alone[sensor]), np.sqrt(model.departures.noise_height_alone)
    sd = alone * influence.vibration_noise[regime, sensor] / limit
    tip_sd = tips_alone * np.repeat(influence.height_noise[height_regime] / half_spread, blades)
    single = np.concatenate([sd, sd, tip_sd]) ** 2
    count = run.vibration_count[regime, sensor]
    counts = np.concatenate([count, count, np.repeat(run.height_count[height_regime], blades)])
    return Entries(
        regime,
        sensor,
        height_regime,
        np.concatenate([value.real, value.imag, tips]),
        np.concatenate([vibration.real, vibration.imag, heights]),
        single / np.maximum(counts, 1),
        single,
    )


def basis_of(model: TypeModel, entries: Entries) -> Reals:
    """Return what the coordinates of delta make of a unit of each adjuster on each blade, (D, 3A, A B).

    Coordinates are (2A) of vibration, then (A) of heights.
    """
    rotor = model.rotor
    regime, sensor, height_regime = entries.regime, entries.sensor, entries.height_regime
    adjusters, blades, cells = model.height_root.shape[-1], len(rotor.blades), len(regime)
    root = model.root[regime, sensor] / rotor.vibration_limit[regime, sensor][:, None, None]
    moved = np.einsum("cb,caf->cfab", delays(rotor, sensor), root[:, 0::2] + 1j * root[:, 1::2])
    centred = centring(blades)
    tau = model.height_root[height_regime] / (rotor.height_limit[height_regime] / 2.0)[:, None, None]
    basis = np.zeros((entries.values.size, 3 * adjusters, adjusters * blades))
    basis[: 2 * cells, : 2 * adjusters] = np.concatenate([moved.real, moved.imag]).reshape(
        2 * cells, 2 * adjusters, adjusters * blades
    )
    basis[2 * cells :, 2 * adjusters :] = np.einsum("haf,cb->hcfab", tau, centred).reshape(
        len(height_regime) * blades, adjusters, adjusters * blades
    )
    return basis


def delays(rotor: Rotor, sensor: Counts) -> Complexes:
    """Return what each blade's own part of a reading is turned by, (C, B), for the sensors (C,) of some cells."""
    return blade_harmonic(np.eye(len(rotor.blades)), rotor.azimuth_deg, rotor.harmonics).T[sensor]
