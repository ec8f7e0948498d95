"""Sheets going into a logbook as they were typed: CSV, or a workbook with the extra `xlsx`."""

from __future__ import annotations

from pathlib import Path

from trackbal.base.csv_table import NUMBER, CsvTable
from trackbal.logbook.records import Items, JobRecord
from trackbal.logbook.rows import Row, rows_of_sheet
from trackbal.logbook.workbook import Sheet, load_sheet
from trackbal.runs.readings import read_headings, read_rows
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import csv_text as text_of_sheet


def load_table(file: str, sheet: str | None = None) -> CsvTable:
    """Return a sheet of a file by its ending: .xlsx is a workbook (its sheet of that name, or the first), else CSV."""
    if Path(file).suffix.casefold() == ".xlsx":
        return load_sheet(file, sheet)
    return CsvTable.load(file)


def rows_of_run(rotor: Rotor, table: CsvTable) -> list[Row]:
    """Return the rows of a run sheet as typed. Raises InputError as `trackbal.runs.sheets.read_run` does."""
    headings = read_headings(rotor, table, ())
    regime = table.choices(headings.plain["regime"], [r.name for r in rotor.regimes], "regime")
    read_rows(rotor, table, headings, regime)
    return rows_of_sheet(table)


def items_of_sheet(rotor: Rotor, file: str | CsvTable, value: str) -> Items:
    """Return the rows of an adjustments or settings sheet as typed; `value` names its last column."""
    return items_of_table(rotor, load_table(file) if isinstance(file, str) else file, value)


def items_of_table(rotor: Rotor, table: CsvTable, value: str) -> Items:
    """Return the items of a sheet with the columns blade, adjuster and `value`.

    Raises
    ------
    InputError
        Naming row and column.
    """
    sheet = "a settings sheet" if value == "setting" else "an adjustments sheet"
    blade_at, adjuster_at, value_at = table.require(("blade", "adjuster", value), sheet)
    table.choices(blade_at, rotor.blades, "blade")
    table.choices(adjuster_at, [a.name for a in rotor.adjusters], "adjuster")
    table.numbers(value_at, NUMBER, empty=False)
    items: Items = {}
    for row in range(table.rows):
        place = (table.columns[blade_at][row], table.columns[adjuster_at][row])
        if place in items:
            raise table.error(row, None, f"{place[1]} of blade {place[0]} again", "one row for each")
        items[place] = table.columns[value_at][row]
    return items


def csv_text(sheet: Sheet) -> str:
    """Return a sheet, (header, rows), as CSV."""
    return text_of_sheet(*sheet)


def settings_sheet(record: JobRecord) -> Sheet:
    """Return what is installed now as a settings sheet."""
    rows = [(blade, adjuster, text) for (blade, adjuster), text in record.settings_text().items()]
    return ("blade", "adjuster", "setting"), rows
