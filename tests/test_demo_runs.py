"""The demo folders: whole, reproducible, and with signs that a physical rotor confirms."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from trackbal.check.review import check_run
from trackbal.commands.group import run as command
from trackbal.fitting.fit import fit
from trackbal.influence.coefficients import Influence
from trackbal.lessons.demo_folder import read_demo
from trackbal.virtual import VirtualType

ROOT = Path(__file__).parents[1] / "demo_runs"
FOLDERS = sorted(p.parent.name for p in ROOT.glob("*/rotor.toml"))
each_demo = pytest.mark.parametrize("name", FOLDERS)


def files_below(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.suffix in (".csv", ".toml", ".md") and p.parent != folder
    }


def test_the_script_makes_the_committed_files_byte_for_byte(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, str(ROOT / "make_demos.py"), str(tmp_path)], check=True, capture_output=True, timeout=300
    )
    made, kept = files_below(tmp_path), files_below(ROOT)
    assert sorted(made) == sorted(kept)
    different = [name for name in kept if made[name] != kept[name]]
    assert different == [], "run python demo_runs/make_demos.py and look at what changed"


def test_the_rotors_cover_what_the_readme_says() -> None:
    rotors = [read_demo(ROOT / name).rotor for name in FOLDERS]
    assert {len(r.blades) for r in rotors} >= {2, 4, 5, 7}
    assert any(r.phase_sense == "lead" for r in rotors)
    assert any(all(a.kind == "weight" for a in r.adjusters) for r in rotors)
    uneven = [r for r in rotors if np.ptp(np.diff(r.azimuth_deg)) > 1.0]
    assert uneven
    listed = re.findall(r"^\| `(\w+)` \|", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.M)
    assert sorted(listed) == FOLDERS


@each_demo
def test_every_file_reads_and_the_story_ends_inside_limits(name: str) -> None:
    demo = read_demo(ROOT / name)
    assert 2 <= len(demo.runs) <= 5
    assert len(demo.changes) == len(demo.runs) - 1
    worst = [check_run(demo.rotor, run).worst_ratio for run in demo.runs]
    assert 3.0 <= worst[0] <= 7.0
    assert worst[-1] <= 1.0
    assert all(w > 1.0 for w in worst[:-1])
    jobs = np.bincount(demo.history.job)
    assert 10 <= len(jobs) <= 14
    assert jobs.min() >= 3
    assert jobs.max() <= 5


@each_demo
def test_what_was_done_improved_the_readings_of_a_physical_rotor(name: str) -> None:
    """The sign check: readings come from simulated motion, adjustments from the solver."""
    demo = read_demo(ROOT / name)
    worst = [check_run(demo.rotor, run).worst_ratio for run in demo.runs]
    for k, change in enumerate(demo.changes):
        if change.any():
            assert worst[k + 1] < worst[k], f"after run {k + 1}"


@each_demo
def test_adjustments_moved_the_readings_the_way_the_fit_says(name: str) -> None:
    """Measured and expected movement point the same way and are of one size (1 would be exactly alike)."""
    demo = read_demo(ROOT / name)
    influence = fit(demo.rotor, demo.history).influence
    limit = demo.rotor.vibration_limit
    for k, change in enumerate(demo.changes):
        if not change.any():
            continue
        said = influence.vibration_change(demo.rotor, change) / limit
        came = (demo.runs[k + 1].vibration - demo.runs[k].vibration) / limit
        both = ~np.isnan(came)
        alike = np.vdot(said[both], came[both]) / np.vdot(said[both], said[both])
        # aircraft of a type differ by 10 to 20 % and about 10 degrees, and readings carry noise;
        # an error of sign gives -1, of phase sense or blade order something far from 1 as well
        assert abs(alike - 1.0) < 0.5, f"after run {k + 1}"


@each_demo
def test_the_fit_finds_the_coefficients_of_the_virtual_type(name: str) -> None:
    demo = read_demo(ROOT / name)
    kinds = {
        VirtualType.rotor_file(k).read_bytes(): k for k in ("main3", "main4", "main5", "main7", "tail2", "uneven4")
    }
    kind = kinds[(ROOT / name / "rotor.toml").read_bytes()]
    true, lift = VirtualType.shipped(kind).as_drawn().true_influence()
    found = fit(demo.rotor, demo.history).influence
    for a, adjuster in enumerate(demo.rotor.adjusters):
        said, truth = found.alpha[a] / demo.rotor.vibration_limit, true[a] / demo.rotor.vibration_limit
        ratio = np.vdot(truth, said) / np.vdot(truth, truth)
        assert abs(ratio - 1.0) < 0.2, adjuster.name
        read = np.isfinite(lift[a])
        if not read.any():
            continue
        sd = np.sqrt(found.height_cov[read, a, a])
        assert (np.abs(found.tau[a][read] - lift[a][read]) < 4.0 * sd).all(), adjuster.name
        if (np.abs(lift[a][read]) * adjuster.step).max() > 3.0 * demo_noise(found, read):
            rise = np.vdot(lift[a][read], found.tau[a][read]) / np.vdot(lift[a][read], lift[a][read])
            assert abs(rise - 1.0) < 0.2, adjuster.name


def demo_noise(found: Influence, read: NDArray[np.bool_]) -> float:
    return float(found.height_noise[read].max())


@each_demo
def test_readings_are_written_as_an_instrument_shows_them(name: str) -> None:
    for file in [*(ROOT / name).glob("run*.csv"), ROOT / name / "history.csv"]:
        with file.open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                for heading, cell in row.items():
                    if ".amp" in heading:
                        assert re.fullmatch(r"\d+\.\d{2,3}", cell), (file.name, heading, cell)
                    elif heading.endswith(".deg"):
                        assert re.fullmatch(r"\d{1,3}|\d{1,2}:\d[05]", cell), (file.name, heading, cell)
                    elif heading.startswith("height."):
                        assert cell == "" or float(cell) * 2.0 == round(float(cell) * 2.0), (file.name, heading, cell)


@each_demo
def test_the_commands_of_the_readme_run(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(ROOT / name, tmp_path / name)
    monkeypatch.chdir(tmp_path / name)
    text = Path("README.md").read_text(encoding="utf-8").replace("\\\n", " ")
    commands = re.findall(r"^    trackbal (.+)$", text, flags=re.M)
    assert [c.split()[0] for c in commands] == ["replay", "check", "fit", "advise"]
    for line in commands:
        code = command(line.split())
        out, err = capsys.readouterr()
        assert code in (0, 1), (line, err)
        assert out
        if line.startswith("replay"):
            assert code == 0
            assert "the last run is inside" in " ".join(out.split())
    assert "invented" in text
