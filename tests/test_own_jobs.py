"""An aircraft's own earlier jobs: what they tell of it, and how they are asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from how_much import much
from test_own_aircraft import ROTOR, A, B, Fleet, even_departures, invented_influence

from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.own_jobs import own_jobs
from trackbal.aircraft.posterior import own_aircraft
from trackbal.aircraft.type_model import TypeModel
from trackbal.base.errors import InputError
from trackbal.plan.job_advice import advise_in_job
from trackbal.runs.run import History


def a_job(fleet, own, runs=4):
    """Return runs of an aircraft with adjustments before each but the first; its blade differences begin anew."""
    alpha, tau, _, rest, rest_height = own
    fault = fleet.rng.normal(size=(A, B)) * fleet.departures.blade_differences[:, None]
    change = np.zeros((runs, A, B))
    for t in range(1, runs):
        change[t] = change[t - 1]
        change[t, 0, fleet.rng.integers(B)] += 10.0 * fleet.rng.integers(-6, 7)
        change[t, 1, fleet.rng.integers(B)] += fleet.rng.integers(-4, 5)
    flown = [fleet.read(alpha, tau, fault + x, rest, rest_height) for x in change]
    return JobRuns(flown, change)


def test_each_earlier_job_brings_the_coefficients_nearer_and_their_covariance_stays_honest():
    influence, departures = invented_influence(), even_departures(0.5)
    model, fleet = TypeModel.of(ROTOR, influence, departures), Fleet(influence, departures, 41)
    aircraft = much(30, 60)
    error, scaled = np.zeros((aircraft, 3)), np.zeros((aircraft, 3))
    for i in range(aircraft):
        own = fleet.draw()
        jobs = [a_job(fleet, own) for _ in range(2)] + [a_job(fleet, own, runs=1)]
        for k in range(3):
            found = own_aircraft(model, jobs[2 - k :]).influence()
            miss = np.abs(own[0] - found.alpha) ** 2
            variance = np.einsum("rsii->rsi", found.vibration_cov)
            variance = np.moveaxis(variance[..., 0::2] + variance[..., 1::2], -1, 0)
            error[i, k], scaled[i, k] = np.mean(miss[1]), np.mean(miss / variance)
    assert error[:, 1].mean() < 0.6 * error[:, 0].mean()
    assert error[:, 2].mean() < 0.8 * error[:, 1].mean()
    assert ((scaled.mean(axis=0) > 0.7) & (scaled.mean(axis=0) < 1.4)).all()


def history_of(fleet, names):
    """Return a history of one job of three runs for each name."""
    jobs = [a_job(fleet, fleet.draw(), runs=3) for _ in names]
    runs = [run for job in jobs for run in job.runs]
    fields = ("vibration", "vibration_count", "vibration_squares", "height", "height_count", "height_squares")
    return History(
        jobs=tuple(f"job {j}" for j in range(len(names))),
        aircraft=tuple(names),
        job=np.repeat(np.arange(len(names)), 3),
        run=np.tile([1, 2, 3], len(names)),
        change=np.concatenate([job.change for job in jobs]),
        **{name: np.array([getattr(run, name) for run in runs]) for name in fields},
    )


def test_jobs_that_are_dated_count_in_the_order_of_their_days():
    """The newest first in the sheet: "since" a job is still what came after it."""
    history = history_of(Fleet(invented_influence(), even_departures(0.5), 6), ["7", "7", "8", "7"])
    days = np.repeat(np.array(["2026-05-03", "2026-05-02", "2026-01-01", "2026-05-01"], dtype="datetime64[s]"), 3)
    changes = {f"job {j}": history.change[history.job == j][-1] - history.change[history.job == j][0] for j in range(4)}

    def order(history, since=None):
        last = [job.change[-1] for job in own_jobs(history, "7", since)]
        return [next(name for name, change in changes.items() if np.array_equal(change, one)) for one in last]

    assert order(history) == ["job 0", "job 1", "job 3"]
    dated = replace(history, date=days)
    assert order(dated) == ["job 3", "job 1", "job 0"]
    assert order(dated, "job 1") == ["job 1", "job 0"]
    partly = replace(history, date=np.where(history.job == 1, np.datetime64("NaT"), days))
    assert order(partly) == ["job 0", "job 1", "job 3"]


def test_the_jobs_of_an_aircraft_are_found_by_its_name_from_one_on():
    fleet = Fleet(invented_influence(), even_departures(0.5), 5)
    history = history_of(fleet, ["7", "8", "7", "7"])
    assert [len(job.runs) for job in own_jobs(history, "7")] == [3, 3, 3]
    assert len(own_jobs(history, "7", since="job 2")) == 2
    np.testing.assert_array_equal(own_jobs(history, "8")[0].change, history.change[3:6])
    for wanted in (("9", None), ("7", "job 1")):
        with pytest.raises(InputError):
            own_jobs(history, *wanted)


def test_a_first_run_of_a_known_aircraft_is_planned_by_its_own_influence():
    influence = replace(invented_influence(), departures=even_departures(0.5))
    fleet = Fleet(influence, influence.departures, 43)
    own = fleet.draw()
    past = [a_job(fleet, own) for _ in range(2)]
    now = a_job(fleet, own, runs=1)
    setting, still = np.array([[300.0] * B, [0.0] * B]), np.zeros((1, A, B))
    found = advise_in_job(ROTOR, now.runs, still, influence, setting, earlier=past, override_stop=True, most=2)
    alone = advise_in_job(ROTOR, now.runs, still, influence, setting, override_stop=True, most=2)
    assert found.learned and not alone.learned
    miss = [np.mean(np.abs(own[0] - i.alpha)[1] ** 2) for i in (found.influence, alone.influence)]
    assert miss[0] < miss[1]


def test_an_aircraft_unlike_the_record_is_noticed_and_an_ordinary_one_hardly_ever():
    influence, departures = invented_influence(), even_departures(0.5)
    model = TypeModel.of(ROTOR, influence, departures)
    factors = {}
    for times in (1.0, 2.5):
        unlike = replace(departures, unexplained=times * departures.unexplained, unexplained_height=times * 0.3)
        fleet = Fleet(influence, unlike, 7)
        found = [
            own_aircraft(model, [JobRuns([fleet.read(*fleet.draw())], np.zeros((1, A, B)))]).unlike for _ in range(40)
        ]
        factors[times] = np.array(found)
    assert 0.9 < np.exp(np.log(factors[1.0]).mean()) < 1.15
    assert (factors[1.0] > 1.6).mean() <= 0.05
    assert np.median(factors[2.5]) > 1.6
