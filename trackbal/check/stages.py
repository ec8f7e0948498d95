"""How far a run has come: on the ground, then condition by condition, in the order in which they are flown.

Words of this kind say what was read. They never say that an aircraft may go on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from trackbal.check.review import Review
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run

State = Literal["inside", "outside", "part", "unread"]  # part: what was read is inside, but not all was read


@dataclass(frozen=True)
class Stage:
    """The ground, or one condition in flight: its regimes by index, and how it stands."""

    name: str
    regimes: tuple[int, ...]
    state: State


def stages(rotor: Rotor, run: Run, review: Review) -> tuple[Stage, ...]:
    """Return the stages of a rotor in order: all ground regimes as one, then each regime in flight."""
    ground = [r for r, regime in enumerate(rotor.regimes) if not regime.airborne]
    flight = [r for r, regime in enumerate(rotor.regimes) if regime.airborne]
    groups = ([("ground", ground)] if ground else []) + [(rotor.regimes[r].name, [r]) for r in flight]
    outside = {reading.regime for reading in review.readings if not reading.inside}
    return tuple(Stage(name, tuple(group), _state(rotor, run, group, outside)) for name, group in groups)


def _state(rotor: Rotor, run: Run, group: list[int], outside: set[str]) -> State:
    if any(rotor.regimes[r].name in outside for r in group):
        return "outside"
    if not run.regime_read[group].any():
        return "unread"
    heights = np.array([regime.heights for regime in rotor.regimes])
    whole = run.vibration_read[group].all() and (run.height_read | ~heights)[group].all()
    return "inside" if whole else "part"


def stage_words(rotor: Rotor, run: Run, review: Review) -> str:
    """Return how far a run has come, in words: which stages are inside, which is next, what is unread."""
    found = stages(rotor, run, review)
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
