"""Surprise and explanations: against closed forms, by invariances, and one mistake at a time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fleet import Truth, plain_rotor, simulate
from invented_rotor import ROTOR
from scipy import stats
from test_own_aircraft import Fleet, even_departures
from test_own_aircraft import invented_influence as own_influence

from trackbal.aircraft.estimated_law import together
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.surprise import ALARM, surprise, surprises
from trackbal.base.phasor import blade_harmonic
from trackbal.fitting.fit import fit
from trackbal.influence.coefficients import Influence
from trackbal.records.explanations import explain
from trackbal.records.set_aside import job_arrays

A, R, S, B = len(ROTOR.adjusters), len(ROTOR.regimes), len(ROTOR.sensors), len(ROTOR.blades)
STEP = np.array([a.step for a in ROTOR.adjusters])
NOISE = 0.05 * ROTOR.vibration_limit
HEIGHT_NOISE = np.full(R, 0.7)


def influence_of(rng: np.random.Generator, part: float = 0.1) -> Influence:
    """Return invented coefficients, each known to a part of its size."""
    size = np.array([0.012, 0.05])[:, None, None] * ROTOR.vibration_limit / 0.2 / STEP[:, None, None]
    alpha = size * np.exp(2j * np.pi * rng.random((A, R, S)))
    tau = np.array([[-0.1], [4.0]]) / STEP[:, None] * np.ones((A, R))
    cov = np.zeros((R, S, 2 * A, 2 * A))
    for a in range(A):
        cov[..., 2 * a, 2 * a] = cov[..., 2 * a + 1, 2 * a + 1] = (part * size[a]) ** 2
    return Influence(
        rotor_name=ROTOR.name,
        alpha=alpha,
        tau=tau,
        vibration_cov=cov,
        height_cov=np.einsum("ar,ab->rab", (part * tau) ** 2, np.eye(A)),
        vibration_noise=NOISE,
        height_noise=HEIGHT_NOISE,
        unknown_vibration=np.zeros((A, R, S), dtype=bool),
        unknown_height=np.zeros((A, R), dtype=bool),
    )


def drawn(influence: Influence, rng: np.random.Generator) -> Influence:
    """Return one aircraft of the type, its coefficients drawn from their covariance."""
    own = influence.alpha.copy()
    for r in range(R):
        for s in range(S):
            parts = rng.multivariate_normal(np.zeros(2 * A), influence.vibration_cov[r, s])
            own[:, r, s] += parts[0::2] + 1j * parts[1::2]
    tau = influence.tau + np.stack([rng.multivariate_normal(np.zeros(A), c) for c in influence.height_cov], axis=1)
    return replace(influence, alpha=own, tau=tau)


def flown(own: Influence, change: np.ndarray, rng: np.random.Generator) -> JobArrays:
    """Return a job of one aircraft through cumulative changes, shape (n, A, B), with noise."""
    n = len(change)
    shape = (n, R, S)
    start = 0.4 * ROTOR.vibration_limit / 0.2 * np.exp(2j * np.pi * rng.random((R, S)))
    noise = NOISE * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    tips = (
        rng.normal(size=(R, B)) * 8.0
        + own.height_change(change)
        + HEIGHT_NOISE[:, None] * rng.standard_normal((n, R, B))
    )
    tips -= tips.mean(axis=-1, keepdims=True)
    has = np.array([regime.heights for regime in ROTOR.regimes])
    return JobArrays(
        start + own.vibration_change(ROTOR, change) + noise,
        np.ones(shape, dtype=int),
        np.where(has[:, None], tips, np.nan),
        np.tile(has.astype(int), (n, 1)),
        change,
    )


def random_changes(rng: np.random.Generator, n: int) -> np.ndarray:
    made = np.zeros((n, A, B))
    for t in range(1, n):
        for _ in range(3):
            a, b = rng.integers(A), rng.integers(B)
            made[t, a, b] = STEP[a] * rng.choice([-6, -5, -4, -3, 3, 4, 5, 6])
    return made.cumsum(axis=0)


def test_chi_square_of_a_second_run_is_that_of_differences() -> None:
    """Written out cell by cell: difference less effect, over covariance of influence and both noises."""
    rng = np.random.default_rng(1)
    influence = influence_of(rng)
    job = flown(drawn(influence, rng), random_changes(rng, 2), rng)
    seen = surprise(ROTOR, job, influence)
    assert seen is not None
    change = job.change[1]
    z = blade_harmonic(change, ROTOR.azimuth_deg, ROTOR.harmonics)
    total, dof, density = 0.0, 0, 0.0
    for r in range(R):
        for s in range(S):
            miss = job.vibration[1, r, s] - job.vibration[0, r, s] - influence.alpha[:, r, s] @ z[:, s]
            lever = np.hstack([[[c.real, -c.imag], [c.imag, c.real]] for c in z[:, s]])
            cov = lever @ influence.vibration_cov[r, s] @ lever.T + 2.0 * NOISE[r, s] ** 2 * np.eye(2)
            part = np.array([miss.real, miss.imag])
            alone = part @ np.linalg.solve(cov, part)
            total, dof = total + alone, dof + 2
            density += stats.multivariate_normal.logpdf(part, np.zeros(2), cov)
            assert seen.vibration[r, s] == pytest.approx(job.vibration[1, r, s] - miss)
            assert seen.vibration_sd[r, s] == pytest.approx(np.sqrt(np.trace(cov) / 2.0))
            assert seen.vibration_chi2[r, s] == pytest.approx(alone)
            assert seen.vibration_compared[r, s]
        assert seen.height_compared[r] == ROTOR.regimes[r].heights
        if ROTOR.regimes[r].heights:
            u = change - change.mean(axis=1, keepdims=True)
            tips = job.height[1, r] - job.height[0, r] - influence.tau[:, r] @ u
            cov = u.T @ influence.height_cov[r] @ u + 2.0 * HEIGHT_NOISE[r] ** 2 * (np.eye(B) - 1.0 / B)
            alone = tips @ np.linalg.pinv(cov, rcond=1e-9) @ tips
            total, dof = total + alone, dof + B - 1
            basis = np.linalg.svd(np.eye(B) - 1.0 / B)[0][:, : B - 1]
            density += stats.multivariate_normal.logpdf(basis.T @ tips, np.zeros(B - 1), basis.T @ cov @ basis)
            assert seen.height[r] == pytest.approx(job.height[1, r] - tips)
            assert seen.height_sd[r] == pytest.approx(np.sqrt(np.trace(cov) / (B - 1)))
            assert seen.height_chi2[r] == pytest.approx(alone)
        else:
            assert np.isnan([*seen.height[r], seen.height_sd[r]]).all() and seen.height_chi2[r] == 0.0
    assert seen.chi2 == pytest.approx(total, rel=1e-9)
    assert seen.dof == dof
    assert seen.p == pytest.approx(stats.chi2.sf(total, dof), rel=1e-9)
    assert seen.log_likelihood == pytest.approx(density, rel=1e-9)


@pytest.mark.parametrize("n", [2, 4])
def test_probability_is_uniform_when_the_model_holds(n: int) -> None:
    rng = np.random.default_rng(2)
    p = []
    for _ in range(300):
        influence = influence_of(rng)
        seen = surprise(ROTOR, flown(drawn(influence, rng), random_changes(rng, n), rng), influence)
        assert seen is not None
        p.append(seen.p)
    assert stats.kstest(p, "uniform").pvalue > 1e-3


def test_nothing_to_compare_is_no_surprise() -> None:
    rng = np.random.default_rng(3)
    influence = influence_of(rng)
    job = flown(influence, random_changes(rng, 2), rng)
    assert surprise(ROTOR, job.first(1), influence) is None
    count = job.vibration_count.copy()
    count[0, :2], count[1, 2:] = 0, 0  # no reading taken in both runs
    height_count = job.height_count.copy()
    height_count[1] = 0
    seen = surprise(ROTOR, replace(job, vibration_count=count, height_count=height_count), influence)
    assert seen is not None and seen.dof == 0 and seen.p == 1.0 and not seen.surprising
    assert not seen.vibration_compared.any() and not seen.height_compared.any()


def test_an_adjuster_of_unknown_influence_is_no_surprise() -> None:
    rng = np.random.default_rng(4)
    influence = influence_of(rng)
    change = np.zeros((2, A, B))
    change[1, 0, 2] = 300.0
    job = flown(influence, change, rng)
    unknown = np.ones((A, R, S), dtype=bool)
    unknown[1] = False
    unknown_height = np.ones((A, R), dtype=bool)
    unknown_height[1] = False
    alpha, tau = influence.alpha.copy(), influence.tau.copy()
    alpha[0], tau[0] = 0.0, 0.0
    blind = replace(influence, alpha=alpha, tau=tau, unknown_vibration=unknown, unknown_height=unknown_height)
    seen = surprise(ROTOR, job, blind)
    assert seen is not None and not seen.surprising


# ------------------------------------------------------------------------------ one mistake at a time


def job_with_changes() -> tuple[JobArrays, Influence]:
    rng = np.random.default_rng(11)
    influence = influence_of(rng, 0.03)
    made = np.zeros((2, A, B))
    made[1, 0, 1], made[1, 1, 3] = 120.0, -5.0
    return flown(influence, made, rng), influence


def written(job: JobArrays, change: np.ndarray) -> JobArrays:
    total = job.change.copy()
    total[-1] = total[-2] + change
    return replace(job, change=total)


def adjustment_cases() -> dict[str, tuple[np.ndarray, str]]:
    truth = np.zeros((A, B))
    truth[0, 1], truth[1, 3] = 120.0, -5.0
    cases: dict[str, tuple[np.ndarray, str]] = {}
    for name, kind, value in (
        ("sign", "wrong_sign", -120.0),
        ("doubled", "halved", 240.0),
        ("halved", "doubled", 60.0),
    ):
        change = truth.copy()
        change[0, 1] = value
        cases[name] = (change, kind)
    change = truth.copy()
    change[0, 1], change[0, 2] = 0.0, 120.0
    cases["neighbour"] = (change, "neighbour")
    change = truth.copy()
    change[0, 1], change[1, 1] = 0.0, 12.0
    cases["other adjuster"] = (change, "other_adjuster")
    change = truth.copy()
    change[0, 0] = 120.0
    cases["not done"] = (change, "not_done")
    cases["numbering"] = (np.roll(truth, 2, axis=1), "numbering")
    cases["all signs"] = (-truth, "all_signs")
    return cases


@pytest.mark.parametrize("name", adjustment_cases())
def test_a_wrongly_recorded_adjustment_is_first(name: str) -> None:
    truth, influence = job_with_changes()
    change, kind = adjustment_cases()[name]
    record = written(truth, change)
    seen = surprise(ROTOR, record, influence)
    assert seen is not None and seen.surprising
    found = explain(ROTOR, record, influence)
    assert found[0].kind == kind
    assert found[0].change is not None
    np.testing.assert_allclose(found[0].change, truth.change[1])
    assert found[0].p > 1e-4 and found[0].gain > 10.0
    assert [e.score for e in found] == sorted((e.score for e in found), reverse=True)


def test_an_unrecorded_plan_is_found_when_it_was_advised() -> None:
    truth, influence = job_with_changes()
    found = explain(ROTOR, written(truth, np.zeros((A, B))), influence, advised=truth.change[1])
    assert found[0].kind == "as_advised"
    assert not any(e.kind == "as_advised" for e in explain(ROTOR, written(truth, np.zeros((A, B))), influence))


def test_impossible_adjustments_are_no_explanation() -> None:
    truth, influence = job_with_changes()
    change, _ = adjustment_cases()["sign"]
    record = written(truth, change)
    setting = np.zeros((A, B))
    setting[0] = 500.0  # +120 g, as truly done, would pass the 600 g installed at most
    assert explain(ROTOR, record, influence, setting=np.zeros((A, B)))[0].kind == "wrong_sign"
    assert not any(e.kind == "wrong_sign" for e in explain(ROTOR, record, influence, setting=setting))


def reading_cases() -> dict[str, tuple[str, str]]:
    return {
        "half turn": ("half_turn", "cockpit_vertical: phase off by 180 degrees"),
        "sense": ("phase_sense", "cockpit_lateral: phase counted in the other sense"),
        "mm/s": ("unit", "cockpit_vertical: read in mm/s and written as ips"),
        "g": ("unit", "cockpit_vertical: amplitudes read in g and written as ips"),
        "inch": ("height_unit", "heights read in in and written as mm"),
        "down": ("height_sign", "heights written with down as positive"),
        "blade": ("numbering", "phases and heights counted from blade 3"),
        "decimal": ("one_decimal", "hover, cockpit_vertical: decimal point one place too far right"),
        "cables": ("exchanged", "cockpit_vertical and cockpit_lateral exchanged"),
        "rows": ("exchanged", "the rows hover and cruise exchanged"),
    }


def spoiled(job: JobArrays, name: str) -> JobArrays:
    v, h = job.vibration.copy(), job.height.copy()
    if name == "half turn":
        v[1, :, 0] *= -1.0
    elif name == "sense":
        v[1, :, 1] = v[1, :, 1].conj()
    elif name == "mm/s":
        v[1, :, 0] *= 25.4
    elif name == "g":  # by hand: 1 ips at 4 Hz is 0.0254 * 2 pi 4 / 9.80665 g
        v[1, :, 0] *= 0.0254 * 2.0 * np.pi * 4.0 / 9.80665
    elif name == "inch":
        h[1] /= 25.4
    elif name == "down":
        h[1] *= -1.0
    elif name == "blade":  # the pulse comes from blade 3, 180 degrees later: lags are read 180 h shorter
        v[1] *= np.exp(1j * np.pi * ROTOR.harmonics)
        h[1] = np.roll(h[1], -2, axis=-1)
    elif name == "decimal":
        v[1, 1, 0] *= 10.0
    elif name == "cables":
        v[1][:, [0, 1]] = v[1][:, [1, 0]]
    elif name == "rows":
        v[1][[1, 2]], h[1][[1, 2]] = v[1][[2, 1]], h[1][[2, 1]]
    return replace(job, vibration=v, height=h)


@pytest.mark.parametrize("name", reading_cases())
def test_a_wrongly_recorded_reading_is_first(name: str) -> None:
    truth, influence = job_with_changes()
    record = spoiled(truth, name)
    seen = surprise(ROTOR, record, influence)
    assert seen is not None and seen.surprising
    found = explain(ROTOR, record, influence)
    kind, text = reading_cases()[name]
    assert (found[0].kind, found[0].text) == (kind, f"{text} in this run")
    np.testing.assert_allclose(found[0].job.vibration, truth.vibration, rtol=1e-9)
    np.testing.assert_allclose(found[0].job.height, truth.height, rtol=1e-9)


def test_a_mistake_in_the_run_before_is_found_too() -> None:
    truth, influence = job_with_changes()
    v = truth.vibration.copy()
    v[0, :, 0] *= 25.4
    found = explain(ROTOR, replace(truth, vibration=v), influence)
    assert found[0].text == "cockpit_vertical: read in mm/s and written as ips in the run before"


def test_none_of_these_when_nothing_fits() -> None:
    """A damper that fails between two runs: readings move as no single record can make them."""
    truth, influence = job_with_changes()
    rng = np.random.default_rng(5)
    v = truth.vibration.copy()
    v[1] += 0.5 * ROTOR.vibration_limit / 0.2 * np.exp(2j * np.pi * rng.random((R, S)))
    record = replace(truth, vibration=v)
    seen = surprise(ROTOR, record, influence)
    assert seen is not None and seen.surprising
    assert explain(ROTOR, record, influence) == ()


def test_renaming_the_tach_blade_changes_nothing() -> None:
    """Turning every phase and listing every blade from another one is only another name for the same."""
    truth, influence = job_with_changes()
    turned = replace(
        truth,
        vibration=truth.vibration * np.exp(1j * ROTOR.harmonics * np.pi / 2.0),
        height=np.roll(truth.height, -1, axis=-1),
        change=np.roll(truth.change, -1, axis=-1),
    )
    one, other = surprise(ROTOR, truth, influence), surprise(ROTOR, turned, influence)
    assert one is not None and other is not None
    assert other.chi2 == pytest.approx(one.chi2, rel=1e-9)


def test_every_run_is_held_against_the_runs_before_it() -> None:
    rng = np.random.default_rng(12)
    influence = influence_of(rng)
    job = flown(drawn(influence, rng), random_changes(rng, 5), rng)
    together = surprises(ROTOR, job, influence)
    for t in range(5):
        alone = surprise(ROTOR, job.first(t + 1), influence)
        one = together[t]
        assert (one is None) == (alone is None)
        if one is not None and alone is not None:
            assert one.chi2 == alone.chi2
            np.testing.assert_array_equal(one.vibration, alone.vibration)


def test_a_reading_that_cannot_be_is_not_explained_away_to_where_nothing_was_read() -> None:
    """Two rows exchanged, one of a regime not read before: believable, or 25 ips where the limit is 0.2."""
    rotor = plain_rotor(regimes=3, sensors=2)
    history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=12, runs=3, seed=1)
    influence = fit(rotor, history).influence
    job = job_arrays(history, np.arange(2))
    count, tips = job.vibration_count.copy(), job.height_count.copy()
    count[0, 2], tips[0, 2] = 0, 0
    for other, kinds in ((0.6, True), (25.0, False)):
        vibration, height = job.vibration.copy(), job.height.copy()
        vibration[1, 2], height[1, 2] = job.vibration[1, 1], job.height[1, 1]
        vibration[1, 1] = other
        job_told = JobArrays(vibration, count, height, tips, job.change)
        told = explain(rotor, job_told, influence)
        assert any("regime1 and regime2" in e.text for e in told) is kinds


def test_several_p_together_are_uniform_whether_they_depend_on_each_other_or_not() -> None:
    rng = np.random.default_rng(5)
    alone = rng.random((3000, 4))
    normal = rng.normal(size=(3000, 1)) + 0.3 * rng.normal(size=(3000, 4))
    alike = stats.norm.sf(normal / np.sqrt(1.09))
    for p in (alone, alike):
        found = np.array([together(float(one[0]), one[1:].tolist()) for one in p])
        for level in (0.01, 0.05, 0.2):
            assert abs((found < level).mean() - level) < 0.3 * level + 3.0 * np.sqrt(level / len(found))
    assert together(1.0, [1e-6]) < 1e-5  # a p of 1 does not hide a small one
    assert together(1e-200, [0.5]) < 1e-190
    assert together(0.3, []) == 0.3


def test_a_wrong_amount_is_noticed_along_what_it_does_where_all_readings_together_hide_it() -> None:
    departures = even_departures(0.5)
    told = replace(own_influence(), departures=departures)
    fleet = Fleet(told, departures, 31)
    noticed, hidden, false = 0, 0, 0
    for _ in range(60):
        own = fleet.draw()
        change = np.zeros((2, A, B))
        change[1, 0, fleet.rng.integers(B)], change[1, 1, fleet.rng.integers(B)] = 60.0, 4.0
        runs = [fleet.read(own[0], own[1], own[2] + x, own[3], own[4]) for x in change]
        right = JobArrays.of(runs, change)
        larger = change.copy()
        larger[1, 1] *= 1.3
        seen, clean = (surprise(ROTOR, replace(right, change=c), told) for c in (larger, change))
        assert seen is not None and clean is not None
        noticed += seen.p < ALARM
        hidden += seen.p_as_whole >= ALARM
        false += clean.p < 0.02
    assert noticed > 60 - hidden + 5
    assert false <= 5  # 1 or 2 expected


def test_a_stated_deviation_is_not_taken_back_in_a_bundle_where_a_single_mistake_explains_it() -> None:
    """The link was recorded with the wrong sign; half of an advised weight was left out on purpose, and said so."""
    rng = np.random.default_rng(12)
    influence = influence_of(rng)
    influence = replace(influence, alpha=influence.alpha * np.array([0.02, 1.0])[:, None, None])
    influence = replace(influence, tau=influence.tau * np.array([[0.02], [1.0]]))
    recorded, done, advised = (np.zeros((2, A, B)) for _ in range(3))
    recorded[1, 0, 2], recorded[1, 1, 0] = 10.0, 5.0
    done[1], advised[1] = recorded[1], recorded[1]
    done[1, 1, 0], advised[1, 0, 2] = -5.0, 20.0
    truth = drawn(influence, rng)
    job = replace(flown(truth, done, rng), change=recorded)
    assert surprise(ROTOR, job, influence) is not None

    def bundles(stated):
        found = explain(ROTOR, job, influence, stated, np.full((A, B), 0.0) + np.array([[300.0], [0.0]]))
        assert found[0].change is not None and found[0].change[1, 0] == -5.0
        assert any(e.change is not None and np.count_nonzero(e.change != recorded[1]) == 1 for e in found)
        return [e for e in found if e.change is not None and np.count_nonzero(e.change != recorded[1]) > 1]

    assert bundles(None)  # where nobody said that anything was done on purpose, all the other way is as likely
    assert not bundles(advised[1])


def test_a_bundle_that_takes_back_a_stated_deviation_is_shown_where_nothing_simpler_fits() -> None:
    rng = np.random.default_rng(14)
    influence = influence_of(rng)
    advised, recorded = np.zeros((2, A, B)), np.zeros((2, A, B))
    advised[1, 0, 2], advised[1, 1, 0], advised[1, 1, 3] = 60.0, 5.0, -4.0
    recorded[1, 1, 3] = -4.0  # two were said to be left out, and were done all the same
    job = replace(flown(drawn(influence, rng), advised, rng), change=recorded)
    found = explain(ROTOR, job, influence, advised[1], np.array([[300.0], [0.0]]) * np.ones((A, B)))
    assert found and all(e.overturns for e in found)
    np.testing.assert_array_equal(found[0].change, advised[1])
