"""Phasors and vibration units, against their definitions and against sampled signals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trackbal.base.phasor import HEIGHT_UNITS, VIBRATION_UNITS, blade_harmonic, phase_deg, to_phasor, unit_factor

AMPLITUDES = st.floats(1e-6, 1e6)
DEGREES = st.floats(-360.0, 360.0)
UNITS = st.sampled_from(list(VIBRATION_UNITS))
HERTZ = st.floats(0.1, 1000.0)


def test_lag_is_rotation_from_tach_pulse_to_positive_peak() -> None:
    """A signal sampled over one turn peaks the lag angle after the tach pulse (the definition)."""
    turn_deg = np.arange(0.0, 360.0, 0.25)
    signal = np.real(to_phasor(0.5, 130.0) * np.exp(1j * np.deg2rad(turn_deg)))
    assert turn_deg[np.argmax(signal)] == 130.0
    assert signal.max() == pytest.approx(0.5, rel=1e-12)


def test_worked_values() -> None:
    assert to_phasor(0.5, 90.0) == pytest.approx(-0.5j, abs=1e-15)
    assert to_phasor(0.5, 90.0, "lead") == pytest.approx(0.5j, abs=1e-15)
    assert phase_deg(-0.5j) == 90.0
    assert phase_deg(-0.5j, "lead") == 270.0


@given(AMPLITUDES, DEGREES, st.sampled_from(["lag", "lead"]))
def test_phase_comes_back_within_a_turn(amplitude: float, degrees: float, sense: str) -> None:
    back = float(phase_deg(to_phasor(amplitude, degrees, sense), sense))  # type: ignore[arg-type]
    assert 0.0 <= back < 360.0
    assert (back - degrees + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)


@given(AMPLITUDES, DEGREES)
def test_lead_is_negated_lag(amplitude: float, degrees: float) -> None:
    assert to_phasor(amplitude, degrees, "lead") == pytest.approx(to_phasor(amplitude, -degrees), rel=1e-12)


@given(HERTZ)
def test_one_ips_is_25_4_mm_per_second(hertz: float) -> None:
    """International inch, 25.4 mm exactly (international yard and pound agreement, 1959)."""
    assert unit_factor("ips", "mm/s", hertz) == pytest.approx(25.4, rel=1e-15)
    assert HEIGHT_UNITS["in"] / HEIGHT_UNITS["mm"] == pytest.approx(25.4, rel=1e-15)


@given(HERTZ)
def test_one_g_in_velocity(hertz: float) -> None:
    """Standard gravity, 9.80665 m/s^2 exactly (3rd General Conference on Weights and Measures, 1901).

    A sinusoid's velocity is its acceleration over omega, a quarter turn behind it.
    """
    expected_ips = 9.80665 / (2.0 * math.pi * hertz) / 0.0254
    assert unit_factor("g", "ips", hertz) == pytest.approx(-1j * expected_ips, rel=1e-12)


@given(HERTZ)
def test_one_mil_is_peak_to_peak(hertz: float) -> None:
    """mil = 0.001 in; one mil peak-to-peak is half a mil peak, and velocity leads displacement."""
    assert unit_factor("mil", "ips", hertz) == pytest.approx(1j * 2.0 * math.pi * hertz * 0.0005, rel=1e-12)


@given(HERTZ)
def test_differentiating_a_sampled_signal_agrees(hertz: float) -> None:
    """Displacement in mil p-p, differentiated twice by central differences, is the reading in g."""
    omega, reading_mil = 2.0 * math.pi * hertz, to_phasor(3.0, 40.0)
    metres = 0.5 * 2.54e-5  # one mil peak-to-peak as a peak in metres

    def displacement(t: float) -> float:
        return float(np.real(reading_mil * np.exp(1j * omega * t))) * metres

    h = 1e-3 / omega
    for t in (0.0, 0.3 / hertz, 0.77 / hertz):
        second = (displacement(t + h) - 2.0 * displacement(t) + displacement(t - h)) / h**2
        as_g = np.real(unit_factor("mil", "g", hertz) * reading_mil * np.exp(1j * omega * t)) * 9.80665
        # central differences: error h^2/12 of the fourth derivative, and rounding of 1e-16 / (1e-3)^2
        assert as_g == pytest.approx(second, abs=1e-6 * omega**2 * 3.0 * metres)


@given(UNITS, UNITS, UNITS, HERTZ)
def test_factors_chain_and_invert(a: str, b: str, c: str, hertz: float) -> None:
    chained = unit_factor(a, b, hertz) * unit_factor(b, c, hertz)
    assert chained == pytest.approx(unit_factor(a, c, hertz), rel=1e-12)
    assert unit_factor(a, b, hertz) * unit_factor(b, a, hertz) == pytest.approx(1.0, rel=1e-12)


def test_an_unknown_unit_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        unit_factor("furlong", "ips", 3.0)


@pytest.mark.parametrize("blades", [2, 3, 4, 5, 7])
def test_equal_changes_show_only_at_multiples_of_the_blade_count(blades: int) -> None:
    """Blade sum identity: sum over equal spacing of exp(-i h psi) is N for h a multiple of N, else 0.

    Source: any helicopter text on multiblade coordinates, e.g. Johnson, Helicopter Theory (from memory).
    """
    azimuth = [360.0 * b / blades for b in range(blades)]
    sums = blade_harmonic(np.ones(blades), azimuth, np.arange(1, 2 * blades + 1))
    expected = [blades if h % blades == 0 else 0 for h in range(1, 2 * blades + 1)]
    assert sums == pytest.approx(expected, abs=1e-12)


def test_blade_harmonic_keeps_leading_and_harmonic_axes() -> None:
    x = np.random.default_rng(5).normal(size=(3, 2, 4))
    azimuth = [0.0, 85.0, 180.0, 265.0]
    got = blade_harmonic(x, azimuth, [1, 2])
    assert got.shape == (3, 2, 2)
    by_hand = sum(x[1, 0, b] * np.exp(-2j * math.radians(azimuth[b])) for b in range(4))
    assert got[1, 0, 1] == pytest.approx(by_hand, rel=1e-12)
    assert blade_harmonic(x, azimuth, 1).shape == (3, 2)


@pytest.mark.parametrize(("rms", "peak"), [("ips rms", "ips"), ("mm/s rms", "mm/s"), ("g rms", "g")])
def test_the_peak_of_a_sinusoid_is_root_two_of_its_rms(rms, peak):
    """From the definition: the mean of cos^2 over a turn is a half; "mil" alone is peak to peak."""
    turn = np.linspace(0.0, 2.0 * np.pi, 1000, endpoint=False)
    size = 1.0 / np.sqrt(np.mean(np.cos(turn) ** 2))
    assert unit_factor(rms, peak, 5.0) == pytest.approx(size)
    assert unit_factor("mil rms", "mil", 5.0) == pytest.approx(2.0 * size)
    assert unit_factor("mm/s rms", "ips", 5.0) == pytest.approx(size / 25.4)
