"""Setting errors found from past jobs, and the unexplained part that regimes share, in the influence file."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from invented_rotor import ROTOR
from test_own_aircraft import A, B, Fleet, S, even_departures, invented_influence

from trackbal.aircraft.job_runs import JobRuns
from trackbal.base.errors import InputError
from trackbal.estimate.setting_errors import find_setting_errors
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import BLADES_UNLIKE
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


def errors_of(known: Influence, jobs: list[JobRuns]) -> np.ndarray:
    """Return the setting errors that jobs tell."""
    assert known.departures is not None
    return find_setting_errors(ROTOR, known, known.departures, jobs).setting_error


def test_setting_errors_are_found_from_the_runs_of_past_jobs(known: Influence) -> None:
    found = errors_of(known, jobs_of(24, 4, TRUE))
    assert found == pytest.approx(TRUE, rel=0.3)  # three standard errors of 72 changes are 0.25
    none = errors_of(known, jobs_of(24, 4, np.zeros(2)))
    assert (none < 0.25 * TRUE).all()


def test_an_adjuster_that_nobody_moved_tells_no_setting_error(known: Influence) -> None:
    found = errors_of(known, jobs_of(8, 3, TRUE, moved=(1,)))
    assert found[0] == 0.0 and found[1] > 0.0
    assert (errors_of(known, jobs_of(4, 1, TRUE)) == 0.0).all()


@pytest.fixture(scope="module")
def document(known: Influence) -> dict:
    shared = replace(
        even_departures(0.6, rest_alike=0.4),
        unexplained_alike=np.linspace(0.1, 0.9, S),
        noise_alone=np.linspace(0.3, 0.8, S),
        noise_height_alone=0.7,
        blades_unlike=0.11,
    )
    written = replace(known, departures=shared)
    back = Influence.parse(influence_text(ROTOR, written), "influence.json", ROTOR)
    assert back.departures is not None
    assert np.array_equal(back.departures.unexplained_alike, shared.unexplained_alike)
    assert back.departures.unexplained_height_alike == 0.4
    assert np.array_equal(back.departures.noise_alone, shared.noise_alone)
    assert (back.departures.noise_height_alone, back.departures.blades_unlike) == (0.7, 0.11)
    return influence_document(ROTOR, written)


def test_files_without_the_shared_part_say_that_nothing_is_shared(document: dict) -> None:
    short = json.loads(json.dumps(document))
    keys = "unexplained_alike", "unexplained_height_alike", "setting_error"
    for key in (*keys, "noise_alone", "noise_height_alone", "blades_unlike"):
        del short["departures"][key]
    read = Influence.parse(json.dumps(short), "influence.json", ROTOR)
    assert read.departures is not None
    assert (read.departures.unexplained_alike == 0.0).all() and read.departures.unexplained_height_alike == 0.0
    assert (read.departures.noise_alone == 1.0).all() and read.departures.noise_height_alone == 1.0
    assert read.departures.blades_unlike == BLADES_UNLIKE


@pytest.mark.parametrize(
    ("key", "value"), [("unexplained_alike", [0.5] * (S - 1) + [1.5]), ("unexplained_height_alike", 2)]
)
def test_a_shared_part_beyond_the_whole_is_refused(document: dict, key: str, value: object) -> None:
    bad = json.loads(json.dumps(document))
    bad["departures"][key] = value
    with pytest.raises(InputError, match=key) as refused:
        Influence.parse(json.dumps(bad), "influence.json", ROTOR)
    assert "a part, from 0 to 1" in str(refused.value)


def twice_the_noise(known: Influence) -> Influence:
    return replace(known, vibration_noise=2.0 * known.vibration_noise, height_noise=2.0 * known.height_noise)


def test_noise_that_is_setting_errors_is_told_from_a_readings_own(known: Influence) -> None:
    """A fit takes what setting errors do to a reading for noise: here four times the variance that readings have."""
    assert known.departures is not None
    jobs = jobs_of(24, 4, 0.5 * TRUE)
    found = find_setting_errors(ROTOR, twice_the_noise(known), known.departures, jobs)
    assert found.noise_alone == pytest.approx(np.full(S, 0.25), abs=0.07)
    assert found.noise_height_alone == pytest.approx(0.25, abs=0.07)
    assert found.setting_error == pytest.approx(0.5 * TRUE, rel=0.3)
    true = find_setting_errors(ROTOR, known, known.departures, jobs)
    assert (true.noise_alone > 0.85).all() and true.noise_height_alone > 0.85


def test_no_noise_becomes_less_than_the_rotors_file_states(known: Influence) -> None:
    stated = 1.2 * float(known.vibration_noise.max())
    rotor = replace(ROTOR, sensors=tuple(replace(s, noise=stated) for s in ROTOR.sensors))
    assert known.departures is not None
    found = find_setting_errors(rotor, twice_the_noise(known), known.departures, jobs_of(24, 4, 0.5 * TRUE))
    least = (stated / twice_the_noise(known).vibration_noise).max(axis=0) ** 2  # of which a quarter is a reading's own
    assert found.noise_alone == pytest.approx(least)


def test_a_rotor_that_has_gained_a_regime_and_a_sensor_still_reads_its_file(document: dict) -> None:
    """What the file does not name is like nothing else, and no blade is known to differ by it."""
    extra = replace(ROTOR.sensors[0], name="new_sensor"), replace(ROTOR.regimes[0], name="new_regime")
    grown = replace(ROTOR, sensors=(extra[0], *ROTOR.sensors), regimes=(*ROTOR.regimes, extra[1]))
    told = {key: value for key, value in document.items() if key != "made_for"}
    before, after = (Influence.parse(json.dumps(told), "influence.json", r).departures for r in (ROTOR, grown))
    assert before is not None and after is not None
    assert np.array_equal(after.regimes[:-1, :-1], before.regimes)
    assert np.array_equal(after.regimes[-1], np.eye(len(grown.regimes))[-1])
    assert np.array_equal(after.sensors[1:, 1:], before.sensors)
    assert np.array_equal(after.sensors[0], np.eye(S + 1)[0])
    assert np.array_equal(after.unexplained[1:], before.unexplained) and np.array_equal(
        after.noise_alone, [1.0, *before.noise_alone]
    )
    most = (before.unexplained / ROTOR.vibration_limit.min(axis=0)).max()
    assert after.unexplained[0] == pytest.approx(most * grown.vibration_limit.min(axis=0)[0])


@pytest.mark.parametrize("named", [["nowhere"], "hover", None])
def test_departures_name_what_the_rotor_has(document: dict, named: object) -> None:
    bad = json.loads(json.dumps(document))
    bad["departures"]["regimes"] = named
    with pytest.raises(InputError, match=r"departures\.regimes.*each once"):
        Influence.parse(json.dumps(bad), "influence.json", ROTOR)
