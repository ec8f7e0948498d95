"""A run as a table: what was typed, in its own units, against the limits and beside the last run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trackbal.base.text_layout import paragraphs, table, times_words, wrap
from trackbal.check.review import is_inside, is_stopped
from trackbal.logbook.rows import Cell, Row, run_of_rows
from trackbal.runs.rotor import Rotor


def run_table(rotor: Rotor, rows: Sequence[Row], before: Sequence[Row] = ()) -> str:
    """Return the rows of a run as tables, one a row, with the last run's readings of the same regime beside."""
    last = {row["regime"].text: row for row in before}
    return paragraphs(regime_table(rotor, row, last.get(row["regime"].text)) for row in rows)


def regime_table(rotor: Rotor, row: Row, before: Row | None = None) -> str:
    """Return one row of a run as a table: reading, limit, part of the limit, last run."""
    r = rotor.regime_index(row["regime"].text)
    read = run_of_rows(rotor, [_with_phases(rotor, row)], "run")
    lines = [["reading", "typed", "limit", "of limit", "", "last run"]]
    for s, sensor in enumerate(rotor.sensors):
        if np.isfinite(read.vibration[r, s]):
            bounds = (float(rotor.vibration_limit[r, s]), float(rotor.vibration_stop_limit[r, s]))
            value = float(abs(read.vibration[r, s]))
            lines.append([sensor.name, _typed(row, sensor.name, sensor.unit), *_against(value, *bounds)])
            lines[-1].append("" if before is None else _typed(before, sensor.name, sensor.unit))
    tips = [row.get(f"height.{blade}") for blade in rotor.blades]
    if read.height_read[r]:
        bounds = (float(rotor.height_limit[r]), float(rotor.height_stop_limit[r]))
        spread = f"{read.spread[r]:.4g} {rotor.height_unit}"
        lines.append(["tip spread", spread, *_against(float(read.spread[r]), *bounds), _spread(rotor, r, before)])
    parts = [rotor.regimes[r].name]
    if len(lines) > 1:
        parts.append(table(lines, sides="<<>><<", names=1))
    if any(tips):
        named = [f"{b}: {_cell(tip)}" for b, tip in zip(rotor.blades, tips, strict=True) if tip is not None]
        parts.append(wrap("  ".join(named), "  tips  "))
    others = [name for name in row if name in ("rpm", "note") or name.startswith("info.")]
    parts += [wrap(f"{name}: {row[name].text}", "  ") for name in others]
    return "\n".join(parts)


def _with_phases(rotor: Rotor, row: Row) -> Row:
    """Return a row in which amplitudes without a phase have one, so that they count here."""
    whole = dict(row)
    for sensor in rotor.sensors:
        if f"{sensor.name}.amp" in row:
            whole.setdefault(f"{sensor.name}.deg", Cell("0"))
    return whole


def _typed(row: Row, sensor: str, unit: str) -> str:
    amplitude, phase = row.get(f"{sensor}.amp"), row.get(f"{sensor}.deg")
    if amplitude is None:
        return ""
    return f"{amplitude.text} {amplitude.unit or unit}" + (f" at {phase.text}" if phase else ", no phase")


def _cell(cell: Cell) -> str:
    return cell.text + (f" {cell.unit}" if cell.unit else "")


def _against(value: float, limit: float, stop: float) -> list[str]:
    """Return limit, part of the limit, and the word that says it is not inside."""
    word = "STOP" if is_stopped(value, stop) else "" if is_inside(value, limit) else "over"
    return [f"{limit:.6g}", times_words(value / limit), word]


def _spread(rotor: Rotor, r: int, before: Row | None) -> str:
    if before is None:
        return ""
    read = run_of_rows(rotor, [_with_phases(rotor, before)], "run")
    return f"{read.spread[r]:.4g} {rotor.height_unit}" if read.height_read[r] else ""
