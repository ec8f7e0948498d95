"""What a crew would rather do or leave: kept blades, few blades, no weights that fight each other.

Defaults stand in rotor.toml, those of one job on the command line. None of them is needed:
without any the plans are the fewest adjustments of all.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from trackbal.base.cautions import KINDS
from trackbal.base.errors import InputError
from trackbal.base.toml_table import Table

_AIM = "a part of the limits, above 0 and at most 1"
_NUMBER = re.compile(r"\d+(\.\d+)?")

#: In place of a blade: all of them.
EVERY_BLADE = ""

#: Weights less than this from opposite each other take from one another what they do (our own choice).
NEARLY_OPPOSITE_DEG = 30.0


@dataclass(frozen=True)
class Preferences:
    """What a plan is to keep to, beside the bounds of the rotor.

    Parameters
    ----------
    reference_blade : str or None
        A blade that is never touched.
    hold : tuple of (blade, adjuster)
        Adjusters of single blades that are left alone; blade EVERY_BLADE: of all.
    most_blades : tuple of (kind, number)
        On how many blades a kind of adjuster is changed at most.
    no_opposite_weights : bool
        No weights on nearly opposite blades at once.
    near_neutral : tuple of (adjuster, amount)
        How far from 0 an adjuster may be left, or be left no farther than it is.
    links_sum_to_zero : bool
        Changes of each pitch-link adjuster add up to nothing over the blades.
    aim : float or None
        The part of every limit that plans are to reach, below 1; None: the limits.
    track_first : bool
        Track before balance: while tips on the ground are farther apart than their limit only pitch links are
        changed, for the tips alone.
    """

    reference_blade: str | None = None
    hold: tuple[tuple[str, str], ...] = ()
    most_blades: tuple[tuple[str, int], ...] = ()
    no_opposite_weights: bool = False
    near_neutral: tuple[tuple[str, float], ...] = ()
    links_sum_to_zero: bool = False
    aim: float | None = None
    track_first: bool = False

    def __bool__(self) -> bool:
        """Whether there is anything to keep to."""
        return self != NO_PREFERENCES

    def with_those_of(self, job: Preferences) -> Preferences:
        """Return these with those of one job: what the job says of the same thing comes first."""
        return Preferences(
            reference_blade=job.reference_blade or self.reference_blade,
            hold=tuple(dict.fromkeys(self.hold + job.hold)),
            most_blades=tuple((dict(self.most_blades) | dict(job.most_blades)).items()),
            no_opposite_weights=self.no_opposite_weights or job.no_opposite_weights,
            near_neutral=tuple((dict(self.near_neutral) | dict(job.near_neutral)).items()),
            links_sum_to_zero=self.links_sum_to_zero or job.links_sum_to_zero,
            aim=job.aim or self.aim,
            track_first=self.track_first or job.track_first,
        )

    def one_by_one(self) -> Iterator[tuple[str, Preferences]]:
        """Yield each preference in words, and what is left without it."""
        if self.reference_blade is not None:
            yield f"blade {self.reference_blade} not touched", replace(self, reference_blade=None)
        for blade, adjuster in self.hold:
            rest = tuple(held for held in self.hold if held != (blade, adjuster))
            whose = "" if blade == EVERY_BLADE else f" of blade {blade}"
            yield f"{adjuster.replace('_', ' ')}{whose} held", replace(self, hold=rest)
        for kind, most in self.most_blades:
            rest_most = tuple(limit for limit in self.most_blades if limit[0] != kind)
            words = f"{kind.replace('_', ' ')}s on at most {most} blade{'s' if most != 1 else ''}"
            yield words, replace(self, most_blades=rest_most)
        if self.no_opposite_weights:
            yield "no weights on nearly opposite blades", replace(self, no_opposite_weights=False)
        for adjuster, amount in self.near_neutral:
            rest_near = tuple(near for near in self.near_neutral if near[0] != adjuster)
            yield f"{adjuster.replace('_', ' ')} within {amount:g} of neutral", replace(self, near_neutral=rest_near)
        if self.links_sum_to_zero:
            yield "pitch-link changes adding up to nothing", replace(self, links_sum_to_zero=False)
        if self.aim is not None:
            yield f"aim at {self.aim:g} of every limit", replace(self, aim=None)
        if self.track_first:
            yield "track before balance on the ground", replace(self, track_first=False)

    def as_options(self) -> dict[str, Any]:
        """Return these as `job_preferences` takes them, as plain data; only what is wanted."""
        options = {
            "hold": [adjuster if blade == EVERY_BLADE else f"{blade}:{adjuster}" for blade, adjuster in self.hold],
            "reference": self.reference_blade,
            "most_blades": [f"{kind}:{most}" for kind, most in self.most_blades],
            "no_opposite_weights": self.no_opposite_weights,
            "near_neutral": [f"{adjuster}:{amount:.17g}" for adjuster, amount in self.near_neutral],
            "links_sum_to_zero": self.links_sum_to_zero,
            "aim": self.aim,
            "track_first": self.track_first,
        }
        return {name: value for name, value in options.items() if value}


NO_PREFERENCES = Preferences()


def job_preferences(
    rotor_blades: Sequence[str],
    rotor_adjusters: Sequence[str],
    *,
    hold: Sequence[str] = (),
    reference: str | None = None,
    most_blades: Sequence[str] = (),
    no_opposite_weights: bool = False,
    near_neutral: Sequence[str] = (),
    links_sum_to_zero: bool = False,
    aim: float | None = None,
    track_first: bool = False,
) -> Preferences:
    """Return the preferences of one job, pairs written as on the command line: "4:pitch_link", "weight:2", "tab:3".

    Raises
    ------
    InputError
        That names the option.
    """
    near, most = [], []
    for text in near_neutral:
        adjuster, _, amount = text.partition(":")
        if adjuster not in rotor_adjusters or not _NUMBER.fullmatch(amount):
            raise InputError("--near-neutral", text, f"ADJUSTER:AMOUNT, an adjuster of {', '.join(rotor_adjusters)}")
        near.append((adjuster, float(amount)))
    for text in most_blades:
        kind, _, number = text.partition(":")
        if kind not in KINDS or not number.isdecimal():
            raise InputError("--most-blades", text, f"KIND:NUMBER, a kind of {', '.join(KINDS)}")
        most.append((kind, int(number)))
    if reference is not None and reference not in rotor_blades:
        raise InputError("--reference", reference, f"a blade of {', '.join(rotor_blades)}")
    held = []
    for text in hold:
        found = _held(text, rotor_blades, rotor_adjusters)
        if found is None:
            named = f"of blades {', '.join(rotor_blades)} and {', '.join(rotor_adjusters)}"
            raise InputError("--hold", text, f"BLADE:ADJUSTER, or ADJUSTER for every blade, {named}")
        held.append(found)
    if aim is not None and not 0.0 < aim <= 1.0:
        raise InputError("--aim", aim, _AIM)
    kept = tuple(held), tuple(most), no_opposite_weights, tuple(near), links_sum_to_zero
    return Preferences(reference, *kept, aim if aim != 1.0 else None, track_first)


def _held(text: str, blades: Sequence[str], adjusters: Sequence[str]) -> tuple[str, str] | None:
    """Return which blade and adjuster a text names, EVERY_BLADE for an adjuster alone; None if it names none."""
    if text in adjusters:
        return EVERY_BLADE, text
    blade, _, adjuster = text.partition(":")
    return (blade, adjuster) if blade in blades and adjuster in adjusters else None


def read_preferences(t: Table, blades: Sequence[str], adjusters: Sequence[str]) -> Preferences:
    """Read the table [preferences] of rotor.toml. Raises InputError that names the key."""
    held = []
    for text in t.texts("hold", ()):
        pair = _held(text, blades, adjusters)
        if pair is None:
            raise t.error("hold", text, "BLADE:ADJUSTER, or ADJUSTER for every blade, of the rotor's")
        held.append(pair)
    reference = t.text("reference_blade", "")
    if reference and reference not in blades:
        raise t.error("reference_blade", reference, "a blade of the rotor")
    most, near = t.table("most_blades"), t.table("near_neutral")
    found = Preferences(
        reference_blade=reference or None,
        hold=tuple(held),
        most_blades=tuple((k, most.whole(k, least=0)) for k in KINDS if most.has(k)),
        no_opposite_weights=t.flag("no_opposite_weights", False),
        near_neutral=tuple((a, near.number(a, least=0.0)) for a in adjusters if near.has(a)),
        links_sum_to_zero=t.flag("links_sum_to_zero", False),
        aim=t.number("aim", above=0.0) if t.has("aim") else None,
        track_first=t.flag("track_first", False),
    )
    if found.aim is not None and found.aim > 1.0:
        raise t.error("aim", found.aim, _AIM)
    for part in (most, near, t):
        part.done()
    return found
