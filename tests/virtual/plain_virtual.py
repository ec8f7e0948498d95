"""A virtual rotor plain enough to reason about by hand: one stiff mode a direction, no surprises."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trackbal.virtual import VirtualType
from trackbal.virtual.airloads import Airloads
from trackbal.virtual.blades import Blades
from trackbal.virtual.grid import POINTS
from trackbal.virtual.physics import BladeDesign, Conditions
from trackbal.virtual.trim import Trim, find_trim

ROTOR = """
name = "plain"
rpm = 300.0
blades = ["1", "2", "3", "4"]
height_unit = "mm"
[limits]
vibration = 0.2
height_spread = 20.0
{sensors}
[[regimes]]
name = "hover"
label = "Hover"
[[adjusters]]
name = "weight"
kind = "weight"
unit = "g"
step = 10.0
minimum = -2000.0
maximum = 2000.0
[[adjusters]]
name = "link"
kind = "pitch_link"
unit = "flat"
step = 1.0
minimum = -20.0
maximum = 20.0
[[adjusters]]
name = "tab"
kind = "tab"
unit = "deg"
step = 0.5
minimum = -9.0
maximum = 9.0
"""
SENSOR = """
[[sensors]]
name = "{name}"
axis = "lateral"
unit = "{unit}"
harmonic = {harmonic}
"""
PHYSICS = """
[blade]
radius_m = 6.0
hinge_offset = 0.04
root_cutout = 0.2
chord_m = 0.4
lift_slope = 5.7
profile_drag = 0.01
mass_kg = 60.0
control_stiffness_Nm_per_rad = 8000.0
[[regimes]]
name = "hover"
thrust_N = {thrust}
[[modes]]
name = "sideways"
frequency_hz = {frequency}
damping = 0.0001
mass_kg = 1000.0
pickup = {{ side = 1.0 }}
shape = {{ {shape} }}
[[adjusters]]
name = "weight"
kg_per_unit = 0.001
radius = 0.95
setting_error = 1.0
[[adjusters]]
name = "link"
mm_per_unit = 0.15
horn_arm_mm = 200.0
setting_error = 0.05
[[adjusters]]
name = "tab"
deg_per_unit = 1.0
inner = 0.7
outer = 0.8
moment_slope = 0.3
setting_error = 0.1
[faults]
mass_kg = 0.0
span_moment_kgm = 0.0
pitch_deg = 0.0
moment_coefficient = 0.0
lift = 0.0
chord_moment_kgm = 0.0
built_in_mm = 0.0
steady_N = 0.0
source_N = 0.0
lag_deg = 0.0
[variation]
mode_frequency = 0.0
mode_damping = 0.0
mode_mass = 0.0
mode_pickup = 0.0
mode_shape = 0.0
lift_slope = 0.0
blade_mass = 0.0
control_stiffness = 0.0
horn_arm = 0.0
tab_moment = 0.0
[instrument]
tach_azimuth_deg = {tach}
height_noise_mm = 1.5
{noises}
"""


def plain_files(folder, *, units=("mil",), harmonic=1, frequency=500.0, tach=30.0, thrust=0.0):
    """Write rotor.toml and physics.toml of the plain rotor, one sensor per unit; return their paths."""
    names = [f"side_{i}" for i in range(len(units))]
    sensors = "".join(SENSOR.format(name=n, unit=u, harmonic=harmonic) for n, u in zip(names, units, strict=True))
    shape = ", ".join(f"{n} = 1.0" for n in names)
    noises = "".join(f'[[sensors]]\nname = "{n}"\nbroadband = 0.2\nscatter = 0.01\n' for n in names)
    rotor, physics = folder / "rotor.toml", folder / "physics.toml"
    rotor.write_text(ROTOR.format(sensors=sensors))
    physics.write_text(PHYSICS.format(frequency=frequency, tach=tach, thrust=thrust, shape=shape, noises=noises))
    return rotor, physics


def plain_type(folder, **how) -> VirtualType:
    """Return the plain rotor as a virtual type."""
    return VirtualType.load(*plain_files(folder, **how))


def published_blade(
    *,
    inertia: float,
    radius: float,
    chord: float,
    lift_slope: float,
    flap_spring: float = 0.0,
    hinge_offset: float = 0.0,
) -> BladeDesign:
    """Return a uniform blade of a published flap inertia, without cut-out, twist or drag."""
    mass = 3.0 * inertia / (radius * (1.0 - hinge_offset)) ** 2
    return BladeDesign(
        radius_m=radius,
        hinge_offset=hinge_offset,
        root_cutout=hinge_offset,
        chord_m=chord,
        lift_slope=lift_slope,
        profile_drag=0.0,
        twist=0.0,
        mass_kg=mass,
        flap_spring=flap_spring,
        flap_cubic=0.0,
        pitch_flap=0.0,
        control_stiffness=1e9,
    )


def hover_case(
    blade: BladeDesign, omega: float, density: float, pitch: np.ndarray | float, inflow: float
) -> tuple[Airloads, Trim, Blades]:
    """Return one blade in hover with a given pitch by azimuth and a given inflow, instead of a trimmed one."""
    one = np.ones(1)
    conditions = Conditions(omega * one, 0.0 * one, 0.0 * one, 0.0 * one, np.array([False]), np.array([True]))
    air = Airloads(blade, conditions, density)
    trim = replace(
        find_trim(air, 1),
        inflow=inflow * one,
        pitch=np.broadcast_to(np.asarray(pitch, dtype=float), (1, POINTS)),
        coning=0.0 * one,
    )
    zero = np.zeros(1)
    blades = Blades(
        mass=np.array([blade.mass_kg]),
        span_moment=np.array([blade.span_moment]),
        inertia=np.array([blade.inertia]),
        lift=one,
        built_in=zero,
        pitch=np.zeros((1, 1, POINTS)),
        direct_lift=np.zeros((1, 1, POINTS)),
        direct_flap=np.zeros((1, 1, POINTS)),
        ahead=np.zeros((1, 1)),
    )
    return air, trim, blades
