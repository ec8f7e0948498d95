"""Readings as they were typed, row by row, and what they mean."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike

import numpy as np

from trackbal.base.csv_table import CsvTable
from trackbal.runs.readings import GROUP, OF_WHOM, RowReadings, read_headings, read_rows, split_unit
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Counts, Run
from trackbal.runs.sheets import run_of_readings


@dataclass(frozen=True)
class Cell:
    """What was typed: the text, and the unit given with it (None: the rotor's own)."""

    text: str
    unit: str | None = None


#: Quantity ("regime", "rpm", "cockpit_vertical.amp", "height.3", "note", "info.wind", "date", "group.base")
#: -> what was typed.
Row = dict[str, Cell]


def rows_of_sheet(table: CsvTable) -> list[Row]:
    """Return the cells of a sheet that are not empty, row by row."""
    names = [split_unit(h) if not h.startswith(("info.", GROUP)) else (h, None) for h in table.headings]
    texts = [table.texts(i) for i in range(len(names))]
    return [
        {name: Cell(texts[i][row], unit) for i, (name, unit) in enumerate(names) if texts[i][row]}
        for row in range(table.rows)
    ]


def says_whose(quantity: str) -> bool:
    """Return whether a quantity says whose run it is, and when: no reading, and the same in all rows of a run."""
    return quantity in OF_WHOM or quantity.startswith(GROUP)


def heading(quantity: str, unit: str | None) -> str:
    """Return the heading of a sheet under which a quantity in a unit stands."""
    return quantity if unit is None else f"{quantity} [{unit}]"


def read_typed_rows(rotor: Rotor, rows: Sequence[Row], source: str | PathLike[str]) -> tuple[Counts, RowReadings]:
    """Return the regime of every row, shape (rows,), and its readings.

    Raises
    ------
    InputError
        As for a run sheet; its row is the place in `rows`, counted from 1.
    """
    kinds: dict[tuple[tuple[str, str | None], ...], list[int]] = {}
    for i, row in enumerate(rows):
        its = ((name, cell.unit) for name, cell in row.items() if not says_whose(name))
        kinds.setdefault(tuple(its), []).append(i)
    regime = np.zeros(len(rows), dtype=int)
    vibration = np.full((len(rows), len(rotor.sensors)), complex(np.nan, np.nan))
    height = np.full((len(rows), len(rotor.blades)), np.nan)
    rpm = np.full(len(rows), rotor.rpm)
    at_usual = np.ones(vibration.shape)
    for kind, members in kinds.items():
        # a phase without its amplitude, or the reverse, is found by read_rows, which asks for both columns
        columns = [(name, unit, tuple(rows[i][name].text for i in members)) for name, unit in kind]
        names = {name for name, _ in kind}
        for name in names:
            stem, _, part = name.rpartition(".")
            partner = {"amp": f"{stem}.deg", "deg": f"{stem}.amp"}.get(part)
            if partner is not None and partner not in names and not name.startswith(("info.", "height.")):
                columns.append((partner, None, ("",) * len(members)))
        if all(name in ("regime", "rpm", "note") or name.startswith("info.") for name in names):
            columns.append((f"height.{rotor.blades[0]}", None, ("",) * len(members)))  # a row without readings
        table = CsvTable(
            source,
            tuple(heading(name, unit) for name, unit, _ in columns),
            tuple(texts for _, _, texts in columns),
            tuple(i + 1 for i in members),
        )
        found = read_headings(rotor, table, ())
        regime[members] = table.choices(found.plain["regime"], [r.name for r in rotor.regimes], "regime")
        readings = read_rows(rotor, table, found, regime[members])
        vibration[members], height[members], rpm[members] = readings.vibration, readings.height, readings.rpm
        at_usual[members] = readings.at_usual
    return regime, RowReadings(vibration, height, rpm, at_usual)


def run_of_rows(rotor: Rotor, rows: Sequence[Row], source: str | PathLike[str]) -> Run:
    """Return the run that rows of readings make; the same as reading them from a run sheet.

    Raises
    ------
    InputError
        As for a run sheet, but a run without any reading is allowed.
    """
    regime, readings = read_typed_rows(rotor, rows, source)
    notes, info = [], []
    headings = list(dict.fromkeys(name for row in rows for name in row if name.startswith("info.")))
    for r, name in enumerate(r.name for r in rotor.regimes):
        its_rows = [row for row, where in zip(rows, regime, strict=True) if where == r]
        notes += [(name, row["note"].text) for row in its_rows if "note" in row]
        info += [(name, h.removeprefix("info."), row[h].text) for h in headings for row in its_rows if h in row]
    return run_of_readings(rotor, readings, regime, notes, info, os.fspath(source))
