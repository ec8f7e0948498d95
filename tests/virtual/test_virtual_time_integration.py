"""The periodic solution against scipy's integration of the equations of motion in time.

Written afresh from the mechanics, sharing no formula code: masses and airloads element by element, blade by blade,
all blades and all airframe modes together, started from rest and run until the start has died out.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from trackbal.virtual import VirtualType
from trackbal.virtual.aircraft import Aircraft

X, W = np.polynomial.legendre.leggauss(24)  # elements over the span, exact for the polynomials involved


class Newton:
    """Time derivatives of all blades' flap and all airframe modes of one aircraft in one regime."""

    def __init__(self, craft: Aircraft, regime: int) -> None:
        physics, self.b = craft.physics, craft.physics.blade
        c = physics.conditions
        self.omega, self.mu = c.omega[regime], c.advance_ratio[regime]
        self.inflow, self.rho = craft.trim.inflow[regime], physics.density
        k = np.fft.rfft(craft.trim.pitch[regime]) / craft.trim.pitch.shape[1]
        self.collective, self.cos, self.sin = k[0].real, 2 * k[1].real, -2 * k[1].imag
        assert np.abs(k[2:]).max() < 1e-12  # nothing but collective and cyclic
        self.behind = np.radians(craft.rotor.azimuth_deg)
        self.eR = self.b.hinge_offset * self.b.radius_m
        self.coning = craft.trim.coning[regime]
        self._masses(craft)
        self._adjusters(craft)
        m = physics.modes
        self.active = m.active[:, regime]
        self.natural, self.damping, self.mass = 2 * np.pi * m.frequency_hz, m.damping, m.mass_kg
        self.stiffening, self.knee, self.pickup, self.shape = m.stiffening, m.knee_m, m.pickup, m.shape
        self.source = craft.source[regime]
        self.ahead = self.ahead - craft.faults.lag[regime] * (self.m * self.s).sum(axis=1)  # a trailing blade

    def _masses(self, craft):
        """Elements (blade, i): distance from the hinge, mass; faults as a couple at 0.7 R that adds span moment."""
        b, f, n = self.b, craft.faults, len(self.behind)
        length = b.radius_m - self.eR
        s = np.tile((X + 1) / 2 * length, (n, 1))
        m = np.tile(W / 2 * b.mass_kg, (n, 1))
        arm = 0.7 * b.radius_m - self.eR
        at_arm = f.span_moment / arm
        s = np.hstack([s, np.full((n, 1), arm), np.zeros((n, 1))])
        m = np.hstack([m, at_arm[:, None], (f.mass - at_arm)[:, None]])
        self.ahead = f.chord_moment.copy()
        self.nose_down = f.chord_moment * 0.7 * b.radius_m
        for part, x in zip((a.part for a in craft.physics.adjusters), craft.change, strict=True):
            if hasattr(part, "kg_per_unit"):
                added = part.kg_per_unit * x
                s = np.hstack([s, np.full((n, 1), part.radius * b.radius_m - self.eR)])
                m = np.hstack([m, added[:, None]])
                self.ahead += added * part.chord_offset_m
                self.nose_down += added * part.chord_offset_m * part.radius * b.radius_m
        self.s, self.m = s, m

    def _adjusters(self, craft):
        self.fixed_pitch = craft.faults.pitch - self.nose_down * self.omega**2 * self.coning / self.b.control_stiffness
        self.lift_part, self.cm = 1 + craft.faults.lift, craft.faults.moment_coefficient
        self.tabs = []
        for part, x in zip((a.part for a in craft.physics.adjusters), craft.change, strict=True):
            if hasattr(part, "pitch_per_unit"):
                self.fixed_pitch = self.fixed_pitch + part.pitch_per_unit * x
            elif hasattr(part, "angle_per_unit"):
                self.tabs.append((part, part.angle_per_unit * x))

    def _elements(self, inner, outer):
        r = (inner + (outer - inner) * (X + 1) / 2) * self.b.radius_m
        return r, W / 2 * (outer - inner) * self.b.radius_m

    def _air(self, psi, beta, beta_dot):
        """Return lift, drag and flap moment about the hinge of every blade, N and N m."""
        b, tip = self.b, self.omega * self.b.radius_m
        r, dr = self._elements(b.root_cutout, 1.0)
        across = self.mu * tip * np.sin(psi)[:, None]
        u_t = self.omega * r + across
        u_p = self.inflow * tip + (r - self.eR) * beta_dot[:, None] + (self.mu * tip * np.cos(psi) * beta)[:, None]
        moment = np.sum(0.5 * self.rho * b.chord_m**2 * u_t**2 * dr, axis=1) * self.cm
        tab_lift = tab_flap = 0.0
        for part, angle in self.tabs:
            rt, drt = self._elements(part.inner, part.outer)
            pressure = 0.5 * self.rho * b.chord_m * (self.omega * rt + across) ** 2 * drt
            moment = moment + pressure.sum(axis=1) * b.chord_m * part.moment_slope * angle
            tab_lift = tab_lift + pressure.sum(axis=1) * part.lift_slope * angle
            tab_flap = tab_flap + (pressure * (rt - self.eR)).sum(axis=1) * part.lift_slope * angle
        pitch = self.collective + self.cos * np.cos(psi) + self.sin * np.sin(psi)
        pitch = pitch + self.fixed_pitch + moment / b.control_stiffness - b.pitch_flap * beta
        theta = pitch[:, None] + b.twist * (r / b.radius_m - 0.75)
        lift = 0.5 * self.rho * b.chord_m * b.lift_slope * (u_t**2 * theta - u_t * u_p) * dr
        drag = lift * u_p / u_t + 0.5 * self.rho * b.chord_m * b.profile_drag * u_t**2 * dr
        part = self.lift_part
        flap = part * (lift * (r - self.eR)).sum(axis=1) + tab_flap
        return part * lift.sum(axis=1) + tab_lift, drag.sum(axis=1), flap

    def rates(self, t, state):
        n, k = len(self.behind), len(self.mass)
        beta, beta_dot, q, q_dot = np.split(state, [n, 2 * n, 2 * n + k])
        psi = self.omega * t - self.behind
        lift, drag, flap = self._air(psi, beta, beta_dot)
        s, m, w, b = self.s, self.m, self.omega, self.b
        sine, cosine = np.sin(beta), np.cos(beta)
        spring = b.flap_spring * beta + b.flap_cubic * beta**3
        # moment of centrifugal force m r W^2 at height s sin(beta) about the hinge
        pull = (m * w**2 * (self.eR + s * cosine[:, None]) * s).sum(axis=1) * sine
        beta_two = (flap - spring - pull) / (m * s**2).sum(axis=1)
        r_dot = -s * (sine * beta_dot)[:, None]
        r_two = -s * (cosine * beta_dot**2 + sine * beta_two)[:, None]
        z_two = s * (cosine * beta_two - sine * beta_dot**2)[:, None]
        r = self.eR + s * cosine[:, None]
        vertical = lift * cosine - (m * z_two).sum(axis=1)
        outward = -lift * sine - (m * (r_two - w**2 * r)).sum(axis=1)
        forward_turning = -drag - (m * 2 * w * r_dot).sum(axis=1) + w**2 * self.ahead
        hub_flap = self.eR * vertical + spring
        out, on = np.cos(psi), np.sin(psi)
        loads = np.array(
            [
                vertical.sum(),
                (forward_turning * on - outward * out).sum(),
                (outward * on + forward_turning * out).sum(),
                -(hub_flap * out).sum(),
                (hub_flap * on).sum(),
            ]
        )
        force = self.pickup @ (loads - self.mean) + np.real(self.source * np.exp(1j * w * t))
        springing = self.natural**2 * q * (1 + self.stiffening * q**2 / (q**2 + self.knee**2))
        q_two = force / self.mass - 2 * self.damping * self.natural * q_dot - springing
        self.loads = loads
        return np.concatenate([beta_dot, beta_two, q_dot, np.where(self.active, q_two, 0.0)])

    def settle(self, turns):
        """Return times of the last revolution and the states there; mean hub load taken off first."""
        n, k = len(self.behind), len(self.mass)
        period = 2 * np.pi / self.omega
        start = np.concatenate([np.full(n, self.coning), np.zeros(n + 2 * k)])
        self.mean = np.zeros(5)
        clock = np.linspace(0, period, 65)
        blades = solve_ivp(
            self.rates, (0, 10 * period), start, "DOP853", rtol=1e-9, atol=1e-11, t_eval=9 * period + clock[:-1]
        )
        loads = []
        for t, state in zip(blades.t, blades.y.T, strict=True):
            self.rates(t, state)
            loads.append(self.loads)
        self.mean = np.mean(loads, axis=0)
        begin = np.concatenate([blades.y[: 2 * n, 0], np.zeros(2 * k)])
        last = turns * period
        done = solve_ivp(
            self.rates, (0, last), begin, "DOP853", rtol=1e-9, atol=1e-12, t_eval=last - period + clock[:-1]
        )
        return done.t, done.y


def _flown(name, regime, change_steps, fault):
    kind = VirtualType.shipped(name)
    craft = kind.aircraft(3, severity=1.5, fault=fault)
    change = np.zeros_like(craft.setting)
    for a, b, steps in change_steps:
        change[a, b] = steps * kind.rotor.adjusters[a].step
    craft = craft.adjust(change, np.random.default_rng(5))
    r = kind.rotor.regime_index(regime)
    return craft, r


LONG = pytest.mark.long
CASES = [
    pytest.param("main3", "hover", [(0, 1, 6), (1, 0, 3), (2, 2, -2)], None, 50, id="hover", marks=LONG),
    pytest.param("main3", "cruise_110", [(0, 1, 6), (1, 0, 3), (2, 2, -2)], "damper", 50, id="advance-ratio-0.28"),
    pytest.param("uneven4", "cruise_120", [(0, 2, 5), (1, 3, 2)], None, 50, id="uneven-blades-no-cyclic", marks=LONG),
    pytest.param("main4", "flat_pitch", [(0, 3, 4), (1, 2, -2)], "source", 60, id="on-the-gear", marks=LONG),
    pytest.param("tail2", "hover", [(0, 0, 6), (1, 1, 9)], None, 30, id="two-blades-weight-ahead"),
    pytest.param(
        "main7", "speed_140", [(0, 0, 9), (1, 4, 4), (2, 2, 2), (3, 6, -1)], None, 50, id="seven-blades", marks=LONG
    ),
]


@pytest.mark.parametrize(("name", "regime", "steps", "fault", "turns"), CASES)
def test_flapping_vibration_and_heights_as_integrated(name, regime, steps, fault, turns):
    craft, r = _flown(name, regime, steps, fault)
    newton = Newton(craft, r)
    times, states = newton.settle(turns)
    n, k = len(newton.behind), len(newton.mass)
    truth = craft.true_run()
    instrument = craft.physics.instrument
    turned = newton.omega * times  # azimuth of blade 1

    # vibration: least squares on the once-per-rev after the tach pulse; harmonics 2 .. 12 fitted alongside
    since_tach = turned - instrument.tach_azimuth
    columns = [np.ones_like(since_tach)]
    for h in range(1, 13):
        columns += [np.cos(h * since_tach), np.sin(h * since_tach)]
    q, q_dot = states[2 * n : 2 * n + k], states[2 * n + k :]
    q_two = np.array([newton.rates(t, y)[2 * n + k :] for t, y in zip(times, states.T, strict=True)]).T
    for s, sensor in enumerate(craft.rotor.sensors):
        motion = {"ips": q_dot / 0.0254, "mm/s": q_dot * 1e3, "g": q_two / 9.80665, "mil": q / 2.54e-5}[sensor.unit]
        signal = newton.shape[:, s] @ (motion * newton.active[:, None])
        fit = np.linalg.lstsq(np.array(columns).T, signal, rcond=None)[0]
        expected = complex(fit[1], -fit[2])
        assert abs(expected) > 0.01
        assert abs(truth.vibration[r, s] - expected) < 2e-4 * abs(expected), (sensor.name, abs(expected))

    # every tip as it passes the tracker: blade b is over it when Omega t - azimuth_b = track azimuth
    if not craft.rotor.regimes[r].heights:
        return
    height = []
    for b in range(n):
        moment = instrument.track_azimuth + newton.behind[b]
        terms = np.fft.rfft(states[b]) / len(times)
        shifted = terms * np.exp(1j * np.arange(len(terms)) * (moment - turned[0]))
        beta = shifted[0].real + 2 * shifted[1:-1].real.sum()
        built_in = craft.faults.built_in[b]
        height.append(((newton.b.radius_m - newton.eR) * math.sin(beta) + built_in) * 1e3)
    expected_height = (np.array(height) - np.mean(height)) / (25.4 if craft.rotor.height_unit == "in" else 1.0)
    assert np.ptp(expected_height) > 0.1
    assert truth.height[r] == pytest.approx(expected_height, abs=2e-4 * np.ptp(expected_height))
