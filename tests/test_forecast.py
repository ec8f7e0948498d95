"""What to expect of the next run: against distributions of the statistics library and against the chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from page_rotors import influence_of, rotor_of, run_of
from scipy import stats

from trackbal.plan.chance import chances
from trackbal.plan.forecast import ELLIPSE_RADIUS, LIKELY, ellipse, forecast


def quiet(rotor, **changes):
    """Return an influence without error of the coefficients."""
    influence = influence_of(rotor, **changes)
    return replace(influence, vibration_cov=0.0 * influence.vibration_cov, height_cov=0.0 * influence.height_cov)


def test_amplitudes_with_reading_noise_alone_are_of_rice():
    """The amplitude of a phasor with equal noise in both parts follows Rice's distribution (scipy.stats.rice)."""
    rotor = rotor_of(4, 3, 2)
    run, influence = run_of(rotor, size=0.4), quiet(rotor, noise=0.1)
    told = forecast(rotor, run, influence, np.zeros((3, 4)))
    sigma = influence.vibration_noise
    wanted = stats.rice(np.abs(run.vibration) / sigma, scale=sigma)
    for value, part in ((told.amplitude_low, 0.025), (told.amplitude_high, 0.975)):
        assert np.abs(value - wanted.ppf(part)).max() < 0.12 * sigma.max()
        assert (np.abs(value - wanted.ppf(part)) < 0.12 * sigma).all()


def test_spread_of_two_tips_is_a_folded_normal():
    """Of two tips the spread is |h1 - h2|, whose noise has twice the variance (scipy.stats.foldnorm)."""
    rotor = rotor_of(2, 3, 1)
    run, influence = run_of(rotor, size=0.3), quiet(rotor, noise=0.1)
    told = forecast(rotor, run, influence, np.zeros((3, 2)))
    sigma = np.sqrt(2.0) * influence.height_noise
    wanted = stats.foldnorm(run.spread / sigma, scale=sigma)
    for value, part in ((told.spread_low, 0.025), (told.spread_high, 0.975)):
        assert (np.abs(value - wanted.ppf(part)) < 0.12 * sigma).all()
    assert told.height_sd == pytest.approx(np.repeat(influence.height_noise[:, None] / np.sqrt(2.0), 2, axis=1))


def test_covariance_is_that_of_sampled_coefficients():
    rotor = rotor_of(3, 1, 1)
    run, influence = run_of(rotor), influence_of(rotor, sd=0.3)
    rng = np.random.default_rng(7)
    root = rng.standard_normal((6, 6)) * 1e-3
    tip_root = rng.standard_normal((3, 3)) * 1e-2
    influence = replace(influence, vibration_cov=(root @ root.T)[None, None], height_cov=(tip_root @ tip_root.T)[None])
    change = np.array([[100.0, 0.0, -50.0], [0.0, 3.0, 0.0], [0.5, 0.0, 0.0]])
    told = forecast(rotor, run, influence, change)
    draws = rng.multivariate_normal(np.zeros(6), root @ root.T, 40_000)
    errors = draws[:, 0::2] + 1j * draws[:, 1::2]
    moved = (errors @ (change @ np.exp(-1j * np.deg2rad(rotor.azimuth_deg)))).ravel()
    wanted = np.cov(moved.real, moved.imag) + influence.vibration_noise[0, 0] ** 2 * np.eye(2)
    assert told.vibration_cov[0, 0] == pytest.approx(wanted, rel=0.05, abs=0.02 * wanted.max())
    assert told.vibration == pytest.approx(run.vibration + influence.vibration_change(rotor, change))
    rise = [sum(influence.tau[a, 0] * change[a, b] for a in range(3)) for b in range(3)]
    assert told.height[0] == pytest.approx(run.height[0] + rise - np.mean(rise))
    several = np.stack([change, -change, change[:, ::-1]])
    one_by_one = np.stack([influence.height_change(one) for one in several])
    np.testing.assert_allclose(influence.height_change(several), one_by_one, rtol=1e-12)
    one_by_one = np.stack([influence.height_change_cov(one) for one in several])
    np.testing.assert_allclose(influence.height_change_cov(several), one_by_one, rtol=1e-12)
    lifted = rng.multivariate_normal(np.zeros(3), tip_root @ tip_root.T, 40_000) @ change
    tips = np.cov((lifted - lifted.mean(axis=1, keepdims=True)).T)
    wanted = tips + influence.height_noise[0] ** 2 * (np.eye(3) - 1.0 / 3.0)
    assert told.height_sd[0] == pytest.approx(np.sqrt(np.diag(wanted)), rel=0.02)


def test_the_chance_agrees_with_the_forecast_of_a_single_reading():
    rotor = rotor_of(4, 1, 1)
    run, influence = run_of(rotor, size=1.0), influence_of(rotor, sd=0.2, noise=0.2)
    unread = np.zeros(1, dtype=int)
    run = replace(run, height_count=unread, height=run.height * np.nan, height_taken=np.zeros((1, 4), dtype=bool))
    change = np.zeros((3, 4))
    change[0, 2] = 100.0
    told = forecast(rotor, run, influence, change)
    mean, limit = told.vibration[0, 0], rotor.vibration_limit[0, 0]
    normal = stats.multivariate_normal([mean.real, mean.imag], told.vibration_cov[0, 0])
    side = np.linspace(-limit, limit, 401)
    x, y = np.meshgrid(side, side)
    inside = np.hypot(x, y) <= limit
    part = normal.pdf(np.stack([x, y], axis=-1))[inside].sum() * (side[1] - side[0]) ** 2
    assert 0.05 < part < 0.95
    assert float(chances(rotor, run, influence, change[None])[0]) == pytest.approx(part, abs=0.02)


def test_the_ellipse_holds_its_part_of_the_readings():
    assert pytest.approx(stats.chi2(2).ppf(LIKELY)) == ELLIPSE_RADIUS**2
    cov = np.array([[2.0, 0.9], [0.9, 1.0]])
    outline = ellipse(3.0 - 1.0j, cov)
    parts = np.stack([outline.real - 3.0, outline.imag + 1.0])
    distance = np.einsum("ik,ij,jk->k", parts, np.linalg.inv(cov), parts)
    assert distance == pytest.approx(np.full(len(outline), stats.chi2(2).ppf(LIKELY)))
    assert outline[0] == outline[-1]  # exactly: else it is drawn with a corner more
    assert len(outline) == 73


def test_what_was_not_read_stays_nan():
    rotor = rotor_of(3, 2, 1)
    run = run_of(rotor)
    run = replace(
        run,
        vibration=run.vibration * np.array([[1.0], [np.nan]]),
        vibration_count=run.vibration_count * np.array([[1], [0]]),
        height=run.height * np.nan,
        height_count=0 * run.height_count,
    )
    told = forecast(rotor, run, influence_of(rotor), np.zeros((3, 3)))
    assert np.isnan(told.amplitude_high).tolist() == [[False], [True]]
    assert np.isnan(told.spread_high).all()
