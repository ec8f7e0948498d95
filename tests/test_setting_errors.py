"""Setting errors found from past jobs, and the unexplained part that regimes share, in the influence file."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from invented_rotor import ROTOR
from test_own_aircraft import A, B, Fleet, S, even_departures, invented_influence

from trackbal.aircraft.posterior import JobRuns
from trackbal.base.errors import InputError
from trackbal.estimate.setting_errors import find_setting_errors
from trackbal.influence.coefficients import Influence
from trackbal.influence.influence_writer import influence_document, influence_text

TRUE = np.array([12.0, 0.8])  # of a weight in grams, of a link in flats


def jobs_of(count: int, runs: int, true: np.ndarray, moved: tuple[int, ...] = (0, 1)) -> list[JobRuns]:
    """Return jobs in which every run but the first follows two adjustments, set wrong by chance."""
    departures = even_departures(0.6)
    fleet = Fleet(invented_influence(), departures, 5)
    rng = np.random.default_rng(6)
    found = []
    for _ in range(count):
        alpha, tau, fault, rest, tips = fleet.draw()
        recorded, done = np.zeros((runs, A, B)), np.zeros((runs, A, B))
        for t in range(1, runs):
            made = np.zeros((A, B))
            for a in moved:
                made[a, rng.integers(B)] = (40.0, 3.0)[a] * rng.choice([-1.0, 1.0])
            recorded[t] = recorded[t - 1] + made
            done[t] = done[t - 1] + made + np.where(made != 0.0, true[:, None] * rng.normal(size=(A, B)), 0.0)
        found.append(JobRuns([fleet.read(alpha, tau, fault + x, rest, tips) for x in done], recorded))
    return found


@pytest.fixture(scope="module")
def known() -> Influence:
    return replace(invented_influence(), departures=even_departures(0.6))


def test_setting_errors_are_found_from_the_runs_of_past_jobs(known: Influence) -> None:
    found = find_setting_errors(ROTOR, known, jobs_of(24, 4, TRUE))
    assert found == pytest.approx(TRUE, rel=0.3)  # three standard errors of 72 changes are 0.25
    none = find_setting_errors(ROTOR, known, jobs_of(24, 4, np.zeros(2)))
    assert (none < 0.25 * TRUE).all()


def test_an_adjuster_that_nobody_moved_tells_no_setting_error(known: Influence) -> None:
    found = find_setting_errors(ROTOR, known, jobs_of(8, 3, TRUE, moved=(1,)))
    assert found[0] == 0.0 and found[1] > 0.0
    assert (find_setting_errors(ROTOR, known, jobs_of(4, 1, TRUE)) == 0.0).all()
    assert (find_setting_errors(ROTOR, replace(known, departures=None), jobs_of(2, 2, TRUE)) == 0.0).all()


@pytest.fixture(scope="module")
def document(known: Influence) -> dict:
    shared = replace(even_departures(0.6, rest_alike=0.4), unexplained_alike=np.linspace(0.1, 0.9, S))
    written = replace(known, departures=shared)
    back = Influence.parse(influence_text(ROTOR, written), "influence.json", ROTOR)
    assert back.departures is not None
    assert np.array_equal(back.departures.unexplained_alike, shared.unexplained_alike)
    assert back.departures.unexplained_height_alike == 0.4
    return influence_document(ROTOR, written)


def test_files_without_the_shared_part_say_that_nothing_is_shared(document: dict) -> None:
    short = json.loads(json.dumps(document))
    for key in ("unexplained_alike", "unexplained_height_alike", "setting_error"):
        del short["departures"][key]
    read = Influence.parse(json.dumps(short), "influence.json", ROTOR)
    assert read.departures is not None
    assert (read.departures.unexplained_alike == 0.0).all() and read.departures.unexplained_height_alike == 0.0


@pytest.mark.parametrize(
    ("key", "value"), [("unexplained_alike", [0.5] * (S - 1) + [1.5]), ("unexplained_height_alike", 2)]
)
def test_a_shared_part_beyond_the_whole_is_refused(document: dict, key: str, value: object) -> None:
    bad = json.loads(json.dumps(document))
    bad["departures"][key] = value
    with pytest.raises(InputError, match=key) as refused:
        Influence.parse(json.dumps(bad), "influence.json", ROTOR)
    assert "a part, from 0 to 1" in str(refused.value)
