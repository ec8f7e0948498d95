"""Not enough known: told apart from adjusters that are too weak, and a noise of 0 is not believed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from advised_case import advised
from invented_cases import invented_case
from invented_fleet import Truth, plain_rotor, simulate
from test_textbook import with_data

from trackbal.aircraft.learning import learn
from trackbal.fitting.fit import fit
from trackbal.plan.advice import advise
from trackbal.plan.reach import EVEN, least_worst
from trackbal.reports.advice_report import advice_text
from trackbal.runs.reading_noise import ASSUMED_PART, noise_floor
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.trials.textbook import textbook_influence
from trackbal.trials.trial import find_trials
from trackbal.virtual import VirtualType


def one_sensor_case(now, taken_off, unidentified=(), reach=1):
    """Return one reading at `now` limits, of which a0's one allowed step takes off `taken_off`; a1 as told."""
    case = invented_case(32, adjusters=2, blades=2, reach=reach, harmonics=(1, 1))
    case = replace(case, readings={("r1", "s0"): (0.2 * now, 40.0)}, heights={})
    push = -0.2 * taken_off * np.exp(-1j * np.deg2rad(40.0)) / case.adjusters[0]["step"]
    row = {"adjuster": "a0", "regime": "r1", "sensor": "s0", "cov": [[0, 0], [0, 0]]}
    row |= {"re": float(push.real), "im": float(push.imag)}
    weak = row | {"adjuster": "a1", "re": 1e-9, "im": 0.0}
    told = all(u.get("regime") == "r0" for u in unidentified)  # an adjuster without any row is known nowhere
    rows = [row] + [weak] * told
    return replace(case, influence=case.influence | {"rows": rows, "noise": [], "unidentified": list(unidentified)})


@pytest.mark.parametrize(
    ("now", "taken_off", "unidentified", "verdict"),
    [
        (4.0, 0.2, [], "investigate"),  # known and too weak
        (4.0, 0.2, [{"adjuster": "a1"}], "learn"),
        (4.0, 0.2, [{"adjuster": "a1", "regime": "r1"}], "learn"),
        (4.0, 0.2, [{"adjuster": "a1", "regime": "r0"}], "investigate"),  # r0 was not read
        (4.0, 1.2, [{"adjuster": "a1"}], "learn"),  # cut by more than half with both blades, yet not inside
        (2.0, 0.6, [{"adjuster": "a1"}], "adjust"),  # both blades bring it inside: nothing more need be known
        (0.9, 0.2, [{"adjuster": "a1"}], "inside"),
    ],
)
def test_learn_is_what_is_unknown_not_what_is_weak(tmp_path, now, taken_off, unidentified, verdict):
    answer = advised(one_sensor_case(now, taken_off, unidentified), tmp_path, most=2)
    assert answer["verdict"] == verdict
    assert (answer["recommended"] is None) is (verdict == "learn")
    assert len(answer["plans"]) == 3
    assert any("trackbal trial" in c for c in answer["cautions"]) is (verdict == "learn")


@pytest.mark.parametrize(
    ("taken_off", "unidentified", "verdict"),
    [
        (0.501, [{"adjuster": "a1", "regime": "r1"}], "learn"),  # 0.998 of the limit if all goes well: less than even
        (0.55, [{"adjuster": "a1", "regime": "r1"}], "adjust"),  # 0.9 of the limit: more than even
        (0.501, [{"adjuster": "a1", "regime": "r0"}], "adjust"),  # a1 is known where it was read, and weak
    ],
)
def test_a_plan_of_less_than_even_chance_waits_for_what_is_not_known(tmp_path, taken_off, unidentified, verdict):
    """A plan now takes 1 + 2 (1 - chance) runs, a trial and a plan two; the chance is that of what is known exactly."""
    case = one_sensor_case(2.0, taken_off, unidentified)
    case = replace(case, influence=case.influence | {"noise": [{"regime": "r1", "sensor": "s0", "sd": 0.03}]})
    answer = advised(case, tmp_path, most=2)
    assert answer["verdict"] == verdict
    best = max(plan["chance"] for plan in answer["plans"])
    assert (best < EVEN) is (taken_off == 0.501)
    assert any("alone would leave the worst reading at 1.00 of its limit (chance" in c for c in answer["cautions"]) is (
        verdict == "learn"
    )


def test_plans_of_little_chance_wait_for_the_unknown_links():
    """A first aircraft after a trial of a weight and one of a tab: no weights to the end of their range at 5 %."""
    kind = VirtualType.shipped("main4")
    rotor = with_data(kind)
    aircraft = replace(kind.aircraft(10002, 1.0), rotor=rotor)
    noise = np.random.default_rng([10002, 1])
    runs, changes = [aircraft.fly(noise)], [np.zeros_like(aircraft.setting)]
    for a, amount in ((0, 40.0), (2, 1.0)):
        change = np.zeros_like(aircraft.setting)
        change[a, 0] = amount
        aircraft = aircraft.adjust(change, noise)
        changes.append(changes[-1] + change)
        runs.append(aircraft.fly(noise))
    own = learn(rotor, runs, np.array(changes), textbook_influence(rotor)).influence
    said = advise(rotor, runs[-1], own, aircraft.setting)
    assert (said.verdict, said.recommended) == ("learn", None)
    assert [rotor.adjusters[gap.adjuster].name for gap in said.missing] == ["pitch_link"]
    assert max(plan.chance for plan in said.plans) < 0.1
    assert "What pitch_link does is known not in" in said.cautions[0]
    assert "tip_weight and tab alone would leave" in said.cautions[1]
    assert find_trials(rotor, runs[-1], own, aircraft.setting).best.adjusters == (1,)


def test_an_unknown_adjuster_without_room_is_no_reason_to_learn(tmp_path):
    case = one_sensor_case(4.0, 0.2, [{"adjuster": "a1"}])
    fixed = [case.adjusters[0], case.adjusters[1] | {"fixed_blades": list(case.rotor["blades"])}]
    assert advised(case.with_rotor(adjusters=fixed), tmp_path)["verdict"] == "investigate"


def test_an_adjuster_known_and_weak_where_it_matters_is_no_reason_to_learn(tmp_path):
    """a1 is unknown on the heights alone; on the vibration over its limit it is known to do nothing."""
    case = one_sensor_case(4.0, 0.2)
    case = replace(
        case,
        heights={"r0": {"b1": 0.1, "b2": 0.0}},
        influence=case.influence | {"unidentified": [{"adjuster": "a1", "regime": "r0"}]},
    )
    assert advised(case, tmp_path)["verdict"] == "investigate"


def test_the_page_says_what_is_unknown_where_and_what_the_known_can_do(tmp_path):
    from trackbal.influence.coefficients import Influence
    from trackbal.runs.sheets import read_run

    case = one_sensor_case(4.0, 0.2, [{"adjuster": "a1"}])
    case.write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    run = read_run(rotor, tmp_path / "run.csv")
    text = advice_text(rotor, run, advise(rotor, run, Influence.load(tmp_path / "influence.json", rotor)))
    assert "NOT ENOUGH IS KNOWN" in text
    assert "What a1 does is known in no regime" in text
    assert "a0 alone would leave the worst reading at 3.60" in text
    assert "<- recommended" not in text


@pytest.mark.parametrize("seed", range(4))
def test_least_worst_is_that_of_a_general_solver(tmp_path, seed):
    """SLSQP on the epigraph: minimise t, every |reading| <= t limits, every tip difference <= t limits."""
    from scipy.optimize import minimize

    from trackbal.influence.coefficients import Influence
    from trackbal.runs.sheets import read_run

    case = invented_case(seed, size=2.0)
    case.write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    run = read_run(rotor, tmp_path / "run.csv")
    influence = Influence.load(tmp_path / "influence.json", rotor)
    low, high = rotor.step_bounds(np.zeros((len(rotor.adjusters), len(rotor.blades))))
    step = np.array([a.step for a in rotor.adjusters])[:, None]

    def slack(point):
        change = point[:-1].reshape(low.shape) * step
        vibration = run.vibration + influence.vibration_change(rotor, change)
        height = run.height + influence.height_change(change)
        ratios = [np.abs(vibration[run.vibration_read]) / rotor.vibration_limit[run.vibration_read]]
        for r in np.flatnonzero(run.height_read):
            ratios.append(np.subtract.outer(height[r], height[r]).ravel() / rotor.height_limit[r])
        return point[-1] - np.concatenate(ratios)

    start = np.append(np.zeros(low.size), 50.0)
    bounds = [*zip(low.ravel().tolist(), high.ravel().tolist(), strict=True), (0, None)]
    found = minimize(
        lambda p: p[-1],
        start,
        jac=lambda p: np.append(np.zeros(low.size), 1.0),
        bounds=bounds,
        constraints={"type": "ineq", "fun": slack},
        method="SLSQP",
        options={"maxiter": 500, "ftol": 1e-9},
    )
    assert slack(found.x).min() > -1e-6
    mine = least_worst(rotor, run, influence, low, high)
    assert found.fun - 1e-4 <= mine  # SLSQP's is a minimum
    assert mine <= 1.06 * found.fun + 0.01  # a 64-norm of some tens of readings is within 6 % of the largest


def one_trial(rotor, digits=None):
    """Return one job of two runs: one adjuster changed on one blade."""
    change = np.zeros((1, 2, len(rotor.adjusters), len(rotor.blades)))
    change[0, 1, 0, 1] = 5.0
    history = simulate(rotor, Truth.draw(rotor, 3), 1, 2, seed=4, change=change)
    if digits is None:
        return history
    size = np.round(np.abs(history.vibration), digits)
    return replace(history, vibration=size * np.exp(1j * np.angle(history.vibration)))


def test_a_noise_of_zero_from_one_trial_is_not_believed():
    rotor = plain_rotor(blades=2)  # two tips have one difference, which one trial takes up
    found = fit(rotor, one_trial(rotor))
    np.testing.assert_allclose(found.influence.vibration_noise, ASSUMED_PART * 0.2)
    np.testing.assert_allclose(found.influence.height_noise, ASSUMED_PART * 20.0)
    assert (found.noise_dof == 0).all()
    # the coefficient is the difference of two such readings over the change: sd sqrt(2) 0.01 / 5
    sd = np.sqrt(found.influence.vibration_cov[0, 0, 0, 0])
    assert sd == pytest.approx(np.sqrt(2) * ASSUMED_PART * 0.2 / 5.0, rel=1e-6)
    assert any("no reading noise could be told" in c for c in found.cautions)


def test_what_the_user_states_takes_its_place():
    rotor = plain_rotor(blades=2)
    stated = replace(rotor, sensors=tuple(replace(s, noise=0.004) for s in rotor.sensors), height_noise=0.7)
    found = fit(stated, one_trial(stated))
    np.testing.assert_allclose(found.influence.vibration_noise, 0.004)
    np.testing.assert_allclose(found.influence.height_noise, 0.7)


def test_digits_written_down_are_a_floor_whatever_is_stated():
    rotor = plain_rotor()
    stated = replace(rotor, sensors=tuple(replace(s, noise=1e-4) for s in rotor.sensors))
    history = one_trial(stated, digits=1)
    np.testing.assert_allclose(noise_floor(stated, history).vibration, 0.1 / np.sqrt(12))
    np.testing.assert_allclose(fit(stated, history).influence.vibration_noise, 0.1 / np.sqrt(12))


def test_many_runs_are_believed_below_what_is_stated():
    rotor = plain_rotor()
    stated = replace(rotor, sensors=tuple(replace(s, noise=0.5) for s in rotor.sensors))
    history = simulate(rotor, Truth.draw(rotor, 5), 8, 5, seed=6)
    np.testing.assert_array_equal(
        fit(stated, history).influence.vibration_noise, fit(rotor, history).influence.vibration_noise
    )


def test_one_trial_of_weights_alone_says_learn_not_investigate():
    """Links and tabs unknown: after one trial weight the answer is that not enough is known."""
    rotor = plain_rotor(regimes=1)
    influence = fit(rotor, one_trial(rotor)).influence
    height = np.array([[8.0, -9.0, 12.0, -14.0, 3.0]])
    run = Run(
        vibration=np.full((1, 2), 0.5 + 0.1j),
        height=height,
        vibration_count=np.ones((1, 2), dtype=int),
        height_count=np.ones(1, dtype=int),
        vibration_squares=np.zeros((1, 2)),
        height_squares=np.zeros(1),
        height_taken=np.ones((1, 5), dtype=bool),
        rpm=np.array([200.0]),
    )
    tied = replace(influence, tau=influence.tau * 0.0)  # weights that do not move the tips
    answer = advise(rotor, run, tied, most=2)
    assert answer.verdict == "learn"
    assert answer.recommended is None
