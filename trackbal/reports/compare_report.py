"""The comparison of two influence files in words, and as a dict for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from trackbal.base.json_numbers import finite_or_none
from trackbal.base.text_layout import table
from trackbal.influence.compare import Change
from trackbal.reports.p_value import p_value_text
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.words import phase_scale, phase_text


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
        before, after = (
            _value(rotor, c, v) if known else "unknown" for v, known in zip((c.before, c.after), c.known, strict=True)
        )
        error = "-" if not math.isfinite(c.error) else f"{c.error:.2g}"
        names = rotor.adjusters[c.adjuster].name, rotor.regimes[c.regime].name
        rows.append((*names, rotor.reading_name(c.sensor), before, after, error, p_value_text(c.adjusted)))
    return "\n".join([head, f"Phases in {phase_scale(rotor)}.", "", table(rows, left_aligned=len(rows[0]))]) + "\n"


def comparison_json(rotor: Rotor, changes: Sequence[Change]) -> dict[str, Any]:
    """Return what `trackbal compare --json` prints."""
    return {"changed": sum(c.firm for c in changes), "rows": [_row(rotor, c) for c in changes]}


def _row(rotor: Rotor, c: Change) -> dict[str, Any]:
    row: dict[str, Any] = {"adjuster": rotor.adjusters[c.adjuster].name, **rotor.reading_key(c.regime, c.sensor)}
    for key, value, known in (("before", c.before, c.known[0]), ("after", c.after, c.known[1])):
        row[key] = None if not known else value.real if c.sensor == HEIGHTS else {"re": value.real, "im": value.imag}
    figures = {"error": c.error, "p": c.p, "adjusted_p": c.adjusted}
    return row | {key: finite_or_none(value) for key, value in figures.items()} | {"changed": c.firm}


def _value(rotor: Rotor, c: Change, value: complex) -> str:
    if c.sensor == HEIGHTS:
        return f"{value.real:+.4g}"
    return f"{abs(value):.4g} at {phase_text(rotor, value)}"
