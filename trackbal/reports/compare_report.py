"""The comparison of two influence files in words, and as a dict for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from trackbal.base.phasor import phase_deg
from trackbal.influence.compare import Change
from trackbal.runs.rotor import Rotor


def report(rotor: Rotor, changes: Sequence[Change], every: bool = False) -> str:
    """Return a comparison as readable text; `every` coefficient, or only firm changes."""
    firm = [c for c in changes if c.firm]
    one_only = sum(c.known[0] != c.known[1] for c in changes)
    head = f"{len(changes)} coefficients compared, {len(firm) - one_only} changed by more than chance"
    head += f", {one_only} known to one file only." if one_only else "."
    shown = list(changes) if every else firm
    if not shown:
        return head + "\n"
    rows = [("adjuster", "regime", "reading", "before", "after", "error", "chance")]
    for c in shown:
        reading = "height" if c.sensor < 0 else rotor.sensors[c.sensor].name
        before, after = (
            _value(rotor, c, v) if known else "unknown" for v, known in zip((c.before, c.after), c.known, strict=True)
        )
        chance = "-" if not math.isfinite(c.adjusted) else "< 0.0001" if c.adjusted < 1e-4 else f"{c.adjusted:.2g}"
        error = "-" if not math.isfinite(c.error) else f"{c.error:.2g}"
        names = rotor.adjusters[c.adjuster].name, rotor.regimes[c.regime].name
        rows.append((*names, reading, before, after, error, chance))
    widths = [max(len(row[i]) for row in rows) for i in range(7)]
    lines = ["  " + "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join([head, f"Phases in degrees of {rotor.phase_sense}.", "", *lines]) + "\n"


def comparison_json(rotor: Rotor, changes: Sequence[Change]) -> dict[str, Any]:
    """Return what `trackbal compare --json` prints."""
    return {"changed": sum(c.firm for c in changes), "rows": [_row(rotor, c) for c in changes]}


def _row(rotor: Rotor, c: Change) -> dict[str, Any]:
    row: dict[str, Any] = {"adjuster": rotor.adjusters[c.adjuster].name, "regime": rotor.regimes[c.regime].name}
    row |= {"height": True} if c.sensor < 0 else {"sensor": rotor.sensors[c.sensor].name}
    for key, value, known in (("before", c.before, c.known[0]), ("after", c.after, c.known[1])):
        row[key] = None if not known else value.real if c.sensor < 0 else {"re": value.real, "im": value.imag}
    finite = {"error": c.error, "p": c.p, "adjusted_p": c.adjusted}
    return row | {k: v if np.isfinite(v) else None for k, v in finite.items()} | {"changed": c.firm}


def _value(rotor: Rotor, c: Change, value: complex) -> str:
    if c.sensor < 0:
        return f"{value.real:+.4g}"
    return f"{abs(value):.4g} at {round(float(phase_deg(value, rotor.phase_sense))) % 360}"
