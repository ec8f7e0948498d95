"""Jobs compared over time and from group to group: what is not alike is found, sound fleets are left alone."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from how_much import much
from invented_fleet import Truth, plain_rotor, random_changes, simulate
from scipy.stats import kstest

from trackbal.base.errors import InputError
from trackbal.commands.group import run
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.examination.comparisons import FALSE_ALARM, Comparison, compare_jobs
from trackbal.examination.examination import examine
from trackbal.fitting.fit import estimate_cells
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History
from trackbal.runs.sheets import write_history

JOBS, RUNS = 18, 5


def fleet(seed: int, fault: str = "") -> tuple[Rotor, History]:
    """Return a fleet of two groups; with a fault, what was recorded is not what acted, or was read otherwise."""
    rotor = plain_rotor(regimes=2, sensors=2, adjusters=2)
    rng = np.random.default_rng([seed, 3])
    recorded = random_changes(rotor, JOBS, RUNS, rng)
    other = np.arange(JOBS) % 3 == 0
    acted = recorded.copy()
    if fault == "drift":
        acted[:, :, 1] *= np.linspace(0.75, 1.25, JOBS)[:, None, None]
    if fault == "amount":
        acted[other, :, 0] *= 1.5
    history = simulate(rotor, Truth.draw(rotor, seed=seed, kappa=0.1), JOBS, RUNS, seed=seed, change=acted)
    vibration = history.vibration.copy()
    if fault == "turn":
        vibration[other[history.job], :, 1] *= np.exp(-1j * np.deg2rad(40.0))
    group = np.where(other, "wide", "narrow")[history.job].astype(object)[:, None]
    change = recorded.reshape(history.change.shape)
    return rotor, replace(history, vibration=vibration, change=change, groups=("tab_type", "day"), group=group)


def compared(rotor: Rotor, history: History) -> tuple[Comparison, ...]:
    cells = HistoryCells(rotor, history)
    return compare_jobs(cells, estimate_cells(cells), ("group.tab_type",))


FAULTS = {
    "drift": ("order", "amount", 1, 0.5),
    "amount": ("group.tab_type", "amount", 0, 0.5),
    "turn": ("group.tab_type", "turn", 1, 40.0),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_what_is_not_alike_is_found_and_nothing_else(fault: str) -> None:
    by, part, index, size = FAULTS[fault]
    for seed in range(3):
        found = [c for c in compared(*fleet(seed, fault)) if c.found]
        assert [(c.by, c.part, c.index) for c in found] == [(by, part, index)], seed
        levels = found[0].levels
        told = levels[0].value if by == "order" else levels[1].value - levels[0].value
        assert told == pytest.approx(size, abs=0.45 * size)
        assert all(0 < level.error < 0.35 * size for level in levels)


@pytest.mark.parametrize("aircraft", [1, 3, 6])
def test_a_pick_up_turned_in_some_jobs_of_few_aircraft_is_found(aircraft: int) -> None:
    """Of few aircraft each job is held against the others of its aircraft; of six or more, aircraft are counted."""
    rotor, history = fleet(0, "turn")
    history = replace(history, aircraft=tuple(f"No. {j * aircraft // JOBS}" for j in range(JOBS)))
    found = [c for c in compared(rotor, history) if c.found]
    assert [(c.by, c.part, c.index) for c in found] == [("group.tab_type", "turn", 1)]
    assert found[0].levels[1].value - found[0].levels[0].value == pytest.approx(40.0, abs=10.0)


def test_a_turn_is_told_as_growing_phase_lag() -> None:
    """A phasor is A exp(-i phi): 40 degrees more lag on "wide", against the mean of all jobs, a third of them wide."""
    (found,) = (c for c in compared(*fleet(0, "turn")) if c.found)
    assert [level.name for level in found.levels] == ["narrow", "wide"]
    assert [level.jobs for level in found.levels] == [12, 6]
    assert found.levels[0].value < 0.0 < found.levels[1].value


def test_chances_are_even_where_jobs_are_alike() -> None:
    seen: dict[str, list[float]] = {"order": [], "group.tab_type": []}
    accused = 0
    for seed in range(much(20, 40)):
        answers = compared(*fleet(seed + 100))
        accused += any(c.found for c in answers)
        for c in answers:
            if (c.part, c.index) in (("amount", 0), ("turn", 1)):
                seen[c.by].append(c.p)
    for by, p in seen.items():
        assert kstest(p, "uniform").pvalue > 0.001, by
    assert accused <= 4  # at a rate of FALSE_ALARM, more than 4 of 40 is one case in 600 or so
    assert FALSE_ALARM <= 0.05


def test_one_bad_job_does_not_make_a_trend() -> None:
    rotor, history = fleet(4)
    vibration = history.vibration.copy()
    first = history.job == 0
    vibration[first] += 3.0 * history.change[first].sum(axis=(1, 2))[:, None, None] * 0.02
    assert not any(c.found for c in compared(rotor, replace(history, vibration=vibration)))


def test_the_date_is_used_where_every_job_has_one() -> None:
    rotor, history = fleet(1, "drift")
    days = np.datetime64("2026-01-01T00:00:00") + (10 * history.job + history.run) * np.timedelta64(86400, "s")
    found = [c for c in compared(rotor, replace(history, date=days)) if c.found]
    assert [(c.by, c.part, c.index) for c in found] == [("date", "amount", 1)]


def test_what_cannot_be_told_says_so() -> None:
    rotor, history = fleet(1)
    few = history.of_jobs(np.arange(4))
    cells = HistoryCells(rotor, few)
    answers = compare_jobs(cells, estimate_cells(cells), ("group.tab_type",))
    assert all(np.isnan(c.p) and not c.levels and not c.found for c in answers)
    with pytest.raises(InputError, match=r"found 'group.tabs', expected one of order, date, group\.tab_type"):
        compare_jobs(cells, estimate_cells(cells), ("group.tabs",))


def test_command_and_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from logbook.logbook_cases import TOML

    from trackbal.runs.rotor import Rotor

    (tmp_path / "rotor.toml").write_text(TOML)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    rng = np.random.default_rng(1)
    recorded = random_changes(rotor, 12, 4, rng)
    acted = recorded.copy()
    acted[::3, :, 0] *= 1.5
    history = simulate(rotor, Truth.draw(rotor, seed=1, kappa=0.05), 12, 4, seed=1, change=acted)
    vibration = history.vibration
    of_job, of_run = np.where(history.job % 3 == 0, "wide", "narrow"), np.where(history.run % 2 == 0, "wet", "dry")
    group = np.stack([of_job, of_run], axis=1).astype(object)
    change = recorded.reshape(history.change.shape)
    history = replace(history, vibration=vibration, change=change, groups=("tab_type", "day"), group=group)
    files = tmp_path / "runs.csv", tmp_path / "adj.csv"
    write_history(rotor, *files, history, force=False)
    start = [
        "examine",
        "--rotor",
        str(tmp_path / "rotor.toml"),
        "--runs",
        str(files[0]),
        "--adjustments",
        str(files[1]),
    ]
    page = tmp_path / "page.html"
    assert run([*start, "--by", "group.tab_type", "--page", str(page)]) == 1
    out = capsys.readouterr().out
    assert "group.tab_type  tip_weight, what an amount does" in out and "Which sensor to trust" in out
    html = page.read_text(encoding="utf-8")
    assert html.count("<svg") > 10 and "Not alike." in html
    assert run([*start, "--by", "group.tab_type", "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    unlike = [(c["by"], c.get("adjuster")) for c in answer["comparisons"] if not c["alike"]]
    assert ("group.tab_type", "tip_weight") in unlike
    assert [s["sensor"] for s in answer["sensors"]] == [*(s.name for s in rotor.sensors), "height"]
    assert run([*start, "--by", "group.none"]) == 2
    assert "expected one of order, date, group.tab_type" in capsys.readouterr().err
    run([*start, "--by", "group.day"])
    out = capsys.readouterr().out
    assert re.search(r"group.day: \d+ questions cannot be answered; .* of several groups is in none", out)


def test_a_sensor_not_to_be_trusted_is_told() -> None:
    rotor, history = fleet(2)
    rng = np.random.default_rng(2)
    vibration = history.vibration.copy()
    vibration[:, :, 1] += 0.1 * (
        rng.normal(size=vibration[:, :, 1].shape) + 1j * rng.normal(size=vibration[:, :, 1].shape)
    )
    sound, noisy, tips = examine(rotor, replace(history, vibration=vibration)).trust
    assert noisy.noise > 3 * sound.noise and noisy.error > 2 * sound.error
    assert noisy.noise == pytest.approx(0.1 / 0.2, rel=0.15)  # as a part of the limit
    assert tips.sensor == -1 and tips.noise == pytest.approx(1.0 / 10.0, rel=0.15)
