"""Past advice held against what came: scores by hand and by simulation, logbooks, sheets, the page."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_rotor import ROTOR
from logbook_cases import Command, sheet

from trackbal.base.csv_table import CsvTable
from trackbal.base.errors import InputError
from trackbal.commands.group import run as run_command
from trackbal.hindsight.past_plans import PastPlan, Promise, plans_of_logbooks, plans_of_sheets
from trackbal.hindsight.scores import look_back
from trackbal.pages.hindsight_page import hindsight_page
from trackbal.runs.sheets import read_history


def plan(chance: float, passed: bool | None, **more: object) -> PastPlan:
    one = PastPlan("type", "A", "A-1", 1, "", chance, ("tip_weight",), True, passed, ())
    return replace(one, **more)  # type: ignore[arg-type]


def test_scores_by_hand() -> None:
    """(0.1^2 + 0.2^2 + 0.6^2 + 0.5^2) / 4; three of four inside: 0.75 * 0.25."""
    found = look_back([plan(0.9, True), plan(0.8, True), plan(0.6, False), plan(0.5, True)])
    score = found.scores[0]
    assert (score.what, score.plans, score.passed) == ("all", 4, 3)
    assert score.brier == pytest.approx(0.66 / 4) and score.reference == pytest.approx(0.1875)
    assert score.expected == pytest.approx((0.09 + 0.16 + 0.24 + 0.25) / 4)
    bins = [(0.4, 0.6, 1, 1), (0.6, 0.8, 1, 0), (0.8, 0.9, 1, 1), (0.9, 0.95, 1, 1)]
    assert [(b.low, b.high, b.plans, b.passed) for b in found.bins] == bins


def test_jeffreys_interval_of_a_share() -> None:
    """8 of 10, 90 %: 0.561 to 0.934 by scipy's beta distribution with 8.5 and 2.5."""
    from scipy.stats import beta

    found = look_back([plan(0.85, i < 8) for i in range(10)])
    assert found.bins[0].share_low == pytest.approx(beta.ppf(0.05, 8.5, 2.5))
    assert found.bins[0].share_high == pytest.approx(beta.ppf(0.95, 8.5, 2.5))


@pytest.mark.parametrize("true", [True, False])
def test_right_chances_are_told_from_wrong_ones(true: bool) -> None:
    small = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        chance = rng.uniform(0.3, 1.0, 60)
        came = rng.random(60) < (chance if true else 0.6 * chance)
        small += look_back([plan(float(p), bool(o)) for p, o in zip(chance, came, strict=True)]).scores[0].p < 0.05
    assert small <= 12 if true else small >= 80


def test_by_type_adjuster_and_person_and_what_is_left_out() -> None:
    plans = [plan(0.9, True, by="ann"), plan(0.9, False, by="bob", adjusters=("tab", "tip_weight"), rotor="other")]
    plans += [plan(0.9, True, as_advised=False), plan(0.9, None)]
    found = look_back(plans)
    names = ["all", "type other", "type type", "adjuster tab", "adjuster tip_weight", "by ann", "by bob"]
    assert [s.what for s in found.scores] == names
    assert found.left_out == {"not done as advised": 1, "no promised reading taken again": 1}


def test_misses_of_readings() -> None:
    its = (Promise("hover", "V", 0.1, 0.05, 0.15, 0.12, 0.2), Promise("hover", "V", 0.1, 0.05, 0.15, 0.2, 0.2))
    its += (Promise("cruise", "V", 0.1, np.nan, np.nan, 0.06, 0.2),)
    (misses,) = look_back([plan(0.9, True, promises=its)]).misses
    errors = np.array([0.1, 0.5, -0.2])
    assert misses.error == pytest.approx(np.sqrt(np.mean(errors**2))) and misses.mean == pytest.approx(errors.mean())
    assert (misses.inside, misses.ranged, misses.readings) == (1, 2, 3)


HIGH = {"flat_pitch": (0.35, 40.0), "hover": (0.3, 50.0), "cruise": (0.35, 60.0), "descent": (0.2, 20.0)}
LOW = {"flat_pitch": (0.1, 40.0), "hover": (0.1, 50.0), "cruise": (0.1, 60.0), "descent": (0.05, 20.0)}


@pytest.fixture
def worked(book: Path, files: Path, command: Command) -> Path:
    """Return a logbook with a plan done as advised that passed, and one done otherwise."""
    for n, (name, done) in enumerate((("B", []), ("C", ["--nothing"]))):
        command("start", book, name)
        job = ["--job", f"{name}-1"]
        command("run", book, sheet(files / f"run{4 * n + 1}.csv", HIGH), *job)
        assert command("advise", book, "--plan-anyway", *job)[0] in (0, 1)
        assert command("done", book, *done, *job)[0] in (0, 1)
        command("run", book, sheet(files / f"run{4 * n + 2}.csv", LOW), *job)
    return book


def test_a_logbook(worked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first, second = plans_of_logbooks([str(worked)])
    assert (first.job, first.after_run, first.by, first.as_advised, first.passed) == ("B-1", 1, "tester", True, True)
    assert not second.as_advised
    assert all(np.isfinite([r.expected, r.low, r.high]).all() and r.low <= r.high for r in first.promises)
    assert {r.sensor for r in first.promises} == {"cockpit_vertical", "height"}
    page = tmp_path / "page.html"
    assert run_command(["hindsight", "--log", str(worked), "--page", str(page)]) == 0
    out = capsys.readouterr().out
    assert "1 plans judged" in out and "Not judged: 1, not done as advised." in out and "by tester" in out
    html = page.read_text(encoding="utf-8")
    assert "<svg" in html and "Brier" in html
    assert run_command(["hindsight", "--log", str(worked), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["judged"] == 1 and answer["plans"][0]["readings"][0]["came"] == pytest.approx(0.1)


def test_sheets_with_advice(tmp_path: Path) -> None:
    headings = "job,run,regime,cockpit_vertical.amp,cockpit_vertical.deg\n"
    (tmp_path / "runs.csv").write_text(
        headings + "a,1,hover,0.4,0\na,2,hover,0.1,0\nb,1,hover,0.4,0\nb,2,hover,0.3,0\n"
    )
    (tmp_path / "made.csv").write_text("job,after_run,blade,adjuster,amount\na,1,2,tip_weight,50\n")
    history = read_history(ROTOR, tmp_path / "runs.csv", tmp_path / "made.csv")
    (tmp_path / "advice.csv").write_text("job,after_run,chance,by\na,1,0.9,ann\nb,1,0.8,\n")
    plans = plans_of_sheets(ROTOR, history, CsvTable.load(tmp_path / "advice.csv"))
    assert [(p.passed, p.chance, p.by, p.adjusters) for p in plans] == [
        (True, 0.9, "ann", ("tip_weight",)),
        (False, 0.8, "", ()),
    ]
    for old, new, words in (
        ("a,1", "a,2", "a run after that run"),
        ("0.9", "1.9", "a chance"),
        ("b,1", "a,1", "row 3: found 'the job and run of row 2 again'"),
        ("a,1", "a,7", "after_run: found '7'"),
        ("b,1", "c,1", "a job of the"),
    ):
        (tmp_path / "bad.csv").write_text((tmp_path / "advice.csv").read_text().replace(old, new))
        with pytest.raises(InputError, match=words):
            plans_of_sheets(ROTOR, history, CsvTable.load(tmp_path / "bad.csv"))


def test_a_copy_of_a_logbook_does_not_count_twice(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = worked.with_name("copy.tblog")
    copy.write_bytes(worked.read_bytes())
    for files, said in (((worked, worked), "each logbook once"), ((worked, copy), "each job in one logbook only")):
        assert run_command(["hindsight", *(part for file in files for part in ("--log", str(file)))]) == 2
        assert said in capsys.readouterr().err


def test_options_that_do_not_go_together(worked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_command(["hindsight"]) == 2
    assert run_command(["hindsight", "--log", str(worked), "--rotor", "r.toml"]) == 2
    capsys.readouterr()


def test_a_page_of_many_plans_says_how_many() -> None:
    rng = np.random.default_rng(1)
    chance = rng.beta(6, 1, 80)
    found = look_back([plan(float(p), bool(rng.random() < p)) for p in chance])
    assert hindsight_page(found) == hindsight_page(found)
    assert sum(b.plans for b in found.bins) == 80
