"""The standing cautions that go with every plan, card and report.

They are common practice, no published source, and never replace the maintenance manual.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Literal, Self, get_args

#: What stands in brackets or after a semicolon and names an option.
_OPTIONS = re.compile(r"\s*\((?=[^()]*--[a-z])[^()]*\)|;(?=[^;.]*--[a-z])[^;.]*(?=\.)")

Place = Literal["main", "tail"]
Kind = Literal["weight", "pitch_link", "tab", "sweep", "other"]
KINDS: tuple[Kind, ...] = get_args(Kind)

_GENERAL = (
    "This is advice from numbers, not a release: the aircraft's maintenance manual and local rules govern, "
    "and only licensed people may carry out, inspect and certify the work.",
    "Limits, ranges and steps are those typed in by the user. Compare them with the current manual before use.",
    "Check that the readings belong to this aircraft, this configuration and steady conditions; "
    "wind, fuel and loading change them.",
    "If a reading reaches a stop limit, or vibration changes suddenly, stop running and find the cause first.",
)

#: The general cautions in one line, where they were said in full before or stand on the card.
IN_SHORT = "Advice, not a release: the manual, local rules and licensed people decide."

NO_CURE = "No adjustment brings these readings inside limits: look for a mechanical cause first."
SETTINGS_ASSUMED = (
    "No settings were given: 0 is taken as installed on every blade, and ranges are checked against that. "
    "See what is really installed before adjusting."
)

_BY_KIND = {
    "weight": "Weights are blade hardware: use only approved parts, torque and lock them as the manual says, "
    "stay within the station's capacity, and count tools and parts back.",
    "pitch_link": "Pitch links are flight controls: turn them as the manual says and count against a witness mark, "
    "restore locking, check thread engagement and control travel, and have an independent inspection before running.",
    "tab": "Tabs have bend limits and tire when bent back and forth: use the proper tool and gauge, "
    "measure from the recorded angle, and look for cracks at the bend.",
    "sweep": "Blade sweep is set at the root attachment: only as the manual says, pins and drag braces locked, "
    "and have an independent inspection before running.",
    "other": "This kind of adjuster is not one that trackbal knows: change it only as and where the manual allows, "
    "and have it locked and inspected.",
}

_LOOSE = "Loose or missing hardware: blade bolts, balance weights, fairings, head covers, pick-up brackets."
_DAMAGE = "Blade damage: erosion, dents, debonding, lost or torn tape, bent tabs, damaged tips."
_WATER = "Water, ice or dirt in or on a blade, and drain holes that are blocked."
_CHAIN = "The measuring chain itself: pick-up mounting, cables, tach pulse, which blade is counted first."

_MECHANICAL: dict[Place, tuple[str, ...]] = {
    "main": (
        "Lead-lag dampers: worn, leaking, soft, unequal or wrongly set; compare the blades. "
        "No further ground run until they are checked: ground resonance.",
        "Bearings and rod ends of the rotor head, pitch links and swashplate: play, roughness, seizure.",
        _LOOSE,
        _DAMAGE,
        _WATER,
        "Droop stops not all in, or lag positions of the blades unequal at the start.",
        "Recent work on head, blades, controls, gearbox mounts or absorbers: undo doubts about it first.",
        "Gearbox and engine mounts, and vibration absorbers: worn, cracked or detuned.",
        _CHAIN,
    ),
    "tail": (
        "Pitch-change bearings, links, slider and their rod ends: play, roughness, seizure.",
        "Flapping hinges or the trunnion: play, roughness, a rotor that does not hang or tilt freely.",
        "Drive shaft, couplings and hanger bearings: run-out, play, heat, loose fastenings.",
        "Boom, fin and tail gearbox attachments: cracks, loose bolts.",
        _LOOSE,
        _DAMAGE,
        _WATER,
        "Recent work on tail rotor, drive shaft, tail gearbox or boom: undo doubts about it first.",
        _CHAIN,
    ),
}

BEFORE_START: dict[Place, str] = {
    "main": "Before start: locking and torque checked again, tools counted, tail-rotor disc clear, "
    "wind within the ground-run limit, droop stops in.",
    "tail": "Before start: locking and torque checked again, tools counted, tail-rotor disc clear, "
    "wind within the ground-run limit.",
}

#: The same in a line, for one screen.
MECHANICAL_IN_SHORT: dict[Place, str] = {
    "main": "dampers (no ground run before they are checked: ground resonance); bearings and rod ends; loose or "
    "missing hardware; blade damage; water, ice or dirt; droop stops; recent work; mounts and absorbers; the "
    "measuring chain itself.",
    "tail": "bearings, links and slider; hinges or trunnion; drive shaft and hangers; boom, fin and gearbox mounts; "
    "loose or missing hardware; blade damage; water, ice or dirt; recent work; the measuring chain itself.",
}

#: The same where even that does not fit.
MECHANICAL_IN_A_LINE: dict[Place, str] = {
    "main": "dampers (ground resonance), bearings, loose hardware, blades, mounts, measuring chain.",
    "tail": "bearings, hinges or trunnion, drive shaft, mounts, blades, measuring chain.",
}

_BY_KIND_IN_SHORT = {
    "weight": "Weights: approved parts, torque, locking by the manual; count tools and parts.",
    "pitch_link": "Pitch links: flight controls; witness mark, lock, independent inspection.",
    "tab": "Tabs: proper tool and gauge; look for cracks at the bend.",
    "sweep": "Blade sweep: only as the manual says, blade pins and drag brace locked, inspected.",
    "other": "Other adjusters: only as and where the manual allows it, locked and inspected.",
}

_BY_KIND_IN_A_WORD = {
    "weight": "weights (torque, count)",
    "pitch_link": "links (lock, inspect)",
    "tab": "tabs (gauge)",
    "sweep": "sweep (pins, inspect)",
    "other": "other adjusters (inspect)",
}


def general_cautions() -> list[str]:
    """Return the cautions that go with everything trackbal says."""
    return list(_GENERAL)


def other_rotor(influence_name: str, rotor_name: str) -> list[str]:
    """Return the caution that an influence file is named for another rotor; none if it is not."""
    if influence_name == rotor_name:
        return []
    return [f"The influence file is for '{influence_name}', the rotor file for '{rotor_name}': are they one type?"]


def no_further(labels: Iterable[str]) -> list[str]:
    """Return the caution that the user's own figures do not allow to go on from these conditions; none without any."""
    named = "; ".join(labels)
    return (
        [
            Caution(
                f"Do not go on to a further condition from: {named}. A reading is above your go-on figure.",
                f"Do not go on from: {named} (above the go-on figure).",
            )
        ]
        if named
        else []
    )


def adjuster_cautions(kinds: Iterable[str]) -> list[str]:
    """Return the cautions for kinds of adjuster, each kind once.

    Raises
    ------
    KeyError
        For a kind that is none of these.
    """
    return [_BY_KIND[kind] for kind in dict.fromkeys(kinds)]


class Caution(str):
    """A caution that has a shorter form for one screen, in which equal forms are said once."""

    short: str

    def __new__(cls, text: str, short: str = "") -> Self:
        """Return the caution, said in full; without `short` it has no shorter form."""
        made = super().__new__(cls, text)
        made.short = short or text
        return made


class Gravest(Caution):
    """A caution that is said before all others."""


class Aside(Caution):
    """What is worth knowing, said after all that is to be minded."""


def by_gravity(cautions: Iterable[str]) -> tuple[str, ...]:
    """Return cautions with the gravest in front and asides at the end, each in their order."""
    return tuple(sorted(cautions, key=lambda caution: isinstance(caution, Aside) - isinstance(caution, Gravest)))


def in_short(cautions: Iterable[str], *, shortest: bool = False) -> list[str]:
    """Return cautions with those for kinds of adjuster in one line each; `shortest`: all that have a short form."""
    short = {_BY_KIND[kind]: words for kind, words in _BY_KIND_IN_SHORT.items()}
    said = [short.get(c, c.short if shortest and isinstance(c, Caution) else c) for c in cautions]
    return list(dict.fromkeys(said))


def without_options(caution: str) -> str:
    """Return a caution for paper, without what it says of options of the command line."""
    return _OPTIONS.sub("", caution)


def in_fewest_lines(cautions: Iterable[str]) -> list[str]:
    """Return cautions as `in_short` does with `shortest`, those for kinds of adjuster as one, asides at the end."""
    given = list(cautions)
    kinds = [kind for kind, words in _BY_KIND.items() if words in given]
    said = in_short((c for c in given if c not in _BY_KIND.values()), shortest=True)
    named = ", ".join(_BY_KIND_IN_A_WORD[kind] for kind in kinds)
    asides = in_short((c for c in given if isinstance(c, Aside)), shortest=True)
    return [*(c for c in said if c not in asides), *([f"By the manual: {named}."] if kinds else []), *asides]


def mechanical_causes(place: Place = "main") -> list[str]:
    """Return what to look for on the aircraft when adjustments do not cure the vibration of a main or a tail rotor."""
    return list(_MECHANICAL[place])
