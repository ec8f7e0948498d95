"""What differs from aircraft to aircraft: the physics, the blades' faults, what was found installed."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals
from trackbal.virtual.blades import BladeFaults
from trackbal.virtual.physics import AdjusterPhysics, Physics, PitchLink, TrimTab

#: Mechanical faults that no adjustment cures. "source": something other than the rotor shakes once per rev;
#: "damper": one blade trails its place, more so under load and at speed.
Fault = Literal["source", "damper"]
FAULTS: tuple[Fault, ...] = ("source", "damper")


def vary_physics(physics: Physics, rng: np.random.Generator) -> Physics:
    """Return the physics of one aircraft of the type: lengths, masses and stiffnesses differ, never coefficients."""
    spread = physics.variation

    def factor(part: float, shape: tuple[int, ...] = ()) -> Reals:
        return np.exp(part * rng.standard_normal(shape))

    modes = physics.modes
    shape = modes.frequency_hz.shape
    modes = replace(
        modes,
        frequency_hz=modes.frequency_hz * factor(spread.mode_frequency, shape),
        damping=modes.damping * factor(spread.mode_damping, shape),
        mass_kg=modes.mass_kg * factor(spread.mode_mass, shape),
        pickup=modes.pickup * factor(spread.mode_pickup, modes.pickup.shape),
        shape=modes.shape * factor(spread.mode_shape, modes.shape.shape),
    )
    blade = replace(
        physics.blade,
        lift_slope=physics.blade.lift_slope * float(factor(spread.lift_slope)),
        mass_kg=physics.blade.mass_kg * float(factor(spread.blade_mass)),
        control_stiffness=physics.blade.control_stiffness * float(factor(spread.control_stiffness)),
    )
    horn, tab = float(factor(spread.horn_arm)), float(factor(spread.tab_moment))

    def varied(adjuster: AdjusterPhysics) -> AdjusterPhysics:
        part = adjuster.part
        if isinstance(part, PitchLink):
            return replace(adjuster, part=PitchLink(part.pitch_per_unit / horn))
        if isinstance(part, TrimTab):
            return replace(adjuster, part=replace(part, moment_slope=part.moment_slope * tab))
        return adjuster

    return replace(physics, modes=modes, blade=blade, adjusters=tuple(varied(a) for a in physics.adjusters))


def draw_faults(
    physics: Physics, blades: int, severity: float, fault: Fault | None, rng: np.random.Generator
) -> BladeFaults:
    """Return the hidden faults of the blades, in proportion to `severity`."""
    size = physics.faults

    def spread(deviation: float) -> Reals:
        return severity * deviation * rng.standard_normal(blades)

    conditions = physics.conditions
    lag = np.zeros((len(conditions.omega), blades))
    drawn = BladeFaults(
        mass=spread(size.mass_kg),
        span_moment=spread(size.span_moment),
        pitch=spread(size.pitch),
        moment_coefficient=spread(size.moment_coefficient),
        lift=spread(size.lift),
        chord_moment=spread(size.chord_moment),
        built_in=spread(size.built_in_m),
        lag=lag,
    )
    trailing = int(rng.integers(blades))
    if fault == "damper":
        load = conditions.thrust / max(conditions.thrust.max(), 1.0)
        lag[:, trailing] = size.lag * (0.4 * load + 3.0 * conditions.advance_ratio)  # our own choice of how it grows
    return drawn


def draw_source(physics: Physics, fault: Fault | None, rng: np.random.Generator) -> Complexes:
    """Return the once-per-rev modal force that comes from no blade, N, shape (R, M), unlike in every regime."""
    size = physics.faults.source_n if fault == "source" else physics.faults.steady_n
    modes, regimes = len(physics.modes.mass_kg), len(physics.conditions.omega)
    modal = rng.standard_normal(modes) + 1j * rng.standard_normal(modes)
    turn = 0.4 if fault == "source" else 0.3
    regime = np.exp(turn * (rng.standard_normal(regimes) + 1j * rng.standard_normal(regimes)))
    if fault == "source":  # never a harmless draw
        modal *= np.sqrt(2.0 * modes) / np.linalg.norm(modal)
    force: Complexes = size / np.sqrt(2.0) * np.multiply.outer(regime, modal)
    return force


def draw_settings(rotor: Rotor, physics: Physics, rng: np.random.Generator) -> Reals:
    """Return what is found installed, shape (A, B): whole steps inside the adjusters' ranges."""
    found = np.empty((len(rotor.adjusters), len(rotor.blades)))
    for row, adjuster, varied in zip(found, rotor.adjusters, physics.adjusters, strict=True):
        steps = np.rint(varied.initial_scatter * rng.standard_normal(len(row)) / adjuster.step)
        low = np.ceil((adjuster.minimum - varied.initial) / adjuster.step - 1e-9)
        high = np.floor((adjuster.maximum - varied.initial) / adjuster.step + 1e-9)
        row[:] = varied.initial + np.clip(steps, low, high) * adjuster.step
    return found
