"""What a virtual rotor is made of: blades, conditions, airframe modes, adjusters, faults.

SI units inside; angles in radians; spanwise stations as a part of the radius. Azimuth psi
counts from the blade position over azimuth 0 in the direction of rotation (on a main rotor:
over the tail), whichever way the rotor turns. Axes of arrays: regimes (R), sensors (S),
blades (B), adjusters (A), airframe modes (M).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.runs.run import Reals

#: Hub loads a mode may pick up. forward: towards azimuth 180; side: towards azimuth 90;
#: pitch: lifts the rim at azimuth 180; roll: lifts the rim at azimuth 90.
LOADS = ("thrust", "forward", "side", "pitch", "roll")


@dataclass(frozen=True)
class BladeDesign:
    """The blade as drawn: uniform, rigid, flapping about a hinge.

    `mass_kg` is that outboard of the hinge; `hinge_offset` and `root_cutout` (where lift
    begins) are parts of the radius; `flap_spring` in N m/rad, `flap_cubic` in N m/rad^3;
    `pitch_flap` is the nose-down pitch per radian of flap-up (tangent of delta-3);
    `control_stiffness`, N m/rad, holds the blade in pitch; `twist` root to tip, rad.
    """

    radius_m: float
    hinge_offset: float
    root_cutout: float
    chord_m: float
    lift_slope: float
    profile_drag: float
    twist: float
    mass_kg: float
    flap_spring: float
    flap_cubic: float
    pitch_flap: float
    control_stiffness: float

    @property
    def span_moment(self) -> float:
        """First moment of mass about the hinge, kg m, of a uniform blade."""
        return self.mass_kg * (1.0 - self.hinge_offset) * self.radius_m / 2.0

    @property
    def inertia(self) -> float:
        """Flap inertia about the hinge, kg m^2, of a uniform blade."""
        return self.mass_kg * ((1.0 - self.hinge_offset) * self.radius_m) ** 2 / 3.0

    def lock_number(self, density: float) -> float:
        """Return gamma = rho a c R^4 / I (G. D. Padfield, Helicopter Flight Dynamics (2007), app. 4B; from memory)."""
        return density * self.lift_slope * self.chord_m * self.radius_m**4 / self.inertia

    def flap_frequency_squared(self, omega: float) -> float:
        """Return nu^2 = 1 + e R S / I + K / (I Omega^2).

        Hinge moments of a rigid blade (A. R. S. Bramwell, Bramwell's Helicopter Dynamics (2001),
        ch. 1; from memory); 1 + 1.5 e / (1 - e) for a uniform blade without a spring.
        """
        hinge = self.hinge_offset * self.radius_m * self.span_moment / self.inertia
        return 1.0 + hinge + self.flap_spring / (self.inertia * omega**2)


@dataclass(frozen=True)
class Conditions:
    """The steady conditions, each array of shape (R,).

    `omega` rad/s; `advance_ratio` mu; `thrust` N; `tilt` rad, the disc's forward tilt against the
    flight path; `cyclic`: cyclic pitch holds the disc square to the shaft; `airborne`: off the ground.
    """

    omega: Reals
    advance_ratio: Reals
    thrust: Reals
    tilt: Reals
    cyclic: NDArray[np.bool_]
    airborne: NDArray[np.bool_]


@dataclass(frozen=True)
class Modes:
    """The airframe's modes of vibration.

    `frequency_hz`, `damping` (of critical), `mass_kg`, shape (M,). The spring's rate rises (or, negative,
    falls) by the part `stiffening` as the motion grows beyond `knee_m`, as mounts and landing gears do.
    `pickup` (M, 5): modal force per hub load in the order of LOADS, moments per metre; `shape` (M, S): motion
    of each sensor per modal motion; `active` (M, R): in which regimes the mode takes part.
    """

    frequency_hz: Reals
    damping: Reals
    mass_kg: Reals
    stiffening: Reals
    knee_m: Reals
    pickup: Reals
    shape: Reals
    active: NDArray[np.bool_]


@dataclass(frozen=True)
class WeightStation:
    """A place for weights: kg per unit, radius (part), metres ahead of the feathering axis."""

    kg_per_unit: float
    radius: float
    chord_offset_m: float


@dataclass(frozen=True)
class PitchLink:
    """A pitch link: nose-up blade pitch, rad per unit."""

    pitch_per_unit: float


@dataclass(frozen=True)
class TrimTab:
    """A tab from station `inner` to `outer`, bent up: a nose-up moment and a small loss of lift.

    `angle_per_unit` rad; `moment_slope`, `lift_slope`: section coefficients per radian of tab.
    """

    angle_per_unit: float
    inner: float
    outer: float
    moment_slope: float
    lift_slope: float


@dataclass(frozen=True)
class AdjusterPhysics:
    """What one adjuster does, and how it is found and set; the last three in the adjuster's unit.

    `setting_error`: standard deviation of what a person sets; `initial` +- `initial_scatter`: found installed.
    """

    part: WeightStation | PitchLink | TrimTab
    setting_error: float
    initial: float
    initial_scatter: float


@dataclass(frozen=True)
class FaultSizes:
    """Standard deviations of the hidden faults of one blade at severity 1, and of steady sources.

    `moment_coefficient`: section pitching moment; `lift`: part of the lift; `chord_moment` kg m ahead of the
    feathering axis; `built_in_m`: tip height of a bent blade; `steady_n`, `source_n`: modal force of the steady
    1/rev source of a sound aircraft, and of the fault "source"; `lag`: rad, blade lag of the fault "damper".
    """

    mass_kg: float
    span_moment: float
    pitch: float
    moment_coefficient: float
    lift: float
    chord_moment: float
    built_in_m: float
    steady_n: float
    source_n: float
    lag: float


@dataclass(frozen=True)
class Variation:
    """Spread of the physics between aircraft: standard deviations, each a part of the value."""

    mode_frequency: float
    mode_damping: float
    mode_mass: float
    mode_pickup: float
    mode_shape: float
    lift_slope: float
    blade_mass: float
    control_stiffness: float
    horn_arm: float
    tab_moment: float


@dataclass(frozen=True)
class Instrument:
    """How readings are taken.

    `tach_azimuth`, `track_azimuth`: rad, where blade 1 makes the tach pulse and where every tip is seen;
    `revolutions` in a record; `broadband` (S,): rms of random vibration, `scatter` (S,): sd of the real and
    of the imaginary part of the once-per-rev (harmonic h) scatter between records, both in the signal's
    unit (peak); `height_m`: sd of one tip.
    """

    tach_azimuth: float
    track_azimuth: float
    revolutions: int
    broadband: Reals
    scatter: Reals
    height_m: float


@dataclass(frozen=True)
class Physics:
    """All a physics file holds."""

    density: float
    blade: BladeDesign
    conditions: Conditions
    modes: Modes
    adjusters: tuple[AdjusterPhysics, ...]
    faults: FaultSizes
    variation: Variation
    instrument: Instrument
