"""How far a run has come: on the ground, then condition by condition, in the order in which they are flown.

Words of this kind say what was read. They never say that an aircraft may go on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from trackbal.check.review import Review
from trackbal.runs.rotor import Rotor

State = Literal["inside", "outside", "part", "unread"]  # part: what was read is inside, but not all was read


@dataclass(frozen=True)
class Stage:
    """The ground, or one condition in flight: its regimes by index, and how it stands."""

    name: str
    regimes: tuple[int, ...]
    state: State


def stages(rotor: Rotor, review: Review) -> tuple[Stage, ...]:
    """Return the stages of a rotor in order: all ground regimes as one, then each regime in flight."""
    ground = [r for r, regime in enumerate(rotor.regimes) if not regime.airborne]
    flight = [r for r, regime in enumerate(rotor.regimes) if regime.airborne]
    groups = ([("ground", ground)] if ground else []) + [(rotor.regimes[r].name, [r]) for r in flight]
    outside = {reading.regime for reading in review.readings if not reading.inside}
    missing = {regime for regime, _ in review.coverage.unread}
    found = []
    for name, group in groups:
        names = {rotor.regimes[r].name for r in group}
        unread = names & set(review.coverage.unread_regimes)
        state: State = "outside" if names & outside else "inside"
        if not names & outside and unread | (names & missing):
            state = "unread" if unread == names else "part"
        found.append(Stage(name, tuple(group), state))
    return tuple(found)


def stage_words(rotor: Rotor, review: Review) -> str:
    """Return how far a run has come, in words: which stages are inside, which is next, what is unread."""
    found = stages(rotor, review)
    inside = 0
    while inside < len(found) and found[inside].state == "inside":
        inside += 1
    said = []
    if inside:
        names = ", ".join(stage.name for stage in found[:inside])
        said.append(f"all {names} readings inside limits as read")
    if inside < len(found):
        at = found[inside]
        said.append(
            {
                "unread": f"next in order: {at.name}",
                "part": f"{at.name}: inside where read, but not all of it was read",
                "outside": f"{at.name}: outside limits",
            }[at.state]
        )
    later = [stage.name for stage in found[inside + 1 :] if stage.state == "unread"]
    if later:
        said.append(f"unread: {', '.join(later)}")
    text = "; ".join(said)
    return text[:1].upper() + text[1:] + ". Whether to go on, the manual and licensed people decide."
