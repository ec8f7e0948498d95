"""The commands for the time before there is a history, from end to end: estimates as a prior, amplitudes alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from damaged_fleet import fly_fleet
from test_textbook import with_data

from trackbal.commands.group import run as run_command
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import read_adjustments, write_history
from trackbal.virtual import VirtualType


def called(*words: object) -> int:
    return run_command([str(word) for word in words])


def rotor_file_with_data(folder: Path) -> Path:
    """Write the rotor of a virtual type with what its crew could know of blades and hardware."""
    rotor = with_data(VirtualType.shipped("main4"))
    text = VirtualType.rotor_file("main4").read_text(encoding="utf-8")
    for adjuster in rotor.adjusters:
        hardware = {k: v for k, v in vars(adjuster.hardware).items() if v is not None}
        lines = "".join(f"{key} = {value!r}\n" for key, value in hardware.items()) if adjuster.kind != "tab" else ""
        text = text.replace(f'name = "{adjuster.name}"\n', f'name = "{adjuster.name}"\n{lines}')
    data = {k: v for k, v in vars(rotor.blade_data).items() if v is not None}
    text += "\n[blade_data]\n" + "".join(f"{key} = {value!r}\n" for key, value in data.items())
    (folder / "rotor.toml").write_text(text, encoding="utf-8")
    return folder / "rotor.toml"


def fitted(folder: Path, rotor: Path, jobs: int, *prior: object, links_only_after: int = 0) -> Influence:
    """Return what `fit` writes for the first jobs of a fleet, in whose earliest no link was touched."""
    history = FLEET.history.of_jobs(np.arange(jobs))
    history.change[history.job < links_only_after, LINK] = 0.0
    files = folder / "history.csv", folder / "made.csv"
    write_history(FLEET.kind.rotor, *files, history, force=True)
    given = ["--runs", files[0], "--adjustments", files[1], "--out", folder / "fitted.json", "--force"]
    assert called("fit", "--rotor", rotor, *given, *prior) == 0
    return Influence.load(folder / "fitted.json", Rotor.load(rotor))


FLEET = fly_fleet("main4", 12, 31)
LINK = [a.kind for a in FLEET.kind.rotor.adjusters].index("pitch_link")


def test_the_textbook_estimate_as_prior_from_end_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It stands where the runs say nothing, narrows what few runs say, and gives way to many."""
    rotor = rotor_file_with_data(tmp_path)
    assert called("estimate", "--rotor", rotor, "--out", tmp_path / "estimate.json") == 0
    estimate = Influence.load(tmp_path / "estimate.json", Rotor.load(rotor))
    prior = ("--prior", tmp_path / "estimate.json")
    # nothing of links in the runs: unknown without the estimate, the estimate with it
    alone = fitted(tmp_path, rotor, 2, links_only_after=2)
    both = fitted(tmp_path, rotor, 2, *prior, links_only_after=2)
    assert alone.unknown_height[LINK].all() and not both.unknown_height[LINK].any()
    np.testing.assert_allclose(both.tau[LINK], estimate.tau[LINK], rtol=0.02)
    assert both.unknown_vibration[LINK].all()  # what the airframe makes of a force is not guessed
    # many runs: what they say, within the error that they state
    many, with_prior = fitted(tmp_path, rotor, 12), fitted(tmp_path, rotor, 12, *prior)
    sd = np.sqrt(np.einsum("raa->ar", many.height_cov))[LINK]
    assert (np.abs(with_prior.tau - many.tau)[LINK] < 0.25 * sd).all()
    assert (np.abs(estimate.tau - many.tau)[LINK] > 2.0 * np.abs(with_prior.tau - many.tau)[LINK]).any()
    capsys.readouterr()


AMPLITUDE_ROTOR = """
name = "Invented fan"
rpm = 1200.0
blades = ["1", "2", "3"]
[limits]
vibration = 0.15
vibration_stop = 2.0
[[sensors]]
name = "bearing"
axis = "lateral"
unit = "ips"
noise = 0.005
[[regimes]]
name = "running"
heights = false
[[adjusters]]
name = "hub_weight"
kind = "weight"
unit = "g"
step = 1.0
minimum = 0.0
maximum = 60.0
"""


def test_amplitudes_alone_lead_to_a_balanced_rotor(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As found and three trials, phases given as 0; the plan then brings the machine inside, phases and all."""
    found, alpha = 0.8 * np.exp(-2.1j), 0.03 * np.exp(-0.7j)  # ips, ips per gram on blade 1
    place = np.exp(-2j * np.pi * np.arange(3) / 3)
    trial = 12.0
    sizes = [abs(found), *np.abs(found + alpha * trial * place)]
    rows = [f"T,{n},running,{size:.4f},0" for n, size in enumerate(sizes, 1)]
    (tmp_path / "job.csv").write_text("\n".join(["job,run,regime,bearing.amp,bearing.deg", *rows]) + "\n")
    made = ["T,1,1,hub_weight,12", "T,2,1,hub_weight,-12", "T,2,2,hub_weight,12"]
    made += ["T,3,2,hub_weight,-12", "T,3,3,hub_weight,12"]
    (tmp_path / "made.csv").write_text("\n".join(["job,after_run,blade,adjuster,amount", *made]) + "\n")
    (tmp_path / "rotor.toml").write_text(AMPLITUDE_ROTOR)
    rotor, outputs = ["--rotor", tmp_path / "rotor.toml"], ["--out", tmp_path / "own.json"]
    outputs += ["--run-out", tmp_path / "found.csv"]
    asked = ["amplitudes", *rotor, "--runs", tmp_path / "job.csv", "--adjustments", tmp_path / "made.csv", *outputs]
    assert called(*asked) == 0
    assert f"trackbal advise --rotor {tmp_path / 'rotor.toml'}" in capsys.readouterr().out
    plan = tmp_path / "plan.csv"
    advise = ["advise", *rotor, "--run", tmp_path / "found.csv", "--influence", tmp_path / "own.json"]
    assert called(*advise, "--plan-out", plan, "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["verdict"] == "adjust" and answer["plans"][answer["recommended"]]["chance"] > 0.9
    change = read_adjustments(Rotor.load(tmp_path / "rotor.toml"), plan)
    assert abs(found + alpha * (change[0] @ place)) < 0.15
    # nothing is written over, and nothing half-written where the trials do not tell
    assert called(*asked) == 2
    assert "own.json" in capsys.readouterr().err
    (tmp_path / "job.csv").write_text("\n".join(["job,run,regime,bearing.amp,bearing.deg", *rows[:3]]) + "\n")
    (tmp_path / "made.csv").write_text("\n".join(["job,after_run,blade,adjuster,amount", *made[:3]]) + "\n")
    for file in ("own.json", "found.csv"):
        (tmp_path / file).unlink()
    assert called(*asked) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and not (tmp_path / "own.json").exists() and not (tmp_path / "found.csv").exists()
