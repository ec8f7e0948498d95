"""Textbook estimates from what a rotor file says of blades and hardware, for a first run without past runs.

What a blade does by itself follows from its own data: how far a pitch link lifts its tip, how hard a
weight pulls at the hub. What the airframe makes of a hub force does not, and is not guessed: vibration
coefficients stay unknown. All of it is labelled an estimate, with a wide covariance.

**Tip height.** Flap moments of one blade balance about its hinge; of a pitch change theta, steady in hover,

    I nu^2 beta = (gamma / 2) k theta I,   k = integral_e^1 x^2 (x - e) dx = 1/4 - e/3 + e^4/12

with the Lock number gamma = rho a c R^4 / I, for e = 0 the textbook gamma theta / 8 (L. N. Sankar, Helicopter
Aerodynamics lectures, Coning Angle in Hover; the integral with a hinge offset by the same balance), and
nu^2 = 1 + e R S / I + K / (I Omega^2) (W. Johnson, Helicopter Theory (1980), ch. 5; from memory). The tip rises by
(1 - e) R beta. In forward flight a pitch change also tilts the blade's own path, and what a tracker sees of it
depends on speed and on where it looks: from once to some two and a half times as much.

The hub force of a weight stands in ``runs/hub_force.py``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trackbal.base.phasor import HEIGHT_UNITS
from trackbal.influence.coefficients import Influence
from trackbal.runs.hub_force import hub_force_per_unit
from trackbal.runs.meaning import meaning
from trackbal.runs.reading_noise import noise_floor
from trackbal.runs.rotor import Adjuster, BladeData, Rotor
from trackbal.runs.run import Reals

SOURCE = "textbook estimates from the rotor file"
AIR_DENSITY = 1.225  # kg/m^3, standard atmosphere at sea level
_GROUND_SD = 0.3  # of the estimate; our own choice, wide
_FLIGHT_MEAN, _FLIGHT_SD = 1.5, 0.75  # the same in flight: once to some two and a half times the hover estimate
_GRAVITY = 9.80665


@dataclass(frozen=True)
class Blade:
    """What follows from blade data: inertia about the hinge, Lock number, flap frequency squared over rotor speed."""

    inertia: float
    lock_number: float
    frequency_squared: float


def blade_of(data: BladeData, rpm: float) -> Blade | None:
    """Return what blade data come to; None if they do not give a Lock number and an inertia or moment.

    A blade of which only the mass is known is taken to be uniform: S = m l / 2, I = m l^2 / 3 about the hinge, with
    l = (1 - e) R; of which the first moment is known too, I = 2 S l / 3.
    """
    length = (1.0 - data.flap_hinge_offset) * data.radius_m
    moment = data.static_moment_kgm
    if moment is None and data.mass_kg is not None:
        moment = data.mass_kg * length / 2.0
    inertia = data.flap_inertia_kgm2
    if inertia is None and moment is not None:
        inertia = 2.0 * moment * length / 3.0
    lock = data.lock_number
    lift = None if data.chord_m is None else AIR_DENSITY * data.lift_slope * data.chord_m * data.radius_m**4
    if lock is None and lift is not None and inertia is not None:
        lock = lift / inertia
    if inertia is None and lift is not None and lock is not None:
        inertia = lift / lock
    if lock is None or (inertia is None and data.flap_spring_Nm_per_rad > 0.0):
        return None
    share = 1.5 * data.flap_hinge_offset / (1.0 - data.flap_hinge_offset)  # e R S / I of a uniform blade
    if inertia is not None and moment is not None:
        share = data.flap_hinge_offset * data.radius_m * moment / inertia
    spring = 0.0 if inertia is None else data.flap_spring_Nm_per_rad / (inertia * (rpm * np.pi / 30.0) ** 2)
    return Blade(float("nan") if inertia is None else inertia, lock, 1.0 + share + spring)


def tip_rise(data: BladeData, blade: Blade) -> float:
    """Return how far the tip rises, in metres per radian of blade pitch, steady in hover."""
    e = data.flap_hinge_offset
    k = 1.0 / 4.0 - e / 3.0 + e**4 / 12.0
    return (1.0 - e) * data.radius_m * blade.lock_number / 2.0 * k / blade.frequency_squared


def pitch_per_unit(adjuster: Adjuster) -> float | None:
    """Return the blade pitch, in radians, that one unit of a pitch link makes; None if its hardware does not say."""
    hardware = adjuster.hardware
    if adjuster.kind != "pitch_link" or hardware.thread_pitch_mm is None or hardware.arm_mm is None:
        return None
    return hardware.thread_pitch_mm / hardware.units_per_turn / hardware.arm_mm


def rule_of_thumb(rotor: Rotor) -> Reals:
    """Return the trial weight of the old rule, in each adjuster's unit, shape (A,); nan where not known.

    Its force at speed is a tenth of the rotor's weight (common practice, no published source); here of the blades'.
    """
    data = rotor.blade_data
    if data is None or data.mass_kg is None:
        return np.full(len(rotor.adjusters), np.nan)
    weight = len(rotor.blades) * data.mass_kg * _GRAVITY
    return np.asarray(0.1 * weight / np.abs(hub_force_per_unit(rotor)))


def tip_heights(rotor: Rotor) -> tuple[Reals, Reals]:
    """Return what one unit of each adjuster does to a tip's height: mean and standard deviation, (A, R) each.

    In the rotor's height unit, up positive; nan where it is not known.
    """
    mean = np.full((len(rotor.adjusters), len(rotor.regimes)), np.nan)
    sd = mean.copy()
    blade = None if rotor.blade_data is None else blade_of(rotor.blade_data, rotor.rpm)
    if blade is None or rotor.blade_data is None:
        return mean, sd
    rise = tip_rise(rotor.blade_data, blade) / HEIGHT_UNITS[rotor.height_unit]
    airborne = np.array([regime.airborne for regime in rotor.regimes])
    for a, adjuster in enumerate(rotor.adjusters):
        pitch = pitch_per_unit(adjuster)
        if pitch is not None:
            mean[a] = rise * pitch * np.where(airborne, _FLIGHT_MEAN, 1.0)
            sd[a] = rise * pitch * np.where(airborne, _FLIGHT_SD, _GROUND_SD)
    return mean, sd


def textbook_influence(rotor: Rotor) -> Influence:
    """Return what is known of a rotor before any run: tip heights of pitch links where data give them, else nothing.

    Vibration is unknown everywhere; the noise is the floor of reading_noise.py.
    """
    adjusters, regimes, sensors = len(rotor.adjusters), len(rotor.regimes), len(rotor.sensors)
    mean, sd = tip_heights(rotor)
    known = np.isfinite(mean) & [regime.heights for regime in rotor.regimes]
    floor = noise_floor(rotor)
    height_cov = np.zeros((regimes, adjusters, adjusters))
    index = np.arange(adjusters)
    height_cov[:, index, index] = np.where(known, sd, 0.0).T ** 2
    nothing = Influence(
        rotor_name=rotor.name,
        alpha=np.zeros((adjusters, regimes, sensors), dtype=complex),
        tau=np.where(known, mean, 0.0),
        vibration_cov=np.zeros((regimes, sensors, 2 * adjusters, 2 * adjusters)),
        height_cov=height_cov,
        vibration_noise=floor.vibration,
        height_noise=floor.height,
        unknown_vibration=np.ones((adjusters, regimes, sensors), dtype=bool),
        unknown_height=~known & [regime.heights for regime in rotor.regimes],
        source={"jobs": 0, "runs": 0, "dates": None, "fit_quality": None},
    )
    return replace(nothing, source=nothing.source | {"estimate": SOURCE}, made_for=meaning(rotor))
