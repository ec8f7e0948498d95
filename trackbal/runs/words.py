"""An adjustment in the words that the rotor file gives it."""

from __future__ import annotations

from trackbal.runs.rotor import Adjuster, Rotor


def adjustment_words(rotor: Rotor, a: int, b: int, amount: float) -> str:
    """Return an adjustment in words: "blade 3: lengthen pitch link 1.5 flats"."""
    return f"blade {rotor.blades[b]}: {action_words(rotor.adjusters[a], amount)}"


def action_words(adjuster: Adjuster, amount: float) -> str:
    """Return what to do, whatever the blade: "lengthen pitch link 1.5 flats"."""
    verb = adjuster.positive if amount > 0 else adjuster.negative
    return f"{verb} {adjuster.name.replace('_', ' ')} {abs(amount):.10g} {adjuster.unit}"
