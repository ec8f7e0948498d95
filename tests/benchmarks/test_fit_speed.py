"""How long a fit takes: pytest tests/benchmarks/test_fit_speed.py --benchmark-only.

Histories of up to 100 000 runs (4 a job) of a 7-blade rotor with 5 regimes, 3 sensors and
4 adjusters. The reference is dense least squares of numpy and statsmodels, which take all
aircraft to answer alike; the same model is timed here too and must give the same numbers.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented_fleet import Truth, plain_rotor, simulate

from trackbal.base.phasor import blade_harmonic
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import estimate_cells, fit

ROTOR = plain_rotor(blades=7, regimes=5, sensors=3, adjusters=4)
TRUTH = Truth.draw(ROTOR, seed=1)


@pytest.mark.parametrize("jobs", [2_500, 25_000], ids=["10k-runs", "100k-runs"])
def test_fit(benchmark, jobs):
    history = simulate(ROTOR, TRUTH, jobs=jobs, runs=4, seed=1)
    result = benchmark.pedantic(fit, (ROTOR, history), rounds=3, iterations=1)
    np.testing.assert_allclose(result.spread, TRUTH.kappa, rtol=0.1)
    np.testing.assert_allclose(result.height_spread, TRUTH.height_kappa, rtol=0.1)
    assert result.suspects == ()


@pytest.mark.parametrize("jobs", [25_000], ids=["100k-runs"])
def test_all_aircraft_alike(benchmark, jobs):
    history = simulate(ROTOR, TRUTH, jobs=jobs, runs=4, seed=1)
    found = benchmark.pedantic(
        lambda: estimate_cells(HistoryCells(ROTOR, history), spread=False), rounds=3, iterations=1
    )
    np.testing.assert_allclose(found.vibration.alpha.reshape(5, 3, 4), _centred_least_squares(history), rtol=1e-8)


def _centred_least_squares(history):
    """Return numpy's least squares of every vibration cell, less the job means (dummies would not fit in memory)."""
    jobs = len(history.jobs)
    design = _centred(blade_harmonic(history.change, ROTOR.azimuth_deg, 1), jobs)
    readings = _centred(history.vibration.reshape(len(history.run), -1), jobs)
    return np.linalg.lstsq(design, readings, rcond=None)[0].T.reshape(5, 3, 4)


def _centred(values, jobs):
    runs = values.reshape(jobs, 4, -1)
    return (runs - runs.mean(axis=1, keepdims=True)).reshape(len(values), -1)


def test_reference_numpy(benchmark):
    history = simulate(ROTOR, TRUTH, jobs=25_000, runs=4, seed=1)
    benchmark.pedantic(_centred_least_squares, (history,), rounds=3, iterations=1)


def test_reference_statsmodels_with_job_dummies(benchmark):
    """200 runs are what dense dummies allow in reasonable time; ours agree to 1e-8."""
    history = simulate(ROTOR, TRUTH, jobs=50, runs=4, seed=1)
    z = blade_harmonic(history.change, ROTOR.azimuth_deg, 1)
    dummies = (history.job[:, None] == np.arange(50)).astype(complex)
    design = np.hstack([z, dummies])
    real = np.block([[design.real, -design.imag], [design.imag, design.real]])

    def reference():
        cells = history.vibration.reshape(200, 15)
        fits = [sm.OLS(np.concatenate([y.real, y.imag]), real).fit().params for y in cells.T]
        return np.array([p[:4] + 1j * p[54:58] for p in fits])

    expected = benchmark.pedantic(reference, rounds=2, iterations=1)
    found = estimate_cells(HistoryCells(ROTOR, history), spread=False)
    np.testing.assert_allclose(found.vibration.alpha, expected, rtol=1e-8)
