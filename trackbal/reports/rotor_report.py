"""What a rotor file says, for a second person to compare with the manual."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from trackbal.base.text_layout import count, cut, paragraphs, table, wrap
from trackbal.runs.rotor import Rotor

COMPARE = "Compare every limit, range and step with the manual; have a second person do it too."


def rotor_json(rotor: Rotor) -> dict[str, Any]:
    """Return the limits of a rotor as plain data; null where none is set."""
    return {
        "rotor": rotor.name,
        "blades": list(rotor.blades),
        "limits": [
            {"regime": regime, "reading": reading, "unit": unit, "limit": limit, "stop": stop}
            for regime, reading, unit, limit, stop in _limits(rotor)
        ],
        "adjusters": [
            {"name": a.name, "unit": a.unit, "step": a.step, "minimum": a.minimum, "maximum": a.maximum}
            for a in rotor.adjusters
        ],
        "notes": _notes(rotor),
    }


def rotor_text(rotor: Rotor) -> str:
    """Return what a rotor file says: blades, limits and ranges, and what in it is worth a second look."""
    counted = f"{count(len(rotor.blades), 'blade')} ({', '.join(map(cut, rotor.blades))}), {rotor.rpm:g} rpm"
    head = f"{rotor.name}: {counted}, phase {rotor.phase_sense}. The file can be read."
    limits = [("regime", "reading", "limit", "stop", "unit")]
    for regime, reading, unit, limit, stop in _limits(rotor):
        limits.append((regime, reading, f"{limit:g}", "none" if stop is None else f"{stop:g}", unit))
    ranges = [("adjuster", "from", "to", "step", "at most", "unit", "words")]
    ranges += [
        (
            a.name,
            f"{a.minimum:g}",
            f"{a.maximum:g}",
            f"{a.step:g}",
            f"{a.largest_change:g}",
            a.unit,
            f"{a.positive} / {a.negative}",
        )
        for a in rotor.adjusters
    ]
    blocks = [wrap(head), table(limits, sides="<<>><", names=2), table(ranges, sides="<>>>><<", names=1)]
    blocks += [wrap(note, "- ") for note in _notes(rotor)]
    return paragraphs([*blocks, wrap(COMPARE)]) + "\n"


def _limits(rotor: Rotor) -> Iterator[tuple[str, str, str, float, float | None]]:
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            limit, stop = float(rotor.vibration_limit[r, s]), float(rotor.vibration_stop_limit[r, s])
            yield regime.name, sensor.name, sensor.unit, limit, _set(stop)
        if math.isfinite(rotor.height_limit[r]):
            limit, stop = float(rotor.height_limit[r]), float(rotor.height_stop_limit[r])
            yield regime.name, "tip spread", rotor.height_unit, limit, _set(stop)


def _set(bound: float) -> float | None:
    return bound if math.isfinite(bound) else None


def _notes(rotor: Rotor) -> list[str]:
    """Return what is allowed, and worth a second look."""
    said = [f"{r.name} is usually run at {r.rpm:g} rpm." for r in rotor.regimes if r.rpm is not None]
    flown = [regime.airborne for regime in rotor.regimes]
    if flown != sorted(flown):
        said.append(
            "A regime on the ground stands after one in flight: regimes stand in the order in which they are flown."
        )
    if any(stop is None for *_, stop in _limits(rotor)):
        said.append("Some readings have no stop limit: nothing will say STOP there.")
    return said
