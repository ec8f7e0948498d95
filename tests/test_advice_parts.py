"""Pieces of advice by hand: who is barred, plans that come again, what is wanted where nothing is said."""

from __future__ import annotations

import inspect
from dataclasses import replace
from types import SimpleNamespace

import click
import numpy as np
import pytest
from invented_rotor import ROTOR
from test_own_aircraft import A, R, S, as_run, invented_influence

from trackbal.commands.group import group
from trackbal.lessons.lesson import prepare_lesson
from trackbal.lessons.lesson_book import lesson_of_job
from trackbal.plan import advice as advice_module
from trackbal.plan.advice import Advice, _Ladder, advise
from trackbal.plan.job_advice import advise_in_job
from trackbal.search.search import Solution

FLAT_PITCH, HOVER, CRUISE, DESCENT = range(R)


def barred_where(vibration, height, *, unread=(), heights_read=True):
    """Return who is barred: the second adjuster unknown in some vibration cells and heights, some regimes not read."""
    influence = invented_influence()
    unknown, unknown_height = np.zeros((A, R, S), dtype=bool), np.zeros((A, R), dtype=bool)
    for cell in vibration:
        unknown[1][cell] = True
    unknown_height[1, height] = True
    run = as_run(np.full((R, S), 0.3 + 0.1j), np.tile([3.0, -1.0, -4.0, 2.0], (R, 1)))
    count, tips = run.vibration_count.copy(), run.height_count * int(heights_read)
    count[list(unread)], tips[list(unread)] = 0, 0
    run = replace(run, vibration_count=count, height_count=tips)
    alpha, tau = np.where(unknown, 0.0, influence.alpha), np.where(unknown_height, 0.0, influence.tau)
    blind = replace(influence, alpha=alpha, tau=tau, unknown_vibration=unknown, unknown_height=unknown_height)
    return advise(ROTOR, run, blind, most=0).barred


@pytest.mark.parametrize(
    ("vibration", "height", "read", "expected"),
    [
        ([(CRUISE, 0)], [], {}, "its influence is not known in cruise"),
        ([], [HOVER], {}, "its influence is not known in hover"),
        ([(CRUISE, 0)], list(range(R)), {"unread": [CRUISE], "heights_read": False}, None),
        ([slice(None)], [CRUISE], {}, "its influence is not known in flat_pitch, hover, cruise, descent"),
        ([slice(None)], list(range(R)), {}, "its influence is not known"),
        ([(HOVER, 0)], list(range(R)), {"heights_read": False}, "its influence is not known in hover"),
    ],
)
def test_an_adjuster_is_barred_where_its_influence_on_a_reading_taken_is_not_known(vibration, height, read, expected):
    assert barred_where(vibration, height, **read) == (() if expected is None else ((1, expected),))


def test_a_plan_that_comes_again_is_weighed_once_and_any_other_by_itself(monkeypatch):
    """Among them two plans that differ in one entry only, and two that differ in every entry."""
    plans = [[0, 0], [1, 0], [1, 0], [1, 2], [3, -1], [3, -1]]
    weighed = []

    def counted(rotor, run, influence, changes, own):
        weighed.append(changes[:, 0].tolist())
        return changes[:, 0] @ np.array([0.1, 0.01])

    monkeypatch.setattr(advice_module, "chances", counted)
    ladder = _Ladder(*[object()] * len(_Ladder.__dataclass_fields__))
    found = [Solution(2, np.array(x), 0.0, True, 0) for x in plans]
    chances = ladder._chances_once(object(), np.array(plans, dtype=float)[:, None], found)
    assert weighed == [[[0.0, 0.0], [1.0, 0.0], [1.0, 2.0], [3.0, -1.0]]]
    assert chances == pytest.approx([0.0, 0.1, 0.1, 0.12, 0.29, 0.29])


def advice_of(verdict, *, finished=True, unclear=(), recommended=0, counts=(0, 1), **more):
    """Return advice with plans of so many adjustments, of which nothing but the counts is known."""
    plans = tuple(SimpleNamespace(count=count) for count in counts)
    review = SimpleNamespace(finished=finished, unclear=unclear)
    return Advice(verdict, recommended, plans, np.zeros((1, 2)), (), (), review, 0.9, **more)


@pytest.mark.parametrize(
    ("verdict", "finished", "warns"),
    [("inside", True, False), ("inside", False, True), ("adjust", False, False), ("adjust", True, False)]
    + [(verdict, finished, True) for verdict in ("investigate", "stop", "learn", "hold") for finished in (True, False)],
)
def test_an_answer_warns_unless_it_is_a_plan_or_a_whole_run_inside(verdict, finished, warns):
    assert advice_of(verdict, finished=finished).warns is warns


def test_a_plan_is_offered_to_work_from_only_where_nothing_is_to_be_found_first():
    assert advice_of("adjust", recommended=1).offered.count == 1
    assert advice_of("adjust", recommended=None).offered is None
    for verdict in ("inside", "investigate", "stop", "learn", "hold"):
        assert advice_of(verdict, recommended=1).offered is None
    assert advice_of("investigate", recommended=1, anyway=True).offered.count == 1
    assert advice_of("inside", recommended=1, anyway=True).offered is None
    assert advice_of("inside", recommended=1).to_write.count == 0
    assert advice_of("investigate", recommended=1).to_write is None


@pytest.mark.parametrize(
    ("sizes", "shown"),
    [((0, 1, 2, 3), [0, 1, 2, 3]), ((0, 1, 1, 2, 2), [0, 1, 3]), ((0, 0, 0), [0]), ((0, 1, 2, 1), [0, 1, 2, 3])],
)
def test_each_size_of_a_ladder_is_a_rung_once(sizes, shown):
    advice = advice_of("adjust")
    advice = replace(advice, plans=tuple(SimpleNamespace(size=size, count=size) for size in sizes))
    assert [m for m, _ in advice.rungs] == shown


def test_a_plan_that_takes_no_time_is_a_rung_beside_the_empty_one():
    plans = tuple(SimpleNamespace(size=0.0, count=count) for count in (0, 2))
    assert len(replace(advice_of("adjust"), plans=plans).rungs) == 2


@pytest.mark.parametrize(
    ("verdict", "unclear", "recommended", "again"),
    [
        ("investigate", ("one",), 0, True),
        ("investigate", (), 0, False),
        ("investigate", ("one",), 1, False),
        ("investigate", ("one",), None, False),
        ("adjust", ("one",), 0, False),
    ],
)
def test_readings_are_to_be_taken_again_where_they_contradict_each_other_and_no_plan_is_made(
    verdict, unclear, recommended, again
):
    assert advice_of(verdict, unclear=unclear, recommended=recommended).read_again is again


def weighed(*plans):
    """Return plans of (count, chance, expected cost, minutes)."""
    names = ("count", "chance", "deciding_chance", "expected_cost", "minutes")
    return tuple(SimpleNamespace(**dict(zip(names, (n, p, p, cost, work), strict=True))) for n, p, cost, work in plans)


@pytest.mark.parametrize(
    ("plans", "wanted", "taken"),
    [
        ([(0, 0.99, 1.0, None)], 0.9, 0),  # there is no other
        ([(0, 0.99, 9.0, None), (1, 0.1, 1.0, None)], 0.9, 1),
        ([(0, 0.0, 9.0, None), (1, 0.9, 5.0, None), (2, 0.99, 1.0, None)], 0.9, 1),  # just what was wanted
        ([(0, 0.0, 9.0, None), (1, 0.89, 5.0, None), (2, 0.99, 1.0, None)], 0.9, 2),
        ([(0, 0.0, 9.0, None), (1, 0.5, 5.0, None), (2, 0.51, 1.0, None)], 0.9, 1),  # as good as the best
        ([(0, 0.0, 9.0, None), (1, 0.48, 5.0, None), (2, 0.51, 1.0, None)], 0.9, 2),
        ([(0, 0.0, 9.0, None), (2, 0.5, 5.0, None), (2, 0.51, 1.0, None)], 0.9, 2),  # of as many, the lower cost
        ([(0, 0.0, 9.0, None), (2, 0.5, 1.0, None), (2, 0.51, 1.0, None)], 0.9, 1),  # of equal, the earlier
        ([(0, 0.0, 9.0, 0.0), (3, 0.5, 5.0, 20.0), (2, 0.51, 1.0, 30.0)], 0.9, 1),  # minutes before their number
    ],
)
def test_the_plan_to_take(plans, wanted, taken):
    assert advice_module._recommend(weighed(*plans), wanted) == taken


@pytest.mark.parametrize(
    ("chance", "track", "below", "left"),
    [(0.9, False, False, False), (0.899, False, True, False), (0.9, True, False, True), (0.899, True, True, False)],
)
def test_a_chance_of_just_what_is_wanted_is_not_below_it(chance, track, below, left):
    rotor = SimpleNamespace(preferences=SimpleNamespace(aim=0.5))
    plan = SimpleNamespace(deciding_chance=chance, chance_of_aim=chance, count=1)
    (said,) = advice_module._aim_words(rotor, (plan,), "adjust", 0, settled=False, wanted=0.9, track=track)
    assert ("below the" in said, "weights after that" in said) == (below, left)


@pytest.mark.parametrize("function", [advise, advise_in_job, prepare_lesson, lesson_of_job])
def test_the_chance_wanted_is_nine_in_ten_where_nothing_is_said(function):
    assert inspect.signature(function).parameters["chance"].default == 0.9


def test_the_commands_want_the_same():
    advise_command = group.get_command(click.Context(group), "advise")
    assert advise_command is not None
    assert {option.name: option.default for option in advise_command.params}["chance"] == 0.9
