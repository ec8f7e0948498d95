"""Adjusters that act alike: what one trial tells of another adjuster, and that it claims no more than it knows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_textbook import with_data

from trackbal.aircraft.alike import alike_pairs
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.learning import learn
from trackbal.influence.coefficients import Influence
from trackbal.plan.job_advice import advise_in_job
from trackbal.trials.textbook import textbook_influence
from trackbal.virtual import VirtualType

#: Errors of all coefficients of an adjuster, as a part of their size, and in units of what the estimate claims.
CLAIMED = 2.0


def job(name, seed, trials):
    """Return rotor, true coefficients, runs, summed changes of a virtual aircraft; trials: {kind: (blade, amount)}."""
    kind = VirtualType.shipped(name)
    rotor = with_data(kind)
    aircraft = replace(kind.aircraft(seed, 1.0), rotor=rotor)
    true = aircraft.true_influence()[0]
    rng = np.random.default_rng(seed)
    runs, changes = [aircraft.fly(rng)], [np.zeros_like(aircraft.setting)]
    kinds = [a.kind for a in rotor.adjusters]
    for trial in trials:
        change = np.zeros_like(aircraft.setting)
        for kind_of, (blade, amount) in trial.items():
            change[kinds.index(kind_of), blade] = amount
        aircraft = aircraft.adjust(change, rng)
        changes.append(changes[-1] + change)
        runs.append(aircraft.fly(rng))
    return rotor, true, runs, np.array(changes)


def errors(rotor, own, true):
    """Return relative errors of every adjuster, (A,), and the same by the estimate's own covariance."""
    limit = rotor.vibration_limit
    size = np.sqrt((np.abs(true) ** 2 / limit**2).mean(axis=(1, 2)))
    miss = np.sqrt((np.abs(own.alpha - true) ** 2 / limit**2).mean(axis=(1, 2)))
    claimed = np.einsum("rsaa->ars", own.hermitian_cov()).real / limit**2
    return miss / size, np.sqrt(claimed.mean(axis=(1, 2))) / size


TWO_RUNS = [{"pitch_link": (0, 4.0)}, {"weight": (1, 40.0), "tab": (2, 1.5)}]


@pytest.mark.parametrize("name", ["main3", "main5"])
def test_a_weight_and_a_tab_of_one_run_are_told_apart(name):
    """Three adjusters from two trial runs, on simulated aircraft, which share no code with the model."""
    found = []
    for seed in range(30_000, 30_004):
        rotor, true, runs, changes = job(name, seed, TWO_RUNS)
        own = learn(rotor, runs, changes, textbook_influence(rotor)).influence
        assert not own.unknown_vibration.any()
        found.append(errors(rotor, own, true))
        # reading by reading nothing tells them apart
        alone = learn(rotor, runs, changes, replace(textbook_influence(rotor), source={})).influence
        assert [bool(unknown.all()) for unknown in alone.unknown_vibration] == [True, False, True]
    miss, claimed = np.mean(found, axis=0)
    assert (miss < 0.35).all()
    assert (miss < CLAIMED * claimed).all()


def test_a_second_weight_follows_from_the_first_by_their_hub_forces():
    """The chord station of a tail rotor, ahead of the blade's axis, that was never moved."""
    rotor, true, runs, changes = job("tail2", 30_000, [{"weight": (0, 2.0)}])
    own = learn(rotor, runs, changes, textbook_influence(rotor)).influence
    assert not own.unknown_vibration.any()
    miss, claimed = errors(rotor, own, true)
    assert (miss < 0.35).all()
    assert (miss < CLAIMED * claimed).all()
    assert claimed[1] > claimed[0]  # it was not tried
    setting = np.zeros(changes.shape[1:]) + 20.0
    said = advise_in_job(rotor, runs, changes, textbook_influence(rotor), setting, checked=range(2)).advice.cautions
    assert any(caution.startswith("chord_weight never moved: what it does is taken from the other") for caution in said)
    bare = VirtualType.shipped("tail2").rotor
    assert learn(bare, runs, changes, textbook_influence(bare)).influence.unknown_vibration[1].all()


def test_a_type_with_past_jobs_learns_nothing_by_likeness():
    rotor, _, runs, changes = job("tail2", 30_000, [{"weight": (0, 2.0)}])
    of_a_fit = replace(textbook_influence(rotor), source={"jobs": 4})
    assert learn(rotor, runs, changes, of_a_fit).influence.unknown_vibration[1].all()


def test_without_anything_alike_it_is_the_estimate_run_by_run():
    """One weight, one regime on the ground: least squares over all runs is the filter taken run by run."""
    rotor, _, runs, changes = job("uneven4", 30_000, [{"weight": (0, 3.0)}])
    ground = [replace(run, vibration_count=run.vibration_count * [[1], [0], [0]]) for run in runs]
    influence = textbook_influence(rotor)
    mine = learn(rotor, ground, changes, influence)
    theirs = learn(rotor, ground, changes, replace(influence, source={}))
    np.testing.assert_allclose(mine.influence.alpha[0, 0], theirs.influence.alpha[0, 0], rtol=1e-3)
    np.testing.assert_allclose(mine.influence.vibration_cov[0, :, :2, :2], theirs.influence.vibration_cov[0, :, :2, :2])
    np.testing.assert_allclose(mine.run.vibration[0], theirs.run.vibration[0], rtol=1e-3)
    assert mine.influence.unknown_vibration[1].all()


def test_regimes_at_another_speed_of_rotation_are_not_alike():
    rotor = with_data(VirtualType.shipped("main5"))
    none = np.zeros((3, len(rotor.regimes)), dtype=bool)
    same = alike_pairs(rotor, np.zeros(none.shape), none)
    assert {pair.one[1] for pair in same} == {2, 3}  # flight regimes after the first; never the ground
    slower = tuple(replace(r, rpm=0.8 * rotor.rpm) if r.name == "hover" else r for r in rotor.regimes)
    other = alike_pairs(replace(rotor, regimes=slower), np.zeros(none.shape), none)
    assert {pair.one[1] for pair in other} == {3}


def test_a_file_without_rows_is_not_said_to_be_silent_on_what_the_runs_have_told(tmp_path):
    """A tail rotor's textbook file has no rows at all; after a trial the readings are known by this aircraft's runs."""
    rotor, _, runs, changes = job("tail2", 30_000, [{"weight": (0, 2.0)}])
    textbook_influence(rotor).save(tmp_path / "i.json", rotor)
    influence = Influence.load(tmp_path / "i.json", rotor)
    assert influence.blind.vibration.all()
    assert not learn(rotor, runs, changes, influence).influence.blind.vibration.any()


def test_earlier_jobs_of_the_aircraft_count():
    """What it showed then, with other readings at their start."""
    rotor, true, runs, changes = job("tail2", 30_000, [{"weight": (0, 2.0)}])
    later = replace(runs[-1], vibration=runs[-1].vibration + 0.3)
    still = learn(
        rotor, [later], np.zeros((1, *changes.shape[1:])), textbook_influence(rotor), [JobRuns(runs, changes)]
    )
    miss, _ = errors(rotor, still.influence, true)
    assert (miss < 0.35).all()
    np.testing.assert_allclose(still.run.vibration, later.vibration, rtol=1e-3)
