"""Data that cannot be is refused where it enters, by name and place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Truth, plain_rotor, simulate

from trackbal.influence.departures import Departures

ROTOR = plain_rotor()
TRUTH = Truth.draw(ROTOR, seed=11)


@pytest.fixture(scope="module")
def influence():
    from trackbal.fitting.fit import fit

    return fit(ROTOR, simulate(ROTOR, TRUTH, jobs=4, runs=4, seed=1)).influence


@pytest.fixture(scope="module")
def history():
    return simulate(ROTOR, TRUTH, jobs=2, runs=3, seed=2)


@pytest.mark.parametrize(
    ("name", "spoil", "said"),
    [
        ("alpha", lambda a: np.where(np.arange(a.size).reshape(a.shape) == 3, np.nan, a), "alpha is not finite at"),
        ("tau", lambda a: a.T[:1], "tau has the shape"),
        ("vibration_cov", lambda a: a[..., :1], "vibration_cov has the shape"),
        ("mean_height_cov", lambda a: a + np.inf, "mean_height_cov is not finite at"),
        ("unknown_height", lambda a: a[:1, :1], "unknown_height has the shape"),
        ("height_noise", lambda a: a - 1e9, "height_noise is -1e"),
    ],
)
def test_an_influence_that_cannot_be(influence, name, spoil, said):
    with pytest.raises(ValueError, match=said):
        replace(influence, **{name: spoil(getattr(influence, name))})


@pytest.mark.parametrize(
    ("name", "spoil", "said"),
    [
        ("vibration", lambda a: a * np.nan, "vibration is not finite at"),
        ("change", lambda a: a + np.inf, "change is not finite at"),
        ("height", lambda a: a[:, :1], "height has the shape"),
        ("run", lambda a: a[1:], "run has the shape"),
    ],
)
def test_a_history_that_cannot_be(history, name, spoil, said):
    with pytest.raises(ValueError, match=said):
        replace(history, **{name: spoil(getattr(history, name))})


def test_what_was_not_read_need_not_be_finite(history):
    none = np.zeros_like(history.vibration_count)
    replace(history, vibration=history.vibration * np.nan, vibration_count=none)


def test_departures_that_cannot_be():
    good = Departures.neutral(2, 3, np.ones(4))
    with pytest.raises(ValueError, match=r"heights has the shape \(3, 3\), not \(2, 2\)"):
        replace(good, heights=np.eye(3))
    with pytest.raises(ValueError, match="blade_differences is -1 where nothing below 0 can be"):
        replace(good, blade_differences=-np.ones(4))
    with pytest.raises(ValueError, match="unexplained_height is nan"):
        replace(good, unexplained_height=float("nan"))
