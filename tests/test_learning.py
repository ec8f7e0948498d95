"""Learning within a job, against one dense generalised least squares over all its runs at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_rotor import ROTOR

from trackbal.aircraft.learning import learn
from trackbal.base.covariance import contrasts
from trackbal.influence.coefficients import Influence
from trackbal.runs.run import Run

A, R, S, B = len(ROTOR.adjusters), len(ROTOR.regimes), len(ROTOR.sensors), len(ROTOR.blades)


def random_influence(rng: np.random.Generator) -> Influence:
    root = rng.normal(size=(R, S, 2 * A, 2 * A)) * 0.01
    height_root = rng.normal(size=(R, A, A)) * 0.05
    return Influence(
        rotor_name=ROTOR.name,
        alpha=rng.normal(size=(A, R, S)) + 1j * rng.normal(size=(A, R, S)),
        tau=rng.normal(size=(A, R)),
        vibration_cov=root @ np.swapaxes(root, -1, -2),
        height_cov=height_root @ np.swapaxes(height_root, -1, -2),
        vibration_noise=rng.uniform(0.02, 0.05, size=(R, S)),
        height_noise=rng.uniform(0.5, 1.0, size=R),
        unknown_vibration=np.zeros((A, R, S), dtype=bool),
        unknown_height=np.zeros((A, R), dtype=bool),
    )


def random_run(rng: np.random.Generator, *, missing: float = 0.0) -> Run:
    count = rng.integers(1, 4, size=(R, S)) * (rng.random((R, S)) >= missing)
    height_count = rng.integers(1, 3, size=R) * (rng.random(R) >= missing)
    vibration = rng.normal(size=(R, S)) + 1j * rng.normal(size=(R, S))
    height = rng.normal(size=(R, B)) * 10.0
    height -= height.mean(axis=1, keepdims=True)
    return Run(
        vibration=np.where(count > 0, vibration, complex(np.nan, np.nan)),
        height=np.where(height_count[:, None] > 0, height, np.nan),
        vibration_count=count,
        height_count=height_count,
        vibration_squares=np.zeros((R, S)),
        height_squares=np.zeros(R),
        height_taken=np.repeat(height_count[:, None] > 0, B, axis=1),
        rpm=np.full(R, 240.0),
    )


def random_job(seed: int, n: int, missing: float = 0.0) -> tuple[list[Run], np.ndarray, Influence]:
    rng = np.random.default_rng(seed)
    change = np.cumsum(rng.integers(-3, 4, size=(n, A, B)).astype(float), axis=0)
    change -= change[0]
    return [random_run(rng, missing=missing) for _ in range(n)], change, random_influence(rng)


def dense(design: np.ndarray, y: np.ndarray, noise: np.ndarray, mean: np.ndarray, cov: np.ndarray, k: int):
    """Return mean and covariance of (state, coefficients): the prior as further rows, the state without any."""
    root = np.linalg.inv(np.linalg.cholesky(cov))
    rows = np.vstack([design / noise[:, None], np.hstack([np.zeros((len(root), k)), root])])
    target = np.concatenate([y / noise, root @ mean])
    inverse = np.linalg.inv(rows.T @ rows)
    return inverse @ rows.T @ target, inverse


@pytest.mark.parametrize("missing", [0.0, 0.4], ids=["everything-read", "with-gaps"])
@pytest.mark.parametrize("n", [2, 3, 6])
def test_vibration_is_dense_generalised_least_squares(n: int, missing: float) -> None:
    runs, change, influence = random_job(n, n, missing)
    learned = learn(ROTOR, runs, change, influence)
    for r in range(R):
        for s, sensor in enumerate(ROTOR.sensors):
            turn = np.exp(-1j * sensor.harmonic * np.deg2rad(ROTOR.azimuth_deg))
            rows, y, noise = [], [], []
            for t, run in enumerate(runs):
                if run.vibration_count[r, s]:
                    z = (change[t] - change[-1]) @ turn
                    rows.append(np.hstack([[1.0, 0.0], np.column_stack([z.real, -z.imag]).ravel()]))
                    rows.append(np.hstack([[0.0, 1.0], np.column_stack([z.imag, z.real]).ravel()]))
                    y += [run.vibration[r, s].real, run.vibration[r, s].imag]
                    noise += [influence.vibration_noise[r, s] / np.sqrt(run.vibration_count[r, s])] * 2
            if not rows:
                continue
            alpha = influence.alpha[:, r, s]
            prior = np.column_stack([alpha.real, alpha.imag]).ravel()
            mean, cov = dense(np.array(rows), np.array(y), np.array(noise), prior, influence.vibration_cov[r, s], 2)
            np.testing.assert_allclose(learned.belief.vibration.mean[r, s], mean, rtol=1e-7, atol=1e-9)
            np.testing.assert_allclose(learned.belief.vibration.cov[r, s], cov, rtol=1e-6, atol=1e-10)
            np.testing.assert_allclose(learned.influence.alpha[:, r, s], mean[2::2] + 1j * mean[3::2], rtol=1e-7)
            np.testing.assert_allclose(learned.influence.vibration_cov[r, s], cov[2:, 2:], rtol=1e-6, atol=1e-10)
            if runs[-1].vibration_count[r, s]:
                np.testing.assert_allclose(learned.run.vibration[r, s], mean[0] + 1j * mean[1], rtol=1e-7)
            else:
                assert np.isnan(learned.run.vibration[r, s])


@pytest.mark.parametrize("missing", [0.0, 0.4], ids=["everything-read", "with-gaps"])
def test_heights_are_dense_generalised_least_squares(missing: float) -> None:
    runs, change, influence = random_job(8, 5, missing)
    learned = learn(ROTOR, runs, change, influence)
    basis = contrasts(B)
    np.testing.assert_allclose(basis @ basis.T, np.eye(B - 1), atol=1e-15)
    np.testing.assert_allclose(basis.sum(axis=1), 0.0, atol=1e-15)
    for r in range(R):
        rows, y, noise = [], [], []
        for t, run in enumerate(runs):
            if run.height_count[r]:
                u = change[t] - change[-1]
                rows.append(np.hstack([np.eye(B), (u - u.mean(axis=1, keepdims=True)).T]))
                y.append(run.height[r])
                noise += [influence.height_noise[r] / np.sqrt(run.height_count[r])] * B
        if not rows:
            continue
        # tips against a common datum: their mean, 0 in every reading, is not determined by them
        rows.append(np.hstack([np.ones((1, B)), np.zeros((1, A))]))
        y.append([0.0])
        noise += [1.0]
        design = np.vstack(rows)
        mean, cov = dense(design, np.concatenate(y), np.array(noise), influence.tau[:, r], influence.height_cov[r], B)
        np.testing.assert_allclose(learned.influence.tau[:, r], mean[B:], rtol=1e-6)
        np.testing.assert_allclose(learned.influence.height_cov[r], cov[B:, B:], rtol=1e-5)
        if runs[-1].height_count[r]:
            np.testing.assert_allclose(learned.run.height[r], mean[:B], rtol=1e-5, atol=1e-7)


def test_one_run_teaches_nothing() -> None:
    runs, change, influence = random_job(3, 1)
    learned = learn(ROTOR, runs, change, influence)
    assert learned.influence is influence
    np.testing.assert_array_equal(learned.run.vibration, runs[0].vibration)
    np.testing.assert_array_equal(learned.run.height, runs[0].height)


def test_a_known_influence_is_not_changed() -> None:
    runs, change, influence = random_job(4, 4)
    sure = replace(
        influence,
        vibration_cov=np.zeros_like(influence.vibration_cov),
        height_cov=np.zeros_like(influence.height_cov),
    )
    learned = learn(ROTOR, runs, change, sure)
    np.testing.assert_allclose(learned.influence.alpha, influence.alpha, atol=1e-12)
    np.testing.assert_allclose(learned.influence.tau, influence.tau, atol=1e-12)


def test_an_unknown_coefficient_is_learnt_from_large_changes_alone() -> None:
    runs, change, influence = random_job(5, 2)
    unknown = influence.unknown_vibration.copy()
    unknown[0] = True
    blind = replace(influence, unknown_vibration=unknown)
    change[1] = 0.0
    still = learn(ROTOR, runs, change, blind).influence
    assert still.unknown_vibration[0].all() and not still.alpha[0].any() and not still.vibration_cov[..., :2, :2].any()
    change[1, 0, 1] = 300.0
    seen = learn(ROTOR, runs, change, blind).influence
    assert not seen.unknown_vibration.any()
    turn = np.exp(-1j * ROTOR.harmonics * np.deg2rad(ROTOR.azimuth_deg[1]))
    difference = (runs[1].vibration - runs[0].vibration) / (300.0 * turn)
    np.testing.assert_allclose(seen.alpha[0], difference, rtol=1e-3, atol=1e-5)
