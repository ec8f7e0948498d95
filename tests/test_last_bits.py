"""What is advised does not depend on the last bits of a sum: on which machine it is, and its linear algebra.

Other processors add in another order. Here the inputs are changed by some last bits instead, which every
machine can do; .ci/run repeats the tests of demos, advice and pages with other kernels of the linear algebra.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from demo_fits import demo, demo_fit, settings_of
from how_much import much

from trackbal.influence.coefficients import Influence
from trackbal.lessons.demo_folder import Demo
from trackbal.plan.advice import advise
from trackbal.plan.chance import SAMPLES
from trackbal.plan.forecast import forecast
from trackbal.runs.run import Reals

BITS = 1e-13  # some hundred times the spacing of doubles: what a long sum in another order may differ by
FOLDERS = ["two_blade_tail", "four_blade_tail", "seven_blades"]


def shaken(values: Reals, rng: np.random.Generator) -> Reals:
    return values * (1.0 + BITS * rng.standard_normal(values.shape))


def shaken_covariance(cov: Reals, rng: np.random.Generator) -> Reals:
    noise = rng.standard_normal(cov.shape)
    return cov * (1.0 + BITS * (noise + np.swapaxes(noise, -1, -2)))


def shaken_influence(influence: Influence, rng: np.random.Generator) -> Influence:
    return replace(
        influence,
        alpha=shaken(influence.alpha, rng),
        tau=shaken(influence.tau, rng),
        vibration_cov=shaken_covariance(influence.vibration_cov, rng),
        height_cov=shaken_covariance(influence.height_cov, rng),
        vibration_noise=shaken(influence.vibration_noise, rng),
        height_noise=shaken(influence.height_noise, rng),
    )


@pytest.fixture(scope="module", params=FOLDERS)
def told(request: pytest.FixtureRequest) -> tuple[Demo, Reals, Influence]:
    return demo(request.param), settings_of(request.param), demo_fit(request.param).influence


@pytest.mark.parametrize("departures", [True, False], ids=["own aircraft", "type alone"])
def test_the_advice_is_the_same(told: tuple[Demo, Reals, Influence], departures: bool) -> None:
    job, setting, influence = told
    influence = influence if departures else replace(influence, departures=None)
    usual = advise(job.rotor, job.runs[0], influence, setting)
    rng = np.random.default_rng(1)
    for _ in range(much(1, 4)):
        run = replace(job.runs[0], vibration=shaken(job.runs[0].vibration, rng))
        other = advise(job.rotor, run, shaken_influence(influence, rng), setting)
        assert (other.verdict, other.recommended) == (usual.verdict, usual.recommended)
        for plan, again in zip(usual.plans, other.plans, strict=True):
            assert (plan.change == again.change).all()
            # a sample on the edge of a limit may fall to either side: two of them, no more
            assert again.chance == pytest.approx(plan.chance, abs=2.0 / SAMPLES)


def test_what_to_expect_is_the_same(told: tuple[Demo, Reals, Influence]) -> None:
    job, setting, influence = told
    plan = advise(job.rotor, job.runs[0], replace(influence, departures=None), setting).plans[2]
    usual = forecast(job.rotor, job.runs[0], influence, plan.change)
    other = forecast(job.rotor, job.runs[0], shaken_influence(influence, np.random.default_rng(2)), plan.change)
    for name in ("amplitude_low", "amplitude_high", "spread_low", "spread_high"):
        assert getattr(other, name) == pytest.approx(getattr(usual, name), rel=1e-6, nan_ok=True), name
