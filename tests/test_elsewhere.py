"""What is likely where nothing was read: past flights foretold from ground runs alone, and the model's own sums."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from demo_fits import demo, demo_fit, settings_of

from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.learning import posterior_of
from trackbal.plan.advice import advise
from trackbal.plan.forecast import elsewhere, forecast
from trackbal.reports.advice_report import advice_json, advice_text
from trackbal.runs.run import Run


def run_of(history, t: int, regimes) -> Run:
    """Return a past run, the regimes that are not among `regimes` left out."""
    kept = np.isin(np.arange(history.vibration.shape[1]), regimes)
    count = history.vibration_count[t] * kept[:, None]
    tips = history.height_count[t] * kept
    return Run(
        vibration=np.where(count > 0, history.vibration[t], complex(np.nan, np.nan)),
        height=np.where((tips > 0)[:, None], history.height[t], np.nan),
        vibration_count=count,
        height_count=tips,
        vibration_squares=np.where(count > 0, history.vibration_squares[t], 0.0),
        height_squares=np.where(tips > 0, history.height_squares[t], 0.0),
        height_taken=np.repeat((tips > 0)[:, None], history.height.shape[2], axis=1),
        rpm=np.full(len(kept), np.nan),
        source=f"{history.jobs[history.job[t]]}, run {history.run[t]}",
    )


def foretold(name: str):
    """Yield for each past run its flights as read, and as foretold from the ground readings of the run before it."""
    whole, influence = demo(name), demo_fit(name).influence
    history, rotor = whole.history, whole.rotor
    ground = [r for r, regime in enumerate(rotor.regimes) if not regime.airborne]
    everything = list(range(len(rotor.regimes)))
    for t in range(len(history.job)):
        for later in {t, t + 1} & set(range(len(history.job))):
            if history.job[later] != history.job[t]:
                continue
            seen, came = run_of(history, t, ground), run_of(history, later, everything)
            if not seen.vibration_read.any():
                continue
            change = history.change[later] - history.change[t]
            own = posterior_of(rotor, [JobRuns([seen], np.zeros((1, *change.shape)))], influence)
            told = elsewhere(rotor, seen, influence, change, own)
            yield came, told


@pytest.mark.parametrize(
    ("name", "least"), [("four_blade_tail", 0.88), pytest.param("five_blades", 0.76, marks=pytest.mark.long)]
)
def test_ranges_hold_flights_that_were_foretold_from_the_ground(name, least):
    """Rough ranges, as docs/method.md says: 0.93 and 0.81 of what came, where 0.95 is aimed at."""
    inside = total = 0
    for came, told in foretold(name):
        for value, low, high in (
            (np.abs(came.vibration), told.amplitude_low, told.amplitude_high),
            (came.spread, told.spread_low, told.spread_high),
        ):
            both = np.isfinite(value) & np.isfinite(low)
            inside += int(((value >= low) & (value <= high))[both].sum())
            total += int(both.sum())
    assert total > 200
    assert least <= inside / total <= 0.995, (inside, total)


def test_it_is_the_forecast_of_those_readings_and_leaves_out_what_is_not_known():
    whole, influence = demo("four_blade_tail"), demo_fit("four_blade_tail").influence
    rotor, run = whole.rotor, whole.runs[0]
    assert run.regime_read.tolist() == [True, False, False]
    change = np.zeros((len(rotor.adjusters), len(rotor.blades)))
    change[0, 2] = -9.0
    own = posterior_of(rotor, [JobRuns([run], np.zeros((1, *change.shape)))], influence)
    told = elsewhere(rotor, run, influence, change, own)
    assert np.isfinite(told.amplitude).tolist() == [[False, False], [True, True], [True, True]]
    unknown = influence.unknown_vibration.copy()
    unknown[1, 2, 0] = True
    less = elsewhere(rotor, run, replace(influence, unknown_vibration=unknown), change, own)
    assert np.isfinite(less.amplitude).tolist() == [[False, False], [True, True], [False, True]]
    np.testing.assert_allclose(less.amplitude[1], told.amplitude[1])
    assert elsewhere(rotor, run, influence, change, None) is None
    here = forecast(rotor, run, influence, change, own)
    assert (told.amplitude_high - told.amplitude_low)[1:].min() > (here.amplitude_high - here.amplitude_low)[
        0
    ].max() / 4


def test_advice_on_the_ground_says_what_flight_is_likely_to_read():
    whole = demo("four_blade_tail")
    advice = advise(whole.rotor, whole.runs[0], demo_fit("four_blade_tail").influence, settings_of("four_blade_tail"))
    there = advice.offered.elsewhere
    words = next(caution for caution in advice.cautions if caution.startswith("Not read this time"))
    worst = np.nanmax(there.amplitude / whole.rotor.vibration_limit)
    assert f"Likely at worst there, by what this aircraft read elsewhere: {worst:.1f} of its limit" in words
    assert f"likely {worst:.1f} of limit at worst" in advice_text(whole.rotor, whole.runs[0], advice)
    unread = advice_json(whole.rotor, whole.runs[0], advice)["plans"][advice.recommended]["not_read"]
    assert [one["likely"] for one in unread if "sensor" in one] == there.amplitude[1:].ravel().tolist()
