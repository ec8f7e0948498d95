"""Speed of reading sheets (run with --benchmark-only)."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from invented_rotor import ROTOR

from trackbal.runs.sheets import read_history

JOBS, RUNS = 10_000, 5


def test_read_a_history_of_100_000_rows(benchmark: Any, tmp_path: Path) -> None:
    """100,000 rows of 14 cells and 40,000 adjustments."""
    numbers = np.random.default_rng(3).random((2 * JOBS * RUNS, 10)).round(4).astype(str)
    regimes = ("flat_pitch", "hover")
    headings = [f"{s.name}.{part}" for s in ROTOR.sensors for part in ("amp", "deg")]
    header = ["job", "run", "regime", "rpm", *headings, *(f"height.{b}" for b in ROTOR.blades)]
    rows = (
        f"j{k // 2 // RUNS},{k // 2 % RUNS + 1},{regimes[k % 2]},239.5,{','.join(cells)}"
        for k, cells in enumerate(numbers)
    )
    (tmp_path / "runs.csv").write_text("\n".join([",".join(header), *rows]))
    made = (f"j{j},{n},{n % 4 + 1},tip_weight,20" for j in range(JOBS) for n in range(1, RUNS))
    (tmp_path / "made.csv").write_text("\n".join(["job,after_run,blade,adjuster,amount", *made]))
    history = benchmark.pedantic(read_history, (ROTOR, tmp_path / "runs.csv", tmp_path / "made.csv"), rounds=5)
    assert history.vibration.shape == (JOBS * RUNS, 4, 3)
