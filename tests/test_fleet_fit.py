"""Sums kept, joined and added to give what one fit of everything gives; sheets read in pieces."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from damaged_fleet import damage, fly_fleet
from invented_fleet import Truth, jobs_of, plain_rotor, simulate

from trackbal.base.errors import InputError
from trackbal.commands.group import run
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import fit
from trackbal.fitting.fleet_fit import fit_sums, sum_up
from trackbal.fitting.job_sums import JobSums
from trackbal.runs.history_stream import history_pieces
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History
from trackbal.runs.sheets import read_history, write_history


@pytest.fixture(scope="module")
def model() -> tuple[Rotor, History]:
    rotor = plain_rotor(regimes=2, sensors=2, adjusters=2, harmonics=(1, 2))
    history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=24, runs=4, seed=1, repeats=2)
    count = history.vibration_count.copy()
    count[5, 1, 0] = 0  # cells with a design of their own
    return rotor, replace(history, vibration_count=count)


def test_pieces_fitted_together_are_the_whole(model: tuple[Rotor, History], tmp_path: Path) -> None:
    rotor, history = model
    whole = fit(rotor, history, robust=False)
    pieces = [jobs_of(history, r) for r in (range(10), range(10, 15), range(15, 24))]
    sums = sum_up(rotor, pieces[:2], robust=False)
    sums.save(tmp_path / "sums.npz", force=False)
    added = sum_up(rotor, pieces[2:], JobSums.load(tmp_path / "sums.npz", rotor), robust=False)
    found = fit_sums(added)
    assert added.jobs == history.jobs and added.runs == len(history.run)
    assert found.influence.alpha == pytest.approx(whole.influence.alpha, rel=1e-9)
    assert found.influence.vibration_cov == pytest.approx(whole.influence.vibration_cov, rel=1e-9)
    assert found.influence.height_cov == pytest.approx(whole.influence.height_cov, rel=1e-9)
    assert found.influence.vibration_noise == pytest.approx(whole.influence.vibration_noise, rel=1e-9)
    pieces, once = found.influence.departures, whole.influence.departures
    assert pieces is not None and once is not None
    assert pieces.blade_differences == pytest.approx(once.blade_differences, rel=1e-6)
    assert found.influence.source["jobs"] == 24


def test_cells_alike_share_their_sums_in_memory_and_in_the_file(model: tuple[Rotor, History], tmp_path: Path) -> None:
    rotor, history = model
    sums = JobSums.of(HistoryCells(rotor, jobs_of(history, range(12, 24))))
    joined = JobSums.joined([JobSums.of(HistoryCells(rotor, replace(jobs_of(history, range(12))))), sums])
    sums.save(tmp_path / "sums.npz", force=False)
    loaded = JobSums.load(tmp_path / "sums.npz", rotor)
    for cells in (sums.height_statistics, loaded.height_statistics):
        assert [c.gram is cells[0].gram for c in cells] == [c.gram is sums.height_statistics[0].gram for c in
                                                            sums.height_statistics]  # fmt: skip
    assert len({id(c.gram) for c in joined.vibration_statistics}) <= 4
    assert loaded.vibration_statistics[1].moment == pytest.approx(sums.vibration_statistics[1].moment)


def test_a_job_cannot_be_added_twice(model: tuple[Rotor, History]) -> None:
    rotor, history = model
    kept = sum_up(rotor, [jobs_of(history, range(10))], robust=False)
    with pytest.raises(InputError, match="job9"):
        sum_up(rotor, [jobs_of(history, range(9, 12))], kept, robust=False)


@pytest.mark.parametrize("change", ["another-rotor", "no-sums", "missing"])
def test_sums_that_do_not_fit_are_refused(change: str, model: tuple[Rotor, History], tmp_path: Path) -> None:
    rotor, history = model
    file = tmp_path / "sums.npz"
    if change == "another-rotor":
        JobSums.of(HistoryCells(rotor, history)).save(file, force=False)
        rotor = replace(rotor, blades=tuple("abcde"))
    elif change == "no-sums":
        file.write_bytes(b"PK\x03\x04 nothing")
    with pytest.raises(InputError, match=r"sums\.npz"):
        JobSums.load(file, rotor)


def test_bad_records_are_set_aside_piece_by_piece() -> None:
    fleet = fly_fleet("tail2", 60, seed=6)
    rotor = fleet.kind.rotor
    damaged, done = damage(rotor, fleet.history, 0.05, seed=2)
    pieces = [jobs_of(damaged, r) for r in (range(30), range(30, 45), range(45, 60))]
    sums = sum_up(rotor, pieces)
    named = {(r.job, r.run) for r in sums.set_aside}
    truly = {(damaged.jobs[damaged.job[d.row]], int(damaged.run[d.row])) for d in done}
    assert len(named & truly) > 0.6 * len(truly)
    clean, robust, plain = (
        fit_sums(s).influence.alpha for s in (sum_up(rotor, [fleet.history]), sums, sum_up(rotor, pieces, robust=False))
    )
    assert np.linalg.norm(robust - clean) < 0.3 * np.linalg.norm(plain - clean)


class TestPieces:
    """A sheet read in pieces is the sheet read whole."""

    @pytest.fixture
    def files(self, tmp_path: Path, model: tuple[Rotor, History]) -> tuple[str, str]:
        rotor, history = model
        names = str(tmp_path / "runs.csv"), str(tmp_path / "adj.csv")
        write_history(rotor, *names, history, force=False)
        return names

    @pytest.mark.parametrize("rows", [1, 30, 10_000])
    def test_all_jobs_come_once(self, rows: int, files: tuple[str, str], model: tuple[Rotor, History]) -> None:
        rotor, _ = model
        whole = read_history(rotor, *files)
        shares: list[float] = []
        pieces = list(history_pieces(rotor, *files, rows=rows, progress=shares.append))
        assert sum((p.jobs for p in pieces), ()) == whole.jobs
        assert np.array_equal(np.concatenate([p.change for p in pieces]), whole.change)
        together = np.concatenate([p.vibration for p in pieces])
        assert np.array_equal(together, whole.vibration, equal_nan=True)
        assert shares == sorted(shares) and len(shares) == len(pieces)

    def test_pieces_say_whose_jobs_they_hold(self, model: tuple[Rotor, History], tmp_path: Path) -> None:
        rotor, history = model
        aircraft = tuple(f"T-{j % 7}" for j in range(len(history.jobs)))
        base = history.run[:, None].astype(str).astype(object)
        named = replace(history, aircraft=aircraft, groups=("base",), group=base)
        files = str(tmp_path / "r.csv"), str(tmp_path / "a.csv")
        write_history(rotor, *files, named, force=False)
        pieces = list(history_pieces(rotor, *files, rows=30))
        assert len(pieces) > 2
        assert sum((p.aircraft for p in pieces), ()) == aircraft
        assert np.array_equal(np.concatenate([p.group for p in pieces]), named.group)
        sums = sum_up(rotor, pieces, robust=False)
        sums.save(tmp_path / "kept.npz", force=False)
        assert JobSums.load(tmp_path / "kept.npz", rotor).aircraft == sums.aircraft == aircraft

    def test_a_job_torn_apart_is_refused_with_its_row(
        self, files: tuple[str, str], model: tuple[Rotor, History]
    ) -> None:
        lines = Path(files[0]).read_text(encoding="utf-8").splitlines()
        Path(files[0]).write_text("\n".join([*lines, lines[1]]) + "\n", encoding="utf-8")
        with pytest.raises(InputError, match=rf"row {len(lines) + 1}, column job: found 'job0'"):
            list(history_pieces(model[0], *files, rows=1))

    def test_adjustments_of_no_job_are_refused(self, files: tuple[str, str], model: tuple[Rotor, History]) -> None:
        with Path(files[1]).open("a", encoding="utf-8") as stream:
            stream.write("job99,1,1,adjuster0,3\n")
        with pytest.raises(InputError, match="job99"):
            list(history_pieces(model[0], *files))

    @pytest.mark.parametrize("text", ["", "job,run\nx\n", "run,regime\n1,hover\n"])
    def test_no_history_is_refused(self, text: str, files: tuple[str, str], model: tuple[Rotor, History]) -> None:
        Path(files[0]).write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=r"runs\.csv"):
            list(history_pieces(model[0], *files))


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fleet = fly_fleet("tail2", 24, seed=2)
    rotor = fleet.kind.rotor
    common = ["--rotor", str(fleet.kind.rotor_file("tail2"))]
    for name, jobs in (("april", range(16)), ("may", range(16, 24)), ("all", range(24))):
        write_history(
            rotor, tmp_path / f"{name}.csv", tmp_path / f"{name}_adj.csv", jobs_of(fleet.history, jobs), force=False
        )

    def history(name: str) -> list[str]:
        return [*common, "--runs", str(tmp_path / f"{name}.csv"), "--adjustments", str(tmp_path / f"{name}_adj.csv")]

    april, may = str(tmp_path / "april.npz"), str(tmp_path / "may.npz")
    assert run(["fit", *history("april"), "--keep", april, "--out", str(tmp_path / "1.json"), "--json"]) == 0
    capsys.readouterr()
    arguments = ["fit", *history("may"), "--add", april, "--keep", may, "--out", str(tmp_path / "2.json"), "--json"]
    assert run(arguments) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["jobs"], answer["runs"]) == (24, len(fleet.history.run))
    assert run(["fit", *history("all"), "--out", str(tmp_path / "3.json"), "--json"]) == 0
    rows = [json.loads((tmp_path / f"{n}.json").read_text(encoding="utf-8"))["rows"] for n in (2, 3)]
    values = [[r["re"] for r in these if "re" in r] for these in rows]
    assert values[0] == pytest.approx(values[1], rel=1e-6)
    largest = [json.loads((tmp_path / f"{n}.json").read_text())["source"]["largest_past_change"] for n in (1, 2, 3)]
    assert largest[1] == largest[2] and all(largest[0][name] <= amount for name, amount in largest[1].items())
    assert run([*arguments, "--force"]) == 0
    capsys.readouterr()
    again = ["fit", *history("may"), "--add", may, "--out", str(tmp_path / "4.json")]
    assert run(again) == 2
    assert "do not hold yet" in capsys.readouterr().err and not (tmp_path / "4.json").exists()


def test_the_largest_change_of_the_past_is_kept_with_the_sums(model: tuple[Rotor, History]) -> None:
    """Without it advice would not say that a change goes beyond what was ever done."""
    rotor, history = model
    change = history.change.copy()
    change[1:, 0, 0] += np.where(history.job[1:] == 0, 1e4, 0.0)
    history = jobs_of(replace(history, change=change), range(4))
    prior = replace(fit(rotor, history).influence, source={"jobs": 4, "largest_past_change": {"adjuster1": 99.0}})
    sums = JobSums.of(HistoryCells(rotor, history))
    once, kept = fit(rotor, history, prior).influence.source, fit_sums(sums, prior).influence.source
    assert kept["largest_past_change"] == once["largest_past_change"]
    assert kept["largest_past_change"]["adjuster1"] == 99.0 and kept["largest_past_change"]["adjuster0"] > 9e3


def test_the_days_of_the_past_are_kept_joined_and_said(model: tuple[Rotor, History], tmp_path: Path) -> None:
    rotor, history = model
    days = np.datetime64("2026-03-30T23:30:00") + np.arange(len(history.run)).astype("timedelta64[D]")
    days[0] = np.datetime64("NaT")
    dated = replace(history, date=days)
    assert fit(rotor, dated, robust=False).influence.source["dates"] == ["2026-03-31", str(days[-1])[:10]]
    cells = HistoryCells(rotor, history)
    parts = [JobSums.of(cells, replace(history, date=days - np.timedelta64(10, "D"))), JobSums.of(cells, dated)]
    JobSums.joined(parts).save(tmp_path / "sums.npz", force=False)
    assert JobSums.load(tmp_path / "sums.npz", rotor).dates == ("2026-03-21", str(days[-1])[:10])
    assert JobSums.of(cells).dates is None and JobSums.joined([JobSums.of(cells)]).dates is None
    by_hand = replace(fit(rotor, history, robust=False).influence, source={"jobs": 3, "dates": "in spring"})  # any text
    assert fit(rotor, dated, by_hand, robust=False).influence.source["dates"][0] == "2026-03-31"
