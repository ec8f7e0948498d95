"""How far a run misses what was expected: against sampling, and where nothing can be said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from invented_rotor import ROTOR
from scipy import stats

from trackbal.influence.coefficients import Influence
from trackbal.lessons.agreement import agrees, expected_run, misses
from trackbal.runs.run import Complexes, Reals, Run

A, R, S, B = len(ROTOR.adjusters), len(ROTOR.regimes), len(ROTOR.sensors), len(ROTOR.blades)


def influence_with(spread: float = 0.2, noise: float = 0.01) -> Influence:
    rng = np.random.default_rng(5)
    alpha: Complexes = np.empty((A, R, S), dtype=complex)
    alpha.real, alpha.imag = 0.01 * rng.standard_normal((2, A, R, S))
    tau = rng.standard_normal((A, R))
    root = spread * 0.01 * rng.standard_normal((R, S, 2 * A, 2 * A))
    height_root = spread * rng.standard_normal((R, A, A))
    return Influence(
        rotor_name=ROTOR.name,
        alpha=alpha,
        tau=tau,
        vibration_cov=root @ np.swapaxes(root, -1, -2),
        height_cov=height_root @ np.swapaxes(height_root, -1, -2),
        vibration_noise=np.full((R, S), noise),
        height_noise=np.full(R, 100.0 * noise),
        unknown_vibration=np.zeros((A, R, S), dtype=bool),
        unknown_height=np.zeros((A, R), dtype=bool),
    )


def run_of(vibration: Complexes, height: Reals, count: int = 1) -> Run:
    return Run(
        vibration=vibration,
        height=height - height.mean(axis=1, keepdims=True),
        vibration_count=np.full((R, S), count),
        height_count=np.where([regime.heights for regime in ROTOR.regimes], count, 0),
        vibration_squares=np.zeros((R, S)),
        height_squares=np.zeros(R),
        height_taken=np.ones((R, B), dtype=bool),
        rpm=np.full(R, ROTOR.rpm),
    )


CHANGE = np.array([[0.0, 40.0, -30.0, 0.0], [1.0, 0.0, 0.0, -2.0]])


def sampled(spread: float, count_before: int, count_after: int, trials: int = 400) -> list[tuple[float, float, bool]]:
    """Return (deviations, chance, is a height) of runs drawn from the very model that is assumed.

    Each coefficient is drawn as (re, im) of its covariance, each reading with its own noise, and added up
    blade by blade with explicit cosines, not through the code under test.
    """
    influence = influence_with(spread)
    rng = np.random.default_rng(11)
    psi = np.deg2rad(ROTOR.azimuth_deg)
    out = []
    for _ in range(trials):
        clean: Complexes = np.zeros((R, S), dtype=complex)
        heights = np.zeros((R, B))
        for r in range(R):
            for s, sensor in enumerate(ROTOR.sensors):
                drawn = rng.multivariate_normal(np.zeros(2 * A), influence.vibration_cov[r, s])
                for a in range(A):
                    own = influence.alpha[a, r, s] + drawn[2 * a] + 1j * drawn[2 * a + 1]
                    for b in range(B):
                        turn = sensor.harmonic * psi[b]
                        clean[r, s] += own * CHANGE[a, b] * (np.cos(turn) - 1j * np.sin(turn))
            drawn = rng.multivariate_normal(np.zeros(A), influence.height_cov[r])
            for a in range(A):
                heights[r] += (influence.tau[a, r] + drawn[a]) * (CHANGE[a] - CHANGE[a].mean())
        start: Complexes = rng.standard_normal((R, S)).astype(complex)
        tips = 5.0 * rng.standard_normal((R, B))

        def noisy(v: Complexes, h: Reals, count: int) -> Run:
            size = 0.01 / np.sqrt(count)
            moved: Complexes = v + size * (rng.standard_normal((R, S)) + 1j * rng.standard_normal((R, S)))
            return run_of(moved, h + 100.0 * size * rng.standard_normal((R, B)), count)

        before = noisy(start, tips, count_before)
        moved_start: Complexes = start + clean
        after = noisy(moved_start, tips + heights, count_after)
        found = misses(ROTOR, before, CHANGE, after, influence)
        out += [(d.deviations, d.chance, d.blade is not None) for d in found]
    return out


def test_deviations_follow_their_laws_also_with_repeats() -> None:
    for spread, *counts in ((0.2, 1, 1), (0.02, 2, 4)):  # influence error rules the first, noise the second
        found = sampled(spread, *counts)
        phasors = np.array([d for d, _, height in found if not height])
        heights = np.array([d for d, _, height in found if height])
        assert len(phasors) == 400 * R * S
        assert stats.kstest(phasors**2, "chi2", args=(2,)).pvalue > 0.001
        assert stats.kstest(heights, "halfnorm").pvalue > 0.001
        assert stats.kstest([c for _, c, height in found if not height], "uniform").pvalue > 0.001


def test_a_change_of_the_wrong_sign_does_not_agree() -> None:
    influence = influence_with(spread=0.05)
    before = run_of(np.zeros((R, S), dtype=complex), np.zeros((R, B)))
    after = expected_run(ROTOR, before, influence, CHANGE)
    assert agrees(misses(ROTOR, before, CHANGE, after, influence))
    found = misses(ROTOR, before, -CHANGE, after, influence)
    assert not agrees(found)
    assert found[0].deviations == max(d.deviations for d in found) > 5.0


def test_what_cannot_be_judged_is_left_out() -> None:
    influence = influence_with()
    unknown = influence.unknown_vibration.copy()
    unknown[0, 1, 2] = True
    unknown_height = influence.unknown_height.copy()
    unknown_height[1, 0] = True
    blind = replace(influence, unknown_vibration=unknown, unknown_height=unknown_height)
    before = run_of(np.zeros((R, S), dtype=complex), np.zeros((R, B)))
    found = misses(ROTOR, before, CHANGE, before, blind)
    assert (1, 2) not in {(d.regime, d.sensor) for d in found}
    assert 0 not in {d.regime for d in found if d.blade is not None}
    assert len(found) == R * S - 1 + 2 * B  # one phasor, and heights of the first and of the unread fourth regime

    still = misses(ROTOR, before, np.zeros((A, B)), before, blind)  # an unknown effect of no change is no change
    assert len(still) == R * S + 3 * B

    certain = influence_with(spread=0.0, noise=0.0)
    assert misses(ROTOR, before, CHANGE, before, certain) == ()
    assert agrees(())


def test_readings_not_taken_both_times_are_left_out() -> None:
    influence = influence_with()
    before = run_of(np.zeros((R, S), dtype=complex), np.zeros((R, B)))
    count = before.vibration_count.copy()
    count[2] = 0
    after = replace(before, vibration_count=count, height_count=np.zeros(R, dtype=int))
    found = misses(ROTOR, before, CHANGE, after, influence)
    assert {d.regime for d in found} == {0, 1, 3}
    assert all(d.blade is None for d in found)
