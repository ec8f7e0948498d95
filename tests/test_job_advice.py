"""Advice within a job: the verdict is that of the readings; what was learned makes for better plans."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_rotor import ROTOR
from test_learning import random_influence
from test_surprise import flown, influence_of

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.plan.advice import advise
from trackbal.plan.job_advice import advise_in_job
from trackbal.runs.run import Run

A, R, S, B = len(ROTOR.adjusters), len(ROTOR.regimes), len(ROTOR.sensors), len(ROTOR.blades)
SETTING = np.stack([np.full(B, 300.0), np.zeros(B)])


def runs_of(job: JobArrays) -> list[Run]:
    return [
        Run(
            vibration=job.vibration[t],
            height=job.height[t],
            vibration_count=job.vibration_count[t],
            height_count=job.height_count[t],
            vibration_squares=np.zeros((R, S)),
            height_squares=np.zeros(R),
            height_taken=np.repeat(job.height_count[t][:, None] > 0, B, axis=1),
            rpm=np.full(R, ROTOR.rpm),
        )
        for t in range(len(job))
    ]


def two_runs(seed: int) -> tuple[list[Run], np.ndarray, Influence]:
    rng = np.random.default_rng(seed)
    influence = influence_of(rng)
    change = np.zeros((2, A, B))
    change[1, 0, 1], change[1, 1, 2] = 50.0, -4.0
    return runs_of(flown(influence, change, rng)), change, influence


def test_a_first_run_gives_plain_advice() -> None:
    runs, change, influence = two_runs(1)
    found = advise_in_job(ROTOR, runs[:1], change[:1], influence, SETTING, most=2)
    plain = advise(ROTOR, runs[0], influence, SETTING, most=2)
    assert not found.learned and found.surprise is None
    assert found.advice.cautions == plain.cautions
    for one, other in zip(found.advice.plans, plain.plans, strict=True):
        np.testing.assert_array_equal(one.change, other.change)
        assert one.chance == other.chance


def test_what_was_learned_narrows_the_influence() -> None:
    runs, change, influence = two_runs(2)
    found = advise_in_job(ROTOR, runs, change, influence, SETTING, most=2)
    assert found.learned
    for r in range(R):
        for s in range(S):
            gained = influence.vibration_cov[r, s] - found.influence.vibration_cov[r, s]
            assert np.linalg.eigvalsh(gained).min() > -1e-12  # never less sure than before
    assert (
        np.trace(found.influence.vibration_cov, axis1=-2, axis2=-1).sum()
        < 0.9 * np.trace(influence.vibration_cov, axis1=-2, axis2=-1).sum()
    )
    plain = advise_in_job(ROTOR, runs, change, influence, SETTING, most=2, type_only=True)
    assert not plain.learned and plain.influence is influence


def test_nothing_is_learned_from_a_surprising_run() -> None:
    runs, change, influence = two_runs(3)
    wrong = change.copy()
    wrong[1, 1, 2] = 6.0
    found = advise_in_job(ROTOR, runs, wrong, influence, SETTING, most=2)
    assert found.surprise is not None and found.surprise.surprising
    assert not found.learned and found.run is runs[1]
    assert found.advice.verdict == "hold" and not found.advice.plans and found.on_hold == (1,)
    assert "nobody has said why" in found.advice.cautions[0]


def test_a_tail_rotor_on_hold_is_looked_over_for_the_causes_of_a_tail_rotor() -> None:
    runs, change, influence = two_runs(3)
    wrong = change.copy()
    wrong[1, 1, 2] = 6.0
    said = advise_in_job(replace(ROTOR, place="tail"), runs, wrong, influence, SETTING).advice.cautions
    assert not any(c.startswith("Lead-lag dampers") for c in said) and any(c.startswith("Drive shaft") for c in said)


@pytest.mark.parametrize("amplitude", [0.199, 0.201, 1.21], ids=["inside", "just-outside", "stop"])
def test_the_verdict_is_that_of_the_readings_as_taken(amplitude: float) -> None:
    """The run before pulls the estimate over the limit, or under it; the reading taken decides."""
    influence = replace(random_influence(np.random.default_rng(4)), vibration_noise=np.full((R, S), 0.1))
    quiet = np.zeros((R, S), dtype=complex)
    before = 0.5 if amplitude == 0.199 else 0.0 if amplitude == 0.201 else 1.0
    has = np.array([regime.heights for regime in ROTOR.regimes])
    flat = np.zeros((R, B))

    def run(value: float) -> Run:
        vibration = quiet.copy()
        vibration[0, 0] = value
        ones = np.ones((R, S), dtype=int)
        zeros = np.zeros((R, S))
        none = np.zeros(R)
        taken = np.ones((R, B), dtype=bool)
        return Run(vibration, flat, ones, has.astype(int), zeros, none, taken, np.full(R, 240.0))

    change = np.zeros((2, A, B))
    found = advise_in_job(ROTOR, [run(before), run(amplitude)], change, influence, SETTING, most=1)
    assert found.learned
    expected = {0.199: "inside", 1.21: "stop"}.get(amplitude)
    if expected:
        assert found.advice.verdict == expected
    else:
        assert found.advice.verdict in ("adjust", "investigate")
    assert found.run.vibration[0, 0] == amplitude  # the estimate would have turned the verdict about


def test_learning_does_not_explain_away_what_the_type_calls_a_fault() -> None:
    """Adjustments that do next to nothing: by the type a fault, whatever departures could make of it."""
    runs, change, influence = two_runs(5)
    weak = replace(
        influence,
        alpha=1e-3 * influence.alpha,
        departures=replace(
            Departures.neutral(R, S, np.array([20.0, 2.0])), unexplained=np.full(S, 0.5), unexplained_height=5.0
        ),
    )
    still = np.zeros_like(change)
    assert advise(ROTOR, runs[0], weak, SETTING, most=2, override_stop=True).verdict == "investigate"
    found = advise_in_job(ROTOR, [runs[0], runs[0]], still, weak, SETTING, most=2, override_stop=True)
    assert found.advice.verdict == "investigate" and not found.learned
    assert "explain it away" in found.advice.cautions[0]
