"""Which plan is recommended and what the verdict is, by the contract's rules in plain loops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from advised_case import MOST, advised, change_of
from invented_cases import invented_case
from plain_reference import no_change

from trackbal.base import cautions
from trackbal.base.errors import InputError
from trackbal.plan import advice as advice_module


def expected_choice(plans, wanted):
    """Return the index the contract recommends: it never recommends the empty plan where there is another."""
    filled = [m for m, p in enumerate(plans) if p["count"]]
    if not filled:
        return 0
    for m in filled:
        if plans[m]["chance"] >= wanted:
            return m
    best = max(plans[m]["chance"] for m in filled)
    return min((m for m in filled if plans[m]["chance"] >= best - 0.02), key=lambda m: plans[m]["count"])


def expected_verdict(case, plans, chosen):
    now, after = case.worst_ratio(no_change(case)), case.worst_ratio(change_of(case, plans[chosen]))
    if now <= 1.0:
        return "inside"
    return "investigate" if after > 1.0 and after > 0.5 * now else "adjust"


@pytest.mark.parametrize("wanted", [0.05, 0.5, 0.9, 1.0])
@pytest.mark.parametrize("size", [0.4, 0.8, 2.0])
@pytest.mark.parametrize("seed", range(100, 106))
def test_the_plan_recommended_and_the_verdict_follow_the_rules(tmp_path, seed, size, wanted):
    case = invented_case(seed, size=size)
    answer = advised(case, tmp_path, chance=wanted)
    chosen = expected_choice(answer["plans"], wanted)
    verdict = expected_verdict(case, answer["plans"], chosen)
    assert answer["verdict"] == verdict
    assert answer["recommended"] == (0 if verdict == "inside" else chosen)
    said = any("another round" in c for c in answer["cautions"])
    assert said is (verdict == "adjust" and answer["plans"][chosen]["chance"] < wanted)
    kind = {adjuster["name"]: adjuster["kind"] for adjuster in case.adjusters}
    moved = {kind[one["adjuster"]] for one in answer["plans"][chosen]["adjustments"]} if verdict == "adjust" else set()
    for one in set(kind.values()):  # the cautions for work on an adjuster go with the plan that moves it
        assert (cautions.adjuster_cautions([one])[0] in answer["cautions"]) is (one in moved)


@pytest.fixture
def given_chances(monkeypatch):
    """Return a function that fixes the chances of the plans that differ, in turn."""

    def give(*values):
        monkeypatch.setattr(advice_module, "chances", lambda *args: np.array(values)[: len(args[3])])

    return give


LADDER = invented_case(29, size=4.0)  # each count is another plan, of lower expected cost


@pytest.mark.parametrize(
    ("values", "wanted", "index"),
    [
        ((0.99, 0.5, 0.91, 0.95, 0.99), 0.9, 2),
        ((0.99, 0.9, 0.91, 0.95, 0.99), 0.9, 1),
        ((0.0, 0.1, 0.5, 0.3, 0.2), 0.9, 2),
        ((0.8, 0.1, 0.2, 0.3, 0.2), 0.9, 3),
        ((0.0, 0.1, 0.485, 0.5, 0.2), 0.9, 2),
        ((0.0, 0.1, 0.475, 0.5, 0.2), 0.9, 3),
        ((0.0, 0.0, 0.0, 0.0, 0.0), 0.9, 1),
        ((0.0, 0.2, 0.5, 0.5, 0.515), 0.9, 2),
    ],
    ids=[
        "smallest-that-reaches",
        "reaching-exactly",
        "else-the-best-chance",
        "never-the-empty-plan",
        "within-0.02-the-fewer",
        "not-within-0.02",
        "all-hopeless",
        "several-tied",
    ],
)
def test_the_recommended_plan_by_chances(tmp_path, given_chances, values, wanted, index):
    given_chances(*values)
    answer = advised(LADDER, tmp_path, chance=wanted)
    assert [p["count"] for p in answer["plans"]] == [0, 1, 2, 3, 4]
    assert [p["chance"] for p in answer["plans"]] == list(values)
    assert answer["recommended"] == index


WIDE = invented_case(29, size=4.0, blades=7, adjusters=2)  # 14 places to adjust: each count is another plan


@pytest.fixture
def chance_by_count(monkeypatch):
    """Return a function that fixes the chance of a plan by its count of adjustments."""

    def give(*values):
        by_count = dict(enumerate(values))
        monkeypatch.setattr(
            advice_module, "chances", lambda *args: np.array([by_count[np.count_nonzero(c)] for c in args[3]])
        )

    return give


@pytest.mark.parametrize(
    ("values", "most", "recommended"),
    [
        ((0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.61), 6, 6),
        ((0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.62, 0.63), 7, 6),
        ((0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.91), 8, 8),
        ((0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.95), 6, 6),
        ((0.0, 0.1, 0.2, 0.7, 0.4, 0.5, 0.6, 0.71), 6, 3),
        (tuple(0.05 * k for k in range(13)), 8, 8),
    ],
    ids=["buys-too-little", "buys-just-enough-once", "until-wanted", "wanted-at-once", "best-before", "to-the-end"],
)
def test_the_ladder_grows_while_one_more_adjustment_buys_chance(
    tmp_path, chance_by_count, monkeypatch, values, most, recommended
):
    chance_by_count(*values)
    assert advice_module.MOST_AT_ALL == 12
    monkeypatch.setattr(advice_module, "MOST_AT_ALL", 8)  # searches of more take seconds
    answer = advised(WIDE, tmp_path, most=None)
    assert [p["count"] for p in answer["plans"]] == list(range(most + 1))
    assert answer["recommended"] == recommended
    assert not answer["cut_short"]


def test_a_ladder_whose_search_would_be_long_is_cut_short_and_says_so(tmp_path, chance_by_count, monkeypatch):
    chance_by_count(*(0.05 * k for k in range(13)))
    monkeypatch.setattr(advice_module, "_LONGEST_SEARCH", 0.0)
    answer = advised(WIDE, tmp_path, most=None)
    assert len(answer["plans"]) == 7
    assert answer["cut_short"]
    assert any("--most" in caution for caution in answer["cautions"])
    assert not advised(WIDE, tmp_path, most=7)["cut_short"]


def test_a_count_that_is_given_is_kept_to(tmp_path, chance_by_count):
    chance_by_count(*(0.05 * k for k in range(13)))
    assert [len(advised(WIDE, tmp_path, most=m)["plans"]) for m in (0, 6, 8)] == [1, 7, 9]


def test_chances_of_plans_are_those_of_another_monte_carlo(tmp_path):
    case = invented_case(30, size=0.8)
    for plan in advised(case, tmp_path)["plans"]:
        assert plan["chance"] == pytest.approx(case.chance(change_of(case, plan)), abs=0.03)


def at_ratio(case, ratio):
    """Return the case with one reading only, r1/s0 of limit 0.2, at a part of its limit."""
    return replace(case, readings={("r1", "s0"): (0.2 * ratio, 40.0)}, heights={})


@pytest.mark.parametrize(("ratio", "inside"), [(0.5, True), (1.0, True), (1.0000001, False), (1.2, False)])
def test_inside_limits_is_no_adjustment(tmp_path, ratio, inside):
    """A reading of exactly its limit is inside it."""
    answer = advised(at_ratio(invented_case(31), ratio), tmp_path)
    assert (answer["verdict"] == "inside") is inside
    if inside:
        assert answer["recommended"] == 0
        assert answer["plans"][0]["adjustments"] == []


@pytest.mark.parametrize(
    ("now", "taken_off", "verdict"),
    [
        (4.0, 1.0, "investigate"),
        (4.0, 1.98, "investigate"),
        (4.0, 2.02, "adjust"),
        (1.2, 0.18, "investigate"),
        (1.2, 0.22, "adjust"),
        (1.2, 1.0, "adjust"),
    ],
)
def test_investigate_is_over_the_limit_and_above_half_of_today(tmp_path, now, taken_off, verdict):
    """The one step allowed takes so many limits off a reading that is now so many."""
    case = at_ratio(invented_case(32, adjusters=1, blades=2, reach=1, harmonics=(1, 1)), now)
    case = case.with_rotor(adjusters=[case.adjusters[0] | {"fixed_blades": ["b2"]}])  # one step is all there is
    push = -0.2 * taken_off * np.exp(-1j * np.deg2rad(40.0)) / 10.0
    row = {"adjuster": "a0", "regime": "r1", "sensor": "s0", "cov": [[0, 0], [0, 0]]}
    row |= {"re": float(push.real), "im": float(push.imag)}
    case = replace(case, influence=case.influence | {"rows": [row], "noise": []})
    answer = advised(case, tmp_path, most=1)
    assert answer["recommended"] == 1
    assert answer["plans"][1]["vibration"][0]["after"] == pytest.approx(0.2 * (now - taken_off), abs=1e-9)
    assert answer["verdict"] == verdict
    assert any("mechanical" in c.lower() for c in answer["cautions"]) is (verdict == "investigate")


@pytest.mark.parametrize(("amplitude", "stop"), [(1.0, True), (1.1, True), (0.999999, False)])
def test_a_reading_at_its_stop_limit_offers_no_plan_until_overridden(tmp_path, amplitude, stop):
    case = at_ratio(invented_case(33), 1.0)
    case = replace(case, readings={("r1", "s0"): (amplitude, 40.0)})
    case = case.with_rotor(limits=case.rotor["limits"] | {"vibration_stop": 1.0})
    answer = advised(case, tmp_path)
    assert (answer["verdict"] == "stop") is stop
    if stop:
        assert (answer["recommended"], answer["plans"]) == (None, [])
    overridden = advised(case, tmp_path, override_stop=True)
    assert overridden["verdict"] in ("adjust", "investigate")
    assert len(overridden["plans"]) == MOST + 1
    assert any("stop limit" in c and "overridden" in c for c in overridden["cautions"]) is stop


def test_the_smaller_stop_of_sensor_and_regime_holds(tmp_path):
    case = at_ratio(invented_case(34), 2.0)
    sensors = [case.sensors[0] | {"stop": 0.5}, *case.sensors[1:]]
    regimes = [case.regimes[0], case.regimes[1] | {"vibration_stop": 0.35}]
    limits = case.rotor["limits"] | {"vibration_stop": 9.0}
    assert advised(case.with_rotor(sensors=sensors, limits=limits), tmp_path)["verdict"] != "stop"  # 0.4 < 0.5
    both = case.with_rotor(sensors=sensors, regimes=regimes, limits=limits)
    assert advised(both, tmp_path)["verdict"] == "stop"


def test_a_spread_at_its_stop_limit_stops_too(tmp_path):
    case = invented_case(35)
    case = replace(case, readings={}, heights={"r0": {"b1": 0.0, "b2": 40.0, "b3": 10.0}})
    case = case.with_rotor(limits=case.rotor["limits"] | {"height_spread_stop": 40.0})
    assert advised(case, tmp_path)["verdict"] == "stop"


def test_a_run_without_a_complete_reading_is_bad_input(tmp_path):
    case = invented_case(36)
    case = replace(case, readings={}, heights={"r0": {"b1": 0.0, "b2": 40.0}})
    with pytest.raises(InputError, match=r"run\.csv: found .*complete"):
        advised(case, tmp_path)


def test_another_rotors_influence_is_said(tmp_path):
    case = invented_case(37)
    case = replace(case, influence=case.influence | {"rotor": "somebody else's"})
    assert any("somebody else's" in c for c in advised(case, tmp_path)["cautions"])
