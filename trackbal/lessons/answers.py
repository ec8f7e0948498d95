"""What a trainee answers in a lesson, held against what trackbal says and what came of it."""

from __future__ import annotations

import math
import re

import numpy as np

from trackbal.base.errors import InputError
from trackbal.base.text_layout import count, wrap
from trackbal.drill.orders import read_order
from trackbal.lessons.lesson import Lesson, Visit, worst_after
from trackbal.plan.chance import chances
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals
from trackbal.runs.words import adjustment_words, chance_words

#: What may be said instead of adjustments -> the verdicts it agrees with.
WORDS = {
    "nothing": ("inside",),
    "leave it alone": ("inside",),
    "look for a cause": ("investigate", "hold", "stop"),
    "investigate": ("investigate", "hold", "stop"),
    "stop": ("stop",),
}
HOW_PLAN = "adjustments such as 3 add tip weight 30; 1 pitch_link -1, or: look for a cause, or: nothing"
HOW_NEXT = "the worst reading as a part of its limit, such as 0.8"


def plan_answer(lesson: Lesson, visit: Visit, typed: str) -> str:
    """Return a trainee's plan beside trackbal's, by the same model.

    Raises
    ------
    InputError
        If the answer is none, or an adjustment cannot be made.
    """
    said = " ".join(typed.lower().split())
    verdict = visit.advice.verdict
    if said in WORDS:
        same = "The same." if verdict in WORDS[said] else "Not the same."
        return wrap(f"You said: {said}. trackbal: {_own_words(lesson, visit)} {same}")
    change = _adjustments(lesson.rotor, typed, visit.advice.setting)
    found = visit.found
    chance = float(chances(lesson.rotor, found.run, found.influence, change[None], found.posterior)[0])
    worst = worst_after(lesson.rotor, found, change).ratio
    words = "; ".join(_words(lesson.rotor, change))
    answer = (
        f"You said: {words}. Chance of inside limits {chance_words(chance)}, worst expected {worst:.2f} of its limit."
    )
    answer += f" trackbal: {_own_words(lesson, visit)}"
    if visit.plan is not None:
        both = int(np.count_nonzero((change != 0.0) & (visit.plan.change != 0.0)))
        answer += f" {count(both, 'adjustment')} of yours at the same place."
    return wrap(answer)


def next_answer(lesson: Lesson, visit: Visit, typed: str) -> str:
    """Return the worst reading a trainee expected, beside the expectation and what was read. Raises InputError."""
    number = re.fullmatch(r"\d{1,4}(?:\.\d+)?", typed.strip())
    if number is None or visit.then is None:
        raise InputError("answer", typed, HOW_NEXT)
    answer = f"You expected {float(number[0]):.2f} of its limit, trackbal {visit.then.ratio:.2f}."
    if visit.number < len(lesson.visits):
        came = lesson.visits[visit.number].review.readings[0].ratio
        closer = math.fabs(float(number[0]) - came) < math.fabs(visit.then.ratio - came)
        answer += f" The next run came to {came:.2f}. {'You were' if closer else 'trackbal was'} closer."
    return wrap(answer)


def _adjustments(rotor: Rotor, typed: str, setting: Reals) -> Reals:
    change = np.zeros_like(setting)
    for part in typed.split(";"):
        if not part.strip():
            continue
        order = read_order(rotor, part.strip(), change, setting)
        if order.deed != "adjust" or order.adjuster is None or order.blade is None or order.amount is None:
            raise InputError("answer", part.strip(), HOW_PLAN)
        change[order.adjuster, order.blade] += order.amount
    return change


def _words(rotor: Rotor, change: Reals) -> list[str]:
    return [adjustment_words(rotor, int(a), int(b), float(change[a, b])) for b, a in np.argwhere(change.T != 0.0)]


def _own_words(lesson: Lesson, visit: Visit) -> str:
    plan = visit.plan
    if plan is None:
        words = {"inside": "inside limits, nothing to adjust", "learn": "a trial first", "hold": "hold, say why first"}
        return words.get(visit.advice.verdict, "look for the cause first") + "."
    return (
        f"{'; '.join(_words(lesson.rotor, plan.change))}. Chance {chance_words(plan.chance)}, worst expected "
        f"{plan.worst_likely:.2f}."
    )
