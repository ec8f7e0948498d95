"""How long the pages take, as whole processes: interpreter, imports, fit or search, pictures, file.

python -m pytest tests/benchmarks/test_page_speed.py --benchmark-only
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from trackbal.fitting.fit import fit
from trackbal.influence.influence_writer import write_influence
from trackbal.runs.run import History
from trackbal.runs.sheets import write_history, write_run, write_settings
from trackbal.virtual import VirtualType

TYPES = ("main7", "main4", "tail2")


def history_of(kind: VirtualType, jobs: int = 10, runs: int = 4) -> History:
    """Return past runs of virtual aircraft, one step of one adjuster on a few blades between them."""
    rng = np.random.default_rng(5)
    rotor = kind.rotor
    steps = np.array([a.step for a in rotor.adjusters])[:, None]
    flown, job, run, change = [], [], [], []
    for j in range(jobs):
        aircraft = kind.aircraft(100 + j, 0.8)
        total = np.zeros_like(aircraft.setting)
        for k in range(runs):
            if k:
                low, high = rotor.step_bounds(aircraft.setting)
                made = np.clip(rng.integers(-3, 4, total.shape), low, high) * steps
                aircraft, total = aircraft.adjust(made, rng), total + made
            flown.append(aircraft.fly(rng))
            job.append(j)
            run.append(k + 1)
            change.append(total)
    fields = ("vibration", "vibration_count", "vibration_squares", "height", "height_count", "height_squares")
    stacked = {name: np.stack([getattr(r, name) for r in flown]) for name in fields}
    names = tuple(f"job {j + 1}" for j in range(jobs))
    return History(jobs=names, job=np.array(job), run=np.array(run), change=np.stack(change), **stacked)


@pytest.fixture(params=TYPES)
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Return a folder with a type's rotor, history, influence, and the run and settings of one aircraft."""
    kind = VirtualType.shipped(request.param)
    rotor, aircraft = kind.rotor, kind.aircraft(7)
    history = history_of(kind)
    run = aircraft.fly(np.random.default_rng(3))
    worst = np.nanmax(np.abs(run.vibration) / rotor.vibration_limit)
    run = replace(run, vibration=run.vibration * 3.0 / worst)  # out of limits and below any stop
    (tmp_path / "rotor.toml").write_bytes(VirtualType.rotor_file(request.param).read_bytes())
    write_history(rotor, tmp_path / "h.csv", tmp_path / "ha.csv", history, force=False)
    write_influence(tmp_path / "i.json", rotor, fit(rotor, history).influence)
    write_run(rotor, tmp_path / "run.csv", run, force=False)
    write_settings(rotor, tmp_path / "settings.csv", aircraft.setting, force=False)
    return tmp_path


def call(folder: Path, command: str) -> None:
    program = [sys.executable, "-c", "from trackbal.commands import main; main()"]
    ended = subprocess.run([*program, *command.split()], cwd=folder, capture_output=True, text=True, check=False)
    assert ended.returncode in (0, 1), ended.stderr


def test_card(folder, benchmark):
    given = "card --rotor rotor.toml --run run.csv --influence i.json --settings settings.csv --out card.html --force"
    benchmark.pedantic(call, args=(folder, given), rounds=3, iterations=1, warmup_rounds=1)


def test_form(folder, benchmark):
    given = "form --rotor rotor.toml --csv form.csv --page form.html --force"
    benchmark.pedantic(call, args=(folder, given), rounds=3, iterations=1, warmup_rounds=1)


def test_fit_page(folder, benchmark):
    given = "fit --rotor rotor.toml --runs h.csv --adjustments ha.csv --out new.json --page fit.html --force"
    benchmark.pedantic(call, args=(folder, given), rounds=3, iterations=1, warmup_rounds=1)
