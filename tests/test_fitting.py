"""What fit makes of a history: exact cases, what it cannot tell, invariances, honest covariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from how_much import examples, much
from hypothesis import given
from hypothesis import strategies as st
from invented_fleet import PER_RUN, Truth, circular, plain_rotor, random_changes, simulate
from scipy.stats import chi2

from trackbal.estimate.small_sample import widening
from trackbal.fitting.fit import Fit, fit
from trackbal.reports.fit_report import fit_json, report
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History

EXACT = {"kappa": 0.0, "height_kappa": 0.0, "sd": 0.0, "height_sd": 0.0}


@pytest.mark.parametrize(
    ("harmonics", "azimuth"),
    [((1, 1), None), ((2, 3), None), ((1, 2), (0.0, 35.0, 110.0, 180.0, 275.0))],
    ids=["once-per-rev", "higher-harmonics", "uneven-azimuth"],
)
def test_noise_free_history_gives_the_coefficients_back(harmonics, azimuth) -> None:
    rotor = plain_rotor(harmonics=harmonics, azimuth_deg=azimuth)
    truth = Truth.draw(rotor, seed=1, **EXACT)
    found = fit(rotor, simulate(rotor, truth, jobs=4, runs=5, seed=1)).influence
    np.testing.assert_allclose(found.alpha, truth.alpha, rtol=1e-9)
    np.testing.assert_allclose(found.tau, truth.tau, rtol=1e-9)
    assert not found.unknown_vibration.any() and not found.unknown_height.any()


def test_a_lone_change_is_the_difference_over_the_change() -> None:
    """By hand: 3 units on blade 1, before 0.1, after 0.1 + 0.6j: 0.2j a unit."""
    rotor = plain_rotor(blades=3, regimes=1, sensors=1, adjusters=1)
    change = np.zeros((2, 1, 3))
    change[1, 0, 0] = 3.0
    history = _history(rotor, change, np.array([0.1, 0.1 + 0.6j]), np.array([[0.0, 0, 0], [4, -2, -2]]))
    result = fit(rotor, history)
    assert result.influence.alpha[0, 0, 0] == pytest.approx(0.2j)
    assert result.influence.tau[0, 0] == pytest.approx(2.0)  # blade 1 moved 2 of its 3 units from the mean
    assert result.jobs[0, 0, 0] == 1 and result.runs[0, 0, 0] == 2
    assert "too small for another aircraft" in " ".join(result.cautions)
    assert "noise" in " ".join(result.cautions)


def _history(rotor: Rotor, change, vibration, height) -> History:
    n = len(change)
    ones = np.ones((n, 1, 1), dtype=int)
    return History(
        jobs=("only",),
        job=np.zeros(n, dtype=int),
        run=np.arange(1, n + 1),
        vibration=np.asarray(vibration, dtype=complex).reshape(n, 1, 1),
        vibration_count=ones,
        vibration_squares=np.zeros((n, 1, 1)),
        height=np.asarray(height, dtype=float).reshape(n, 1, -1),
        height_count=ones[:, :, 0],
        height_squares=np.zeros((n, 1)),
        change=np.asarray(change, dtype=float),
    )


class TestUnknown:
    """What the runs cannot tell is marked, never filled with a number."""

    def history(self, change: np.ndarray, rotor: Rotor) -> History:
        truth = Truth.draw(rotor, seed=7, **EXACT)
        return simulate(rotor, truth, jobs=len(change), runs=change.shape[1], seed=7, change=change)

    def changes(self, rotor: Rotor) -> np.ndarray:
        return random_changes(rotor, 4, 5, np.random.default_rng(2))

    def check(self, rotor: Rotor, change: np.ndarray, unknown: list[int]) -> Fit:
        truth = Truth.draw(rotor, seed=7, **EXACT)
        result = fit(rotor, self.history(change, rotor))
        found = result.influence
        known = [a for a in range(3) if a not in unknown]
        assert found.unknown_vibration[unknown].all() and found.unknown_height[unknown].all()
        assert not found.unknown_vibration[known].any() and not found.unknown_height[known].any()
        assert not found.alpha[unknown].any() and not found.tau[unknown].any()
        np.testing.assert_allclose(found.alpha[known], truth.alpha[known], rtol=1e-8)
        np.testing.assert_allclose(found.tau[known], truth.tau[known], rtol=1e-8)
        for a in unknown:
            part = slice(2 * a, 2 * a + 2)
            assert not found.vibration_cov[:, :, part].any() and not found.vibration_cov[:, :, :, part].any()
            assert any(f"adjuster{a} is unknown everywhere" in c for c in result.cautions)
        return result

    def test_never_changed(self) -> None:
        rotor = plain_rotor()
        change = self.changes(rotor)
        change[:, :, 1] = 0.0
        assert "no job changed it" in " ".join(self.check(rotor, change, [1]).cautions)

    def test_changed_only_equally_on_all_blades(self) -> None:
        rotor = plain_rotor(blades=7)
        change = self.changes(rotor)
        change[:, :, 1] = 600.1 * np.arange(20).reshape(4, 5)[..., None]
        self.check(rotor, change, [1])

    @pytest.mark.parametrize("factor", [1.0, -2.7, 1000.0])
    def test_two_always_together_do_not_spoil_the_third(self, factor: float) -> None:
        rotor = plain_rotor()
        change = self.changes(rotor)
        change[:, :, 2] = factor * change[:, :, 0]
        assert "adjuster2" in " ".join(self.check(rotor, change, [0, 2]).cautions)

    def test_sum_of_two_others(self) -> None:
        rotor = plain_rotor()
        change = self.changes(rotor)
        change[:, :, 2] = change[:, :, 0] + change[:, :, 1]
        self.check(rotor, change, [0, 1, 2])

    def test_changed_between_jobs_only(self) -> None:
        """A change counts from a job's first run; one that is there in all its runs tells nothing."""
        rotor = plain_rotor()
        change = self.changes(rotor)
        change[:, :, 1] = change[:, -1:, 1]
        self.check(rotor, change, [1])

    def test_reading_never_taken(self) -> None:
        rotor = plain_rotor()
        history = self.history(self.changes(rotor), rotor)
        count, height_count = history.vibration_count.copy(), history.height_count.copy()
        vibration, height = history.vibration.copy(), history.height.copy()
        count[:, 0, 1] = 0
        vibration[:, 0, 1] = np.nan
        height_count[:, 1] = 0
        height[:, 1] = np.nan
        history = replace(history, vibration=vibration, vibration_count=count, height=height, height_count=height_count)
        found = fit(rotor, history).influence
        assert found.unknown_vibration[:, 0, 1].all() and found.unknown_height[:, 1].all()
        assert found.unknown_vibration.sum() == 3 and found.unknown_height.sum() == 3

    def test_regime_without_heights_has_none_to_know(self) -> None:
        rotor = plain_rotor()
        regimes = (rotor.regimes[0], replace(rotor.regimes[1], heights=False))
        rotor = replace(rotor, regimes=regimes)
        history = self.history(self.changes(rotor), rotor)
        height_count = history.height_count * [1, 0]
        assert not fit(rotor, replace(history, height_count=height_count)).influence.unknown_height.any()


def test_hard_to_tell_apart_is_said() -> None:
    rotor = plain_rotor()
    rng = np.random.default_rng(3)
    change = random_changes(rotor, 6, 5, rng)
    change[:, :, 2] = change[:, :, 0] + 0.02 * change[:, :, 2]
    result = fit(rotor, simulate(rotor, Truth.draw(rotor, seed=3), 6, 5, 3, change=change))
    assert result.condition.min() > 100
    assert any("adjuster0 and adjuster2 were changed so much alike" in c for c in result.cautions)


def test_empty_history_knows_nothing() -> None:
    rotor = plain_rotor()
    history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=2, runs=2)
    empty = replace(history, vibration_count=0 * history.vibration_count, height_count=0 * history.height_count)
    found = fit(rotor, empty).influence
    assert found.unknown_vibration.all() and found.unknown_height.all()
    none = History(
        jobs=(),
        **{key: getattr(history, key)[:0] for key in ("job", *PER_RUN)},
    )
    found = fit(rotor, none).influence
    assert found.unknown_vibration.all() and found.unknown_height.all()


def test_single_run_jobs_tell_nothing() -> None:
    rotor = plain_rotor()
    found = fit(rotor, simulate(rotor, Truth.draw(rotor, seed=1), jobs=6, runs=1)).influence
    assert found.unknown_vibration.all() and found.unknown_height.all()


@examples(4, 25)
@given(
    factor=st.lists(st.floats(1e-3, 1e3), min_size=3, max_size=3),
    unit=st.floats(1e-3, 1e3),
    turn=st.floats(0, 6.28),
)
def test_units_and_phase_reference_only_rescale(factor: list[float], unit: float, turn: float) -> None:
    """Other adjuster units, another vibration unit and another phase zero give the same physics."""
    rotor = plain_rotor(regimes=1)
    history = simulate(rotor, Truth.draw(rotor, seed=5), jobs=5, runs=4, seed=5)
    scale = unit * np.exp(1j * turn)
    other = replace(
        history,
        change=history.change * np.array(factor)[:, None],
        vibration=history.vibration * scale,
        vibration_squares=history.vibration_squares * unit**2,
    )
    one, two = fit(rotor, history), fit(rotor, other)
    ratio = scale / np.array(factor)[:, None, None]
    np.testing.assert_allclose(two.influence.alpha, one.influence.alpha * ratio, rtol=1e-6)
    np.testing.assert_allclose(two.influence.vibration_noise, one.influence.vibration_noise * unit, rtol=1e-6)
    np.testing.assert_allclose(two.spread, one.spread, rtol=1e-4, atol=1e-5)
    np.testing.assert_allclose(two.height_spread, one.height_spread, rtol=1e-4, atol=1e-5)


@examples(4, 15)
@given(start=st.complex_numbers(max_magnitude=100), seed=st.integers(0, 1000))
def test_start_of_a_job_and_order_of_jobs_do_not_matter(start: complex, seed: int) -> None:
    rotor = plain_rotor(regimes=1)
    history = simulate(rotor, Truth.draw(rotor, seed=5), jobs=5, runs=4, seed=5)
    shifted = replace(history, vibration=history.vibration + start * (history.job == 2)[:, None, None])
    order = np.random.default_rng(seed).permutation(5)
    rows = np.concatenate([np.flatnonzero(history.job == j) for j in order])
    moved = replace(
        shifted,
        jobs=tuple(history.jobs[j] for j in order),
        aircraft=tuple(history.aircraft[j] for j in order),
        **{key: getattr(shifted, key)[rows] for key in PER_RUN},
    )
    one, two = fit(rotor, history).influence, fit(rotor, moved).influence
    np.testing.assert_allclose(two.alpha, one.alpha, rtol=1e-6)
    np.testing.assert_allclose(two.vibration_cov, one.vibration_cov, rtol=1e-3, atol=1e-12)


def test_covariance_is_honest_for_the_next_aircraft() -> None:
    """Over 100 invented fleets of ten (or 20): how often the truth lies in the 95 % ellipsoid of its covariance.

    The standard error of a share of 400 is 1 %, of 80 it is 2.4 %. The spread is widened for ten jobs so that its 90 %
    regions hold what they should, so distances are smaller than chi-square's by that much in the middle.
    """
    rotor = plain_rotor(regimes=4, sensors=1, adjusters=2)
    rng = np.random.default_rng(0)
    of_next, of_mean, of_height = [], [], []
    for seed in range(much(20, 100)):
        truth = Truth.draw(rotor, seed=1000 + seed)
        found = fit(rotor, simulate(rotor, truth, jobs=10, runs=5, seed=seed)).influence
        following = truth.alpha * (1 + truth.kappa * circular(rng, truth.alpha.shape))
        following_tau = truth.tau * (1 + truth.height_kappa * rng.normal(size=truth.tau.shape))
        for r in range(4):
            for s in range(1):
                of_next.append(_distance(following[:, r, s] - found.alpha[:, r, s], found.vibration_cov[r, s]))
                mean_cov = found.mean_vibration_cov[r, s]
                of_mean.append(_distance(truth.alpha[:, r, s] - found.alpha[:, r, s], mean_cov))
            left = following_tau[:, r] - found.tau[:, r]
            of_height.append(left @ np.linalg.solve(found.height_cov[r], left))
    assert 0.90 < np.mean(np.array(of_next) < chi2.ppf(0.95, 4)) < 0.98
    assert 0.90 < np.mean(np.array(of_mean) < chi2.ppf(0.95, 4)) < 0.98
    assert 0.88 < np.mean(np.array(of_height) < chi2.ppf(0.95, 2)) < 0.98
    wider, wider_height = widening(np.array([10]), 2)[0], widening(np.array([10]), 1)[0]
    assert np.median(of_next) * wider == pytest.approx(chi2.median(4), rel=0.2)
    assert np.median(of_height) * wider_height == pytest.approx(chi2.median(2), rel=0.3)


def _distance(left: np.ndarray, cov: np.ndarray) -> float:
    parts = np.stack([left.real, left.imag], axis=-1).ravel()
    return float(parts @ np.linalg.solve(cov, parts))


class TestSuspects:
    """A wrong run is named and its neighbours are not."""

    @pytest.mark.parametrize(("jobs", "runs"), [(6, 2), (12, 2), (6, 3), (8, 4), (1, 8)])
    def test_clean_histories_have_none(self, jobs: int, runs: int) -> None:
        rotor = plain_rotor()
        for seed in range(much(2, 12)):
            history = simulate(rotor, Truth.draw(rotor, seed=seed), jobs, runs, seed=seed + 500)
            assert fit(rotor, history).suspects == ()

    @pytest.mark.parametrize("seed", range(6))
    @pytest.mark.parametrize("fault", ["phase-turned", "one-sensor", "one-tip"])
    def test_wrong_run_alone_is_named(self, fault: str, seed: int) -> None:
        rotor = plain_rotor()
        history = simulate(rotor, Truth.draw(rotor, seed=seed), jobs=8, runs=5, seed=seed)
        i = int(np.random.default_rng(seed).integers(len(history.run)))
        vibration, height = history.vibration.copy(), history.height.copy()
        if fault == "phase-turned":
            vibration[i] *= -1
        elif fault == "one-sensor":
            vibration[i, 1, 0] += 0.6
        else:
            height[i, 0] += 15.0 * (np.arange(5) == 2) - 3.0
        result = fit(rotor, replace(history, vibration=vibration, height=height), robust=False)
        assert [(s.job, s.run) for s in result.suspects] == [(f"job{i // 5}", i % 5 + 1)]
        assert "still took part" in result.cautions[0]
        assert "standard errors" in result.cautions[0]

    @pytest.mark.parametrize("seed", range(6))
    def test_wrong_record_of_an_adjustment_is_named_once(self, seed: int) -> None:
        """A change written down for the wrong blade, between runs 3 and 4 of 6."""
        rotor = plain_rotor()
        history = simulate(rotor, Truth.draw(rotor, seed=seed), jobs=8, runs=6, seed=seed)
        change = history.change.copy()
        change[4 * 6 + 3 : 4 * 6 + 6, 0] += [30.0, 0.0, -30.0, 0.0, 0.0]
        suspects = fit(rotor, replace(history, change=change), robust=False).suspects
        assert [(s.job, s.run) for s in suspects] == [("job4", 4)]
        assert "adjustments recorded before it" in suspects[0].why

    def test_of_two_runs_no_telling_which(self) -> None:
        rotor = plain_rotor()
        history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=25, runs=2, seed=1, repeats=3)
        vibration = history.vibration.copy()
        vibration[10] += 3.0
        suspects = fit(rotor, replace(history, vibration=vibration), robust=False).suspects
        assert [s.job for s in suspects] == ["job5"]
        assert "no other two runs" in suspects[0].why


def test_report_and_json_say_what_a_person_needs() -> None:
    rotor = plain_rotor()
    change = random_changes(rotor, 8, 5, np.random.default_rng(1))
    change[:, :, 2] = 0.0
    result = fit(rotor, simulate(rotor, Truth.draw(rotor, seed=1), 8, 5, 1, change=change))
    text = report(rotor, result)
    for word in ("40 runs of 8 jobs", "unknown", "noise", "condition", "Spread between aircraft", "±", "Cautions"):
        assert word in text
    amplitude = abs(result.influence.alpha[0, 0, 0])
    assert f"{amplitude:.4g} ips" in text
    answer = fit_json(rotor, result)
    assert answer["unidentified"] == [{"adjuster": "adjuster2"}]
    assert answer["suspects"] == [] and answer["cautions"]
    assert answer["rows"] == 2 * 2 * 2 + 2 * 2 + 4 + 2  # coefficients, heights, joint rows of both
