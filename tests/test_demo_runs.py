"""The demo folders: whole, reproducible, and with signs that a physical rotor confirms."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from demo_fits import FOLDERS, ROOT, demo_fit
from numpy.typing import NDArray

from trackbal.check.review import check_run
from trackbal.commands.group import run as command
from trackbal.influence.coefficients import Influence
from trackbal.lessons.demo_folder import read_demo
from trackbal.virtual import VirtualType

pytestmark = pytest.mark.usefixtures("fits_remembered")

LARGE = ("five_blades", "seven_blades")
each_demo = pytest.mark.parametrize("name", FOLDERS)


@pytest.fixture(scope="module")
def maker() -> Iterator[ModuleType]:
    """Return demo_runs/make_demos.py as a module."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(ROOT))
        yield import_module("make_demos")


def test_there_is_a_scene_for_every_folder(maker: ModuleType) -> None:
    assert sorted(scene.folder for scene in maker.SCENES) == FOLDERS


@each_demo
def test_the_script_makes_the_committed_files(name: str, maker: ModuleType, tmp_path: Path) -> None:
    (scene,) = (s for s in maker.SCENES if s.folder == name)
    maker.make_demo(scene, tmp_path)
    hint = "run python demo_runs/make_demos.py and look at what changed"
    assert sorted(f.name for f in tmp_path.iterdir()) == sorted(f.name for f in (ROOT / name).iterdir()), hint
    for file in tmp_path.iterdir():
        made, kept = file.read_bytes(), (ROOT / name / file.name).read_bytes()
        if made != kept:
            assert file.suffix == ".csv", (file.name, hint)
            assert_same_sheet(made.decode(), kept.decode(), (file.name, hint))


def assert_same_sheet(made: str, kept: str, told: object) -> None:
    """Fail if two sheets differ by more than a digit of a reading, or in anything else."""
    (heading, *made_rows), (kept_heading, *kept_rows) = (list(csv.reader(io.StringIO(t))) for t in (made, kept))
    assert heading == kept_heading and len(made_rows) == len(kept_rows), told
    for row, other in zip(made_rows, kept_rows, strict=True):
        for column, cell, kept_cell in zip(heading, row, other, strict=True):
            assert same_cell(column, cell, kept_cell), (told, column, cell, kept_cell)


def same_cell(column: str, made: str, kept: str) -> bool:
    """Return whether two cells say the same; readings may differ by one digit of what the instrument shows.

    A value halfway between two digits is rounded up or down by its last bit, which is another on other machines.
    """
    reading = re.search(r"\.(amp|deg)\b|^(height)\.|^(rpm)$", column)
    if made == kept or not reading:
        return made == kept
    if ":" in made and ":" in kept:  # hours of a clock face, shown to five minutes
        hours, other = ((lambda h, m: 60 * int(h) + int(m))(*text.split(":")) for text in (made, kept))
        return (hours - other + 5) % 720 <= 10
    try:
        apart = abs(float(made) - float(kept))
    except ValueError:
        return False
    digits = len(kept.partition(".")[2])
    whole = 360.0 if reading[1] == "deg" else np.inf
    step = 0.5 if reading[2] and digits == 1 else 0.02 if reading[2] else 10.0**-digits
    return bool(min(apart, whole - apart) <= 1.001 * step)


@pytest.mark.parametrize(
    ("column", "made", "kept", "same"),
    [
        ("hub.amp", "0.233", "0.234", True),
        ("hub.amp", "0.233", "0.235", False),
        ("hub.deg", "0", "359", True),
        ("hub.deg", "2", "359", False),
        ("hub.deg", "12:00", "11:55", True),
        ("hub.deg", "6:00", "12:00", False),
        ("height.1", "12.0", "12.5", True),
        ("height.1", "12.0", "13.0", False),
        ("height.1", "", "0.0", False),
        ("amount", "10", "20", False),
        ("note", "a", "b", False),
    ],
)
def test_sheets_are_the_same_to_a_digit_of_a_reading_only(column: str, made: str, kept: str, same: bool) -> None:
    assert same_cell(column, made, kept) is same


def test_past_crews_choose_the_same_whatever_the_last_bits(maker: ModuleType) -> None:
    """On two blades a change and its opposite on the other blade cost the same but for rounding."""
    kind = VirtualType.shipped("tail2")
    usual, lift = kind.as_drawn().true_influence()
    a_little = [replace(kind.rotor, azimuth_deg=np.array([0.0, 180.0 + turn])) for turn in (-1e-12, 0.0, 1e-12)]
    for seed in range(20):
        aircraft = kind.aircraft(seed, 1.0)
        run = aircraft.true_run()
        rngs = [np.random.default_rng(seed) for _ in a_little]
        chosen = [maker.choose(r, usual, lift, run, aircraft.setting, g) for r, g in zip(a_little, rngs, strict=True)]
        assert all((c == chosen[0]).all() for c in chosen), seed


def test_the_rotors_cover_what_the_readme_says() -> None:
    rotors = [read_demo(ROOT / name).rotor for name in FOLDERS]
    assert {len(r.blades) for r in rotors} >= {2, 4, 5, 7}
    assert any(r.phase_sense == "lead" for r in rotors)
    assert any(all(a.kind == "weight" for a in r.adjusters) for r in rotors)
    uneven = [r for r in rotors if np.ptp(np.diff(r.azimuth_deg)) > 1.0]
    assert uneven
    listed = re.findall(r"^\| `(\w+)` \|", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.M)
    assert sorted(listed) == sorted([*FOLDERS, *(p.parent.name for p in ROOT.glob("*/story.md"))])


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
    influence = demo_fit(name).influence
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
def test_the_fit_finds_the_coefficients_of_the_virtual_type(name: str, maker: ModuleType) -> None:
    demo = read_demo(ROOT / name)
    (kind,) = (scene.kind for scene in maker.SCENES if scene.folder == name)
    true, lift = VirtualType.shipped(kind).as_drawn().true_influence()
    found = demo_fit(name).influence
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


@pytest.mark.parametrize("name", [pytest.param(n, marks=pytest.mark.long) if n in LARGE else n for n in FOLDERS])
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


@each_demo
def test_crews_stop_where_their_own_figure_says_so(name: str) -> None:
    """No condition follows one above its figure for going on, in the stories and in the records of past jobs."""
    demo = read_demo(ROOT / name)
    rotor, past = demo.rotor, demo.history
    assert np.isfinite(rotor.vibration_go_on[:-1]).all()
    flown = [(run.vibration, run.spread, run.regime_read) for run in demo.runs]
    read = (past.vibration_count > 0).any(axis=2)
    flown += [(past.vibration[i], np.ptp(past.height[i], axis=1), read[i]) for i in range(len(past.run))]
    partial = 0
    for vibration, spread, regimes in flown:
        over = (np.abs(vibration) > rotor.vibration_go_on).any(axis=1) | (spread > rotor.height_go_on)
        last = int(np.flatnonzero(regimes)[-1])
        assert regimes[: last + 1].all() and not over[:last].any()
        assert last == len(regimes) - 1 or over[last]
        partial += last < len(regimes) - 1
    assert partial >= 3


TELLING = "fault|damper|investigate|weights only|repair"  # words that give an answer away


def test_nothing_seen_before_the_lesson_gives_the_fault_away() -> None:
    """A folder's name, its README and the list of demos; the trainer has a page of its own."""
    for name in FOLDERS:
        read_before = (ROOT / name / "README.md").read_text(encoding="utf-8")
        assert not re.search(TELLING, name + read_before, flags=re.I), name
        assert "](trainer.md)" in read_before
        assert len((ROOT / name / "trainer.md").read_text(encoding="utf-8")) > 400
    assert not re.search(TELLING, (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.I)
