"""The blades as they are on one aircraft: as drawn, plus faults, plus what was adjusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.runs.run import Reals
from trackbal.virtual.airloads import Airloads
from trackbal.virtual.physics import Physics, PitchLink, TrimTab, WeightStation
from trackbal.virtual.trim import Trim

_FAULT_STATION = 0.7  # radius at which unplanned mass sits, part of the radius


@dataclass(frozen=True)
class BladeFaults:
    """Hidden deviations of each blade from the drawing, shape (B,), SI and radians; `lag` is (R, B).

    `lag`: angle by which a blade trails its place, growing with what the regime asks of its damper.
    """

    mass: Reals
    span_moment: Reals
    pitch: Reals
    moment_coefficient: Reals
    lift: Reals
    chord_moment: Reals
    built_in: Reals
    lag: Reals


@dataclass(frozen=True)
class Blades:
    """The blades of one aircraft, ready to be flown.

    `mass` kg, `span_moment` kg m and `inertia` kg m^2 about the hinge, `lift` (part of the design's), `built_in` m:
    shape (B,). `pitch` rad, added to the trim; `direct_lift`, `direct_flap`: lift and flap moment that tabs add
    without pitch, in the units of the lift and flap integrals: shape (R, B, K). `ahead` (R, B): first moment of
    mass ahead of the radial line, kg m.
    """

    mass: Reals
    span_moment: Reals
    inertia: Reals
    lift: Reals
    built_in: Reals
    pitch: Reals
    direct_lift: Reals
    direct_flap: Reals
    ahead: Reals


def assemble(physics: Physics, air: Airloads, trim: Trim, faults: BladeFaults, change: Reals) -> Blades:
    """Return the blades with faults and with `change` made to their adjusters.

    Parameters
    ----------
    change : ndarray, shape (A, B)
        True change since the aircraft was found, in the adjusters' units.
    """
    design = physics.blade
    e, radius = design.hinge_offset, design.radius_m
    shape = (*trim.pitch.shape[:1], len(faults.mass), trim.pitch.shape[-1])
    mass = design.mass_kg + faults.mass
    span_moment = design.span_moment + faults.span_moment
    inertia = design.inertia + faults.span_moment * (_FAULT_STATION - e) * radius
    ahead = faults.chord_moment.copy()
    # Mass ahead of the feathering axis on a coned blade: centrifugal force pulls it down towards the plane of
    # rotation, a nose-down moment dm y r Omega^2 beta0 against the control stiffness (elementary mechanics).
    nose_down = faults.chord_moment * _FAULT_STATION * radius
    section = 0.5 * physics.density * design.chord_m**2 * radius * (physics.conditions.omega * radius) ** 2
    twist_per_moment = (section / design.control_stiffness)[:, None]  # elastic nose-up pitch, (R, 1)
    pitch = np.zeros(shape) + faults.pitch[:, None]
    whole = air.dynamic_pressure(design.root_cutout, 1.0)
    pitch += (twist_per_moment * whole)[:, None] * faults.moment_coefficient[:, None]
    direct_lift, direct_flap = np.zeros(shape), np.zeros(shape)

    for adjuster, x in zip(physics.adjusters, change, strict=True):
        part = adjuster.part
        if isinstance(part, WeightStation):
            added = part.kg_per_unit * x
            arm = (part.radius - e) * radius
            mass = mass + added
            span_moment = span_moment + added * arm
            inertia = inertia + added * arm**2
            ahead = ahead + added * part.chord_offset_m
            nose_down = nose_down + added * part.chord_offset_m * part.radius * radius
        elif isinstance(part, PitchLink):
            pitch += part.pitch_per_unit * x[:, None]
        elif isinstance(part, TrimTab):
            # A tab's moment grows with the local dynamic pressure, so its pitch grows with speed and is
            # largest on the advancing side; its own lift acts on its span only.
            angle = part.angle_per_unit * x[:, None]
            pressure = air.dynamic_pressure(part.inner, part.outer)
            pitch += (twist_per_moment * pressure)[:, None] * (part.moment_slope * angle)
            direct_lift += pressure[:, None] * (part.lift_slope / design.lift_slope * angle)
            armed = air.dynamic_pressure(part.inner, part.outer, arm=True)
            direct_flap += armed[:, None] * (part.lift_slope / design.lift_slope * angle)
    pull = (physics.conditions.omega**2 * trim.coning / design.control_stiffness)[:, None]
    pitch -= (pull * nose_down)[..., None]
    return Blades(
        mass=mass,
        span_moment=span_moment,
        inertia=inertia,
        lift=1.0 + faults.lift,
        built_in=faults.built_in,
        pitch=pitch,
        direct_lift=direct_lift,
        direct_flap=direct_flap,
        ahead=ahead - faults.lag * span_moment,
    )
