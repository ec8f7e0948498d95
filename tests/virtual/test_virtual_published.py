"""The virtual rotor's pieces against published formulas and data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from plain_virtual import hover_case, published_blade
from scipy.integrate import trapezoid

from trackbal.virtual import VirtualType, type_names
from trackbal.virtual.airloads import Airloads
from trackbal.virtual.flapping import hub_loads, periodic_flapping
from trackbal.virtual.grid import PSI, curvature, slope, to_grid, to_harmonics, value_at
from trackbal.virtual.physics import TrimTab
from trackbal.virtual.trim import inflow_ratio

# G. D. Padfield, Helicopter Flight Dynamics, 2nd ed. (2007), appendix 4B, three example rotors; from memory.
# R m, c m, a0 1/rad, I_beta kg m^2, K_beta N m/rad, Omega rad/s -> Lock number, lambda_beta^2 at 1.227 kg/m^3.
PADFIELD = [
    pytest.param(6.4, 0.391, 6.0, 678.14, 166352.0, 35.63, 7.12, 1.193, id="four-blade-hingeless-a"),
    pytest.param(4.91, 0.27, 6.113, 231.7, 113330.0, 44.4, 5.087, 1.248, id="four-blade-hingeless-b"),
    pytest.param(7.5, 0.5401, 5.73, 1280.0, 48149.0, 27.0, 9.374, 1.052, id="four-blade-articulated"),
]
DENSITY = 1.227


@pytest.mark.parametrize(("radius", "chord", "slope_", "inertia", "spring", "omega", "lock", "nu2"), PADFIELD)
def test_lock_number_and_flap_frequency(radius, chord, slope_, inertia, spring, omega, lock, nu2):
    blade = published_blade(inertia=inertia, radius=radius, chord=chord, lift_slope=slope_, flap_spring=spring)
    assert blade.inertia == pytest.approx(inertia, rel=1e-12)
    assert blade.lock_number(DENSITY) == pytest.approx(lock, rel=0.002)  # printed to 3-4 figures
    assert blade.flap_frequency_squared(omega) == pytest.approx(nu2, abs=0.0006)


def test_hinge_offset_flap_frequency():
    """nu^2 = 1 + 1.5 e / (1 - e): Bramwell, Johnson, Leishman; from memory. e = 0.05 gives 1.07894737."""
    blade = published_blade(inertia=800.0, radius=6.0, chord=0.4, lift_slope=5.7, hinge_offset=0.05)
    assert blade.flap_frequency_squared(30.0) == pytest.approx(1.07894737, rel=1e-8)


def _blade_of(lock: float, nu2: float, omega: float):
    """Return a blade of a wanted Lock number and flap frequency."""
    inertia = DENSITY * 6.0 * 0.4 * 6.0**4 / lock
    spring = (nu2 - 1.0) * inertia * omega**2
    return published_blade(inertia=inertia, radius=6.0, chord=0.4, lift_slope=6.0, flap_spring=spring)


def test_coning_of_blade_pitch_and_inflow():
    """beta0 = (gamma/8)(theta - 4 lambda/3): L. N. Sankar, Helicopter Aerodynamics lectures, Coning Angle in Hover.

    gamma 8, theta 8 deg, lambda 0.05 give 4.180281 deg; small angles are assumed, so it is met at a thousandth.
    """
    blade = _blade_of(8.0, 1.0, 30.0)
    small = hover_case(blade, 30.0, DENSITY, np.radians(8.0) * 1e-3, 0.05e-3)
    beta = periodic_flapping(*small).beta
    assert np.degrees(beta) == pytest.approx(4.180281e-3, rel=2e-6)
    full = hover_case(blade, 30.0, DENSITY, np.radians(8.0), 0.05)
    assert np.degrees(periodic_flapping(*full).beta) == pytest.approx(4.180281, rel=0.005)


def test_first_harmonic_flap_response_in_hover():
    """W. Johnson, Helicopter Theory (1980); Padfield (2007) section 2.3; from memory.

    With S = 8 (nu^2 - 1) / gamma: db1c/dt1s = -1/(1 + S^2), db1s/dt1s = S/(1 + S^2), and so for t1c.
    gamma 7.12, nu^2 1.193 give -0.955086 and 0.207114.
    """
    blade, cyclic = _blade_of(7.12, 1.193, 30.0), 1e-5
    for pitch, cosine, sine in ((np.sin(PSI), -0.955086, 0.207114), (np.cos(PSI), 0.207114, 0.955086)):
        case = hover_case(blade, 30.0, DENSITY, cyclic * pitch, 0.0)
        first = to_harmonics(periodic_flapping(*case).beta)[0, 0, 1] / cyclic  # b1c - i b1s
        assert first.real == pytest.approx(cosine, abs=2e-6)
        assert -first.imag == pytest.approx(sine, abs=2e-6)


def test_flap_peaks_ninety_degrees_after_pitch_when_hinged_at_the_centre():
    """Lag 90 degrees for nu = 1 (Johnson (1980); from memory), looked for in the motion itself."""
    case = hover_case(_blade_of(8.0, 1.0, 30.0), 30.0, DENSITY, 1e-4 * np.cos(PSI), 0.0)
    beta = to_harmonics(periodic_flapping(*case).beta)[0, 0]
    fine = np.radians(np.arange(0.0, 360.0, 0.25))
    assert np.degrees(fine[np.argmax(value_at(beta, fine))]) == pytest.approx(90.0, abs=0.25)


def _in_plane(case):
    """Return harmonic 1 of (forward, side) hub force of one blade."""
    motion = periodic_flapping(*case)
    return hub_loads(*case, motion, np.zeros(1))[0, 1:3, 1]


def test_centrifugal_force_of_blade_and_of_added_weight():
    """F = m r Omega^2, uniform blade M Omega^2 R / 2 (elementary mechanics).

    The first rotor above: 201772.647 N a blade; 0.1 kg at 0.5 m adds 63.47485 N.
    """
    blade = published_blade(inertia=678.14, radius=6.4, chord=0.391, lift_slope=6.0)
    air, trim, blades = hover_case(blade, 35.63, DENSITY, 0.0, 0.0)
    forward, side = _in_plane((air, trim, blades))
    # forward is towards azimuth 180: -F cos psi; side towards azimuth 90: F sin psi = Re(-i F exp(i psi))
    assert forward == pytest.approx(-201772.647, rel=1e-6)
    assert side == pytest.approx(-201772.647j, rel=1e-6)
    heavier = replace(
        blades,
        mass=blades.mass + 0.1,
        span_moment=blades.span_moment + 0.1 * 0.5,
        inertia=blades.inertia + 0.1 * 0.5**2,
    )
    added = _in_plane((air, trim, heavier))[0] - forward
    assert abs(added) == pytest.approx(63.47485, rel=1e-6)


def test_hover_inflow_of_momentum_theory():
    """lambda = sqrt(C_T / 2): J. G. Leishman, Principles of Helicopter Aerodynamics (2006), ch. 2; from memory."""
    thrust = np.array([0.004, 0.008])
    hover = inflow_ratio(thrust, np.zeros(2), np.zeros(2))
    assert hover == pytest.approx(np.sqrt(thrust / 2.0), rel=1e-9)
    ratio, tilt = np.full(2, 0.3), np.full(2, 0.1)
    fast = inflow_ratio(thrust, ratio, tilt)
    assert fast == pytest.approx(0.3 * np.tan(0.1) + thrust / (2.0 * np.sqrt(0.3**2 + fast**2)), rel=1e-12)


def test_trimmed_lift_is_the_thrust_and_the_disc_is_square():
    kind = VirtualType.shipped("main5")
    aircraft = kind.as_drawn()
    loads = hub_loads(aircraft.air, aircraft.trim, aircraft.blades, aircraft.motion, kind.rotor.azimuth_deg)
    # trimmed for small angles; a lift leaning by beta = 3.9 degrees keeps cos(beta) = 0.9977 of itself
    assert loads[:, 0, 0].real == pytest.approx(kind.physics.conditions.thrust, rel=0.003)
    first = to_harmonics(aircraft.motion.beta)[..., 1]
    assert np.abs(first).max() < np.radians(0.01)


@pytest.mark.parametrize("name", ["main3", "main4", "main5", "main7"])
def test_equal_blades_pass_only_multiples_of_their_number(name):
    """Sums over equal blades vanish unless n is a multiple of b: Bramwell's Helicopter Dynamics (2001), app. A.3."""
    kind = VirtualType.shipped(name)
    count = len(kind.rotor.blades)
    signal = np.abs(kind.as_drawn().signal)
    passed = signal[..., count::count]
    kept = np.delete(signal, np.arange(0, signal.shape[-1], count), axis=-1)
    assert passed[-1].max() > 1e-4  # in fast flight
    assert kept.max() < 1e-9  # rounding of forces of a million newtons


def test_one_unequal_blade_gives_once_per_rev_whichever_blade_it_is():
    kind = VirtualType.shipped("main5")
    drawn = kind.as_drawn()
    heard = []
    for blade in range(5):
        change = np.zeros_like(drawn.setting)
        change[0, blade] = 50.0
        heard.append(drawn.adjust(change).signal[..., 1])
    strength = np.abs(heard)
    assert strength[0].min() > 0.01
    assert strength[1:] == pytest.approx(np.broadcast_to(strength[0], strength[1:].shape), rel=1e-3)


def test_grid_differentiates_and_transforms_exactly():
    """Against closed form: f = 2 + cos(3 psi) - 0.5 sin(7 psi)."""
    f = 2.0 + np.cos(3 * PSI) - 0.5 * np.sin(7 * PSI)
    assert slope(f) == pytest.approx(-3 * np.sin(3 * PSI) - 3.5 * np.cos(7 * PSI), abs=1e-11)
    assert curvature(f) == pytest.approx(-9 * np.cos(3 * PSI) + 24.5 * np.sin(7 * PSI), abs=1e-9)
    harmonics = to_harmonics(f)
    assert harmonics[[0, 3, 7]] == pytest.approx(np.array([2.0, 1.0, 0.5j]), abs=1e-13)
    assert to_grid(harmonics) == pytest.approx(f, abs=1e-13)
    assert value_at(harmonics, 0.3) == pytest.approx(2 + np.cos(0.9) - 0.5 * np.sin(2.1), abs=1e-12)


def test_airloads_match_johnson_flap_coefficients():
    """Integrals of the flap equation at e = 0: (1 + mu^2 sin^2 ...) as in W. Johnson (1980), ch. 5; from memory.

    Per gamma: M_theta = 1/8 + (mu/3) sin + (mu^2/4) sin^2, M_lambda = -(1/6 + (mu/4) sin),
    M_beta' = -(1/8 + (mu/6) sin); ours carry twice that, gamma/2 standing outside.
    """
    blade = published_blade(inertia=800.0, radius=6.0, chord=0.4, lift_slope=5.7)
    air, _, _ = hover_case(blade, 30.0, DENSITY, 0.0, 0.0)
    mu = 0.3
    air = Airloads(blade, replace(air.conditions, advance_ratio=np.array([mu])), DENSITY)
    pitch, _, inflow, rate = air.flap_integrals
    s = np.sin(PSI)
    assert pitch[0] / 2 == pytest.approx(1 / 8 + mu / 3 * s + mu**2 / 4 * s**2, rel=1e-12)
    assert inflow[0] / 2 == pytest.approx(1 / 6 + mu / 4 * s, rel=1e-12)
    assert rate[0] / 2 == pytest.approx(1 / 8 + mu / 6 * s, rel=1e-12)


# ---- the shipped types against the published ---------------------------------------------------


def thin_aerofoil_flap(part: float) -> tuple[float, float]:
    """Return lift and quarter-chord moment slopes, per radian of a flap that is `part` of the chord, down positive.

    ``dcl = 2 (pi - t + sin t)``, ``dcm = -sin t (1 - cos t) / 2`` with ``cos t = 2 part - 1``: thin-aerofoil theory,
    H. Glauert, The Elements of Aerofoil and Airscrew Theory (1926), ch. 7 to 9; from memory.
    """
    t = np.arccos(2.0 * part - 1.0)
    return 2.0 * (np.pi - t + np.sin(t)), -0.5 * np.sin(t) * (1.0 - np.cos(t))


def test_the_slopes_of_a_flap_are_those_of_the_integrals():
    """The closed forms against the integrals they come from, for a kinked camber line."""
    for part in (0.05, 0.1, 0.25):
        hinge = np.arccos(1.0 - 2.0 * (1.0 - part))
        theta = np.linspace(0.0, np.pi, 200_001)
        kink = np.where(theta > hinge, -1.0, 0.0)  # slope of the camber line per radian of flap down
        a0 = -trapezoid(kink, theta) / np.pi
        a1, a2 = (2.0 / np.pi * trapezoid(kink * np.cos(n * theta), theta) for n in (1, 2))
        lift, moment = thin_aerofoil_flap(part)
        assert lift == pytest.approx(np.pi * (2.0 * a0 + a1), rel=1e-3)
        assert moment == pytest.approx(-np.pi / 4.0 * (a1 - a2), rel=1e-3)


@pytest.mark.parametrize("name", ["main3", "main4", "main5", "main7"])
def test_a_tab_takes_lift_and_gives_moment_in_the_ratio_of_thin_aerofoil_theory(name):
    """A tab up is a small flap up: its lift per moment is that of a flap of 3 to 10 % of the chord, and no larger."""
    tabs = [a.part for a in VirtualType.shipped(name).physics.adjusters if isinstance(a.part, TrimTab)]
    assert tabs
    small, large = thin_aerofoil_flap(0.03), thin_aerofoil_flap(0.10)
    for tab in tabs:
        ratio = -tab.lift_slope / tab.moment_slope
        assert -small[0] / small[1] < ratio < -large[0] / large[1]
        assert 0.0 < tab.moment_slope < -thin_aerofoil_flap(0.05)[1]  # thickness and boundary layer take some


@pytest.mark.parametrize("name", type_names())
def test_no_rotor_hovers_stalled(name):
    """Blade loading T / (rho N c R (Omega R)^2): blades stall from about 0.12 to 0.15 in hover.

    J. G. Leishman, Principles of Helicopter Aerodynamics (2006), ch. 5; from memory.
    """
    kind = VirtualType.shipped(name)
    blade, conditions = kind.physics.blade, kind.physics.conditions
    area = len(kind.rotor.blades) * blade.chord_m * blade.radius_m
    loading = conditions.thrust / (kind.physics.density * area * (conditions.omega * blade.radius_m) ** 2)
    assert 0.05 < loading.max() < 0.105
    assert 180.0 < (conditions.omega * blade.radius_m).max() < 220.0  # tip speed, m/s: common practice


def test_the_two_stations_of_the_two_blade_rotor_act_well_apart():
    """On two blades one station moves the balance along a line; the other has to be 60 to 90 degrees off it."""
    alpha, _ = VirtualType.shipped("tail2").as_drawn().true_influence()
    apart = np.abs(np.angle(alpha[1] / alpha[0], deg=True))
    assert (apart > 60.0).all() and (apart < 90.0).all()


def test_crossed_pairs_cancel_once_per_rev_but_not_twice():
    rotor = VirtualType.shipped("uneven4").rotor
    turn = np.deg2rad(rotor.azimuth_deg)
    assert abs(np.exp(-1j * turn).sum()) < 1e-12
    assert abs(np.exp(-2j * turn).sum()) > 1.0
    assert abs(np.exp(-2j * np.deg2rad([0.0, 90.0, 180.0, 270.0])).sum()) < 1e-12
