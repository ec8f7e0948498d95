"""Covariances widened for few jobs, against quantiles of F and chi-square, and against the next aircraft."""

from __future__ import annotations

import numpy as np
import pytest
from damaged_fleet import fly_fleet
from how_much import much
from scipy.stats import chi2, f

from trackbal.estimate.small_sample import widening
from trackbal.fitting.fit import fit
from trackbal.virtual import VirtualType


@pytest.mark.parametrize("numbers", [1, 2])
def test_widening_is_the_ratio_of_quantiles(numbers: int) -> None:
    jobs = np.array([2, 3, 5, 9, 30, 400])
    nu = jobs - 1
    expected = numbers * f(numbers, nu).ppf(0.9) / chi2(numbers).ppf(0.9)
    assert widening(jobs, numbers) == pytest.approx(expected, rel=1e-9)
    assert (np.diff(widening(jobs, numbers)) < 0).all()
    assert widening(np.array([10**7]), numbers) == pytest.approx(1.0, abs=1e-5)


def test_regions_hold_the_next_aircraft_of_a_virtual_type() -> None:
    """90 % regions of single coefficients, over fleets of 8 jobs whose physics is not the fit's model."""
    kind = VirtualType.shipped("tail2")
    following = [kind.aircraft(5_000 + i).true_influence()[0] for i in range(12)]
    held = []
    for seed in range(much(4, 12)):
        found = fit(kind.rotor, fly_fleet("tail2", 8, seed).history).influence
        for alpha in following:
            for r in range(2):
                for s in range(2):
                    for a in range(2):
                        left = alpha[a, r, s] - found.alpha[a, r, s]
                        parts = np.array([left.real, left.imag])
                        cov = found.vibration_cov[r, s, 2 * a : 2 * a + 2, 2 * a : 2 * a + 2]
                        held.append(parts @ np.linalg.solve(cov, parts) < chi2(2).ppf(0.9))
    assert 0.85 <= np.mean(held) <= 0.95
