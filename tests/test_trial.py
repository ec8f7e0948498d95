"""The trial: information against another way to reckon it, limits and stops kept, told apart, in words and as JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from how_much import much
from test_textbook import with_data

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.learning import learn
from trackbal.aircraft.surprise import surprises
from trackbal.base.phasor import blade_harmonic
from trackbal.commands.group import run as run_command
from trackbal.influence.coefficients import Influence
from trackbal.influence.influence_writer import write_influence
from trackbal.plan.advice import advise
from trackbal.reports.trial_report import trial_json, trial_text
from trackbal.runs.preferences import Preferences
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.sheets import write_run
from trackbal.trials.job_trial import find_trials_in_job
from trackbal.trials.textbook import textbook_influence
from trackbal.trials.trial import BOLD, _plan_as_trial, _View, find_trials, scale
from trackbal.virtual import VirtualType


def first_run(name="main5", seed=11000, severity=1.0):
    kind = VirtualType.shipped(name)
    aircraft = kind.aircraft(seed, severity)
    return kind.rotor, aircraft, aircraft.fly(np.random.default_rng(5))


def view_of(rotor: Rotor, run: Run, influence: Influence) -> _View:
    return _View.of(rotor, run, influence, scale(rotor, influence))


def test_expected_information_is_that_of_entropies():
    """By the plain formula, reading by reading: half the log of det(covariance after) / det(covariance of noise)."""
    rotor, _, run = first_run()
    influence = textbook_influence(rotor)
    view = view_of(rotor, run, influence)
    sd, tip_sd = scale(rotor, influence)
    rng = np.random.default_rng(1)
    change = np.zeros((3, 5))
    change[0, 1], change[1, 3], change[2, 0] = 80.0, -2.0, 0.5
    z = blade_harmonic(change, rotor.azimuth_deg, rotor.harmonics)
    total = 0.0
    for r in range(len(rotor.regimes)):
        for s in range(len(rotor.sensors)):
            lever = np.zeros((2, 6))
            for a in range(3):
                lever[:, 2 * a : 2 * a + 2] = [[z[a, s].real, -z[a, s].imag], [z[a, s].imag, z[a, s].real]]
            noise = influence.vibration_noise[r, s] ** 2 * 2.0 * np.eye(2)  # before and after
            cov = lever @ np.diag(np.repeat(sd[:, r, s], 2) ** 2) @ lever.T + noise
            total += 0.5 * np.log(np.linalg.det(cov) / np.linalg.det(noise))
        u = change - change.mean(axis=1, keepdims=True)
        basis = np.linalg.qr(rng.normal(size=(5, 4)) - 0.2 * np.ones((5, 5)) @ rng.normal(size=(5, 4)))[0]
        basis = np.linalg.svd(np.eye(5) - 0.2)[0][:, :4]
        cov = basis.T @ (u.T @ np.diag(tip_sd[:, r] ** 2) @ u) @ basis
        noise = influence.height_noise[r] ** 2 * 2.0 * np.eye(4)
        total += 0.5 * np.log(np.linalg.det(cov + noise) / np.linalg.det(noise))
    found = view.information(change)[0]
    # tips of several adjusters at once are counted as one direction, which is less; of one adjuster it is exact
    assert found <= total + 1e-9
    for a in range(3):
        alone = np.zeros_like(change)
        alone[a] = change[a]
        u = alone[a] - alone[a].mean()
        by_hand = np.log1p(sd[a] ** 2 * np.abs(z[a]) ** 2 / (2.0 * influence.vibration_noise**2)).sum()
        by_hand += 0.5 * np.log1p(tip_sd[a] ** 2 * (u @ u) / (2.0 * influence.height_noise**2)).sum()
        assert view.information(alone)[0] == pytest.approx(by_hand, rel=1e-9)


def test_what_a_trial_teaches_is_what_learning_then_knows():
    """The variance that a trial is expected to leave is that of the estimate from the two runs, by hand."""
    rotor, _, run = first_run()
    influence = textbook_influence(rotor)
    view = view_of(rotor, run, influence)
    change = np.zeros((3, 5))
    change[0, 2] = 60.0
    after = view.taught(change)
    sd = scale(rotor, influence)[0][0]
    noise = 2.0 * influence.vibration_noise**2
    by_hand = 1.0 / (1.0 / sd**2 + 60.0**2 / noise)
    np.testing.assert_allclose(after.vibration_cov[..., 0, 0], by_hand, rtol=1e-9)
    np.testing.assert_allclose(after.vibration_cov[..., 2, 2], view.vibration_cov[..., 2, 2])


@pytest.mark.parametrize("name", ["main3", "main4", "main5", "main7", "tail2", "uneven4"])
def test_no_reading_is_expected_past_its_limit_or_stop(name):
    """On virtual aircraft of every type, by their true physics, with what a crew can say of blades and hardware."""
    for seed in range(much(2, 8)):
        _, aircraft, run = first_run(name, 700 + seed)
        rotor = with_data(VirtualType.shipped(name))
        found = find_trials(rotor, run, textbook_influence(rotor), aircraft.setting)
        if found.stop:
            continue
        assert found.best is not None
        for trial in found.each:
            if trial.within:
                after = aircraft.adjust(trial.change).true_run()
                assert (np.abs(after.vibration) < rotor.vibration_stop_limit).all()
                tall = np.isfinite(rotor.height_limit)
                assert (after.spread[tall] < rotor.height_stop_limit[tall]).all()
        low, high = rotor.step_bounds(aircraft.setting)
        steps = found.best.change / np.array([a.step for a in rotor.adjusters])[:, None]
        assert ((steps >= low - 1e-9) & (steps <= high + 1e-9)).all()
        np.testing.assert_allclose(steps, np.rint(steps), atol=1e-9)


def test_a_trial_then_tells_the_influence_within_its_error():
    """The coefficient learned from a first run and the trial, against the aircraft's own by the simulated physics."""
    rotor, aircraft, run = first_run()
    influence = textbook_influence(rotor)
    best = find_trials(rotor, run, influence, aircraft.setting).best
    (a,) = best.adjusters
    rng = np.random.default_rng(8)
    later = aircraft.adjust(best.change).fly(rng)
    own = learn(rotor, [run, later], np.array([0 * best.change, best.change]), influence).influence
    assert not own.unknown_vibration[a].any()
    true = aircraft.true_influence()[0][a]
    size = np.abs(best.change).max()  # of which a tenth is left to settings and to what is not linear
    error = np.abs(own.alpha[a] - true) * size
    assert (error < 5.0 * influence.vibration_noise * np.sqrt(2.0) + 0.1 * np.abs(true) * size).all()


def test_a_near_stop_limit_makes_trials_smaller():
    rotor, aircraft, run = first_run()
    worst = float((np.abs(run.vibration)).max())
    near = replace(rotor, vibration_stop=1.15 * worst)
    free = find_trials(rotor, run, textbook_influence(rotor), aircraft.setting)
    held = find_trials(near, run, textbook_influence(near), aircraft.setting)
    size = {t.adjusters: np.abs(t.change).max() for t in free.each if t.within}
    smaller = [np.abs(t.change).max() < size[t.adjusters] for t in held.each if t.within and t.adjusters in size]
    assert any(smaller)
    assert find_trials(replace(rotor, vibration_stop=worst), run, textbook_influence(rotor), aircraft.setting).stop


def after_a_link(name, seed):
    """Return rotor, aircraft after a trial of a pitch link alone, its readings, and what that taught."""
    kind = VirtualType.shipped(name)
    rotor = with_data(kind)
    aircraft = replace(kind.aircraft(seed, 1.0), rotor=rotor)
    rng = np.random.default_rng(5)
    change = np.zeros_like(aircraft.setting)
    change[[a.kind for a in rotor.adjusters].index("pitch_link"), 0] = 3.0
    first = aircraft.fly(rng)
    moved = aircraft.adjust(change)
    run = moved.fly(rng)
    own = learn(rotor, [first, run], np.array([0 * change, change]), textbook_influence(rotor)).influence
    return rotor, moved, run, own


def test_a_weight_and_a_tab_are_tried_at_once_only_when_the_link_is_known():
    """Their effects add up in every reading: without the link nothing tells them apart."""
    kinds = [a.kind for a in VirtualType.shipped("main5").rotor.adjusters]
    weight, tab = kinds.index("weight"), kinds.index("tab")
    for seed in (30002, 30003):
        rotor, aircraft, run, own = after_a_link("main5", seed)
        first = find_trials(rotor, run, textbook_influence(rotor), aircraft.setting)
        assert len(first.best.adjusters) == 1
        assert rotor.adjusters[first.best.adjusters[0]].kind != "weight"  # an adjuster of lift first: it opens the pair
        found = find_trials(rotor, run, own, aircraft.setting)
        assert found.best.adjusters == (weight, tab)
        assert not (found.best.change[weight].astype(bool) & found.best.change[tab].astype(bool)).any()
        assert found.best.within
        assert len(found.alone.adjusters) == 1
        # of a type with past jobs nobody learns by likeness, so nothing is told apart
        of_a_fit = replace(own, source={"jobs": 3})
        assert len(find_trials(rotor, run, of_a_fit, aircraft.setting).best.adjusters) == 1


def test_without_tip_heights_two_unknown_adjusters_are_not_tried_at_once():
    rotor, aircraft, run, own = after_a_link("main5", 30003)
    blind = replace(run, height_count=np.zeros_like(run.height_count))
    assert len(find_trials(rotor, blind, own, aircraft.setting).best.adjusters) == 1


def test_a_trial_is_to_be_seen_in_the_noise_and_to_bear_upon_the_worst_reading():
    """On a tail rotor, whose blades weigh little: the rule of thumb asks for a trial that is lost in the noise."""
    kind = VirtualType.shipped("tail2")
    rotor = with_data(kind)
    aircraft = replace(kind.aircraft(33_000, 1.0), rotor=rotor)
    run = aircraft.fly(np.random.default_rng(1))
    found = find_trials(rotor, run, textbook_influence(rotor), aircraft.setting)
    worst = float((np.abs(run.vibration) / rotor.vibration_limit).max())
    assert found.best.within
    assert np.abs(found.best.change).max() > 2.0 * found.thumb[found.best.adjusters[0]]
    assert found.best.effect <= max(1.0, BOLD * worst)
    assert found.best.noises > 3.0
    true = np.abs(aircraft.adjust(found.best.change).true_run().vibration - aircraft.true_run().vibration)
    assert (true > 0.3 * rotor.vibration_limit).all()  # by its own physics, five noises


def test_where_all_is_known_roughly_a_plan_is_the_trial():
    """After one lost in the noise: the plan of the least expected cost teaches and cures, and keeps from the stops."""
    rotor, aircraft, run = first_run("main4", 10001)
    alpha, tau = aircraft.true_influence()
    nothing = textbook_influence(rotor)
    size = np.moveaxis(0.45 * np.abs(alpha), 0, -1)  # (R, S, A)
    cov = np.einsum("rsa,ab->rsab", np.repeat(size, 2, axis=-1) ** 2 / 2.0, np.eye(2 * len(alpha)))
    rough = replace(
        nothing,
        alpha=alpha,
        tau=np.nan_to_num(tau),
        vibration_cov=cov,
        unknown_vibration=np.zeros_like(nothing.unknown_vibration),
        unknown_height=np.zeros_like(nothing.unknown_height),
    )
    said = advise(rotor, run, rough, aircraft.setting)
    assert (said.verdict, said.recommended) == ("learn", None)
    assert all(gap.roughly for gap in said.missing)
    found = find_trials(rotor, run, rough, aircraft.setting)
    assert np.count_nonzero(found.best.change) > 1
    assert found.best.effect == 0.0
    best = min(plan.expected_cost for plan in said.plans)
    assert any(np.array_equal(plan.change, found.best.change) for plan in said.plans)
    assert best <= said.plans[0].expected_cost / 2.0
    # of a type with past jobs the plan itself is advised
    assert advise(rotor, run, replace(rough, source={"jobs": 5}), aircraft.setting).verdict != "learn"


def test_nothing_unknown_needs_no_trial():
    rotor, aircraft, run = first_run()
    alpha, tau = aircraft.true_influence()
    nothing = textbook_influence(rotor)
    known = replace(
        nothing,
        alpha=alpha,
        tau=tau,
        unknown_vibration=np.zeros_like(nothing.unknown_vibration),
        unknown_height=np.zeros_like(nothing.unknown_height),
    )
    found = find_trials(rotor, run, known, aircraft.setting)
    assert (found.best, found.unknown) == (None, ())


def test_a_first_aircraft_comes_inside_by_trials_and_advice_alone():
    """The whole day on a virtual aircraft, in the core: advice, trial, advice, until inside; no history anywhere."""
    from trackbal.check.review import check_run

    rotor, aircraft, run = first_run("main4", 10001)
    influence = textbook_influence(rotor)
    rng = np.random.default_rng(2)
    runs, changes, verdicts = [run], [np.zeros_like(aircraft.setting)], []
    while not check_run(rotor, runs[-1]).inside and len(runs) < 8:
        own = learn(rotor, runs, np.array(changes), influence).influence
        said = advise(rotor, runs[-1], own, aircraft.setting)
        verdicts.append(said.verdict)
        if said.verdict == "learn":
            judged = surprises(rotor, JobArrays.of(runs, np.array(changes)), influence)
            found = find_trials_in_job(rotor, runs, np.array(changes), influence, aircraft.setting, judged)
            change = found.best.change
        else:
            change = said.plans[said.recommended].change
        aircraft = aircraft.adjust(change, rng)
        changes.append(changes[-1] + change)
        runs.append(aircraft.fly(rng))
    assert check_run(rotor, runs[-1]).inside
    assert len(runs) <= 5
    assert verdicts[0] == "learn"


def test_the_commands_say_it_in_words_and_as_json(tmp_path, capsys):
    from trackbal.runs.sheets import read_adjustments, write_run, write_settings

    rotor, aircraft, run = first_run()
    file = VirtualType.rotor_file("main5")
    write_run(rotor, tmp_path / "run.csv", run, force=False)
    write_settings(rotor, tmp_path / "settings.csv", aircraft.setting, force=False)
    asked = ["trial", "--rotor", file, "--run", tmp_path / "run.csv", "--settings", tmp_path / "settings.csv"]
    assert run_command([str(a) for a in [*asked, "--trial-out", tmp_path / "trial.csv"]]) == 0
    text = capsys.readouterr().out
    assert "TRIAL, not a correction" in text
    assert len(text.splitlines()) <= 22  # one screen, with a line of the logbook's; what to do stands last
    assert text.index("Not known so far") < text.index("TRIAL, not a correction") < text.index("[ ] blade")
    assert "licensed people decide" in text.splitlines()[-1]
    assert run_command([str(a) for a in [*asked, "--json"]]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["trial"]["adjustments"][0]["words"] in text
    change = read_adjustments(rotor, tmp_path / "trial.csv")
    assert np.count_nonzero(change) == len(answer["trial"]["adjustments"])
    assert len(answer["sequence"]) == 3
    assert run_command(["estimate", "--rotor", str(file), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["adjusters"][0]["hub_force_N"] is None


@pytest.mark.parametrize("anyway", [False, True])
def test_a_plan_that_might_reach_a_stop_is_no_trial(anyway):
    """Of plans that may pass a limit the least costly is made where all else is worse; none that may reach a stop."""

    def stub(*clear):
        made = iter(SimpleNamespace(within=False, clear=c) for c in clear)
        return SimpleNamespace(trial=lambda change: next(made))

    plans = [SimpleNamespace(expected_cost=cost, change=None) for cost in (9.0, 2.0, 1.0)]
    assert _plan_as_trial(stub(False, False), plans, anyway=anyway) is None
    found = _plan_as_trial(stub(True, False), plans, anyway=anyway)
    assert (found is not None and found.clear) if anyway else found is None


def test_a_trial_within_is_clear_of_its_stops():
    rotor, aircraft, run = first_run("main4", 703)
    view = view_of(rotor, run, textbook_influence(rotor))
    steps = np.zeros_like(aircraft.setting)
    sizes = []
    for k in range(1, 30):
        steps[0, 1] = k * rotor.adjusters[0].step
        sizes.append(view.trial(steps))
    assert all(t.clear for t in sizes if t.within)
    assert not sizes[-1].clear and not sizes[-1].within


# ---- what advice on the same run says, a trial says too --------------------------------------------


def test_a_trial_keeps_to_what_is_to_be_left_alone():
    rotor, aircraft, run = first_run("main4", 10001)
    influence = textbook_influence(rotor)
    free = find_trials(rotor, run, influence, aircraft.setting)
    tried = {a for trial in free.each for a in trial.adjusters}
    assert len(tried) > 1
    for a in tried:
        held = replace(rotor, preferences=Preferences(hold=(("", rotor.adjusters[a].name),), reference_blade="2"))
        for trial in find_trials(held, run, influence, aircraft.setting).each:
            assert not trial.change[a].any() and not trial.change[:, 1].any()
    none_of_them = replace(rotor, preferences=Preferences(hold=tuple(("", x.name) for x in rotor.adjusters)))
    found = find_trials(none_of_them, run, influence, aircraft.setting)
    assert found.best is None and found.warns
    assert "what is kept to leaves the adjusters no room" in " ".join(
        trial_text(none_of_them, found, aircraft.setting).split()
    )
    level = replace(rotor, preferences=Preferences(links_sum_to_zero=True, track_first=True))
    level_found = find_trials(level, run, influence, aircraft.setting)
    for trial in (*level_found.each, level_found.best):
        for a, row in enumerate(trial.change):
            assert rotor.adjusters[a].kind != "pitch_link" or row.sum() == pytest.approx(0.0)
    assert level_found.cautions[-1] == "Kept to: pitch-link changes adding up to nothing."
    no_weights = replace(rotor, preferences=Preferences(most_blades=(("weight", 0),)))
    assert not any(
        rotor.adjusters[a].kind == "weight"
        for trial in find_trials(no_weights, run, influence, aircraft.setting).each
        for a in trial.adjusters
    )


def test_no_trial_of_an_adjuster_whose_turn_has_not_come():
    """Tabs after the ground is inside, as `inside_first` says."""
    rotor, aircraft, run = first_run("main4", 10001)
    influence = textbook_influence(rotor)
    ground, tab = rotor.regimes[0].name, [a.kind for a in rotor.adjusters].index("tab")
    assert tab in {gap.adjuster for gap in find_trials(rotor, run, influence, aircraft.setting).unknown}
    staged = tuple(replace(a, inside_first=(ground,)) if a.kind == "tab" else a for a in rotor.adjusters)
    later = replace(rotor, adjusters=staged)
    vibration = run.vibration.copy()
    vibration[0] *= 1.5 * rotor.vibration_limit[0] / np.abs(vibration[0])
    outside = replace(run, vibration=vibration, entered=None)
    assert tab not in {gap.adjuster for gap in find_trials(later, outside, influence, aircraft.setting).unknown}


def test_a_trial_says_what_advice_says_of_the_same_run(tmp_path, capsys):
    """Settings taken as 0, a reading hard to believe, a figure for going on, another rotor's file, the net of links."""
    rotor, _, run = first_run("main5")
    file = tmp_path / "rotor.toml"
    text = Path(VirtualType.rotor_file("main5")).read_text(encoding="utf-8")
    file.write_text(text.replace("harmonic = 1", "harmonic = 1\ngo_on = 0.001", 1), encoding="utf-8")
    strange = replace(textbook_influence(rotor), rotor_name="another")
    write_influence(tmp_path / "i.json", rotor, strange)
    write_run(rotor, tmp_path / "run.csv", run, force=False)
    common = ["--rotor", file, "--run", tmp_path / "run.csv", "--influence", tmp_path / "i.json", "--json"]
    said = {}
    for command in ("advise", "trial"):
        run_command([str(a) for a in [command, *common]])
        said[command] = json.loads(capsys.readouterr().out)["cautions"]
    for words in ("No settings were given", "Do not go on", "The influence file is for 'another'"):
        assert any(c.startswith(words) for c in said["advise"]) and any(c.startswith(words) for c in said["trial"])


def test_a_trial_that_may_reach_a_stop_says_so():
    rotor, aircraft, run = first_run("main4", 10001)
    found = find_trials(rotor, run, textbook_influence(rotor), aircraft.setting)
    risky = replace(found, best=replace(found.best, within=False, clear=False))
    assert "TO ITS STOP LIMIT" in trial_text(rotor, risky, aircraft.setting)
    over = replace(found, best=replace(found.best, within=False, clear=True))
    assert "STOP LIMIT" not in trial_text(rotor, over, aircraft.setting)


def test_where_one_adjuster_is_asked_for_programs_are_told_that_trial():
    """`log trial --singly --json` told the trial of two that was not the one recorded."""
    rotor, aircraft, run = first_run("main4", 10001)
    found = find_trials(rotor, run, textbook_influence(rotor), aircraft.setting)
    two = replace(found, best=found.each[-1], alone=found.each[0])
    assert trial_json(rotor, two, aircraft.setting)["trial"] != trial_json(rotor, two, aircraft.setting)["alone"]
    answer = trial_json(rotor, two, aircraft.setting, singly=True)
    assert answer["trial"] == answer["alone"]
