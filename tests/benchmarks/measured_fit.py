"""The fit of large histories: time, memory, and the same model beside numpy and statsmodels."""

from __future__ import annotations

import gc
import time
import tracemalloc

import numpy as np
import statsmodels.api as sm
from invented_fleet import simulate
from test_fit_speed import ROTOR, TRUTH, _centred, _centred_least_squares

from trackbal.base.phasor import blade_harmonic
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import estimate_cells, fit

RUNS_OF_A_JOB = 4
SIZES = (25_000, 50_000, 100_000)
REPEATS = 3
MEGABYTE = 2.0**20


def history_of(runs):
    return simulate(ROTOR, TRUTH, jobs=runs // RUNS_OF_A_JOB, runs=RUNS_OF_A_JOB, seed=1)


def least_seconds(work, repeats=REPEATS):
    """Return the least wall time of several calls, and what the last one gave."""
    seconds = []
    for _ in range(repeats):
        gc.collect()
        start = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - start)
    return min(seconds), result


def peak_megabytes(work):
    """Return how far the memory numpy and Python hold rises during a call."""
    gc.collect()
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / MEGABYTE


def size_of(history):
    arrays = [v for v in vars(history).values() if isinstance(v, np.ndarray)]
    return sum(a.nbytes for a in arrays) / MEGABYTE


def sizes(say):
    """Return the Markdown table of the fit's time and memory by the size of the history."""
    rows, first = [], None
    for runs in SIZES:
        history = history_of(runs)
        seconds, found = least_seconds(lambda h=history: fit(ROTOR, h))
        peak = peak_megabytes(lambda h=history: fit(ROTOR, h))
        first = first or seconds / runs
        error = np.abs(found.influence.alpha - TRUTH.alpha).max() / np.abs(TRUTH.alpha).max()
        rows.append(
            f"| {runs:,} | {seconds:.2f} | {1e6 * seconds / runs:.1f} | {seconds / runs / first:.2f} "
            f"| {size_of(history):.0f} | {peak:.0f} | {100 * error:.2f} |"
        )
        say(rows[-1])
    head = (
        "| runs | fit, s | per run, microseconds | per run, as part of the first row's | history, MB "
        "| memory the fit adds at its peak, MB | largest error of a coefficient, % of the largest |\n"
        "|---|---|---|---|---|---|---|"
    )
    return "\n".join([head, *rows])


def statsmodels_least_squares(history):
    """Return statsmodels' least squares of every vibration cell, less the job means, in real arithmetic."""
    jobs = len(history.jobs)
    design = _centred(blade_harmonic(history.change, ROTOR.azimuth_deg, 1), jobs)
    real = np.block([[design.real, -design.imag], [design.imag, design.real]])
    cells = _centred(history.vibration.reshape(len(history.run), -1), jobs)
    found = [sm.OLS(np.concatenate([y.real, y.imag]), real).fit() for y in cells.T]
    adjusters = design.shape[1]
    return np.array([f.params[:adjusters] + 1j * f.params[adjusters:] for f in found])


def against_libraries(say):
    """Return the Markdown table of the model that all of them can solve, on the largest history."""
    history = history_of(SIZES[-1])
    ours, found = least_seconds(lambda: estimate_cells(HistoryCells(ROTOR, history), spread=False))
    ours_all, _ = least_seconds(lambda: fit(ROTOR, history))
    alpha = found.vibration.alpha
    rows = [
        f"| trackbal, the full fit: vibration and heights, spread between aircraft, suspects | {ours_all:.2f} | - |",
        f"| trackbal, aircraft taken as alike: vibration and heights, with covariance | {ours:.2f} | 0 |",
    ]
    for name, way in (
        ("numpy lstsq, vibration only, no covariance", _centred_least_squares),
        ("statsmodels OLS, vibration only, with covariance", statsmodels_least_squares),
    ):
        seconds, other = least_seconds(lambda way=way: way(history))
        apart = np.abs(other.reshape(alpha.shape) - alpha).max() / np.abs(alpha).max()
        rows.append(f"| {name} | {seconds:.2f} | {apart:.0e} |")
        say(rows[-1])
    head = "| way | s | largest difference from trackbal, relative |\n|---|---|---|"
    return "\n".join([head, *rows])
