"""An adjustment in the words that the rotor file gives it, and a chance in words."""

from __future__ import annotations

import re

from trackbal.base.phasor import clock_hours, phase_deg
from trackbal.runs.pieces import exchange_words
from trackbal.runs.rotor import Adjuster, Rotor

#: Verbs of a workshop whose past participle no rule gives.
_IRREGULAR = {
    "bend": "bent",
    "cut": "cut",
    "grind": "ground",
    "put": "put",
    "set": "set",
    "take": "taken",
    "wind": "wound",
}
_COUNTED = ("flat", "turn", "notch", "click", "hole", "washer", "plate")


def phase_text(rotor: Rotor, phasor: complex) -> str:
    """Return a phasor's phase in the rotor's sense as its crew reads it: whole degrees, or hours of a clock face."""
    degrees = float(phase_deg(phasor, rotor.phase_sense))
    return clock_hours(degrees) if rotor.phase_shown == "clock" else f"{round(degrees) % 360}"


def phase_unit(rotor: Rotor) -> str:
    """Return what stands behind or over a phase: "deg", or "h" where the crew reads hours of a clock face."""
    return "h" if rotor.phase_shown == "clock" else "deg"


def phase_scale(rotor: Rotor) -> str:
    """Return what phases are counted in: "degrees of lag", or "clock hours (lag)"."""
    return f"clock hours ({rotor.phase_sense})" if rotor.phase_shown == "clock" else f"degrees of {rotor.phase_sense}"


def phase_width(rotor: Rotor) -> int:
    """Return how many characters the widest phase takes."""
    return 5 if rotor.phase_shown == "clock" else 3


def adjustment_words(rotor: Rotor, a: int, b: int, amount: float, before: float | None = None) -> str:
    """Return an adjustment in words: "blade 3: lengthen pitch link 1.5 flats"; `before`: the setting, if known."""
    return f"blade {rotor.blades[b]}: {action_words(rotor.adjusters[a], amount, before)}"


def action_words(adjuster: Adjuster, amount: float, before: float | None = None) -> str:
    """Return what to do, whatever the blade: "lengthen pitch link 1.5 flats".

    Of hardware in pieces, the setting `before` known: "tip weight: remove 1 x washer A, add 1 x washer C (+1.5 g)".
    """
    if adjuster.pieces and before is not None:
        exchanged = exchange_words(adjuster, before, before + amount)
        if exchanged:
            return f"{adjuster.name.replace('_', ' ')}: {exchanged} ({amount:+.10g} {adjuster.unit})"
    verb = adjuster.positive if amount > 0 else adjuster.negative
    return f"{verb} {adjuster.name.replace('_', ' ')} {abs(amount):.10g} {adjuster.unit}"


def done_words(adjuster: Adjuster, amount: float) -> str:
    """Return what was done, whatever the adjuster's name: "shortened 1.5 flat"."""
    verb = adjuster.positive if amount > 0 else adjuster.negative
    return f"{past_words(verb)} {abs(amount):.10g} {adjuster.unit}"


def past_words(verb: str) -> str:
    """Return a verb as the participle of what was done, "bend up" as "bent up"; other words stay as they are.

    Examples
    --------
    >>> [past_words(verb) for verb in ("shorten", "remove", "trim", "apply", "bend down")]
    ['shortened', 'removed', 'trimmed', 'applied', 'bent down']
    """
    first, blank, rest = verb.partition(" ")
    if not re.fullmatch("[a-z]{2,}", first):
        return verb
    if first in _IRREGULAR:
        past = _IRREGULAR[first]
    elif first.endswith("e"):
        past = first + "d"
    elif re.search("[^aeiou]y$", first):
        past = first[:-1] + "ied"
    elif re.fullmatch("[^aeiou]*[aeiou][^aeiouwxy]", first):
        past = first + first[-1] + "ed"
    else:
        past = first + "ed"
    return past + blank + rest


def many(unit: str) -> str:
    """Return a unit that is counted in the plural: "flat" as "flats", "g" as it is."""
    if unit not in _COUNTED:
        return unit
    return unit + ("es" if unit.endswith("ch") else "s")


def chance_words(chance: float, *, short: bool = False) -> str:
    """Return a chance in whole per cent, never 0 or 100, which no chance is: "93 %", "over 99 %", "below 1 %".

    `short` gives "93", ">99" and "<1" for places with no room for words.
    """
    if 0.005 < chance < 0.995:
        return f"{100.0 * chance:.0f}" + ("" if short else " %")
    if short:
        return "<1" if chance < 0.5 else ">99"
    return "below 1 %" if chance < 0.5 else "over 99 %"
