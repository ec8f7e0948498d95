"""What a rotor file says, for a second person to compare with the manual."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from trackbal.base.text_layout import count, cut, paragraphs, table, wrap
from trackbal.runs.rotor import Rotor

COMPARE = "Compare every limit, range and step with the manual; have a second person do it too."


def rotor_json(rotor: Rotor) -> dict[str, Any]:
    """Return the limits of a rotor as plain data; null where none is set."""
    return {
        "rotor": rotor.name,
        "blades": list(rotor.blades),
        "limits": [
            {"regime": regime, "reading": reading, "unit": unit, "limit": limit, "go_on": go_on, "stop": stop}
            for regime, reading, unit, limit, go_on, stop in _limits(rotor)
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
    figures = any(go_on is not None for *_, go_on, _ in _limits(rotor))
    limits = [("regime", "reading", "limit", *(["go on"] if figures else []), "stop", "unit")]
    for regime, reading, unit, limit, go_on, stop in _limits(rotor):
        bounds = [go_on, stop] if figures else [stop]
        limits.append((regime, reading, f"{limit:g}", *("none" if b is None else f"{b:g}" for b in bounds), unit))
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
    blocks = [
        wrap(head),
        table(limits, sides="<<>>><" if figures else "<<>><", names=2),
        table(ranges, sides="<>>>><<", names=1),
    ]
    blocks += [wrap(note, "- ") for note in _notes(rotor)]
    return paragraphs([*blocks, wrap(COMPARE)]) + "\n"


def _limits(rotor: Rotor) -> Iterator[tuple[str, str, str, float, float | None, float | None]]:
    """Yield regime, reading, unit, limit, the user's figure for going on and the stop limit."""
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            bounds = _set(rotor.vibration_go_on[r, s]), _set(rotor.vibration_stop_limit[r, s])
            yield regime.name, sensor.name, sensor.unit, float(rotor.vibration_limit[r, s]), *bounds
        if math.isfinite(rotor.height_limit[r]):
            bounds = _set(rotor.height_go_on[r]), _set(rotor.height_stop_limit[r])
            yield regime.name, "tip spread", rotor.height_unit, float(rotor.height_limit[r]), *bounds


def _set(bound: float) -> float | None:
    return float(bound) if math.isfinite(bound) else None


def _notes(rotor: Rotor) -> list[str]:
    """Return what is allowed, and worth a second look."""
    said = [*_geometry(rotor), *_conditions(rotor)]
    said += [f"{r.name} is usually run at {r.rpm:g} rpm." for r in rotor.regimes if r.rpm is not None]
    flown = [regime.airborne for regime in rotor.regimes]
    if flown != sorted(flown):
        said.append(
            "A regime on the ground stands after one in flight: regimes stand in the order in which they are flown."
        )
    if any(stop is None for *_, stop in _limits(rotor)):
        said.append("Some readings have no stop limit: nothing will say STOP there.")
    return said


def _geometry(rotor: Rotor) -> Iterator[str]:
    """Yield where blades stand if not evenly, and which sensors do not read once per rev."""
    even = 360.0 / len(rotor.blades) * np.arange(len(rotor.blades))
    if not np.allclose(rotor.azimuth_deg, even):
        angles = ", ".join(f"{b} at {psi:g}" for b, psi in zip(rotor.blades, rotor.azimuth_deg.tolist(), strict=True))
        yield f"Blades are not evenly spaced; they pass, in degrees of rotation after the first: {angles}."
    for sensor in rotor.sensors:
        if sensor.harmonic != 1:
            yield f"{sensor.name} reads {sensor.harmonic} per rev."


def _conditions(rotor: Rotor) -> Iterator[str]:
    """Yield when and where adjusters may not be advised."""
    for a in rotor.adjusters:
        if a.fixed_blades:
            yield f"{a.name} is not changed on blade {', '.join(a.fixed_blades)}."
        if a.needs:
            yield f"{a.name} only where {' or '.join(a.needs)} was read."
        if a.inside_first:
            yield f"{a.name} only when {' and '.join(a.inside_first)} is read and inside."
    for regime in rotor.regimes:
        if regime.not_read:
            yield f"Not read in {regime.name}, and not asked for: {', '.join(regime.not_read)}."
    kept = "; ".join(words for words, _ in rotor.preferences.one_by_one())
    if kept:
        yield f"Plans keep to: {kept}."
