"""The closed form in which all jobs are screened, against weighing every account run by run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from damaged_fleet import damage, fly_fleet
from invented_fleet import Truth, plain_rotor, simulate

from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import fit
from trackbal.records.alternatives import Account, Sizes
from trackbal.records.gains import gains
from trackbal.records.set_aside import CLASSES, STEP_SIZES, highest_odds, job_arrays, rows_of_jobs, set_asides
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History


def patchy_history(repeats: int) -> tuple[Rotor, History]:
    """Jobs of 1 to 5 runs with readings, sensors and whole regimes missing."""
    rotor = plain_rotor(blades=5, regimes=2, sensors=2, adjusters=3, harmonics=(1, 2))
    history = simulate(rotor, Truth.draw(rotor, seed=1), jobs=14, runs=5, seed=2, repeats=repeats)
    rng = np.random.default_rng(3)
    keep = history.run <= 1 + history.job % 5
    history = history.of_runs(np.flatnonzero(keep))
    return rotor, replace(
        history,
        vibration_count=history.vibration_count * (rng.random(history.vibration_count.shape) > 0.3),
        height_count=history.height_count * (rng.random(history.height_count.shape) > 0.3),
    )


@pytest.mark.parametrize("repeats", [1, 3])
def test_gains_are_those_of_weighing_every_account(repeats: int) -> None:
    rotor, history = patchy_history(repeats)
    influence, sizes = fit(rotor, history).influence, Sizes.of(rotor, history)
    gain = gains(HistoryCells(rotor, history), influence, sizes, STEP_SIZES)
    seen = dict.fromkeys(CLASSES, 0)
    for j, rows in enumerate(rows_of_jobs(history)):
        account = Account.as_recorded(job_arrays(history, rows))
        readings = np.zeros(len(rows))
        every = 0.0
        for one, _ in set_asides(rotor, account, influence, sizes):
            row, column = rows[one.run], -1 if one.sensor is None else one.sensor
            seen[one.kind] += 1
            if one.kind == "reading":
                readings[one.run] = max(readings[one.run], one.gain)
            elif one.kind == "column in every run":
                every = max(every, one.gain)
            else:
                ours = {
                    "run": gain.run[row],
                    "column": gain.column[column, row],
                    "step": gain.step[STEP_SIZES.index(one.size), row],
                }[one.kind]
                assert ours == pytest.approx(one.gain, abs=1e-6, rel=1e-6)
        np.testing.assert_allclose(np.maximum(gain.reading[rows], 0.0), readings, atol=1e-6)
        assert max(gain.every[j], 0.0) == pytest.approx(every, abs=1e-6)
    assert all(seen.values())


@pytest.mark.parametrize("name", ["main3", "tail2", "uneven4"])
def test_highest_odds_are_those_of_judging_each_job(name: str) -> None:
    fleet = fly_fleet(name, 12, seed=2)
    rotor = fleet.kind.rotor
    history, _ = damage(rotor, fleet.history, 0.1, seed=1)
    influence, sizes = fit(rotor, history).influence, Sizes.of(rotor, history)
    ours = highest_odds(HistoryCells(rotor, history), influence, sizes)
    for j, rows in enumerate(rows_of_jobs(history)):
        account = Account.as_recorded(job_arrays(history, rows))
        theirs = max(odds for _, odds in set_asides(rotor, account, influence, sizes))
        assert ours[j] == pytest.approx(theirs, abs=0.01)


def test_what_is_set_aside_does_not_depend_on_the_unit() -> None:
    """A sensor wrong in every run of a job, in ips and in mm/s: readings and limits times 25.4."""
    rotor = plain_rotor(blades=5, regimes=2, sensors=2, adjusters=3)
    history = simulate(rotor, Truth.draw(rotor, seed=5), jobs=12, runs=4, seed=5)
    influence, sizes = fit(rotor, history).influence, Sizes.of(rotor, history)
    times = 25.4
    larger = replace(rotor, vibration=0.2 * times)
    history_of = replace(history, vibration=history.vibration * times)
    influence_of = replace(
        influence,
        alpha=influence.alpha * times,
        vibration_cov=influence.vibration_cov * times**2,
        vibration_noise=influence.vibration_noise * times,
    )
    first, second = (
        gains(HistoryCells(r, h), i, Sizes.of(r, h), STEP_SIZES)
        for r, h, i in ((rotor, history, influence), (larger, history_of, influence_of))
    )
    assert sizes.vibration == pytest.approx(Sizes.of(larger, history_of).vibration / times)
    for name in ("run", "column", "reading", "every", "step"):
        np.testing.assert_allclose(getattr(first, name), getattr(second, name), atol=1e-6)
