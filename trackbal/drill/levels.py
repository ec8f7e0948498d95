"""The levels of a drill: which rotor, what is hidden in it, how much may be spent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from trackbal.base.errors import InputError

#: What may be wrong beside the blades.
Snag = Literal["pick-up", "record", "damper", "tab", "gusts"]


@dataclass(frozen=True)
class Level:
    """One level.

    Parameters
    ----------
    number : int
    kind : str
        The virtual type that is flown.
    story : str
        What the class is told.
    made : tuple of str
        Kinds of adjuster that blades are put out by, one blade each; empty for blades that differ in everything.
    severity : float
        Of the differences between blades in everything, beside what `made` puts out.
    worst : (float, float)
        The worst reading at the start, as a part of its limit, lies between these.
    snags : tuple of Snag
        One of them is drawn; empty for none.
    most_runs : int
        After so many runs the drill is lost.
    """

    number: int
    kind: str
    story: str
    made: tuple[str, ...]
    severity: float
    worst: tuple[float, float]
    snags: tuple[Snag, ...]
    most_runs: int


LEVELS = (
    Level(1, "main3", "One blade is heavy or light. Nothing else is wrong.", ("weight",), 0.1, (1.5, 4.0), (), 6),
    Level(
        2,
        "main4",
        "One blade differs in mass, and one (perhaps the same) in lift.",
        ("weight", "pitch_link"),
        0.15,
        (1.5, 4.0),
        (),
        8,
    ),
    Level(3, "main5", "Every blade differs a little in everything, as new blades do.", (), 1.0, (1.3, 5.0), (), 10),
    Level(
        4,
        "main5",
        "Blades differ in everything. One thing more is wrong: a pick-up, a trim tab that gives way, or the wind.",
        (),
        0.9,
        (1.3, 5.0),
        ("pick-up", "tab", "gusts"),
        12,
    ),
    Level(
        5,
        "main3",
        "Something is wrong that may or may not be cured by adjusting.",
        (),
        0.8,
        (1.3, 8.0),
        ("damper", "pick-up", "gusts"),
        12,
    ),
    Level(
        6,
        "main7",
        "Seven blades that differ in everything, after another crew's work. One line of its record is not what was "
        "done.",
        (),
        1.0,
        (1.3, 5.0),
        ("record",),
        14,
    ),
)


def level_of(number: int) -> Level:
    """Return a level by its number. Raises InputError for a number that is none."""
    for level in LEVELS:
        if level.number == number:
            return level
    raise InputError("--level", number, f"a level from {LEVELS[0].number} to {LEVELS[-1].number}")
