"""Plans, the one recommended and the verdict, against brute force and the contract's rules in plain loops."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from advised_case import MOST, advised, change_of, steps_of
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_cases import invented_case


def size_of(case, plan):
    """Return (entries, mean change, steps) as the contract breaks ties."""
    steps = steps_of(case, plan)
    mean = sum(abs(sum(v for (a, _), v in steps.items() if a == adjuster["name"])) for adjuster in case.adjusters)
    return sum(v != 0 for v in steps.values()), round(mean), round(sum(map(abs, steps.values())))


def assert_true_minima(case, folder, *, nominal=False, most=MOST):
    answer = advised(case, folder, nominal=nominal, most=most)
    assert len(answer["plans"]) == most + 1
    expected = case.brute_force(most, expected=not nominal)
    for m, (plan, (least, size)) in enumerate(zip(answer["plans"], expected, strict=True)):
        assert plan["proven"] is True
        assert plan["count"] == len(plan["adjustments"]) <= m
        change = change_of(case, plan)
        assert plan["cost"] == pytest.approx(case.cost(change), rel=1e-9)
        assert plan["expected_cost"] == pytest.approx(case.expected_cost(change), rel=1e-9)
        assert plan["cost" if nominal else "expected_cost"] == pytest.approx(least, rel=1e-9)
        assert size_of(case, plan) == size
        for key, steps in steps_of(case, plan).items():
            assert abs(steps - round(steps)) < 1e-9
            assert round(steps) in case.step_ranges()[key]
    return answer


UNEVEN = [0.0, 100.0, 251.0]
SMALL = {
    "three-blades": invented_case(1),
    "two-blades": invented_case(2, blades=2, harmonics=(1, 1), reach=3),
    "two-blades-three-adjusters": invented_case(3, blades=2, adjusters=3),
    "uneven": invented_case(4, azimuth_deg=UNEVEN),
    "lead": invented_case(5, phase_sense="lead"),
    "harmonic-3-of-three-blades": invented_case(6, harmonics=(3, 1)),
    "four-blades-one-adjuster": invented_case(7, blades=4, adjusters=1, reach=3),
    "no-heights": invented_case(8).without(heights=["r0", "r1"]),
    "heights-only": invented_case(9).without([(r, s) for r in ("r0", "r1") for s in ("s0", "s1")]),
    "one-reading": invented_case(10).without([("r0", "s0"), ("r0", "s1"), ("r1", "s1")], ["r0", "r1"]),
    "track-weight-0": invented_case(11, track_weight=0.0),
}


@pytest.mark.parametrize("nominal", [False, True], ids=["expected", "nominal"])
@pytest.mark.parametrize("case", SMALL.values(), ids=SMALL)
def test_every_plan_is_the_true_minimum(case, nominal, tmp_path):
    assert_true_minima(case, tmp_path, nominal=nominal)


@given(st.integers(0, 2**32 - 1), st.sampled_from([(2, 2, 3), (3, 2, 1), (3, 1, 4), (2, 1, 5)]), st.floats(0.2, 3.0))
@settings(max_examples=25, deadline=None)
def test_every_plan_of_any_small_rotor_is_the_true_minimum(tmp_path_factory, seed, shape, size):
    blades, adjusters, reach = shape
    case = invented_case(seed, blades=blades, adjusters=adjusters, reach=reach, size=size)
    assert_true_minima(case, tmp_path_factory.mktemp("case"))


def test_nominal_leaves_covariance_out_of_the_search_only(tmp_path):
    """Poorly known coefficients: the expected cost shies from them, the nominal does not; both state both costs."""
    case = invented_case(12)
    rows = [_more_doubt(r) for r in case.influence["rows"]]
    case = replace(case, influence=case.influence | {"rows": rows})
    expected, nominal = assert_true_minima(case, tmp_path), assert_true_minima(case, tmp_path, nominal=True)
    a, b = expected["plans"][MOST], nominal["plans"][MOST]
    assert a["expected_cost"] < b["expected_cost"]
    assert a["cost"] > b["cost"]
    assert b["chance"] == pytest.approx(case.chance(change_of(case, b)), abs=0.03)  # with the covariance


def _more_doubt(row):
    if "cov" in row:
        return row | {"cov": (9.0 * np.array(row["cov"])).tolist()}
    return row | {"var": 9.0 * row["var"]}


# ---- ties ----------------------------------------------------------------------------------


def blind_to_drift(case):
    """Return a three-blade case of harmonic 1, without noise or covariance, that two different plans cure alike.

    The readings are made by a change of (+1, -2, +1) steps, which (0, -3, 0) undoes or makes as well.
    """
    rows = []
    for r in case.influence["rows"]:
        if "adjuster" in r:
            rows.append(r | ({"cov": [[0, 0], [0, 0]]} if "cov" in r else {"var": 0.0}))
    return replace(case, influence=case.influence | {"rows": rows, "noise": []})


def test_of_equal_plans_the_one_of_fewer_adjustments_then_of_smaller_mean_is_taken(tmp_path):
    """Readings that a change of (2, -1, -1) steps makes: undone by (-2, 1, 1) with mean 0, or by (-3, 0, 0)."""
    case = blind_to_drift(invented_case(13, adjusters=1, sensors=1, harmonics=(1, 1), reach=3))
    made = {("a0", b): k * 10.0 for b, k in zip(case.blades, (2, -1, -1), strict=True)}
    readings, heights = {}, {}
    for regime in case.regimes:
        heights[regime["name"]] = case.height_change(made, regime)
        v = case.vibration_change(made, regime, case.sensors[0])
        readings[regime["name"], "s0"] = (abs(v), -math.degrees(math.atan2(v.imag, v.real)) % 360.0)
    case = replace(case, readings=readings, heights=heights)
    plans = assert_true_minima(case, tmp_path)["plans"]
    for m in range(1, MOST + 1):  # one adjustment does what three do
        assert steps_of(case, plans[m]) == {("a0", "b1"): -3.0, ("a0", "b2"): 0.0, ("a0", "b3"): 0.0}
    narrow = case.with_rotor(adjusters=[case.adjusters[0] | {"largest_change": 20.0}])
    plans = assert_true_minima(narrow, tmp_path)["plans"]
    assert steps_of(case, plans[2])["a0", "b1"] == -2.0
    assert steps_of(case, plans[3]) == {("a0", "b1"): -2.0, ("a0", "b2"): 1.0, ("a0", "b3"): 1.0}


def test_where_nothing_helps_every_plan_is_empty(tmp_path):
    case = invented_case(14)
    rows = [
        r | ({"re": 0.0, "im": 0.0} if "re" in r else {"height": 0.0})
        for r in case.influence["rows"]
        if "adjuster" in r
    ]
    case = replace(case, influence=case.influence | {"rows": rows})
    answer = advised(case, tmp_path)
    assert [p["count"] for p in answer["plans"]] == [0] * (MOST + 1)
    assert answer["verdict"] == "investigate"
    assert answer["recommended"] == 0


# ---- what may be done ----------------------------------------------------------------------


def changed_adjuster(case, number, **changes):
    adjusters = [a | changes if k == number else a for k, a in enumerate(case.adjusters)]
    return case.with_rotor(adjusters=adjusters)


def test_installed_range_less_the_present_settings_bounds_a_plan(tmp_path):
    case = invented_case(15, size=4.0)
    settings_now = {("a0", "b1"): 20.0, ("a0", "b2"): -15.0, ("a1", "b1"): 1.0, ("a1", "b3"): -0.75}
    case = replace(case, settings=settings_now)
    answer = assert_true_minima(case, tmp_path, most=6)
    for plan in answer["plans"]:
        for (a, b), amount in change_of(case, plan).items():
            reach = {"a0": 20.0, "a1": 1.0}[a]
            assert -reach <= settings_now.get((a, b), 0.0) + amount <= reach
    free = advised(replace(case, settings={}), tmp_path, most=6)
    assert [steps_of(case, p) for p in free["plans"]] != [steps_of(case, p) for p in answer["plans"]]


def test_the_largest_change_bounds_a_plan(tmp_path):
    case = changed_adjuster(invented_case(16, size=4.0), 0, largest_change=19.0)  # not two steps of 10
    answer = assert_true_minima(case, tmp_path, most=6)
    assert {abs(j["amount"]) for p in answer["plans"] for j in p["adjustments"] if j["adjuster"] == "a0"} == {10.0}


def test_fixed_blades_are_left_alone(tmp_path):
    case = changed_adjuster(invented_case(17, size=4.0), 1, fixed_blades=["b1", "b3"])
    answer = assert_true_minima(case, tmp_path, most=6)
    touched = {(j["adjuster"], j["blade"]) for p in answer["plans"] for j in p["adjustments"]}
    assert ("a1", "b2") in touched
    assert not touched & {("a1", "b1"), ("a1", "b3")}


@pytest.mark.parametrize(("short", "allowed"), [(0.9e-9, True), (1.1e-9, False)], ids=["inside", "outside"])
@pytest.mark.parametrize("bound", ["maximum", "minimum", "largest_change"])
def test_a_change_is_inside_a_bound_it_exceeds_by_less_than_1e_9_step(tmp_path, bound, short, allowed):
    """A single blade-and-adjuster whose only step falls short of its bound by a part of a step."""
    step = 0.5
    changes = {"maximum": {"maximum": step - short * step}, "minimum": {"minimum": -step + short * step}}
    changes["largest_change"] = {"largest_change": step - short * step}
    case = changed_adjuster(invented_case(18, adjusters=2, size=4.0), 1, **changes[bound])
    reached = set()
    for seed in range(8):  # readings of all sorts want a step of either sign
        other = replace(case, readings=invented_case(seed, size=4.0).readings)
        plans = advised(other, tmp_path, most=6)["plans"]
        reached |= {round(v) for p in plans for (a, _), v in steps_of(other, p).items() if a == "a1"}
    beyond = {"maximum": 1, "minimum": -1, "largest_change": 1}[bound]
    assert (beyond in reached) is allowed
    assert -beyond in reached or bound == "largest_change"


def test_decimal_steps_reach_the_end_of_their_range(tmp_path):
    """Ten steps of 0.1 from 0 to 1: floating point must not lose the tenth."""
    case = invented_case(19, blades=2, adjusters=1, harmonics=(1, 1), size=3.0)
    case = changed_adjuster(case, 0, step=0.1, minimum=0.0, maximum=1.0, largest_change=1.0)
    case = replace(case, settings={("a0", "b1"): 0.3, ("a0", "b2"): 0.7})
    # a push straight against a reading far over: everything the range has is wanted
    row = {"adjuster": "a0", "regime": "r1", "sensor": "s0", "re": -0.1, "im": 0.0, "cov": [[0, 0], [0, 0]]}
    case = replace(case, readings={("r1", "s0"): (9.0, 0.0)}, heights={})
    case = replace(case, influence=case.influence | {"rows": [row]})
    plan = assert_true_minima(case, tmp_path, most=2)["plans"][2]
    assert steps_of(case, plan) == pytest.approx({("a0", "b1"): 7.0, ("a0", "b2"): -7.0})


@pytest.mark.parametrize(
    ("readings", "heights", "allowed"),
    [
        ((), (), True),
        ([("r1", "s0"), ("r1", "s1")], ["r1"], False),
        ([("r1", "s0"), ("r1", "s1")], [], True),
        ([("r1", "s0")], ["r1"], True),
        ([("r1", "s0"), ("r1", "s1")], [("r1", "b1")], False),
    ],
    ids=["read", "not-read", "only-heights", "only-one-sensor", "heights-incomplete"],
)
def test_an_adjuster_is_advised_only_where_a_regime_it_needs_was_read(tmp_path, readings, heights, allowed):
    case = changed_adjuster(invented_case(20, size=4.0), 1, needs=["r1"]).without(readings, heights)
    answer = assert_true_minima(case, tmp_path)
    assert any(j["adjuster"] == "a1" for p in answer["plans"] for j in p["adjustments"]) is allowed
    assert any("a1" in c and "r1" in c for c in answer["cautions"]) is not allowed


def test_one_of_several_needed_regimes_is_enough(tmp_path):
    case = changed_adjuster(invented_case(21, size=4.0), 1, needs=["r1", "r0"])
    case = case.without([("r1", "s0"), ("r1", "s1")], ["r1"])
    answer = assert_true_minima(case, tmp_path)
    assert any(j["adjuster"] == "a1" for p in answer["plans"] for j in p["adjustments"])


@pytest.mark.parametrize(
    ("entry", "gone", "allowed"),
    [
        ({"adjuster": "a1"}, (), False),
        ({"adjuster": "a1", "regime": "r1"}, (), False),
        ({"adjuster": "a1", "regime": "r1"}, ("r1",), True),
        ({"adjuster": "a1"}, ("r1",), False),
    ],
    ids=["everywhere", "where-read", "where-not-read", "everywhere-and-half-read"],
)
def test_what_is_not_identified_is_advised_only_where_it_was_not_read(tmp_path, entry, gone, allowed):
    case = invented_case(22, size=4.0)
    rows = [
        r
        for r in case.influence["rows"]
        if "a1" not in (r.get("adjuster"), *r.get("adjusters", ())) or r["regime"] != entry.get("regime", r["regime"])
    ]
    rows += [r for r in case.influence["rows"] if r.get("adjuster") == "a1" and "regime" not in entry]
    case = replace(case, influence=case.influence | {"rows": rows, "unidentified": [entry]})
    case = case.without([(r, s) for r in gone for s in ("s0", "s1")], gone)
    answer = assert_true_minima(case, tmp_path)
    assert any(j["adjuster"] == "a1" for p in answer["plans"] for j in p["adjustments"]) is allowed


def test_an_adjuster_without_any_row_is_never_advised(tmp_path):
    case = invented_case(23, size=4.0)
    rows = [r for r in case.influence["rows"] if r.get("adjuster") == "a0"]
    case = replace(case, influence=case.influence | {"rows": rows})
    answer = assert_true_minima(case, tmp_path)
    assert {j["adjuster"] for p in answer["plans"] for j in p["adjustments"]} == {"a0"}


def test_a_coefficient_not_given_is_0_without_variance(tmp_path):
    """Of a1 only one row is known; it may be advised, and acts on that reading alone."""
    case = invented_case(24, size=4.0)
    rows = [
        r
        for r in case.influence["rows"]
        if r.get("adjuster") == "a0" or (r.get("adjuster"), r["regime"], r.get("sensor")) == ("a1", "r0", "s0")
    ]
    case = replace(case, influence=case.influence | {"rows": rows})
    answer = assert_true_minima(case, tmp_path)
    assert any(j["adjuster"] == "a1" for p in answer["plans"] for j in p["adjustments"])


@pytest.mark.parametrize("most", [0, 1, 2, 9])
def test_there_are_always_most_and_one_plans(tmp_path, most):
    answer = advised(invented_case(25, blades=2), tmp_path, most=most)
    assert len(answer["plans"]) == most + 1
    assert answer["plans"][0]["count"] == 0
    costs = [p["expected_cost"] for p in answer["plans"]]
    assert costs == sorted(costs, reverse=True)


# ---- what a plan is expected to give -------------------------------------------------------


def test_what_a_plan_gives_is_what_the_physics_says(tmp_path):
    case = invented_case(26, blades=4, azimuth_deg=[0.0, 80.0, 180.0, 270.0], phase_sense="lead")
    case = case.without([("r0", "s1")], [("r1", "b2")])
    regimes, sensors = ({e["name"]: e for e in entries} for entries in (case.regimes, case.sensors))
    for plan in advised(case, tmp_path)["plans"]:
        change = change_of(case, plan)
        assert [(v["regime"], v["sensor"]) for v in plan["vibration"]] == [("r0", "s0"), ("r1", "s0"), ("r1", "s1")]
        for v in plan["vibration"]:
            regime, sensor = regimes[v["regime"]], sensors[v["sensor"]]
            now = case.phasor(regime, sensor)
            after = now + case.vibration_change(change, regime, sensor)
            for phasor, amount, degrees in ((now, v["now"], v["now_deg"]), (after, v["after"], v["after_deg"])):
                assert 0.0 <= degrees < 360.0
                assert amount * np.exp(1j * np.deg2rad(degrees)) == pytest.approx(phasor, rel=1e-9)  # lead: exp(+i phi)
            assert v["limit"] == case.limit(regime, sensor)
        (heights,) = plan["heights"]
        moved, tips = case.height_change(change, regimes["r0"]), case.tips(regimes["r0"])
        assert heights["after"] == pytest.approx({b: tips[b] + moved[b] for b in case.blades}, abs=1e-9)
        assert sum(heights["after"].values()) == pytest.approx(0.0, abs=1e-9)
        assert heights["spread_now"] == pytest.approx(max(tips.values()) - min(tips.values()))
        assert heights["spread_after"] == pytest.approx(np.ptp(list(heights["after"].values())))
        assert heights["limit"] == 12.0


def test_what_a_plan_does_to_regimes_not_read_is_stated(tmp_path):
    case = invented_case(27, size=4.0).without([("r1", "s0"), ("r1", "s1")], ["r1"])
    regime, sensors = case.regimes[1], {s["name"]: s for s in case.sensors}
    answer = advised(case, tmp_path)
    plan = answer["plans"][answer["recommended"]]
    change = change_of(case, plan)
    stated = {e["sensor"]: e["change"] * np.exp(-1j * np.deg2rad(e["change_deg"])) for e in plan["not_read"][:-1]}
    for name, sensor in sensors.items():
        assert stated[name] == pytest.approx(case.vibration_change(change, regime, sensor), rel=1e-9)
    assert plan["not_read"][-1]["heights_change"] == pytest.approx(case.height_change(change, regime))
    assert {v["regime"] for v in plan["vibration"]} == {"r0"}


def test_the_words_of_an_adjustment_are_the_rotors_own(tmp_path):
    case = changed_adjuster(invented_case(28, size=4.0), 0, positive="put on", negative="take off", unit="grams")
    words = {
        (j["blade"], np.sign(j["amount"])): j["words"]
        for p in advised(case, tmp_path)["plans"]
        for j in p["adjustments"]
        if j["adjuster"] == "a0"
    }
    assert words
    for (blade, sign), text in words.items():
        assert blade in text
        assert ("put on" if sign > 0 else "take off") in text
        assert "grams" in text


# ---- symmetries ----------------------------------------------------------------------------


def plans_of(case, folder):
    folder.mkdir()
    return [(p["expected_cost"], steps_of(case, p)) for p in advised(case, folder)["plans"]]


def assert_same_plans(first, second):
    for (cost, steps), (other_cost, other_steps) in zip(first, second, strict=True):
        assert cost == pytest.approx(other_cost, rel=1e-9)
        assert steps == other_steps


@pytest.mark.parametrize("azimuth", [None, UNEVEN], ids=["even", "uneven"])
def test_which_blade_is_called_first_changes_no_plan(tmp_path, azimuth):
    case = invented_case(38, size=2.0, harmonics=(1, 4), **({"azimuth_deg": azimuth} if azimuth else {}))
    psi = math.degrees(case.psi("b2"))
    blades = ["b2", "b3", "b1"]
    turned = [math.degrees(case.psi(b)) - psi for b in blades]
    harmonic = {s["name"]: s["harmonic"] for s in case.sensors}
    readings = {(r, s): (a, (d - harmonic[s] * psi) % 360.0) for (r, s), (a, d) in case.readings.items()}
    azimuth_deg = [t % 360.0 for t in turned]
    other = replace(case.with_rotor(blades=blades, azimuth_deg=azimuth_deg), readings=readings)
    assert_same_plans(plans_of(case, tmp_path / "as_is"), plans_of(other, tmp_path / "turned"))


def test_a_datum_and_the_phase_sense_change_no_plan(tmp_path):
    case = invented_case(39, size=2.0)
    raised = {r: {b: v + 500.0 for b, v in tips.items()} for r, tips in case.heights.items()}
    lead = {k: (a, 360.0 - d) for k, (a, d) in case.readings.items()}
    other = replace(case.with_rotor(phase_sense="lead"), heights=raised, readings=lead)
    assert_same_plans(plans_of(case, tmp_path / "as_is"), plans_of(other, tmp_path / "other"))
