"""Trim of a rotor of equal blades: inflow, collective and cyclic pitch, coning."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.base.errors import TrackbalError
from trackbal.runs.run import Reals
from trackbal.virtual.airloads import Airloads
from trackbal.virtual.grid import FIRST, POINTS, PSI, SECOND


@dataclass(frozen=True)
class Trim:
    """How the rotor is flown in each regime.

    `inflow` (R,): lambda, part of Omega R, down through the disc; `pitch` (R, K): collective and cyclic,
    rad, by azimuth; `coning` (R,): rad; `flap_inverse` (R, K, K): flap angle by azimuth per flap moment over
    Omega^2 (rad per kg m^2) of a blade as drawn, for small angles.
    """

    inflow: Reals
    pitch: Reals
    coning: Reals
    flap_inverse: Reals


def inflow_ratio(thrust_coefficient: Reals, advance_ratio: Reals, tilt: Reals) -> Reals:
    """Return lambda = mu tan(tilt) + C_T / (2 sqrt(mu^2 + lambda^2)), shape (R,).

    Glauert's uniform inflow (J. G. Leishman, Principles of Helicopter Aerodynamics (2006), ch. 2; from memory).
    In hover it is sqrt(C_T / 2). Solved by Newton's rule from the hover value. Raises TrackbalError if it fails.
    """
    push = advance_ratio * np.tan(tilt)
    value = np.sqrt(thrust_coefficient / 2.0) + push + 1e-12
    for _ in range(50):
        speed = np.maximum(np.hypot(advance_ratio, value), 1e-12)  # an idle rotor in still air has none
        miss = value - push - thrust_coefficient / (2.0 * speed)
        step = miss / (1.0 + thrust_coefficient * value / (2.0 * speed**3))
        value = value - step
        if np.all(np.abs(step) < 1e-14):
            return value
    raise TrackbalError(f"virtual rotor: found no steady inflow for C_T {thrust_coefficient}, expected normal flight")


def find_trim(air: Airloads, blades: int) -> Trim:
    """Return the trim of a rotor of equal blades, each as drawn.

    The mean lift is the regime's thrust; where cyclic pitch is used, it holds the disc square to the shaft
    (no once-per-rev flapping); else there is none. Small angles, as the true motion adds little to them.
    """
    design, conditions = air.blade, air.conditions
    disc = np.pi * design.radius_m**2
    coefficient = conditions.thrust / (air.density * disc * (conditions.omega * design.radius_m) ** 2)
    inflow = inflow_ratio(coefficient, conditions.advance_ratio, conditions.tilt)

    flap_pitch, flap_twist, flap_inflow, flap_rate = (air.flap_unit * i for i in air.flap_integrals)
    stiffness = design.inertia * design.flap_frequency_squared(1.0) - design.flap_spring
    diagonal = (
        stiffness
        + (design.flap_spring / conditions.omega**2)[:, None]
        + air.cross_flow * flap_inflow
        + design.pitch_flap * flap_pitch
    )
    matrix = design.inertia * SECOND + flap_rate[..., None] * FIRST + diagonal[..., None] * np.eye(POINTS)
    inverse = np.asarray(np.linalg.inv(matrix), dtype=np.float64)

    basis = np.stack([np.ones(POINTS), np.cos(PSI), np.sin(PSI)], axis=-1)  # (K, 3)
    given = design.twist * flap_twist - inflow[:, None] * flap_inflow
    beta = inverse @ np.concatenate([flap_pitch[..., None] * basis, given[..., None]], axis=-1)  # (R, K, 4)

    lift_pitch, lift_twist, lift_inflow, lift_rate = air.lift_integrals
    pitch = np.concatenate([np.broadcast_to(basis, (*flap_pitch.shape, 3)), np.zeros((*flap_pitch.shape, 1))], axis=-1)
    lift = lift_pitch[..., None] * (pitch - design.pitch_flap * beta)
    lift -= (air.cross_flow * lift_inflow)[..., None] * beta + lift_rate[..., None] * (FIRST @ beta)
    lift[..., 3] += design.twist * lift_twist - inflow[:, None] * lift_inflow
    rows = np.stack([lift.mean(axis=1), np.cos(PSI) @ beta, np.sin(PSI) @ beta], axis=1)  # (R, 3, 4)
    wanted = np.zeros((len(inflow), 3))
    wanted[:, 0] = conditions.thrust / (blades * air.force)
    wanted -= rows[..., 3]
    fixed = ~conditions.cyclic
    rows[fixed, 1:, :3] = np.eye(3)[1:]
    wanted[fixed, 1:] = 0.0
    amount = np.linalg.solve(rows[..., :3], wanted[..., None])[..., 0]
    coning = (beta[..., :3] @ amount[..., None])[..., 0].mean(axis=-1) + beta[..., 3].mean(axis=-1)
    return Trim(inflow, amount @ basis.T, coning, inverse)
