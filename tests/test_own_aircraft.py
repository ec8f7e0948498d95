"""What an aircraft's own readings tell, against the same question answered by brute simulation and by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from how_much import much
from invented_rotor import ROTOR

from trackbal.aircraft.entries import entries_of
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.posterior import own_aircraft
from trackbal.aircraft.type_model import TypeModel
from trackbal.base.covariance import symmetric_root
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.plan.chance import chances
from trackbal.runs.run import Run

A, B, R, S = 2, 4, 4, 3
SPREAD, NOISE, TIP_NOISE = 0.15, 0.01, 0.8


def invented_influence(seed=1, spread=SPREAD):
    rng = np.random.default_rng(seed)
    size = np.array([0.004, 0.06])[:, None, None]
    alpha = size * (rng.normal(size=(A, R, S)) + 1j * rng.normal(size=(A, R, S)))
    tau = np.array([0.002, 6.0])[:, None] * (1.0 + 0.2 * rng.normal(size=(A, R)))
    cov = np.zeros((R, S, 2 * A, 2 * A))
    for a in range(A):
        for i in (2 * a, 2 * a + 1):
            cov[:, :, i, i] = 0.5 * (spread * np.abs(alpha[a])) ** 2
    height_cov = np.zeros((R, A, A))
    height_cov[:, np.arange(A), np.arange(A)] = (spread * tau.T) ** 2
    return Influence(
        ROTOR.name,
        alpha,
        tau,
        cov,
        height_cov,
        np.full((R, S), NOISE),
        np.full(R, TIP_NOISE),
        np.zeros((A, R, S), dtype=bool),
        np.zeros((A, R), dtype=bool),
    )


def even_departures(shared, fault=(25.0, 2.0), rest_alike=0.0):
    alike = lambda n: np.full((n, n), shared) + (1.0 - shared) * np.eye(n)  # noqa: E731
    rest = np.full(S, 0.02), 0.3, np.zeros(A), np.full(S, rest_alike), rest_alike, np.ones(S), 1.0, 0.0
    return Departures(alike(R), alike(S), alike(R), np.array(fault), *rest)


def effect_of(alpha, tau, x):
    """Return vibration (R, S) and heights (R, B) by the printed formula, element by element."""
    vibration = np.zeros((R, S), dtype=complex)
    height = np.zeros((R, B))
    for a in range(A):
        for b in range(B):
            for s, sensor in enumerate(ROTOR.sensors):
                turn = np.exp(-1j * sensor.harmonic * np.deg2rad(90.0 * b))
                vibration[:, s] += alpha[a, :, s] * x[a, b] * turn
            height[:, b] += tau[a] * (x[a, b] - x[a].mean())
    return vibration, height


def partly(own, shared, share):
    """Return numbers of which a part of the variance is shared."""
    return np.sqrt(1.0 - share) * own + np.sqrt(share) * shared


class Fleet:
    """Aircraft drawn from the model, by formulas of this file."""

    def __init__(self, influence, departures, seed):
        self.influence, self.departures, self.rng = influence, departures, np.random.default_rng(seed)
        self.roots = [symmetric_root(m) for m in (departures.regimes, departures.sensors, departures.heights)]

    def draw(self):
        rng, own = self.rng, self.influence
        regimes, sensors, heights = self.roots
        normal = rng.normal(size=(A, R, S)) + 1j * rng.normal(size=(A, R, S))
        relative = np.sqrt(0.5) * np.einsum("rq,st,aqt->ars", regimes, sensors, normal)
        alpha = own.alpha * (1.0 + SPREAD * relative)
        tau = own.tau * (1.0 + SPREAD * np.einsum("rq,aq->ar", heights, rng.normal(size=(A, R))))
        fault = rng.normal(size=(A, B)) * self.departures.blade_differences[:, None]
        both = rng.normal(size=(2, R, S)) + 1j * rng.normal(size=(2, R, S))
        rest = self.departures.unexplained * partly(both[0], regimes @ both[1], self.departures.unexplained_alike)
        tips = rng.normal(size=(2, R, B))
        share = self.departures.unexplained_height_alike
        rest_height = self.departures.unexplained_height * partly(tips[0], heights @ tips[1], share)
        return alpha, tau, fault - fault.mean(axis=1, keepdims=True), rest, rest_height

    def read(self, alpha, tau, x, rest, rest_height):
        vibration, height = effect_of(alpha, tau, x)
        vibration = vibration + rest + NOISE * (self.rng.normal(size=(R, S)) + 1j * self.rng.normal(size=(R, S)))
        height = height + rest_height + TIP_NOISE * self.rng.normal(size=(R, B))
        return as_run(vibration, height - height.mean(axis=1, keepdims=True))


def as_run(vibration, height):
    heights = np.array([r.heights for r in ROTOR.regimes])
    height = np.where(heights[:, None], height, np.nan)
    return Run(
        vibration,
        height,
        np.ones((R, S), dtype=int),
        heights.astype(int),
        np.zeros((R, S)),
        np.zeros(R),
        np.broadcast_to(heights[:, None], (R, B)).copy(),
        np.full(R, ROTOR.rpm),
    )


def test_entries_are_the_readings_and_their_printed_effects_over_the_limits():
    influence = invented_influence()
    rng = np.random.default_rng(0)
    vibration = rng.normal(size=(R, S)) + 1j * rng.normal(size=(R, S))
    run = as_run(vibration, rng.normal(size=(R, B)))
    entries = entries_of(TypeModel.of(ROTOR, influence, even_departures(0.5)), run)
    x = rng.normal(size=(A, B))
    moved, lifted = effect_of(influence.alpha, influence.tau, x)
    expected = np.concatenate(
        [
            (moved.real / ROTOR.vibration_limit).ravel(),
            (moved.imag / ROTOR.vibration_limit).ravel(),
            (lifted[:3] / 10.0).ravel(),  # half of the spread limit of 20 mm; the fourth regime has no heights
        ]
    )
    assert entries.effect @ x.ravel() == pytest.approx(expected, rel=1e-12, abs=1e-12)
    assert entries.values[: R * S] == pytest.approx((vibration.real / ROTOR.vibration_limit).ravel())
    assert entries.values[2 * R * S :] == pytest.approx((run.height[:3] / 10.0).ravel())


def test_without_shared_departures_or_faults_the_type_is_all_that_is_known():
    """No fault can have caused the readings, so they tell nothing of the influence."""
    influence = invented_influence()
    departures = replace(Departures.neutral(R, S, np.zeros(A)), blades_unlike=0.0)
    fleet = Fleet(influence, even_departures(0.5), 3)
    alpha, tau, fault, rest, rest_height = fleet.draw()
    own = own_aircraft(
        TypeModel.of(ROTOR, influence, departures),
        [JobRuns([fleet.read(alpha, tau, fault, rest, rest_height)], np.zeros((1, A, B)))],
    )
    assert own.influence().alpha == pytest.approx(influence.alpha, abs=1e-12)
    assert own.influence().vibration_cov == pytest.approx(influence.vibration_cov, abs=1e-15)


def test_one_known_cause_read_without_noise_gives_the_coefficient_exactly():
    """Two runs a known change apart: the change of a reading over the change is the coefficient."""
    influence = replace(invented_influence(), vibration_noise=np.full((R, S), 1e-9), height_noise=np.full(R, 1e-9))
    departures = replace(even_departures(0.0), unexplained=np.full(S, 10.0), unexplained_height=1e3)
    fleet = Fleet(influence, even_departures(0.0), 5)
    alpha, tau, fault, *_ = fleet.draw()
    change = np.zeros((2, A, B))
    change[1, 1, 2] = 4.0
    first, second = (effect_of(alpha, tau, fault + x) for x in change)
    runs = [as_run(*first), as_run(*second)]
    found = own_aircraft(TypeModel.of(ROTOR, influence, departures), [JobRuns(runs, change)]).influence()
    # what keeps exact readings solvable, 1e-9 of a limit squared, is all that is left of the noise
    assert found.alpha[1] == pytest.approx(alpha[1], rel=2e-3, abs=1e-4)
    assert found.tau[1, :3] == pytest.approx(tau[1, :3], rel=2e-3)


def test_own_influence_is_nearer_the_truth_than_the_types_and_its_covariance_is_honest():
    influence, departures = invented_influence(), even_departures(0.8)
    model, fleet = TypeModel.of(ROTOR, influence, departures), Fleet(invented_influence(), even_departures(0.8), 11)
    before, after, scaled = [], [], []
    for _ in range(150):
        alpha, tau, fault, rest, rest_height = fleet.draw()
        own = own_aircraft(
            model, [JobRuns([fleet.read(alpha, tau, fault, rest, rest_height)], np.zeros((1, A, B)))]
        ).influence()
        before.append(np.mean(np.abs(alpha - influence.alpha)[1] ** 2))
        after.append(np.mean(np.abs(alpha - own.alpha)[1] ** 2))
        error = (alpha - own.alpha)[1]
        variance = own.vibration_cov[..., 2, 2] + own.vibration_cov[..., 3, 3]
        scaled.append(np.mean(np.abs(error) ** 2 / variance))
    assert np.mean(after) < 0.6 * np.mean(before)
    assert 0.75 < np.mean(scaled) < 1.35


def test_chances_agree_with_what_happens_and_tell_more_than_the_type_alone():
    """Aircraft drawn from the model; the plan undoes the faults the crew would see. Predicted against realised."""
    influence, departures = invented_influence(), even_departures(0.8, fault=(70.0, 7.0))
    informed = replace(influence, departures=departures)
    fleet = Fleet(influence, departures, 17)
    said, plain, happened = [], [], []
    for _ in range(much(120, 250)):
        alpha, tau, fault, rest, rest_height = fleet.draw()
        run = fleet.read(alpha, tau, fault, rest, rest_height)
        own = own_aircraft(TypeModel.of(ROTOR, influence, departures), [JobRuns([run], np.zeros((1, A, B)))])
        change = -np.round(own.blade_differences[-1].reshape(A, B), 1)
        said.append(chances(ROTOR, run, informed, change[None])[0])
        plain.append(chances(ROTOR, run, influence, change[None])[0])
        after = fleet.read(alpha, tau, fault + change, rest, rest_height)
        inside = (np.abs(after.vibration) <= ROTOR.vibration_limit).all()
        happened.append(inside and (np.nan_to_num(after.spread) <= 20.0).all())
    said, plain, happened = np.array(said), np.array(plain), np.array(happened, dtype=float)
    error = 2.5 * np.sqrt(np.mean(said * (1.0 - said)) / len(said))
    assert abs(said.mean() - happened.mean()) < 0.04 + error
    assert np.mean((said - happened) ** 2) < 0.75 * np.mean((plain - happened) ** 2)
    assert 0.2 < happened.mean() < 0.98  # else the test could not fail


def test_thinned_entries_keep_parts_together():
    influence = invented_influence()
    run = as_run(np.arange(R * S).reshape(R, S) * (1 + 2j), np.zeros((R, B)))
    model = TypeModel.of(ROTOR, influence, even_departures(0.5))
    full, few = entries_of(model, run), entries_of(model, run).thinned(20, B)
    cells = len(few.regime)
    assert few.values.size < full.values.size
    assert few.values[cells : 2 * cells] == pytest.approx(2.0 * few.values[:cells])  # imaginary parts of the same cells
    assert few.effect.shape == (few.values.size, A * B)


def test_present_state_lies_between_the_readings_and_what_the_job_expects():
    influence, departures = invented_influence(), even_departures(0.8)
    fleet = Fleet(influence, departures, 23)
    alpha, tau, fault, rest, rest_height = fleet.draw()
    model = TypeModel.of(ROTOR, influence, departures)
    runs = [fleet.read(alpha, tau, fault, rest, rest_height) for _ in range(6)]
    own = own_aircraft(model, [JobRuns(runs, np.zeros((6, A, B)))])
    truth = effect_of(alpha, tau, fault)[0] + rest
    errors = [np.mean(np.abs(run.vibration - truth) ** 2) for run in (own.present(runs[-1]), runs[-1])]
    assert errors[0] < 0.5 * errors[1]  # six readings of one state: noise falls, to about a sixth


@pytest.mark.parametrize("runs", [1, 2])
def test_what_is_left_of_the_next_run_is_a_covariance_however_far_off_the_readings_are(runs):
    influence = invented_influence(spread=0.5)
    model = TypeModel.of(ROTOR, influence, even_departures(0.9))
    rng = np.random.default_rng(3)
    for _ in range(10):
        change = np.concatenate([np.zeros((1, A, B)), rng.normal(size=(runs - 1, A, B)) * np.array([[30.0], [2.0]])])
        flown = []
        for _ in range(runs):
            vibration = 0.5 * (rng.normal(size=(R, S)) + 1j * rng.normal(size=(R, S)))
            tips = 15.0 * rng.normal(size=(R, B))
            flown.append(as_run(vibration, tips - tips.mean(axis=1, keepdims=True)))
        own = own_aircraft(model, [JobRuns(flown, change)])
        left = own.predict(own.runs[-1].entries, -own.blade_differences[-1].reshape(A, B))[1]
        assert np.linalg.eigvalsh(left).min() >= -1e-9 * np.diag(left).max()
