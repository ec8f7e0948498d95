"""A virtual type of rotor, and aircraft of that type that can be flown, adjusted and flown again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from os import PathLike
from pathlib import Path

import numpy as np

from trackbal.base.errors import InputError, TrackbalError
from trackbal.base.phasor import HEIGHT_UNITS
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals, Run
from trackbal.virtual.airframe import modal_motion
from trackbal.virtual.airloads import Airloads
from trackbal.virtual.blades import BladeFaults, Blades, assemble
from trackbal.virtual.flapping import Motion, hub_loads, periodic_flapping
from trackbal.virtual.grid import to_harmonics, value_at
from trackbal.virtual.instrument import Records, sensor_signal, take_readings, take_records
from trackbal.virtual.physics import Physics
from trackbal.virtual.physics_file import read_physics
from trackbal.virtual.trim import Trim, find_trim
from trackbal.virtual.variation import FAULTS, Fault, draw_faults, draw_settings, draw_source, vary_physics

_TYPES = Path(__file__).parent / "types"


def type_names() -> tuple[str, ...]:
    """Return the names of the types that come with trackbal."""
    return tuple(sorted(p.parent.name for p in _TYPES.glob("*/physics.toml")))


@dataclass(frozen=True)
class VirtualType:
    """A type of rotor: what its crew sees (`rotor`) and the physics behind it."""

    rotor: Rotor
    physics: Physics

    @classmethod
    def load(cls, rotor_file: str | PathLike[str], physics_file: str | PathLike[str]) -> VirtualType:
        """Read rotor.toml and the physics file that belongs to it. Raises InputError."""
        rotor = Rotor.load(rotor_file)
        return cls(rotor, read_physics(physics_file, rotor))

    @classmethod
    def shipped(cls, name: str) -> VirtualType:
        """Return one of the types named by `type_names`. Raises InputError for another name."""
        if name not in type_names():
            raise InputError("virtual types", name, "one of " + ", ".join(type_names()))
        return cls.load(cls.rotor_file(name), _TYPES / name / "physics.toml")

    @staticmethod
    def rotor_file(name: str) -> Path:
        """Return the rotor.toml of a type that comes with trackbal."""
        return _TYPES / name / "rotor.toml"

    def aircraft(self, seed: int, severity: float = 1.0, fault: Fault | None = None) -> Aircraft:
        """Return an aircraft with hidden physics, hidden blade faults and settings as found.

        Parameters
        ----------
        seed : int
            The same seed gives the same aircraft; severity and fault change only the faults.
        severity : float
            Scales the blade faults; 0 for equal blades.
        fault : {"source", "damper"}, optional
            A mechanical fault that no adjustment cures.

        Raises
        ------
        TrackbalError
            If `fault` is not known.
        """
        if fault is not None and fault not in FAULTS:
            raise TrackbalError(f"virtual rotor: fault '{fault}', expected one of {', '.join(FAULTS)}")
        streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(4)]
        physics = vary_physics(self.physics, streams[0])
        blades = len(self.rotor.blades)
        faults = draw_faults(physics, blades, severity, fault, streams[1])
        source = draw_source(physics, fault, streams[2])
        return self._build(physics, faults, source, draw_settings(self.rotor, self.physics, streams[3]))

    def as_drawn(self) -> Aircraft:
        """Return the type's own aircraft: equal blades, no steady source, physics as the file has it."""
        physics, blades = self.physics, len(self.rotor.blades)
        regimes, modes = len(self.rotor.regimes), len(physics.modes.mass_kg)
        faults = draw_faults(physics, blades, 0.0, None, np.random.default_rng(0))
        setting = np.repeat([[a.initial] for a in physics.adjusters], blades, axis=1)
        return self._build(physics, faults, np.zeros((regimes, modes), dtype=complex), setting)

    def _build(self, physics: Physics, faults: BladeFaults, source: Complexes, setting: Reals) -> Aircraft:
        air = Airloads(physics.blade, physics.conditions, physics.density)
        trim = find_trim(air, len(self.rotor.blades))
        return Aircraft(self.rotor, physics, air, trim, faults, source, setting, np.zeros_like(setting))


@dataclass(frozen=True, eq=False)
class Aircraft:
    """One aircraft as it stands. Adjusting returns another; this one stays as it was.

    `setting` (A, B) is what is installed by the books; `change` (A, B) what was truly changed since the
    aircraft was found, with its setting errors. Both in the adjusters' units. The rest is hidden from a crew.
    """

    rotor: Rotor
    physics: Physics
    air: Airloads
    trim: Trim
    faults: BladeFaults
    source: Complexes
    setting: Reals
    change: Reals

    @cached_property
    def blades(self) -> Blades:
        """The blades with faults and adjustments."""
        return assemble(self.physics, self.air, self.trim, self.faults, self.change)

    @cached_property
    def motion(self) -> Motion:
        """Periodic flapping of every blade. Raises TrackbalError if it does not settle."""
        return periodic_flapping(self.air, self.trim, self.blades)

    @cached_property
    def signal(self) -> Complexes:
        """Harmonics of the sensors' signals by azimuth of blade 1, shape (R, S, 32), in their units (peak)."""
        loads = hub_loads(self.air, self.trim, self.blades, self.motion, self.rotor.azimuth_deg)
        omega, modes = self.physics.conditions.omega, self.physics.modes
        motion = np.einsum("ms,rmn->rsn", modes.shape, modal_motion(modes, omega, loads, self.source))
        return sensor_signal(motion, [s.unit for s in self.rotor.sensors], omega)

    @cached_property
    def tip_height(self) -> Reals:
        """Height of each tip as it passes the tracker, in the height unit, shape (R, B), from the hub plane."""
        design = self.physics.blade
        beta = value_at(to_harmonics(self.motion.beta), self.physics.instrument.track_azimuth)
        rise = (1.0 - design.hinge_offset) * design.radius_m * np.sin(beta)
        return (rise + self.blades.built_in) / HEIGHT_UNITS[self.rotor.height_unit]

    def records(self, rng: np.random.Generator | None = None) -> Records:
        """Return one vibration record per regime; with `rng` noisy, as an instrument would take it."""
        instrument, omega = self.physics.instrument, self.physics.conditions.omega
        return take_records(self.signal, self.rotor.harmonics, omega, instrument, rng)

    def fly(
        self,
        rng: np.random.Generator,
        regimes: Sequence[str] | None = None,
        repeats: int = 1,
        noise: bool = True,
    ) -> Run:
        """Return the readings of a run through `regimes` (all if None), each read `repeats` times.

        Raises
        ------
        TrackbalError
            If a regime is not the rotor's, repeats is below 1, or the motion does not settle.
        """
        rotor = self.rotor
        names = [r.name for r in rotor.regimes]
        flown = names if regimes is None else list(regimes)
        for name in flown:
            if name not in names:
                raise TrackbalError(f"virtual rotor: regime '{name}', expected some of {', '.join(names)}")
        if repeats < 1:
            raise TrackbalError(f"virtual rotor: repeats {repeats}, expected at least 1")
        taken = np.array([name in flown for name in names])
        heights_taken = taken & np.array([r.heights for r in rotor.regimes])
        readings = np.stack([self._vibration(rng if noise else None) for _ in range(repeats)])
        heights = np.broadcast_to(self.tip_height, (repeats, *self.tip_height.shape))
        if noise:
            spread = self.physics.instrument.height_m / HEIGHT_UNITS[rotor.height_unit]
            heights = heights + spread * rng.standard_normal(heights.shape)
        heights = heights - heights.mean(axis=-1, keepdims=True)
        vibration, height = readings.mean(axis=0), heights.mean(axis=0)
        squares = np.sum(np.abs(readings - vibration) ** 2, axis=0)
        height_squares = np.sum((heights - height) ** 2, axis=(0, 2))
        rows, tips = taken[:, None], heights_taken[:, None]
        return Run(
            vibration=np.where(rows, vibration, complex(np.nan, np.nan)),
            height=np.where(tips, height, np.nan),
            vibration_count=np.where(rows, np.full(vibration.shape, repeats), 0),
            height_count=np.where(heights_taken, repeats, 0),
            vibration_squares=np.where(rows, squares, 0.0),
            height_squares=np.where(heights_taken, height_squares, 0.0),
            height_taken=np.broadcast_to(tips, height.shape).copy(),
            rpm=np.where(taken, self.physics.conditions.omega * 30.0 / np.pi, np.nan),
            source=f"virtual {rotor.name}",
        )

    def true_run(self, regimes: Sequence[str] | None = None) -> Run:
        """Return the readings without noise."""
        return self.fly(np.random.default_rng(0), regimes, noise=False)

    def _vibration(self, rng: np.random.Generator | None) -> Complexes:
        units = [s.unit for s in self.rotor.sensors]
        amplitude, lag_deg = take_readings(self.records(rng), self.rotor.harmonics, units)
        lag = np.deg2rad(lag_deg)
        return amplitude * (np.cos(lag) - 1j * np.sin(lag))

    def adjust(self, changes: Reals, rng: np.random.Generator | None = None) -> Aircraft:
        """Return the aircraft after adjustments; with `rng`, each is made with its setting error.

        Parameters
        ----------
        changes : ndarray, shape (A, B)
            In the adjusters' units.

        Raises
        ------
        TrackbalError
            If a setting would leave the adjuster's installed range.
        """
        changes = np.asarray(changes, dtype=float)
        if changes.shape != self.setting.shape:
            raise TrackbalError(f"virtual rotor: changes of shape {changes.shape}, expected {self.setting.shape}")
        setting = self.setting + changes
        for a, adjuster in enumerate(self.rotor.adjusters):
            slack = 1e-9 * adjuster.step
            for b, blade in enumerate(self.rotor.blades):
                if changes[a, b] and not adjuster.minimum - slack <= setting[a, b] <= adjuster.maximum + slack:
                    raise TrackbalError(
                        f"virtual rotor: {adjuster.name} of blade {blade} would be {setting[a, b]:g} {adjuster.unit}, "
                        f"expected {adjuster.minimum:g} to {adjuster.maximum:g}"
                    )
        true = changes
        if rng is not None:
            error = np.array([a.setting_error for a in self.physics.adjusters])[:, None]
            true = changes + np.where(changes != 0.0, error * rng.standard_normal(changes.shape), 0.0)
        return replace(self, setting=setting, change=self.change + true)

    def true_influence(self, blade: int = 0) -> tuple[Complexes, Reals]:
        """Return this aircraft's own influence coefficients about its present state.

        Central differences of runs without noise, one step of each adjuster on one blade (by index), turned
        back to blade 1 by that blade's azimuth.

        Returns
        -------
        alpha : ndarray of complex, shape (A, R, S)
            Sensor unit per adjuster unit, lag convention.
        tau : ndarray, shape (A, R)
            Height unit per adjuster unit; nan where heights are not read.
        """
        rotor = self.rotor
        turn = np.exp(1j * rotor.harmonics * np.deg2rad(rotor.azimuth_deg[blade]))
        shape = (len(rotor.adjusters), len(rotor.regimes))
        alpha = np.empty((*shape, len(rotor.sensors)), dtype=complex)
        tau = np.empty(shape)
        for a, adjuster in enumerate(rotor.adjusters):
            change = np.zeros_like(self.change)
            change[a, blade] = adjuster.step
            up = replace(self, change=self.change + change).true_run()
            down = replace(self, change=self.change - change).true_run()
            alpha[a] = (up.vibration - down.vibration) / (2.0 * adjuster.step) * turn
            raised = up.height - down.height  # relative to the mean tip, so blade b rises (1 - 1/N) of its own rise
            tau[a] = raised[:, blade] / (2.0 * adjuster.step) / (1.0 - 1.0 / len(rotor.blades))
        return alpha, tau
