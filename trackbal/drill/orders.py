"""What a trainee types: words and numbers, checked as at the stand."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from trackbal.base.errors import InputError
from trackbal.runs.rotor import STEP_SLACK, Adjuster, Rotor
from trackbal.runs.run import Reals
from trackbal.runs.words import action_words

Deed = Literal["adjust", "undo", "fly", "repeat", "inspect", "look", "release", "give up"]
LOOKS = ("readings", "picture", "sketch", "influence", "influence all", "record")
HELP = (
    "blade 3 add tip weight 30 g: put an adjustment on the list (or: 3 tip_weight +30). "
    "undo: take the last one off the list. fly: make what is on the list and run again. "
    "repeat: read the same once more without changing anything. "
    "readings: show them again. picture, sketch: a page with pictures of the run, or a blank dial to draw on. "
    "influence, influence all: what past aircraft say one unit does, in the stages flown or in all. "
    "record: what the crew before did. "
    "inspect damper 2, inspect pick-up NAME, inspect tab 2, inspect tip weight 2: look for a cause (takes time). "
    "release: go on to the next stage, or, after the last, hand the aircraft over. "
    "stop: break off; the same command takes the drill up again. give up: end it."
)


@dataclass(frozen=True)
class Order:
    """One thing that a trainee orders; `adjuster` and `blade` are indices, `amount` is in the adjuster's unit."""

    deed: Deed
    adjuster: int | None = None
    blade: int | None = None
    amount: float | None = None
    what: str = ""

    def as_json(self, rotor: Rotor) -> dict[str, Any]:
        """Return the order as it stands in a drill's file."""
        found: dict[str, Any] = {"do": self.deed}
        if self.adjuster is not None:
            found["adjuster"] = rotor.adjusters[self.adjuster].name
        if self.blade is not None:
            found["blade"] = rotor.blades[self.blade]
        if self.amount is not None:
            found["amount"] = self.amount
        if self.what:
            found["what"] = self.what
        return found


def read_order(rotor: Rotor, typed: str, planned: Reals, setting: Reals) -> Order:
    """Return what a line of a trainee's orders.

    Parameters
    ----------
    typed : str
    planned, setting : ndarray, shape (A, B)
        What is on the list already, and what is installed by the books.

    Raises
    ------
    InputError
        If it is no order, or an adjustment that cannot be made.
    """
    text = " ".join(typed.split())
    low = text.lower()
    if low in ("fly", "run", "undo", "repeat", "release", "give up"):
        return Order("fly" if low == "run" else low)  # type: ignore[arg-type]
    if low in LOOKS:
        return Order("look", what=low)
    if low.startswith("inspect"):
        return _inspection(rotor, text)
    return _adjustment(rotor, text, planned, setting)


def _inspection(rotor: Rotor, text: str) -> Order:
    rest = text[len("inspect") :].strip()
    low = rest.lower()
    if low.startswith(("pick-up", "pickup", "sensor")):
        name = rest.split(" ", 1)[1].strip() if " " in rest else ""
        for sensor in rotor.sensors:
            if name.lower().replace(" ", "_") == sensor.name.lower():
                return Order("inspect", what=f"pick-up {sensor.name}")
        raise InputError("inspect", rest, "pick-up and one of " + ", ".join(s.name for s in rotor.sensors))
    words, _, blade = low.rpartition(" ")
    if words.replace("_", " ") == "damper":
        return Order("inspect", blade=_blade(rotor, blade), what="damper")
    a = _adjuster(rotor, words)
    if a is None:
        raise InputError("inspect", rest or "nothing", "damper, an adjuster or pick-up, and which: inspect damper 2")
    return Order("inspect", adjuster=a, blade=_blade(rotor, blade), what=rotor.adjusters[a].name)


def _adjustment(rotor: Rotor, text: str, planned: Reals, setting: Reals) -> Order:
    found = re.fullmatch(r"(?:blade )?(\S+?):? (.+?) ([+-]?\d+(?:\.\d+)?) ?(\S*)", text, flags=re.IGNORECASE)
    if found is None:
        raise InputError("order", text or "nothing", 'an adjustment such as "blade 3 add tip weight 30", or ? for help')
    b, words, number, unit = _blade(rotor, found[1]), found[2].lower(), found[3], found[4]
    a, verb = _named(rotor, words)
    adjuster = rotor.adjusters[a]
    if unit and unit.rstrip("s") != adjuster.unit.rstrip("s"):
        raise InputError("order", unit, f"{adjuster.unit}, the unit of {adjuster.name}")
    amount = _signed(adjuster, verb, number, text)
    _check(rotor, a, b, amount, planned, setting)
    return Order("adjust", a, b, amount)


def _named(rotor: Rotor, words: str) -> tuple[int, str]:
    """Return the adjuster that some words name, and what they say beside it (a verb, or nothing)."""
    for verb in ("", *sorted({v for a in rotor.adjusters for v in (a.positive, a.negative)}, key=len, reverse=True)):
        if words.startswith(verb.lower()):
            a = _adjuster(rotor, words[len(verb) :].strip())
            if a is not None:
                return a, verb
    names = ", ".join(a.name.replace("_", " ") for a in rotor.adjusters)
    raise InputError("order", words, f"one of {names}, with add, remove or the like before it, or a sign at the number")


def _signed(adjuster: Adjuster, verb: str, number: str, text: str) -> float:
    amount = float(number)
    if verb and number[0] in "+-":
        raise InputError("order", text, f"either a word ({adjuster.positive}, {adjuster.negative}) or a sign, not both")
    if not verb and number[0] not in "+-":
        raise InputError(
            "order", text, f"which way: {adjuster.positive} or {adjuster.negative}, or a sign at the number"
        )
    if verb and verb not in (adjuster.positive, adjuster.negative):
        raise InputError("order", verb, f"{adjuster.positive} or {adjuster.negative}, as {adjuster.name} has it")
    return -amount if verb and verb == adjuster.negative else amount


def _check(rotor: Rotor, a: int, b: int, amount: float, planned: Reals, setting: Reals) -> None:
    """Refuse an adjustment that is not made of whole steps, or leaves its range."""
    adjuster = rotor.adjusters[a]
    steps = amount / adjuster.step
    if amount == 0.0 or abs(steps - np.rint(steps)) > STEP_SLACK:
        raise InputError(
            "order", f"{amount:g} {adjuster.unit}", f"whole steps of {adjuster.step:g} {adjuster.unit}, not 0"
        )
    if rotor.blades[b] in adjuster.fixed_blades:
        raise InputError(
            "order", f"blade {rotor.blades[b]}", f"another blade: {adjuster.name} is not changed on this one"
        )
    total = planned[a, b] + amount
    if abs(total) > adjuster.largest_change + STEP_SLACK * adjuster.step:
        raise InputError(
            "order", action_words(adjuster, total), f"at most {adjuster.largest_change:g} {adjuster.unit} at once"
        )
    after = setting[a, b] + total
    slack = STEP_SLACK * adjuster.step
    if not adjuster.minimum - slack <= after <= adjuster.maximum + slack:
        raise InputError(
            "order",
            f"blade {rotor.blades[b]}: {adjuster.name} {setting[a, b]:g} to {after:g} {adjuster.unit}",
            f"a setting within {adjuster.minimum:g} to {adjuster.maximum:g}",
        )


def _blade(rotor: Rotor, name: str) -> int:
    for b, blade in enumerate(rotor.blades):
        if name.lower() == blade.lower():
            return b
    raise InputError("order", f"blade {name or 'missing'}", "one of the blades " + ", ".join(rotor.blades))


def _adjuster(rotor: Rotor, words: str) -> int | None:
    for a, adjuster in enumerate(rotor.adjusters):
        if words.replace(" ", "_") == adjuster.name.lower():
            return a
    return None
