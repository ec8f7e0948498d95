"""Textbook estimates: against published figures, and against the virtual rotor, which shares no code with them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_rotor import rotor_with

from trackbal.base.phasor import HEIGHT_UNITS
from trackbal.runs.hub_force import hub_force_per_unit
from trackbal.runs.rotor import BladeData, Hardware
from trackbal.trials.textbook import (
    blade_of,
    rule_of_thumb,
    textbook_influence,
    tip_heights,
    tip_rise,
)
from trackbal.virtual import VirtualType, type_names
from trackbal.virtual.flapping import hub_loads

# G. D. Padfield, Helicopter Flight Dynamics, 2nd ed. (2007), appendix 4B, three example rotors; from memory.
# R m, c m, a0 1/rad, I_beta kg m^2, K_beta N m/rad, Omega rad/s -> Lock number at 1.227 kg/m^3, lambda_beta^2.
PADFIELD = [
    pytest.param(6.4, 0.391, 6.0, 678.14, 166352.0, 35.63, 7.12, 1.193, id="padfield-4b-a"),
    pytest.param(4.91, 0.27, 6.113, 231.7, 113330.0, 44.4, 5.087, 1.248, id="padfield-4b-b"),
    pytest.param(7.5, 0.5401, 5.73, 1280.0, 48149.0, 27.0, 9.374, 1.052, id="padfield-4b-c"),
]


@pytest.mark.parametrize(("radius", "chord", "slope", "inertia", "spring", "omega", "lock", "nu2"), PADFIELD)
def test_lock_number_and_flap_frequency(radius, chord, slope, inertia, spring, omega, lock, nu2):
    data = BladeData(radius, flap_inertia_kgm2=inertia, flap_spring_Nm_per_rad=spring, chord_m=chord, lift_slope=slope)
    blade = blade_of(data, omega * 30.0 / np.pi)
    assert blade.lock_number == pytest.approx(lock * 1.225 / 1.227, rel=0.002)  # printed to 3-4 figures, our air
    assert blade.frequency_squared == pytest.approx(nu2, abs=0.0006)


def test_tip_rise_of_a_root_hinged_blade():
    """beta0 = gamma theta / 8: L. N. Sankar, Helicopter Aerodynamics lectures, Coning Angle in Hover."""
    data = BladeData(6.0, lock_number=8.0)
    assert tip_rise(data, blade_of(data, 300.0)) == pytest.approx(6.0, rel=1e-12)


@pytest.mark.parametrize("e", [0.0, 0.05, 0.2])
def test_moment_integral_with_a_hinge_offset(e):
    """Against quadrature of the flap moment of lift about the hinge."""
    from scipy.integrate import quad

    data = BladeData(5.0, flap_hinge_offset=e, lock_number=7.0)
    blade = blade_of(data, 300.0)
    k = quad(lambda x: x**2 * (x - e), e, 1.0)[0]
    assert tip_rise(data, blade) == pytest.approx((1 - e) * 5.0 * 3.5 * k / (1.0 + 1.5 * e / (1 - e)), rel=1e-12)


def test_mass_moment_and_lock_number_are_ways_to_say_the_same():
    full = BladeData(5.0, 0.1, mass_kg=30.0, chord_m=0.3)
    blade = blade_of(full, 300.0)
    by_moment = replace(full, mass_kg=None, static_moment_kgm=30.0 * 4.5 / 2.0)
    by_lock = BladeData(5.0, 0.1, lock_number=blade.lock_number)
    for other in (by_moment, by_lock):
        assert tip_rise(other, blade_of(other, 300.0)) == pytest.approx(tip_rise(full, blade), rel=1e-12)


def test_data_that_do_not_suffice_give_nothing():
    assert blade_of(BladeData(5.0, mass_kg=30.0), 300.0) is None
    rotor = rotor_with(blade_data=BladeData(5.0, mass_kg=30.0))
    influence = textbook_influence(rotor)
    assert influence.unknown_vibration.all()
    assert influence.unknown_height[:, [r.heights for r in rotor.regimes]].all()


def with_data(kind: VirtualType):
    """Return the rotor of a virtual type with what its crew could know of blade and hardware."""
    design = kind.physics.blade
    data = BladeData(
        radius_m=design.radius_m,
        flap_hinge_offset=design.hinge_offset,
        mass_kg=design.mass_kg,
        flap_spring_Nm_per_rad=design.flap_spring,
        chord_m=design.chord_m,
        lift_slope=design.lift_slope,
    )
    adjusters = []
    for adjuster, physics in zip(kind.rotor.adjusters, kind.physics.adjusters, strict=True):
        hardware = Hardware()
        if adjuster.kind == "weight":
            part = physics.part
            hardware = Hardware(
                radius_m=part.radius * design.radius_m,
                ahead_mm=1e3 * part.chord_offset_m,
                kg_per_unit=part.kg_per_unit,
            )
        elif adjuster.kind == "pitch_link":
            turn = 6.0 * physics.part.pitch_per_unit  # as if the horn's arm were 100 mm
            hardware = Hardware(thread_pitch_mm=100.0 * turn, units_per_turn=6.0, arm_mm=100.0)
        adjusters.append(replace(adjuster, hardware=hardware))
    return replace(kind.rotor, blade_data=data, adjusters=tuple(adjusters))


@pytest.mark.parametrize("name", type_names())
def test_tip_heights_against_the_virtual_rotor(name):
    """Simulated blades, all types: on the ground within a tenth (a fifth where pitch follows flap).

    In flight within two standard deviations.
    """
    kind = VirtualType.shipped(name)
    rotor = with_data(kind)
    mean, sd = tip_heights(rotor)
    tau = kind.as_drawn().true_influence()[1]
    links = [a for a, adjuster in enumerate(rotor.adjusters) if adjuster.kind == "pitch_link"]
    assert links or name == "tail2"
    for a in links:
        for r, regime in enumerate(rotor.regimes):
            if not regime.heights:
                continue
            if not regime.airborne:
                assert mean[a, r] == pytest.approx(tau[a, r], rel=0.2 if kind.physics.blade.pitch_flap else 0.1)
            assert abs(mean[a, r] - tau[a, r]) <= 2.0 * sd[a, r]
    assert np.isnan(mean[[a for a in range(len(rotor.adjusters)) if a not in links]]).all()


def test_a_weight_between_two_blades_pulls_as_its_shares_on_both_do():
    """What sits midway between two blades is 1 / (2 cos(half the angle)) of it on each (elementary statics)."""
    rotor = VirtualType.shipped(type_names()[0]).rotor
    kind = next(a for a in rotor.adjusters if a.kind == "weight")
    on_blade = replace(kind, hardware=Hardware(radius_m=0.4, kg_per_unit=1e-3))
    between = replace(kind, hardware=Hardware(radius_m=0.4, kg_per_unit=1e-3, azimuth_offset_deg=36.0))
    one, midway = hub_force_per_unit(replace(rotor, adjusters=(on_blade, between)))
    next_blade = one * np.exp(-1j * np.deg2rad(72.0))
    assert midway == pytest.approx((one + next_blade) / (2.0 * np.cos(np.deg2rad(36.0))))


@pytest.mark.parametrize("name", type_names())
def test_hub_forces_against_the_virtual_rotor(name):
    """The once-per-rev side force that simulated blades pass to the hub, one step on blade 1, in the first regime.

    Side is towards azimuth 90: outward of blade 1 as it passes there, hence a lag of 90 degrees. A weight ahead of the
    axis is seen earlier.
    """
    kind = VirtualType.shipped(name)
    force = hub_force_per_unit(with_data(kind))
    omega2 = (kind.rotor.rpm * np.pi / 30.0) ** 2
    drawn = kind.as_drawn()
    for a, adjuster in enumerate(kind.rotor.adjusters):
        if adjuster.kind != "weight":
            assert np.isnan(force[a])
            continue
        change = np.zeros_like(drawn.change)
        change[a, 0] = adjuster.step
        loads = []
        for aircraft in (drawn, replace(drawn, change=change)):
            found = hub_loads(aircraft.air, aircraft.trim, aircraft.blades, aircraft.motion, kind.rotor.azimuth_deg)
            loads.append(found[0, 2, 1])
        speed = float(kind.physics.conditions.omega[0] ** 2 / omega2)
        side = (loads[1] - loads[0]) / adjuster.step
        assert side == pytest.approx(-1j * force[a] * speed, rel=0.1)


def test_units_of_height_and_the_rule_of_thumb():
    rotor = with_data(VirtualType.shipped("main4"))
    assert rotor.height_unit == "in"
    assert HEIGHT_UNITS["in"] == 0.0254
    thumb = rule_of_thumb(rotor)
    omega2, design = (rotor.rpm * np.pi / 30.0) ** 2, VirtualType.shipped("main4").physics.blade
    by_hand = 0.1 * 4 * design.mass_kg * 9.80665 / (1e-3 * rotor.adjusters[0].hardware.radius_m * omega2)
    assert thumb[0] == pytest.approx(by_hand, rel=1e-3)
