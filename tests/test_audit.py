"""Records of a history weighed: the probability behind it, what is found, and what stays as it was."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from damaged_fleet import KINDS, Fleet, damage, fly_fleet
from invented_fleet import Truth, plain_rotor, simulate
from scipy.stats import multivariate_normal

from trackbal.base.phasor import blade_harmonic
from trackbal.commands.group import run
from trackbal.fitting.fit import fit
from trackbal.fitting.merge import restrict
from trackbal.influence.coefficients import Influence
from trackbal.influence.influence_writer import write_influence
from trackbal.records.alternatives import Account, Sizes, weigh
from trackbal.records.audit import audit
from trackbal.records.record_mistakes import record_mistakes
from trackbal.records.set_aside import job_arrays, rows_of_jobs
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History
from trackbal.runs.sheets import read_history, write_history


@pytest.fixture(scope="module")
def small() -> tuple[Rotor, History, Influence, Sizes]:
    rotor = plain_rotor(blades=4, regimes=1, sensors=1, adjusters=2)
    history = simulate(rotor, Truth.draw(rotor, seed=3), jobs=10, runs=4, seed=3, repeats=2)
    return rotor, history, fit(rotor, history).influence, Sizes.of(rotor, history)


def dense_log_density(
    rotor: Rotor, history: History, influence: Influence, rows: np.ndarray, extra: np.ndarray | None = None
) -> float:
    """Return log p(readings after the first | the first) of vibration cell 0 from its joint normal law.

    The unknown start is taken as normal with a huge variance; `extra` is added to the
    covariance of the real and of the imaginary parts alike. A route without any filter.
    """
    z = blade_harmonic(history.change[rows], rotor.azimuth_deg, rotor.harmonics)[:, :, 0]
    n, adjusters = z.shape
    lever = np.zeros((2 * n, 2 * adjusters))
    lever[0::2, 0::2] = lever[1::2, 1::2] = z.real
    lever[0::2, 1::2], lever[1::2, 0::2] = -z.imag, z.imag
    mean = influence.alpha[:, 0, 0] @ z.T
    start = 1e3
    noise = influence.vibration_noise[0, 0] ** 2 / history.vibration_count[rows, 0, 0]
    cov = lever @ influence.vibration_cov[0, 0] @ lever.T + np.diag(np.repeat(noise, 2))
    both = start * np.ones((n, n)) + (0.0 if extra is None else extra)
    cov[0::2, 0::2] += both
    cov[1::2, 1::2] += both
    y = np.stack([history.vibration[rows, 0, 0].real, history.vibration[rows, 0, 0].imag], axis=-1).ravel()
    mu = np.stack([mean.real, mean.imag], axis=-1).ravel()
    first = multivariate_normal(mu[:2], cov[:2, :2]).logpdf(y[:2])
    return float(multivariate_normal(mu, cov).logpdf(y) - first)


class TestWeights:
    """The weight of an account is the density of the readings, checked against scipy's joint normal law."""

    def test_record_as_it_stands(self, small: tuple[Rotor, History, Influence, Sizes]) -> None:
        rotor, history, influence, sizes = small
        for rows in list(rows_of_jobs(history))[:4]:
            account = Account.as_recorded(job_arrays(history, rows))
            found = weigh(rotor, [account], influence, sizes).vibration[0, 0, 0]
            assert found == pytest.approx(dense_log_density(rotor, history, influence, rows), abs=1e-4)

    def test_unknown_work_adds_a_step_to_all_later_runs(self, small: tuple[Rotor, History, Influence, Sizes]) -> None:
        rotor, history, influence, sizes = small
        rows = next(iter(rows_of_jobs(history)))
        account = Account.as_recorded(job_arrays(history, rows)).loosened(2, 4.0)
        later = (np.arange(len(rows)) >= 2).astype(float)
        extra = (4.0 * sizes.vibration_step[0, 0]) ** 2 * np.outer(later, later)
        found = weigh(rotor, [account], influence, sizes).vibration[0, 0, 0]
        assert found == pytest.approx(dense_log_density(rotor, history, influence, rows, extra), abs=1e-4)

    def test_reading_set_aside_leaves_the_law_of_the_others(
        self, small: tuple[Rotor, History, Influence, Sizes]
    ) -> None:
        rotor, history, influence, sizes = small
        rows = next(iter(rows_of_jobs(history)))
        account = Account.as_recorded(job_arrays(history, rows))
        out = np.zeros_like(account.out)
        out[1, 0, 0] = True
        found = weigh(rotor, [account.set_aside(out, np.zeros_like(account.out_height))], influence, sizes)
        size = max(abs(history.vibration[rows[1], 0, 0]) / np.sqrt(2), sizes.vibration[0, 0])
        free = -np.log(2 * np.pi * np.e * size**2)
        others = dense_log_density(rotor, history, influence, np.delete(rows, 1))
        assert found.vibration[0, 0, 0] == pytest.approx(others + free, abs=1e-4)


def test_every_mistake_listed_at_every_run_changes_something() -> None:
    fleet = fly_fleet("main4", 2, seed=1)
    rows = next(iter(rows_of_jobs(fleet.history)))
    job = job_arrays(fleet.history, rows)
    now = Account.as_recorded(job)
    mistakes = record_mistakes(fleet.kind.rotor, now)
    assert {m.run for m in mistakes} == set(range(len(rows)))
    for mistake in mistakes:
        other = mistake.account.job
        changed = (other.change != job.change).any() or not np.array_equal(other.vibration, job.vibration)
        assert changed or not np.array_equal(other.height, job.height), mistake.text
        assert (other.change[0] == 0).all()


@pytest.fixture(scope="module")
def fleet() -> tuple[Fleet, Influence]:
    """Return five jobs to weigh, and the influence fitted to sixteen."""
    flown = fly_fleet("main5", 16, seed=8)
    influence = fit(flown.kind.rotor, flown.history).influence
    return replace(flown, history=first_jobs(flown.history, 5)), influence


def first_jobs(history: History, jobs: int) -> History:
    return history.of_jobs(np.arange(jobs))


def test_no_noise_in_the_file_accuses_nobody(small: tuple[Rotor, History, Influence, Sizes]) -> None:
    rotor, history, influence, _ = small
    silent = replace(influence, vibration_noise=np.zeros((1, 1)), height_noise=np.zeros(1))
    assert audit(rotor, history, silent).findings == ()


def test_amounts_of_an_adjuster_that_is_not_known_accuse_nobody(fleet: tuple[Fleet, Influence]) -> None:
    """Where a coefficient may be anything, a tenth of the amount would be the more probable, whatever was read."""
    flown, influence = fleet
    rotor = flown.kind.rotor
    part = restrict(rotor, influence, adjusters=[a.name for a in rotor.adjusters if a.kind == "weight"])
    assert audit(rotor, first_jobs(flown.history, 3), part).findings == ()


def test_an_influence_of_some_regimes_weighs_what_it_knows(fleet: tuple[Fleet, Influence]) -> None:
    """A restricted file names no noise of what it leaves out; that is no ground to end in an error."""
    flown, influence = fleet
    rotor = flown.kind.rotor
    history = flown.history
    change = history.change.copy()
    rows = np.flatnonzero(history.job == 1)
    change[rows] *= -1.0
    spoiled = first_jobs(replace(history, change=change), 2)
    part = restrict(rotor, influence, regimes=(rotor.regimes[-1].name,))
    assert {f.job for f in audit(rotor, spoiled, part).findings} == {history.jobs[1]}


def test_nothing_is_found_where_nothing_is_wrong(fleet: tuple[Fleet, Influence]) -> None:
    flown, influence = fleet
    found = audit(flown.kind.rotor, flown.history, influence)
    assert found.findings == ()
    assert np.array_equal(found.corrected.change, flown.history.change)
    assert np.array_equal(found.corrected.vibration, flown.history.vibration)
    assert found.corrected.jobs == flown.history.jobs


#: Kind put in -> kinds that name it rightly. A record of twice what was done means half was done.
RIGHT_NAMES = {
    "sign": {"wrong_sign"},
    "blade": {"neighbour", "other_blade"},
    "doubled": {"halved"},
    "adjuster": {"other_adjuster"},
    "unrecorded": {"unrecorded_work"},
    "run order": {"run_order"},
    "half turn": {"half_turn"},
    "phase sense": {"phase_sense"},
    "unit": {"unit"},
    "decimal": {"one_decimal"},
}


@pytest.mark.parametrize("kind", RIGHT_NAMES)
def test_a_mistake_is_found_named_and_put_right(kind: str, fleet: tuple[Fleet, Influence]) -> None:
    flown, influence = fleet
    rotor, history = flown.kind.rotor, flown.history
    spoiled, (done,) = damage(rotor, history, 1 / len(history.run), seed=5, kinds=(kind,))
    before = spoiled.vibration.copy(), spoiled.change.copy()
    found = audit(rotor, spoiled, influence)
    assert [f.row for f in found.findings] == [done.row]
    assert found.findings[0].best.kind in RIGHT_NAMES[kind]
    assert np.array_equal(spoiled.vibration, before[0]) and np.array_equal(spoiled.change, before[1])
    if found.findings[0].corrected:
        assert found.corrected.change == pytest.approx(history.change, abs=1e-9)
        assert found.corrected.vibration == pytest.approx(history.vibration, rel=1e-9)
    else:
        assert f"{history.jobs[history.job[done.row]]} from run {history.run[done.row]}" in found.corrected.jobs


def test_unrecorded_work_parts_the_job_in_the_corrected_copy(fleet: tuple[Fleet, Influence], tmp_path: Path) -> None:
    flown, influence = fleet
    rotor = flown.kind.rotor
    spoiled, _ = damage(rotor, flown.history, 1 / len(flown.history.run), seed=4, kinds=("unrecorded",))
    corrected = audit(rotor, spoiled, influence).corrected
    write_history(rotor, tmp_path / "runs.csv", tmp_path / "adj.csv", corrected, force=False)
    again = read_history(rotor, tmp_path / "runs.csv", tmp_path / "adj.csv")
    assert again.change == pytest.approx(corrected.change)
    assert len(again.jobs) == len(spoiled.jobs) + 1
    assert audit(rotor, again, influence).findings == ()


class TestCommand:
    """trackbal audit: exit codes, JSON, and that originals are never written over."""

    @pytest.fixture
    def files(self, fleet: tuple[Fleet, Influence], tmp_path: Path) -> list[str]:
        flown, influence = fleet
        rotor = flown.kind.rotor
        rotor_file = flown.kind.rotor_file("main5")
        spoiled, _ = damage(rotor, flown.history, 1 / len(flown.history.run), seed=4, kinds=("sign",))
        runs_file, adjustments_file, influence_file = (str(tmp_path / n) for n in ("runs.csv", "adj.csv", "i.json"))
        write_history(rotor, runs_file, adjustments_file, spoiled, force=False)
        write_influence(influence_file, rotor, influence)
        files = ["--runs", runs_file, "--adjustments", adjustments_file]
        return ["--rotor", str(rotor_file), *files, "--influence", influence_file]

    def test_suspects_give_exit_code_1_and_json(self, files: list[str], capsys: pytest.CaptureFixture[str]) -> None:
        assert run(["audit", *files, "--json"]) == 1
        (suspect,) = json.loads(capsys.readouterr().out)["suspects"]
        assert suspect["kind"] == "wrong_sign" and suspect["gain"] > 5 and suspect["probability"] > 0.5
        assert "the other way" in suspect["why"]

    def test_corrected_copy_is_clean(
        self, files: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        before = Path(files[3]).read_bytes(), Path(files[5]).read_bytes()
        out = [str(tmp_path / "r2.csv"), str(tmp_path / "a2.csv")]
        assert run(["audit", *files, "--corrected-runs", out[0], "--corrected-adjustments", out[1]]) == 1
        assert (Path(files[3]).read_bytes(), Path(files[5]).read_bytes()) == before
        assert "suspect record" in capsys.readouterr().out
        assert run(["audit", *files[:3], out[0], files[4], out[1], *files[6:]]) == 0
        assert "no record stands out" in capsys.readouterr().out

    @pytest.mark.parametrize("force", [[], ["--force"]])
    def test_originals_are_never_overwritten(
        self, force: list[str], files: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        before = Path(files[3]).read_bytes()
        other = str(tmp_path / "a2.csv")
        assert run(["audit", *files, "--corrected-runs", files[3], "--corrected-adjustments", other, *force]) == 2
        assert "the original" in capsys.readouterr().err
        assert Path(files[3]).read_bytes() == before and not Path(other).exists()

    def test_one_corrected_file_alone_is_refused(
        self, files: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert run(["audit", *files, "--corrected-runs", str(tmp_path / "r2.csv")]) == 2
        assert "belong together" in capsys.readouterr().err


def test_kinds_of_the_tests_are_all_tried() -> None:
    assert set(KINDS) - set(RIGHT_NAMES) == {"halved"}  # of small changes, half is too little to be told


def test_runs_alone_in_their_job_are_never_suspect(small: tuple[Rotor, History, Influence, Sizes]) -> None:
    rotor, history, influence, _ = small
    each = tuple(map(str, range(len(history.run))))
    alone = replace(history, jobs=each, aircraft=each, job=np.arange(len(each)))
    alone = replace(alone, run=np.ones_like(alone.run), change=np.zeros_like(alone.change))
    assert audit(rotor, alone, influence).findings == ()


def _fleet_with(wrong: str) -> tuple[Rotor, History, Influence, int]:
    """Return a fleet whose third job has one amount a step off, or one adjustment noted a run late or early."""
    rotor = plain_rotor(blades=4, regimes=2, sensors=2, adjusters=2)
    truth = Truth.draw(rotor, seed=3, sd=0.002, height_sd=0.1, kappa=0.05, height_kappa=0.05)
    history = simulate(rotor, truth, jobs=14, runs=5, seed=3)
    influence = fit(rotor, history).influence
    change = history.change.copy()
    rows = np.flatnonzero(history.job == 2)
    made = np.diff(change[rows], axis=0)
    # one that was not changed again beside it: the two would be one amount
    alone = (np.abs(made[1:3]) > 4) & (made[:2] == 0) & (made[2:4] == 0)
    t, a, b = np.argwhere(alone)[0] + [1, 0, 0]
    if wrong == "one_step":
        change[rows[t + 1 :], a, b] += 1.0
    elif wrong == "late":
        change[rows[t + 1], a, b] -= made[t][a, b]
    else:
        change[rows[t], a, b] += made[t][a, b]
    return rotor, replace(history, change=change), influence, t + 2 + (wrong == "late") - (wrong == "early")


@pytest.mark.parametrize("wrong", ["one_step", "late", "early"])
def test_a_step_off_and_a_note_a_run_late_have_kinds_of_their_own(wrong: str) -> None:
    rotor, history, influence, run_number = _fleet_with(wrong)
    (finding,) = audit(rotor, history, influence).findings
    assert (finding.job, finding.best.kind) == ("job2", wrong)
    assert finding.run == run_number and finding.corrected


def test_every_kind_of_finding_says_what_to_look_up(small: tuple[Rotor, History, Influence, Sizes]) -> None:
    from trackbal.records.audit import PRIORS
    from trackbal.reports.audit_report import LOOK_UP, audit_json, report

    rotor, history, influence, _ = small
    account = Account.as_recorded(job_arrays(history, next(iter(rows_of_jobs(history)))))
    kinds = {m.kind for m in record_mistakes(rotor, account)} | set(PRIORS)
    assert kinds <= set(LOOK_UP), kinds - set(LOOK_UP)
    rotor, history, influence, _ = _fleet_with("late")
    found = audit(rotor, history, influence)
    assert "look up: the times on the job card" in report(found)
    assert audit_json(found)["suspects"][0]["look_up"] == LOOK_UP["late"]
