"""Against a second physics, plain and linear, that shares nothing with trackbal/virtual (plain_aircraft.py)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from plain_aircraft import ROTOR, A, B, Odd, PlainType

from trackbal.aircraft.entries import entries_of
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.learning import posterior_of
from trackbal.aircraft.surprise import surprise
from trackbal.base.cautions import in_short
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import estimate_cells, fit, type_influence
from trackbal.plan.advice import advise

STILL = np.zeros((A, B))


def mean_regions_that_hold(kind: PlainType, history) -> float:
    """Return the share of 90 % regions of the type's mean that hold it."""
    found = type_influence(ROTOR, estimate_cells(HistoryCells(ROTOR, history)), None)
    assert found.mean_vibration_cov is not None
    held = []
    for a in range(A):
        error = kind.alpha[a] - found.alpha[a]
        parts = np.stack([error.real, error.imag], axis=-1)
        cov = found.mean_vibration_cov[..., 2 * a : 2 * a + 2, 2 * a : 2 * a + 2]
        held.append(np.einsum("rsi,rsij,rsj->rs", parts, np.linalg.inv(cov), parts) < 4.605)  # chi-square, 2, 90 %
    return float(np.mean(held))


def test_regions_of_the_mean_hold_with_few_aircraft_in_many_jobs() -> None:
    """Four aircraft of five jobs each: what differs is the aircraft; jobs taken apart, the regions are too small."""
    by_aircraft, apart = [], []
    for seed in range(10):
        kind = PlainType.drawn(seed)
        history = kind.history(1000 + seed, jobs=20, aircraft=4)
        by_aircraft.append(mean_regions_that_hold(kind, history))
        apart.append(mean_regions_that_hold(kind, replace(history, aircraft=history.jobs)))
    assert np.mean(by_aircraft) > 0.8
    assert np.mean(apart) < 0.65


@pytest.fixture(scope="module")
def known():
    kind = PlainType.drawn(12)
    return kind, fit(ROTOR, kind.history(12)).influence


def test_chances_are_true_of_aircraft_like_those_of_the_record(known) -> None:
    kind, influence = known
    rng = np.random.default_rng(2)
    said, came = [], []
    for _ in range(40):
        one = kind.craft(rng)
        advice = advise(ROTOR, one.fly(STILL, rng), influence, STILL, most=4, override_stop=True)
        if advice.recommended is None or advice.verdict == "inside":
            continue
        plan = advice.plans[advice.recommended]
        after = one.fly(plan.change, rng)
        said.append(plan.chance)
        came.append(float((np.abs(after.vibration) <= 0.2).all() and (after.spread <= 20.0).all()))
    assert len(said) > 30
    error = np.sqrt(np.mean(np.array(said) * (1.0 - np.array(said))) / len(said))
    assert abs(np.mean(said) - np.mean(came)) < 0.07 + 2.5 * error
    assert 0.2 < np.mean(came) < 0.95  # else the test could not fail
    brier, base = np.mean((np.array(said) - came) ** 2), np.mean(came) * (1.0 - np.mean(came))
    assert brier < 0.8 * base


def test_three_times_the_unexplained_part_is_noticed_by_a_first_run(known) -> None:
    kind, influence = known
    rng = np.random.default_rng(3)

    def factors(odd: Odd) -> np.ndarray:
        found = []
        for _ in range(20):
            own = posterior_of(ROTOR, [JobRuns([kind.craft(rng, odd).fly(STILL, rng)], STILL[None])], influence)
            assert own is not None
            found.append(own.unlike)
        return np.array(found)

    ordinary, unlike = factors(Odd()), factors(Odd(rest=3.0))
    assert (ordinary > 1.6).mean() <= 0.1
    assert (unlike > 1.4).mean() >= 0.4


def test_an_aircraft_unlike_the_record_is_said_to_be_so_and_its_chance_not_to_be_relied_upon(known) -> None:
    kind, influence = known

    def said_of(odd: Odd) -> list[str]:
        found = []
        for seed in range(7):
            run = kind.craft(np.random.default_rng(seed), odd).fly(STILL, np.random.default_rng(seed))
            cautions = advise(ROTOR, run, influence, STILL, most=1, override_stop=True).cautions
            found += [c for c in cautions if c.startswith("An aircraft unlike those of the record: what no adjuster")]
        return found

    unlike = said_of(Odd(rest=4.0))
    assert len(unlike) >= 2 and len(said_of(Odd())) <= 1
    for caution in unlike:
        assert "times theirs. " in caution and caution.endswith("may still be too high; look for a cause.")
        (short,) = in_short([caution], shortest=True)
        assert short.endswith("times): chance may be too high.") and len(short) <= 78


@pytest.mark.parametrize(("harmonic", "said"), [(B, 1), (2, 0)])
def test_advice_says_what_equal_blades_pass_on_and_no_adjustment_cures(known, harmonic: int, said: int) -> None:
    kind, influence = known
    rotor = replace(ROTOR, sensors=(*ROTOR.sensors[:-1], replace(ROTOR.sensors[-1], harmonic=harmonic)))
    run = kind.craft(np.random.default_rng(1)).fly(STILL, np.random.default_rng(1))
    cautions = advise(rotor, run, influence, STILL, most=1, override_stop=True).cautions
    assert sum("it is no adjustment's business." in caution for caution in cautions) == said


def test_a_reading_of_which_the_file_says_nothing_raises_no_alarm_and_tells_nothing_of_others(known) -> None:
    """A regime that the rotor has gained: no coefficients, no noise; the reading stands far out, and scatters."""
    kind, influence = known
    new = np.arange(len(ROTOR.regimes)) == 2
    silent = replace(
        influence,
        alpha=np.where(new[:, None], 0.0, influence.alpha),
        tau=np.where(new, 0.0, influence.tau),
        vibration_cov=np.where(new[:, None, None, None], 0.0, influence.vibration_cov),
        height_cov=np.where(new[:, None, None], 0.0, influence.height_cov),
        mean_vibration_cov=None,
        mean_height_cov=None,
        vibration_noise=np.where(new[:, None], 0.0, influence.vibration_noise),
        height_noise=np.where(new, 0.0, influence.height_noise),
    )
    rng = np.random.default_rng(8)
    craft = kind.craft(rng)
    first, second = craft.fly(STILL, rng), craft.fly(STILL, rng)
    first, second = (replace(run, vibration=run.vibration + 0.6 * new[:, None]) for run in (first, second))
    unread = replace(
        first, vibration_count=first.vibration_count * ~new[:, None], height_count=first.height_count * ~new
    )
    start = np.zeros((1, A, B))
    own, without = (posterior_of(ROTOR, [JobRuns([run], start)], silent) for run in (first, unread))
    assert own is not None and without is not None
    assert own.unlike == pytest.approx(without.unlike, rel=1e-6)
    assert own.influence().alpha[:, :2] == pytest.approx(without.influence().alpha[:, :2], rel=1e-6)
    entries = entries_of(own.model, first)
    mean, _ = own.predict(entries, STILL)
    there = entries.regime_of == 2
    assert mean[there] == pytest.approx(entries.values[there], rel=0.01, abs=0.01)  # it stays as it was read
    seen = surprise(ROTOR, JobArrays.of([first, second], np.zeros((2, A, B))), silent)
    assert seen is not None and not seen.surprising
    far = replace(second, vibration=second.vibration * np.where(new[:, None], -1.0, 1.0))
    seen = surprise(ROTOR, JobArrays.of([first, far], np.zeros((2, A, B))), silent)
    assert seen is not None and seen.surprising  # a reading that turns about with nothing done is none the less
