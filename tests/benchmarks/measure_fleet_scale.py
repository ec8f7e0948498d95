"""Time and memory of a fit of a large fleet from CSV, and of adding a month to sums that were kept.

    python tests/benchmarks/measure_fleet_scale.py [runs] [--plain]

writes an invented history of that many runs (1,000,000) of the model itself into a temporary
folder, fits it in a process of its own, and prints a row of docs/analyst_evidence.md.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from trackbal.base.phasor import blade_harmonic, phase_deg
from trackbal.runs.rotor import Rotor
from trackbal.virtual import VirtualType

KIND, RUNS_OF_JOB, BLOCK = "main5", 5, 4000


def write_fleet(rotor: Rotor, folder: Path, name: str, first: int, jobs: int, rng: np.random.Generator) -> None:
    """Write jobs first, first + 1, ... as the two sheets of a history."""
    regimes, blades, sensors = rotor.regimes, len(rotor.blades), len(rotor.sensors)
    alpha, tau = VirtualType.shipped(KIND).as_drawn().true_influence()
    tau = np.nan_to_num(tau)
    heads = [f"{s.name}.{part}" for s in rotor.sensors for part in ("amp", "deg")]
    heads += [f"height.{b}" for b in rotor.blades]
    step = np.array([a.step for a in rotor.adjusters])[:, None]
    with (folder / f"{name}.csv").open("w") as runs, (folder / f"{name}_adj.csv").open("w") as made:
        runs.write(",".join(["job", "run", "regime", *heads]) + "\n")
        made.write("job,after_run,blade,adjuster,amount\n")
        for start in range(first, first + jobs, BLOCK):
            n = min(BLOCK, first + jobs - start)
            single = rng.integers(-8, 9, (n, RUNS_OF_JOB, len(step), blades)) * (
                rng.random((n, RUNS_OF_JOB, len(step), blades)) < 0.15
            )
            single[:, 0] = 0
            amount = single * step
            x = amount.cumsum(axis=1)
            wave = blade_harmonic(x, rotor.azimuth_deg, rotor.harmonics)
            own = alpha * (1 + 0.15 * _circular(rng, (n, *alpha.shape)))
            v = np.einsum("jars,jtas->jtrs", own, wave) + 0.3 * _circular(rng, (n, 1, len(regimes), sensors))
            v += 0.02 * _circular(rng, v.shape)
            own_tau = tau * (1 + 0.1 * rng.normal(size=(n, *tau.shape)))
            h = np.einsum("jar,jtab->jtrb", own_tau, x - x.mean(axis=-1, keepdims=True))
            h = h + 5 * rng.normal(size=(n, 1, *h.shape[2:])) + rng.normal(size=h.shape)
            cells = np.empty((n, RUNS_OF_JOB, len(regimes), 2 * sensors + blades))
            cells[..., 0 : 2 * sensors : 2], cells[..., 1 : 2 * sensors : 2] = (
                np.abs(v),
                phase_deg(v, rotor.phase_sense),
            )
            cells[..., 2 * sensors :] = h
            _write_block(rotor, runs, made, start, cells, amount)


def _write_block(rotor: Rotor, runs: object, made: object, start: int, cells: np.ndarray, amount: np.ndarray) -> None:
    row = ",".join(["%.4f,%.1f"] * len(rotor.sensors) + ["%.1f"] * len(rotor.blades))
    lines = []
    for j, job in enumerate(cells):
        for t, run in enumerate(job):
            for r, regime in enumerate(rotor.regimes):
                lines.append(f"J{start + j},{t + 1},{regime.name}," + row % tuple(run[r].tolist()))
    runs.write("\n".join(lines) + "\n")  # type: ignore[attr-defined]
    items = [
        f"J{start + j},{t},{rotor.blades[b]},{rotor.adjusters[a].name},{amount[j, t, a, b]:g}"
        for j, t, a, b in np.argwhere(amount).tolist()
    ]
    made.write("\n".join(items) + "\n")  # type: ignore[attr-defined]


def _circular(rng: np.random.Generator, size: tuple[int, ...]) -> np.ndarray:
    return (rng.normal(size=size) + 1j * rng.normal(size=size)) / np.sqrt(2)


def fitted(folder: Path, name: str, *options: str) -> tuple[float, float]:
    """Return wall seconds and peak memory (MB) of one trackbal fit in a process of its own."""
    words = ["--rotor", str(VirtualType.rotor_file(KIND)), "--runs", str(folder / f"{name}.csv")]
    words += ["--adjustments", str(folder / f"{name}_adj.csv"), "--out", str(folder / f"{name}.json"), "--force"]
    code = "import sys, resource; from trackbal.commands.group import run; code = run(sys.argv[1:]); "
    code += "print('peak', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024); sys.exit(code)"
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, "fit", *words, *options, "--json"], capture_output=True, text=True, check=True
    )
    seconds = time.perf_counter() - start
    return seconds, float(done.stdout.rsplit("peak", 1)[1])


def main() -> None:
    """Print the table."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    total = numbers[0] if numbers else 1_000_000
    plain = ["--plain"] if "--plain" in sys.argv else []
    rotor = Rotor.load(VirtualType.rotor_file(KIND))
    rng = np.random.default_rng(0)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        jobs = total // RUNS_OF_JOB
        write_fleet(rotor, folder, "years", 0, jobs, rng)
        write_fleet(rotor, folder, "month", jobs, max(jobs // 100, 1), rng)
        size = (folder / "years.csv").stat().st_size / 2**20
        seconds, peak = fitted(folder, "years", "--keep", str(folder / "years.npz"), *plain)
        kept = (folder / "years.npz").stat().st_size / 2**20
        print("| step | runs | sheet MB | seconds | peak MB | sums MB |")
        print("|---|---|---|---|---|---|")
        print(f"| fit --keep {' '.join(plain)} | {total} | {size:.0f} | {seconds:.0f} | {peak:.0f} | {kept:.0f} |")
        more, peak = fitted(folder, "month", "--add", str(folder / "years.npz"), *plain)
        print(f"| fit --add, a hundredth more {' '.join(plain)} | {total // 100} | | {more:.0f} | {peak:.0f} | |")
    print("peak of writing the sheets (MB):", round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024))


if __name__ == "__main__":
    main()
