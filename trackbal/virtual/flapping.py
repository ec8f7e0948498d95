"""Periodic flapping of every blade, and the loads it brings to the hub.

Flap about the hinge, prime = d/d(psi), divided by Omega^2 (rigid hinged blade: W. Johnson, Helicopter Theory
(1980), ch. 5; A. R. S. Bramwell, Bramwell's Helicopter Dynamics (2001), ch. 1; both from memory):

    I beta'' + I sin(beta) cos(beta) + e R S sin(beta) + (K beta + K3 beta^3) / Omega^2 = M_aero / Omega^2

Gravity is left out against centrifugal force, as those texts do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.base.errors import TrackbalError
from trackbal.runs.run import Complexes, Reals
from trackbal.virtual.airloads import Airloads
from trackbal.virtual.blades import Blades
from trackbal.virtual.grid import ORDER, PSI, curvature, slope, to_harmonics
from trackbal.virtual.trim import Trim

_TOLERANCE = 1e-12  # rad


@dataclass(frozen=True)
class Motion:
    """Periodic motion of each blade by its own azimuth: `beta`, `rate` and total `pitch`, rad, shape (R, B, K)."""

    beta: Reals
    rate: Reals
    pitch: Reals


def periodic_flapping(air: Airloads, trim: Trim, blades: Blades) -> Motion:
    """Return the flapping that repeats every revolution.

    The equation is met at every azimuth of the grid. Each correction solves the linear equation of the blade
    as drawn, from which the blades differ little, so a handful of corrections is enough.

    Raises
    ------
    TrackbalError
        If the corrections do not die out: the faults or changes are beyond what this model can fly.
    """
    design, omega = air.blade, air.conditions.omega
    to_pitch, to_twist, to_inflow, to_rate = (air.flap_unit * i[:, None] for i in air.flap_integrals)
    steady = design.twist * to_twist - trim.inflow[:, None, None] * to_inflow
    direct = air.flap_unit * blades.direct_flap
    lift, inertia = blades.lift[:, None], blades.inertia[:, None]
    hinge = design.hinge_offset * design.radius_m * blades.span_moment[:, None]
    spring, cubic = (k / (omega**2)[:, None, None] for k in (design.flap_spring, design.flap_cubic))
    cross = air.cross_flow[:, None] * to_inflow
    flown = trim.pitch[:, None] + blades.pitch
    correct = np.swapaxes(trim.flap_inverse, -1, -2)
    beta = np.broadcast_to(trim.coning[:, None, None], flown.shape).copy()
    for _ in range(60):
        sine = np.sin(beta)
        pitch = flown - design.pitch_flap * beta
        moment = lift * (to_pitch * pitch + steady - to_rate * slope(beta) - cross * beta) + direct
        resisting = inertia * (curvature(beta) + sine * np.cos(beta)) + hinge * sine + spring * beta + cubic * beta**3
        step = (moment - resisting) @ correct
        beta += step
        worst = np.abs(step).max()
        if worst < _TOLERANCE:
            return Motion(beta, slope(beta), flown - design.pitch_flap * beta)
        if not worst < 1.0:
            break
    raise TrackbalError(f"virtual rotor: flapping did not settle (last step {worst:.3g} rad); lessen the faults")


def hub_loads(air: Airloads, trim: Trim, blades: Blades, motion: Motion, azimuth_deg: Reals) -> Complexes:
    """Return harmonics of the hub loads in the fixed frame, shape (R, 5, 32), by azimuth of blade 1.

    The order is that of physics.LOADS; N and N m. Each blade mass element moves at r = eR + s cos(beta),
    z = s sin(beta), s from the hinge; what it does to the hub is its airload less mass times acceleration,
    with r'' - r, 2 r' and z'' times Omega^2 the radial, tangential and vertical acceleration in a frame that
    turns (elementary mechanics). A blade passes `azimuth_deg` after blade 1: psi_b = psi_1 - azimuth.
    """
    design, omega2 = air.blade, (air.conditions.omega**2)[:, None, None]
    force = air.force[:, None, None]
    beta, rate = motion.beta, motion.rate
    sine, cosine = np.sin(beta), np.cos(beta)
    on_pitch, on_twist, on_inflow, on_rate = (i[:, None] for i in air.lift_integrals)
    bare = on_pitch * motion.pitch + design.twist * on_twist - trim.inflow[:, None, None] * on_inflow
    bare = bare - on_rate * rate - air.cross_flow[:, None] * on_inflow * beta
    lift = force * (blades.lift[:, None] * bare + blades.direct_lift)
    drag = force * air.drag(motion.pitch, trim.inflow, beta, rate)

    moment = blades.span_moment[:, None]
    offset = design.hinge_offset * design.radius_m
    vertical = lift * cosine - omega2 * moment * curvature(sine)
    held = blades.mass[:, None] * offset
    outward = -lift * sine + omega2 * (held + moment * (cosine - curvature(cosine)))
    with_rotation = -drag - omega2 * (2.0 * moment * slope(cosine) - blades.ahead[..., None])
    flap = offset * vertical + design.flap_spring * beta + design.flap_cubic * beta**3

    out, on = np.cos(PSI), np.sin(PSI)  # towards azimuth 0 and azimuth 90
    loads = np.stack(
        [
            vertical,
            -outward * out + with_rotation * on,
            outward * on + with_rotation * out,
            -flap * out,
            flap * on,
        ],
        axis=2,
    )  # (R, B, 5, K), by the blade's own azimuth
    of_blade = to_harmonics(loads)
    behind = np.exp(-1j * np.multiply.outer(np.deg2rad(azimuth_deg), ORDER))  # (B, 32)
    summed: Complexes = np.einsum("rbln,bn->rln", of_blade, behind)
    return summed
