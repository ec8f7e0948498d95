"""The chance that a normal phasor lies within a circle, against closed forms and integration by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from trackbal.plan.disc import chance_within


@pytest.mark.parametrize("mean", [0.0, 0.3, 0.9, 1.0, 1.4])
@pytest.mark.parametrize("sd", [0.02, 0.1, 0.4, 2.0])
def test_round_scatter_is_the_rice_distribution(mean, sd):
    """Rice (1945): |V| / sd is noncentral chi with two degrees of freedom; scipy.stats.rice."""
    phasor = mean * np.exp(1j * np.array(0.7))
    found = chance_within(phasor, sd**2 * np.eye(2), np.array(1.0))
    assert found == pytest.approx(stats.rice(mean / sd, scale=sd).cdf(1.0), abs=2e-6)


@pytest.mark.parametrize("seed", range(6))
def test_any_scatter_is_the_integral_over_the_circle(seed):
    rng = np.random.default_rng(seed)
    root = 0.3 * rng.normal(size=(2, 2))
    mean = complex(*rng.normal(size=2)) * 0.6
    density = stats.multivariate_normal([mean.real, mean.imag], root @ root.T).pdf
    expected, _ = integrate.dblquad(
        lambda y, x: density([x, y]),
        -1.0,
        1.0,
        lambda x: -np.sqrt(1 - x * x),
        lambda x: np.sqrt(1 - x * x),
        epsabs=1e-8,
    )
    assert chance_within(np.array(mean), root @ root.T, np.array(1.0)) == pytest.approx(expected, abs=3e-6)


def test_scatter_along_one_line_is_the_normal_distribution_on_its_chord():
    line = np.array([np.cos(0.4), np.sin(0.4)])
    mean = 0.6 * np.exp(1j * (0.4 + np.pi / 2))  # at 0.6 from the centre, square to the line
    found = chance_within(np.array(mean), 0.25 * np.outer(line, line), np.array(1.0))
    assert found == pytest.approx(1.0 - 2.0 * stats.norm.sf(0.8 / 0.5), abs=2e-5)


def test_without_scatter_the_reading_is_inside_or_not():
    means = np.array([0.999 + 0j, 1.001 + 0j, 0.5j])
    assert chance_within(means, np.zeros((3, 2, 2)), np.ones(3)) == pytest.approx([1.0, 0.0, 1.0], abs=1e-6)


def test_units_do_not_matter():
    rng = np.random.default_rng(1)
    mean, root = rng.normal(size=5) + 1j * rng.normal(size=5), rng.normal(size=(5, 2, 2))
    cov = root @ root.swapaxes(-1, -2)
    scaled = chance_within(25.4 * mean, 25.4**2 * cov, np.full(5, 25.4))
    assert chance_within(mean, cov, np.ones(5)) == pytest.approx(scaled, abs=1e-12)
