"""advise --aircraft: an aircraft's earlier jobs in a history, from the command line; and what is said without them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from demo_fits import ROOT, demo, demo_fit

from trackbal.aircraft.own_jobs import own_jobs
from trackbal.commands.group import run
from trackbal.influence.influence_writer import write_influence
from trackbal.plan.job_advice import advise_in_job
from trackbal.runs.sheets import read_history, read_run, read_settings

NAME = "two_blade_tail"
FOLDER = ROOT / NAME
JOBS = [name for name in demo(NAME).history.jobs][:3]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the demo's influence, and its history with a column that says whose jobs three are."""
    folder = tmp_path_factory.mktemp("own")
    influence = demo_fit(NAME).influence
    write_influence(folder / "influence.json", demo(NAME).rotor, influence)
    bare = json.loads((folder / "influence.json").read_text())
    bare.pop("departures")
    (folder / "bare.json").write_text(json.dumps(bare))
    with (FOLDER / "history.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    with (folder / "history.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, ["aircraft", *rows[0]])
        writer.writeheader()
        writer.writerows({"aircraft": "No. 7" if row["job"] in JOBS else f"of {row['job']}", **row} for row in rows)
    return folder


def asked(capsys: pytest.CaptureFixture[str], folder: Path, *more: str, influence: str = "influence.json"):
    """Return exit code, stdout and stderr of advise on the demo's first run."""
    at = ["--rotor", str(FOLDER / "rotor.toml"), "--run", str(FOLDER / "run1.csv")]
    at += ["--settings", str(FOLDER / "settings.csv"), "--influence", str(folder / influence)]
    code = run(["advise", *at, *more])
    return code, *capsys.readouterr()


def own(folder: Path, *more: str) -> list[str]:
    history = ["--runs", str(folder / "history.csv"), "--adjustments", str(FOLDER / "history_adjustments.csv")]
    return ["--aircraft", "No. 7", *history, *more]


@pytest.mark.parametrize(("more", "jobs"), [((), 3), (("--since", JOBS[2]), 1)])
def test_its_earlier_jobs_count_as_they_do_from_python(files: Path, capsys, more, jobs: int) -> None:
    code, out, _ = asked(capsys, files, "--json", *own(files, *more))
    answer = json.loads(out)
    rotor = demo(NAME).rotor
    history = read_history(rotor, files / "history.csv", FOLDER / "history_adjustments.csv")
    earlier = own_jobs(history, "No. 7", *more[1:])
    assert len(earlier) == jobs
    setting = read_settings(rotor, FOLDER / "settings.csv")
    first = read_run(rotor, FOLDER / "run1.csv")
    still = np.zeros((1, *setting.shape))
    expected = advise_in_job(rotor, [first], still, demo_fit(NAME).influence, setting, earlier=earlier).advice
    assert code == (1 if expected.warns else 0)
    assert [plan["chance"] for plan in answer["plans"]] == pytest.approx([p.chance for p in expected.plans], abs=0.01)
    assert any(f"in {jobs} earlier job" in line for line in answer["cautions"])
    alone = json.loads(asked(capsys, files, "--json")[1])
    assert [p["chance"] for p in alone["plans"]] != [p["chance"] for p in answer["plans"]]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--aircraft", "No. 7"], "--runs"),
        (["--aircraft", "No. 8"], "No. 8"),
        (["--since", "no such job"], "no such job"),
    ],
)
def test_what_cannot_be_is_one_line(files: Path, capsys, more: list[str], said: str) -> None:
    given = more if len(more) == 2 and said == "--runs" else [*own(files), *more]
    code, out, error = asked(capsys, files, *given)
    assert code == 2 and not out and error.count("\n") == 1 and said in error


def test_a_history_without_the_column_is_said_to_be_of_another_aircraft_each(tmp_path: Path, files, capsys) -> None:
    for history, said in ((FOLDER, "each taken as another aircraft"), (files, "aircraft.")):
        sheets = ["--runs", str(history / "history.csv"), "--adjustments", str(FOLDER / "history_adjustments.csv")]
        out = str(tmp_path / f"{said[:4]}.json")
        assert run(["fit", "--rotor", str(FOLDER / "rotor.toml"), *sheets, "--out", out]) == 0
        told = " ".join(capsys.readouterr().out.split())
        assert told.count(said) >= 1
        assert (told.count("each taken as another aircraft") == 1) == (history == FOLDER)


def test_an_influence_file_without_departures_is_said_to_make_chances_too_low_once(files: Path, capsys) -> None:
    _, out, _ = asked(capsys, files, "--json", influence="bare.json")
    cautions = json.loads(out)["cautions"]
    assert sum("no departures" in line for line in cautions) == 1
    _, out, _ = asked(capsys, files, "--json")
    assert not any("no departures" in line for line in json.loads(out)["cautions"])


def test_the_job_that_holds_the_run_is_no_earlier_one(files: Path, tmp_path: Path, capsys) -> None:
    """An analyst's history may hold the job at hand already; its readings must not count twice."""
    run1 = (FOLDER / "run1.csv").read_text(encoding="utf-8").splitlines()
    heading, *rows = (files / "history.csv").read_text(encoding="utf-8").splitlines()
    named = heading.split(",")
    now = []
    for cells in csv.DictReader(run1):
        known = {"aircraft": "No. 7", "job": "now", "run": "1"} | {k: v for k, v in cells.items() if k in named}
        now.append(",".join(known.get(name, "") for name in named))
    for folder, its in ((tmp_path / "with", [*rows, *now]), (tmp_path / "alone", now)):
        folder.mkdir()
        (folder / "history.csv").write_text("\n".join([heading, *its]), encoding="utf-8")
        made = (FOLDER / "history_adjustments.csv").read_text(encoding="utf-8").splitlines()
        (folder / "made.csv").write_text("\n".join(made if its is not now else made[:1]), encoding="utf-8")

    def chances(*more: str) -> list[float]:
        _, out, said = asked(capsys, files, "--json", *more)
        assert ("job now holds this very run, so it is no earlier one" in said) == (str(tmp_path) in " ".join(more))
        return [plan["chance"] for plan in json.loads(out)["plans"]]

    def against(folder: str) -> list[str]:
        sheets = [
            "--runs",
            str(tmp_path / folder / "history.csv"),
            "--adjustments",
            str(tmp_path / folder / "made.csv"),
        ]
        return ["--aircraft", "No. 7", *sheets]

    assert chances(*against("with")) == pytest.approx(chances(*own(files)), abs=1e-9)
    assert chances(*against("alone")) == pytest.approx(chances(), abs=1e-9)
