"""How good the analyst's tools are, on virtual fleets whose physics trackbal's model does not share.

    python tests/benchmarks/measure_analyst.py accuracy|audit|coverage|library [fleets]

prints the tables of docs/analyst_evidence.md. Fleets have 25 jobs of 3 to 6 runs; the truth
is the mean of the aircraft's own influence, by central differences of their physics.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
import warnings
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from damaged_fleet import KINDS, Fleet, damage, fly_fleet, true_mean
from invented_fleet import Truth, plain_rotor, simulate
from scipy.stats import chi2

from trackbal.base.phasor import blade_harmonic
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import estimate_cells, fit, type_influence
from trackbal.records.audit import audit
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History
from trackbal.virtual import VirtualType

TYPES = ("main3", "main4", "main5", "main7", "tail2", "uneven4")
JOBS = 25
RIGHT = {
    "sign": {"wrong_sign", "all_signs"},
    "blade": {"neighbour", "other_blade", "numbering"},
    "doubled": {"halved"},
    "halved": {"doubled"},
    "adjuster": {"other_adjuster"},
    "unrecorded": {"unrecorded_work"},
    "run order": {"run_order"},
    "half turn": {"half_turn", "one_half_turn"},
    "phase sense": {"phase_sense", "one_phase_sense"},
    "unit": {"unit", "one_unit"},
    "decimal": {"one_decimal", "one_unit"},
}


# ------------------------------------------------------------------------------------------------ accuracy


def robust_regression(rotor: Rotor, history: History) -> np.ndarray:
    """Return alpha by statsmodels RLM (Tukey's biweight), cell by cell, job starts as dummies."""
    import statsmodels.api as sm

    z = blade_harmonic(history.change, rotor.azimuth_deg, rotor.harmonics)
    adjusters, sensors = z.shape[1:]
    dummies = (history.job[:, None] == np.arange(len(history.jobs))).astype(float)
    zero = np.zeros_like(dummies)
    alpha = np.zeros((adjusters, len(rotor.regimes), sensors), dtype=complex)
    for s in range(sensors):
        x = np.block(
            [[z[:, :, s].real, -z[:, :, s].imag, dummies, zero], [z[:, :, s].imag, z[:, :, s].real, zero, dummies]]
        )
        scale = np.abs(x).max(axis=0)
        for r in range(len(rotor.regimes)):
            y = np.concatenate([history.vibration[:, r, s].real, history.vibration[:, r, s].imag])
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                found = sm.RLM(y, x / scale, M=sm.robust.norms.TukeyBiweight()).fit(maxiter=100).params / scale
            alpha[:, r, s] = found[:adjusters] + 1j * found[adjusters : 2 * adjusters]
    return alpha


def least_squares(rotor: Rotor, history: History) -> np.ndarray:
    """Return alpha by ordinary least squares with job starts, all aircraft taken to answer alike."""
    estimates = estimate_cells(HistoryCells(rotor, history), spread=False)
    return type_influence(rotor, estimates, None).alpha


METHODS: dict[str, Callable[[Rotor, History], np.ndarray]] = {
    "trackbal fit": lambda rotor, history: fit(rotor, history).influence.alpha,
    "trackbal fit --plain": lambda rotor, history: fit(rotor, history, robust=False).influence.alpha,
    "least squares": least_squares,
    "statsmodels RLM": robust_regression,
}


def relative_error(alpha: np.ndarray, truth: np.ndarray) -> float:
    """Return the root mean square error over all readings, relative to the adjuster's root mean square, percent."""
    size = np.sqrt(np.mean(np.abs(truth) ** 2, axis=(1,), keepdims=True))
    return 100 * float(np.sqrt(np.mean(np.abs(alpha - truth) ** 2 / size**2)))


def accuracy(fleets: int) -> None:
    """Print the error of every method on clean and damaged histories."""
    print(f"| type | records wrong | {' | '.join(METHODS)} |")
    print("|---" * (2 + len(METHODS)) + "|")
    efficiency = []
    for name in TYPES:
        errors: dict[tuple[float, str], list[float]] = defaultdict(list)
        for seed in range(fleets):
            fleet = fly_fleet(name, JOBS, 1000 + seed)
            truth, _ = true_mean(fleet)
            for share in (0.0, 0.05, 0.10):
                history, _ = damage(fleet.kind.rotor, fleet.history, share, seed)
                for method, solve in METHODS.items():
                    errors[share, method].append(relative_error(solve(fleet.kind.rotor, history), truth))
        for share in (0.0, 0.05, 0.10):
            row = [f"{np.median(errors[share, m]):.1f} ({np.max(errors[share, m]):.1f})" for m in METHODS]
            print(f"| {name} | {100 * share:.0f} % | {' | '.join(row)} |", flush=True)
        robust, plain = (np.array(errors[0.0, m]) for m in list(METHODS)[:2])
        efficiency.append(float(np.sum(plain**2) / np.sum(robust**2)))
    print("\nEfficiency on clean histories, plain over robust squared error, by type:", np.round(efficiency, 3))


# ------------------------------------------------------------------------------------------------ audit


def audited(fleets: int) -> None:
    """Print recall by kind, and precision, of the audit on histories with 10 % of records wrong."""
    put, found, named, close = Counter(), Counter(), Counter(), Counter()
    findings = false = clean_findings = clean_runs = 0
    for name in TYPES:
        for seed in range(fleets):
            fleet = fly_fleet(name, JOBS, 2000 + seed)
            rotor = fleet.kind.rotor
            clean = audit(rotor, fleet.history, fit(rotor, fleet.history).influence)
            clean_findings += len(clean.findings)
            clean_runs += clean.runs
            history, done = damage(rotor, fleet.history, 0.10, seed)
            answer = audit(rotor, history, fit(rotor, history).influence)
            rows = {d.row for d in done}
            by_row = {f.row: f for f in reversed(answer.findings)}
            for d in done:
                put[d.kind] += 1
                near = [r for r in (d.row, d.row - 1, d.row + 1) if r in by_row and _same_job(fleet, r, d.row)]
                found[d.kind] += d.row in by_row
                close[d.kind] += bool(near)
                named[d.kind] += bool(near) and by_row[near[0]].best.kind in RIGHT[d.kind]
            findings += len(answer.findings)
            false += sum(
                not any(r in rows and _same_job(fleet, r, f.row) for r in (f.row, f.row - 1, f.row + 1))
                for f in answer.findings
            )
    print("| mistake | put in | at that run | there or a run beside | and named rightly |")
    print("|---|---|---|---|---|")
    for kind in KINDS:
        n = max(put[kind], 1)
        cells = [f"{100 * c[kind] / n:.0f} %" for c in (found, close, named)]
        print(f"| {kind} | {put[kind]} | {' | '.join(cells)} |")
    n = sum(put.values())
    cells = [f"{100 * sum(c.values()) / n:.0f} %" for c in (found, close, named)]
    print(f"| all | {n} | {' | '.join(cells)} |")
    print(f"\nPrecision: {findings - false} of {findings} findings at, or a run beside, a wrong record.")
    print(f"Clean histories: {clean_findings} findings in {clean_runs} runs.")


def _same_job(fleet: Fleet, row: int, other: int) -> bool:
    job = fleet.history.job
    return 0 <= row < len(job) and job[row] == job[other]


# ------------------------------------------------------------------------------------------------ coverage


def coverage(fleets: int) -> None:
    """Print how often 90 % regions of `cov` and `var` hold the coefficients of the next aircraft."""
    print("| type | " + " | ".join(f"{jobs} jobs" for jobs in (4, 6, 10, 20, 40)) + " |")
    print("|---" * 6 + "|")
    for name in TYPES:
        kind = VirtualType.shipped(name)
        following = [kind.aircraft(9_000_000 + i).true_influence() for i in range(10 * fleets)]
        cells = []
        for jobs in (4, 6, 10, 20, 40):
            held, tips = [], []
            for seed in range(fleets):
                found = fit(kind.rotor, fly_fleet(name, jobs, 3000 + seed).history).influence
                for alpha, tau in following[seed::fleets]:
                    held += _held(found, alpha)
                    known = ~found.unknown_height & np.isfinite(tau)
                    var = np.einsum("raa->ar", found.height_cov)
                    tips += ((tau - found.tau)[known] ** 2 < chi2(1).ppf(0.9) * var[known]).tolist()
            cells.append(f"{100 * np.mean(held):.0f}" + (f" / {100 * np.mean(tips):.0f}" if tips else ""))
        print(f"| {name} | {' | '.join(cells)} |", flush=True)


def _held(found: object, alpha: np.ndarray) -> list[bool]:
    held = []
    for a, r, s in np.argwhere(~found.unknown_vibration).tolist():  # type: ignore[attr-defined]
        left = alpha[a, r, s] - found.alpha[a, r, s]  # type: ignore[attr-defined]
        cov = found.vibration_cov[r, s, 2 * a : 2 * a + 2, 2 * a : 2 * a + 2]  # type: ignore[attr-defined]
        parts = np.array([left.real, left.imag])
        held.append(bool(parts @ np.linalg.solve(cov, parts) < chi2(2).ppf(0.9)))
    return held


# ------------------------------------------------------------------------------------------------ library


def library(_: int) -> None:
    """Print time and memory beside statsmodels MixedLM, on heights of one regime and one adjuster."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=1)
    print(
        "| jobs | runs | difference of coefficient, spread, noise "
        "| seconds, trackbal | seconds, MixedLM | times | memory MB, both |"
    )
    print("|---" * 7 + "|")
    for jobs in (10, 30, 60):
        history = simulate(rotor, Truth(np.full((1, 1, 1), 0.02 + 0j), np.array([[0.8]]), height_kappa=0.3), jobs, 5, 1)

        def ours(history: History = history) -> tuple[float, float, float]:
            found = estimate_cells(HistoryCells(rotor, history)).height
            return float(found.alpha[0, 0]), float(found.spread[0, 0]), float(found.sigma2[0])

        def theirs(history: History = history, jobs: int = jobs) -> tuple[float, float, float]:
            contrast = np.linalg.qr(np.eye(4) - 0.25)[0][:, :3]
            y, slope = (history.height[:, 0] @ contrast).ravel(), (history.change[:, 0] @ contrast).ravel()
            group = np.repeat(history.job, 3)
            cell = group * 3 + np.tile(np.arange(3), len(history.job))
            starts = (cell[:, None] == np.arange(3 * jobs)).astype(float)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                model = MixedLM(y, np.column_stack([slope, starts]), groups=group, exog_re=slope[:, None])
                found = model.fit(reml=True, method="powell")  # bfgs stops short of the maximum here
            return float(found.fe_params[0]), float(np.asarray(found.cov_re)[0, 0]), float(found.scale)

        answers, seconds, memory = [], [], []
        for solve in (ours, theirs):
            solve()
            start = time.perf_counter()
            answers.append(solve())
            seconds.append(time.perf_counter() - start)
            tracemalloc.start()
            solve()
            memory.append(tracemalloc.get_traced_memory()[1] / 2**20)
            tracemalloc.stop()
        apart = ", ".join(f"{abs(a / b - 1):.0e}" for a, b in zip(*answers, strict=True))
        times = f"{seconds[1] / seconds[0]:.0f}"
        print(
            f"| {jobs} | {5 * jobs} | {apart} | {seconds[0]:.3f} | {seconds[1]:.2f} | {times} | "
            f"{memory[0]:.1f} / {memory[1]:.1f} |",
            flush=True,
        )


def main() -> None:
    """Print the table asked for."""
    tables = {"accuracy": accuracy, "audit": audited, "coverage": coverage, "library": library}
    if len(sys.argv) < 2 or sys.argv[1] not in tables:
        sys.exit(__doc__)
    tables[sys.argv[1]](int(sys.argv[2]) if len(sys.argv) > 2 else 4)


if __name__ == "__main__":
    main()
