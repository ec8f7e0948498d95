"""Sheets of static moments: of each blade, and of the hub's positions."""

from __future__ import annotations

from os import PathLike

import numpy as np

from trackbal.base.csv_table import NUMBER, CsvTable
from trackbal.base.errors import InputError
from trackbal.runs.readings import split_unit
from trackbal.runs.rotor import Rotor
from trackbal.seating.order import Complexes

_G = 9.80665
#: kg m in a unit of static moment; those of weight by the standard acceleration of gravity.
MOMENT_UNITS = {
    "kg m": 1.0,
    "g m": 1e-3,
    "g cm": 1e-5,
    "g mm": 1e-6,
    "N m": 1.0 / _G,
    "lb in": 0.45359237 * 0.0254,
    "oz in": 0.45359237 / 16.0 * 0.0254,
}


def read_moments(rotor: Rotor, file: str | PathLike[str], place: str = "blade") -> Complexes:
    """Return static moments about the rotor's axis, kg m: outward + i ahead, shape (N,).

    Columns: `blade` (or `position`, of the hub: 1, 2, 3 ... as blades pass a fixed point), `span_moment [unit]` and, if
    measured, `chord_moment [unit]`, ahead in the direction of rotation.

    Raises
    ------
    InputError
        Naming row and column; also if a blade is missing or named twice. Hub positions left out add nothing.
    """
    table = CsvTable.load(file)
    names = list(rotor.blades) if place == "blade" else [str(k + 1) for k in range(len(rotor.blades))]
    columns: dict[str, tuple[int, float]] = {}
    place_at = None
    for position, heading in enumerate(table.headings):
        name, unit = split_unit(heading)
        if heading == place:
            place_at = position
        elif name in ("span_moment", "chord_moment") and name not in columns:
            if unit not in MOMENT_UNITS:
                raise table.error(None, position, heading, f"a unit in brackets: {', '.join(MOMENT_UNITS)}")
            columns[name] = (position, MOMENT_UNITS[unit])
        else:
            raise table.error(None, position, heading, f"{place}, span_moment [kg m] or chord_moment [kg m], each once")
    if place_at is None or "span_moment" not in columns:
        raise table.error(None, None, "no such columns", f"{place} and span_moment [kg m]")
    index = table.choices(place_at, names, place)
    found = np.full(len(names), complex(np.nan, np.nan))
    for row, k in enumerate(index.tolist()):
        if not np.isnan(found[k]):
            raise table.bad_cell(row, place_at, f"each {place} once")
        found[k] = 0.0
    for name, (position, factor) in columns.items():
        values = table.numbers(position, NUMBER, empty=False) * factor
        found[index] += values * (1.0 if name == "span_moment" else 1j)
    missing = [n for n, value in zip(names, found, strict=True) if np.isnan(value)]
    if missing and place == "blade":
        raise InputError(file, f"no {place} {missing[0]}", f"a row for each {place}")
    return np.nan_to_num(found)
