"""Pieces of advice by hand: who is barred, plans that come again, what is wanted where nothing is said."""

from __future__ import annotations

import inspect
from dataclasses import replace

import click
import numpy as np
import pytest
from invented_rotor import ROTOR
from test_own_aircraft import A, R, S, as_run, invented_influence

from trackbal.commands.group import group
from trackbal.lessons.lesson import prepare_lesson
from trackbal.lessons.lesson_book import lesson_of_job
from trackbal.plan import advice as advice_module
from trackbal.plan.advice import _Ladder, advise
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
    chances = ladder._chances_once(np.array(plans, dtype=float)[:, None], found)
    assert weighed == [[[0.0, 0.0], [1.0, 0.0], [1.0, 2.0], [3.0, -1.0]]]
    assert chances == pytest.approx([0.0, 0.1, 0.1, 0.12, 0.29, 0.29])


@pytest.mark.parametrize("function", [advise, advise_in_job, prepare_lesson, lesson_of_job])
def test_the_chance_wanted_is_nine_in_ten_where_nothing_is_said(function):
    assert inspect.signature(function).parameters["chance"].default == 0.9


def test_the_commands_want_the_same():
    advise_command = group.get_command(click.Context(group), "advise")
    assert advise_command is not None
    assert {option.name: option.default for option in advise_command.params}["chance"] == 0.9
