"""A history fitted on top of an earlier influence file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import PER_RUN, Truth, plain_rotor, random_changes, simulate

from trackbal.base.covariance import circular_cov
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import estimate_cells, fit
from trackbal.influence.coefficients import Influence

ROTOR = plain_rotor()
TRUTH = Truth.draw(ROTOR, seed=11)


@pytest.fixture(scope="module")
def prior() -> Influence:
    return fit(ROTOR, simulate(ROTOR, TRUTH, jobs=12, runs=5, seed=11)).influence


def test_one_job_keeps_the_priors_spread_and_sharpens_the_mean(prior: Influence) -> None:
    history = simulate(ROTOR, TRUTH, jobs=1, runs=8, seed=12)
    found = fit(ROTOR, history, prior).influence
    before = prior.vibration_cov - prior.mean_vibration_cov  # type: ignore[operator]
    assert found.source["jobs"] == 1 and found.source["prior_jobs"] == 12
    np.testing.assert_allclose(found.vibration_cov - found.mean_vibration_cov, before, atol=1e-15)  # type: ignore[operator]
    trace = np.einsum("rsii->rs", found.mean_vibration_cov)
    assert (trace < np.einsum("rsii->rs", prior.mean_vibration_cov)).all()


def test_mean_is_the_weighted_mean_of_both(prior: Influence) -> None:
    """Against the textbook formula: precisions add, precision-weighted means add."""
    history = simulate(ROTOR, TRUTH, jobs=1, runs=8, seed=12)
    found = fit(ROTOR, history, prior).influence
    alone = estimate_cells(HistoryCells(ROTOR, history), prior)
    for c, (r, s) in enumerate((r, s) for r in range(2) for s in range(2)):
        ours = np.linalg.inv(circular_cov(alone.vibration.error[c]))
        theirs = np.linalg.inv(prior.mean_vibration_cov[r, s])  # type: ignore[index]
        ours_mean, theirs_mean = (_parts(v) for v in (alone.vibration.alpha[c], prior.alpha[:, r, s]))
        cov = np.linalg.inv(ours + theirs)
        np.testing.assert_allclose(found.mean_vibration_cov[r, s], cov, rtol=1e-7, atol=1e-18)  # type: ignore[index]
        np.testing.assert_allclose(_parts(found.alpha[:, r, s]), cov @ (ours @ ours_mean + theirs @ theirs_mean))
    for r in range(2):
        ours, theirs = np.linalg.inv(alone.height.error[r]), np.linalg.inv(prior.mean_height_cov[r])  # type: ignore[index]
        mean = np.linalg.solve(ours + theirs, ours @ alone.height.alpha[r] + theirs @ prior.tau[:, r])
        np.testing.assert_allclose(found.tau[:, r], mean)


def _parts(alpha: np.ndarray) -> np.ndarray:
    return np.stack([alpha.real, alpha.imag], axis=-1).ravel()


def test_two_halves_in_turn_are_about_the_whole() -> None:
    """Not exactly: each half finds its own spread and noise."""
    whole = simulate(ROTOR, TRUTH, jobs=60, runs=4, seed=13)
    halves = [
        replace(
            whole,
            jobs=whole.jobs[30 * h : 30 * h + 30],
            aircraft=whole.aircraft[30 * h : 30 * h + 30],
            job=whole.job[120 * h : 120 * h + 120] - 30 * h,
            **{key: getattr(whole, key)[120 * h : 120 * h + 120] for key in PER_RUN},
        )
        for h in range(2)
    ]
    together = fit(ROTOR, whole).influence
    in_turn = fit(ROTOR, halves[1], fit(ROTOR, halves[0]).influence).influence
    error = np.sqrt(np.einsum("rsii->rsi", together.mean_vibration_cov)[..., 0::2]).transpose(2, 0, 1)
    assert (np.abs(in_turn.alpha - together.alpha) < 0.5 * error).all()
    np.testing.assert_allclose(np.trace(in_turn.vibration_cov[0, 0]), np.trace(together.vibration_cov[0, 0]), rtol=0.2)


def test_adjuster_the_history_did_not_change_comes_from_the_prior(prior: Influence) -> None:
    change = random_changes(ROTOR, 5, 5, np.random.default_rng(4))
    change[:, :, 1] = 0.0
    history = simulate(ROTOR, TRUTH, 5, 5, seed=14, change=change)
    found = fit(ROTOR, history, prior).influence
    assert not found.unknown_vibration.any() and not found.unknown_height.any()
    np.testing.assert_allclose(
        found.vibration_cov[..., 2:4, 2:4], prior.vibration_cov[..., 2:4, 2:4], rtol=0.05, atol=1e-18
    )
    error = np.sqrt(np.einsum("rsii->rs", prior.mean_vibration_cov[..., 2:4, 2:4]))  # type: ignore[index]
    assert (np.abs(found.alpha[1] - prior.alpha[1]) < error).all()


def test_two_moved_together_are_told_apart_by_the_prior(prior: Influence) -> None:
    change = random_changes(ROTOR, 5, 5, np.random.default_rng(4))
    change[:, :, 1] = change[:, :, 0]
    history = simulate(ROTOR, TRUTH, 5, 5, seed=14, change=change)
    assert fit(ROTOR, history).influence.unknown_vibration[:2].all()
    found = fit(ROTOR, history, prior).influence
    assert not found.unknown_vibration.any()
    error = np.sqrt(np.einsum("rsii->rsi", prior.mean_vibration_cov)[..., 0::2]).transpose(2, 0, 1)
    assert (np.abs(found.alpha - TRUTH.alpha) < 5 * error).all()


def test_readings_the_history_lacks_keep_the_prior_to_the_digit(prior: Influence) -> None:
    history = simulate(ROTOR, TRUTH, jobs=6, runs=4, seed=15)
    count, height_count = history.vibration_count.copy(), history.height_count.copy()
    count[:, 1], height_count[:, 1] = 0, 0
    for before in (prior, replace(prior, mean_vibration_cov=None, mean_height_cov=None)):
        found = fit(ROTOR, replace(history, vibration_count=count, height_count=height_count), before).influence
        np.testing.assert_array_equal(found.alpha[:, 1], prior.alpha[:, 1])
        np.testing.assert_array_equal(found.tau[:, 1], prior.tau[:, 1])
        np.testing.assert_allclose(found.vibration_cov[1], prior.vibration_cov[1], rtol=1e-12)
        np.testing.assert_allclose(found.height_cov[1], prior.height_cov[1], rtol=1e-12)
        np.testing.assert_allclose(found.vibration_noise[1], prior.vibration_noise[1])
        assert (found.alpha[:, 0] != prior.alpha[:, 0]).all()


def test_unsplit_prior_with_one_job_keeps_a_spread(prior: Influence) -> None:
    bare = replace(prior, mean_vibration_cov=None, mean_height_cov=None)
    history = simulate(ROTOR, TRUTH, jobs=1, runs=8, seed=12)
    found = fit(ROTOR, history, bare).influence
    ratio = np.einsum("rsii->rsi", found.vibration_cov) / np.einsum("rsii->rsi", prior.vibration_cov)
    assert (ratio > 0.5).all() and (ratio < 1.0).all()


def test_prior_without_variance_gives_way_or_stays(prior: Influence) -> None:
    """It gives way where the history knows the adjuster, and stays where it does not."""
    exact = replace(
        prior,
        alpha=prior.alpha + 5.0,
        vibration_cov=0 * prior.vibration_cov,
        height_cov=0 * prior.height_cov,
        mean_vibration_cov=None,
        mean_height_cov=None,
    )
    change = random_changes(ROTOR, 5, 5, np.random.default_rng(4))
    change[:, :, 1] = 0.0
    history = simulate(ROTOR, TRUTH, 5, 5, seed=14, change=change)
    found, alone = fit(ROTOR, history, exact).influence, fit(ROTOR, history).influence
    np.testing.assert_allclose(found.alpha[[0, 2]], alone.alpha[[0, 2]], rtol=1e-9)
    np.testing.assert_array_equal(found.alpha[1], exact.alpha[1])
    assert not found.unknown_vibration.any()


def test_unknown_on_both_sides_stays_unknown(prior: Influence) -> None:
    change = random_changes(ROTOR, 5, 5, np.random.default_rng(4))
    change[:, :, 1] = 0.0
    history = simulate(ROTOR, TRUTH, 5, 5, seed=14, change=change)
    partial = fit(ROTOR, history).influence
    found = fit(ROTOR, history, partial)
    assert found.influence.unknown_vibration[1].all() and not found.influence.unknown_vibration[[0, 2]].any()
    assert any("adjuster1 is unknown" in c for c in found.cautions)
