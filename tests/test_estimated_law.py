"""How improbable a miss is where what aircraft differ by is known from few of them only."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from trackbal.aircraft.estimated_law import EstimatedLaw, known_by
from trackbal.estimate.small_sample import widening
from trackbal.influence.coefficients import Influence

N = 10


def parts(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return a covariance of what aircraft differ by, some three fifths of the whole, and one of noise."""
    root = rng.normal(size=(N, 4))
    return root @ root.T, np.diag(rng.uniform(0.5, 1.5, N))


def test_what_is_known_exactly_is_held_against_chi_square() -> None:
    rng = np.random.default_rng(1)
    rest, noise = parts(rng)
    miss, effect = 1.3 * rng.normal(size=N), rng.normal(size=(N, 3))
    law = EstimatedLaw(rest, noise, math.inf)
    inverse = np.linalg.inv(rest + noise)
    assert law.whole(miss) == pytest.approx(stats.chi2.sf(miss @ inverse @ miss, N))
    for p, way in zip(law.along(miss, effect), effect.T, strict=True):
        assert p == pytest.approx(stats.chi2.sf((way @ inverse @ miss) ** 2 / (way @ inverse @ way), 1))
    assert law.whole(np.zeros(0)) == 1.0 and law.along(miss, np.zeros((N, 0))) == []


@pytest.mark.parametrize("aircraft", [8, 12])
def test_p_is_uniform_where_the_scale_of_a_spread_is_estimated_from_few_aircraft(aircraft: int) -> None:
    """The scale is drawn as a fit would find it, and widened as a fit does; each draw is one more aircraft."""
    rng = np.random.default_rng(aircraft)
    rest, noise = parts(rng)
    known, wider = aircraft - 1, float(widening(np.array(aircraft), 2))
    roots, effect = np.linalg.cholesky(rest + noise), rng.normal(size=(N, 1))
    whole, along, plain = [], [], []
    for _ in range(3000):
        miss = roots @ rng.normal(size=N)
        found = rng.chisquare(known) / known * rest
        law = EstimatedLaw(wider * found, noise, float(known))
        whole.append(law.whole(miss))
        along += law.along(miss, effect)
        plain.append(stats.chi2.sf(miss @ np.linalg.solve(found + noise, miss), N))
    for p in (np.array(whole), np.array(along)):
        assert np.histogram(p, 5, (0.0, 1.0))[0] / p.size == pytest.approx(np.full(5, 0.2), abs=0.05)
        assert np.mean(p < 0.01) == pytest.approx(0.01, abs=0.008)
    assert np.mean(np.array(plain) < 0.01) > 2.0 * np.mean(np.array(whole) < 0.01)  # what believing the estimate does


def test_how_many_aircraft_a_file_rests_on() -> None:
    def of(**source: object) -> float:
        none = np.zeros((1, 1, 1)), np.zeros((1, 1, 1, 1)), np.zeros((1, 1), dtype=bool)
        influence = Influence(
            "r", none[0] + 0j, none[0][0], np.zeros((1, 1, 2, 2)), none[0], none[0][0], np.zeros(1),
            np.zeros((1, 1, 1), dtype=bool), none[2], source=dict(source),
        )  # fmt: skip
        return known_by(influence)

    assert of(jobs=12, aircraft=5) == 4.0
    assert of(jobs=12) == 11.0
    assert of(jobs=6, prior_jobs=6) == 11.0
    assert of() == math.inf and of(jobs=0) == math.inf and of(jobs="many") == math.inf
