"""No command writes over a file that it reads; and what an earlier or a foreign file makes it say."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_fleet import Truth, plain_rotor, simulate

from trackbal.commands.group import run
from trackbal.fitting.fit import fit
from trackbal.records.audit import audit

DEMO = Path(__file__).parents[1] / "demo_runs" / "two_blade_tail"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for file in DEMO.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    assert run([*history_of(tmp_path, "fit"), "--out", str(tmp_path / "i.json")]) == 0
    known = ["--rotor", str(tmp_path / "rotor.toml"), "--influence", str(tmp_path / "i.json")]
    assert run(["log", "new", str(tmp_path / "f.tblog"), *known]) == 0
    return tmp_path


def history_of(folder: Path, command: str) -> list[str]:
    runs, made = str(folder / "history.csv"), str(folder / "history_adjustments.csv")
    return [command, "--rotor", str(folder / "rotor.toml"), "--runs", runs, "--adjustments", made]


FIT = "fit --rotor rotor.toml --runs history.csv --adjustments history_adjustments.csv"
COMMANDS = {
    "fit over the rotor": ("FIT --out rotor.toml"),
    "fit over the runs": ("FIT --out history.csv"),
    "fit over the logbook": "fit --rotor rotor.toml --log f.tblog --out f.tblog",
    "sums over the runs": ("FIT --out new.json --keep history.csv"),
    "plan over the settings": (
        "advise --rotor rotor.toml --run run1.csv --influence i.json --settings settings.csv --plan-out settings.csv"
    ),
    "card over the run": "advise --rotor rotor.toml --run run1.csv --influence i.json --card run1.csv",
    "card over the rotor": "card --rotor rotor.toml --run run1.csv --influence i.json --out rotor.toml",
    "form over the rotor": "form --rotor rotor.toml --csv rotor.toml",
    "export over the logbook": "log export f.tblog --runs f.tblog --adjustments new.csv",
    "restricted over itself": "restrict --rotor rotor.toml i.json --regime hover --out i.json",
    "merged over one of both": "merge --rotor rotor.toml i.json i.json --out i.json",
    "under another name": "FIT --out link.csv",
}


@pytest.mark.parametrize("name", COMMANDS)
def test_force_does_not_write_over_what_is_read(
    name: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    os.link(folder / "history.csv", folder / "link.csv")
    monkeypatch.chdir(folder)
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    capsys.readouterr()
    assert run([*COMMANDS[name].replace("FIT", FIT).split(), "--force"]) == 2
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1 and "'the original itself'" in said[0] and "never overwritten" in said[0]
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before


def test_sums_may_be_kept_under_the_name_they_had(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    assert run([*history_of(folder, "fit"), "--out", "a.json", "--keep", "sums.npz"]) == 0
    text = (folder / "history.csv").read_text()
    (folder / "more.csv").write_text(text.replace("TL-", "TM-"))
    made = (folder / "history_adjustments.csv").read_text()
    (folder / "more_adj.csv").write_text(made.replace("TL-", "TM-"))
    more = ["fit", "--rotor", "rotor.toml", "--runs", "more.csv", "--adjustments", "more_adj.csv", "--out", "b.json"]
    assert run([*more, "--add", "sums.npz", "--keep", "sums.npz", "--force"]) == 0


def test_a_copied_logbook_does_not_count_twice(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(folder)
    sheets = ["--runs", "history.csv", "--adjustments", "history_adjustments.csv"]
    assert run(["log", "import", "f.tblog", *sheets]) == 0
    Path("copy.tblog").write_bytes(Path("f.tblog").read_bytes())
    capsys.readouterr()
    fit_both = ["fit", "--rotor", "rotor.toml", "--log", "f.tblog", "--log", "copy.tblog", "--out", "both.json"]
    assert run(fit_both) == 2
    assert "copy.tblog: found 'job TL-11, as it stands in f.tblog'" in capsys.readouterr().err
    assert not Path("both.json").exists()


def test_headers_without_rows_are_one_clear_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(folder)
    for name in ("history.csv", "history_adjustments.csv"):
        Path(name).write_text(Path(name).read_text().splitlines()[0] + "\n")
    capsys.readouterr()
    assert run([*history_of(folder, "fit"), "--out", "o.json", "--keep", "k.npz"]) == 2
    assert "found 'no readings'" in capsys.readouterr().err
    assert not Path("o.json").exists() and not Path("k.npz").exists()


def test_an_amount_beyond_the_whole_range_is_named_first(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = folder / "history_adjustments.csv"
    lines = sheet.read_text().splitlines()
    cells = lines[1].split(",")
    lines[1] = ",".join([*cells[:-1], "99999"])
    sheet.write_text("\n".join(lines) + "\n")
    capsys.readouterr()
    for command in (["fit", "--out", str(folder / "o.json")], ["audit"]):
        run([*history_of(folder, command[0]), *command[1:]])
        said = capsys.readouterr()
        assert f"job {cells[0]} run {int(cells[1]) + 1}: " in said.out + said.err
        assert "more than its whole range" in said.out + said.err


def test_a_reading_beyond_belief_is_weighed() -> None:
    rotor = plain_rotor(blades=4)
    history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=8, runs=4, seed=1)
    influence = fit(rotor, history).influence
    vibration = history.vibration.copy()
    vibration[5, 0, 0] = 1e9
    found = audit(rotor, replace(history, vibration=vibration), influence)
    assert [(f.job, f.run) for f in found.findings] == [("job1", 2)]


class TestEarlierFile:
    """An earlier file that says otherwise than the runs."""

    @pytest.fixture
    def halves(self):
        rotor = plain_rotor()
        truth = Truth.draw(rotor, seed=3)
        return rotor, *(simulate(rotor, truth, jobs=10, runs=5, seed=seed) for seed in (1, 2))

    def test_one_that_contradicts_is_named_and_no_run_is_set_aside_for_it(self, halves) -> None:
        rotor, first, second = halves
        prior = fit(rotor, first).influence
        agreeing = fit(rotor, second, prior)
        assert agreeing.set_aside == () and not any("contradict" in c for c in agreeing.cautions)
        wrong = replace(prior, alpha=prior.alpha * np.array([-1.0, 1.0, 1.0])[:, None, None])
        found = fit(rotor, second, wrong)
        assert found.set_aside == ()
        assert any("contradict each other by more than chance in adjuster0:" in c for c in found.cautions)

    def test_another_rotors_name_is_a_caution(self, halves) -> None:
        rotor, first, second = halves
        prior = replace(fit(rotor, first).influence, rotor_name="another")
        assert any("'another'" in c for c in fit(rotor, second, prior).cautions)

    def test_merge_says_what_contradicts_and_refuses_a_copy(self, tmp_path, capsys) -> None:
        folder = tmp_path
        for file in DEMO.iterdir():
            (folder / file.name).write_bytes(file.read_bytes())
        assert run([*history_of(folder, "fit"), "--out", str(folder / "a.json")]) == 0
        answer = json.loads((folder / "a.json").read_text())
        (folder / "copy.json").write_text(json.dumps(answer))
        for row in (row for row in answer["rows"] if "re" in row):
            row["re"], row["im"] = -row["re"], -row["im"]
        answer["source"]["job_names"] = ["others"]
        (folder / "turned.json").write_text(json.dumps(answer | {"rotor": "another"}))
        capsys.readouterr()
        merged = ["merge", "--rotor", str(folder / "rotor.toml"), str(folder / "a.json")]
        assert run([*merged, str(folder / "turned.json"), "--out", str(folder / "m.json")]) == 0
        said = capsys.readouterr().err
        assert "contradict each other in " in said and "'another'" in said
        assert run([*merged, str(folder / "copy.json"), "--out", str(folder / "n.json")]) == 2
        assert "expected files that rest on different jobs" in capsys.readouterr().err
        assert not (folder / "n.json").exists()
