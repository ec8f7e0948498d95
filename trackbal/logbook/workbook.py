"""Sheets of an .xlsx workbook, in and out. Needs openpyxl: pip install 'trackbal[xlsx]'."""

from __future__ import annotations

import datetime
import importlib
import io
import math
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from os import PathLike
from typing import Any

from trackbal.base.csv_table import CsvTable
from trackbal.base.errors import InputError, State
from trackbal.base.files import refuse_endless

MOST_CELLS = 5_000_000  # of a sheet, empty ones inside it too
LARGEST = 256 * 1024 * 1024  # bytes

#: Header and rows.
Sheet = tuple[Sequence[str], Sequence[Sequence[str]]]


def _openpyxl(file: str | PathLike[str]) -> Any:
    try:
        return importlib.import_module("openpyxl")
    except ImportError:
        raise InputError(
            file, "no openpyxl", "it installed to read and write .xlsx: pip install 'trackbal[xlsx]'"
        ) from None


def load_sheet(file: str | PathLike[str], name: str | None = None) -> CsvTable:
    """Return a sheet of a workbook as the table its CSV would give.

    Parameters
    ----------
    name : str, optional
        None: the first sheet.

    Raises
    ------
    InputError
        If openpyxl is missing, the file is no workbook, or the sheet is no proper table.
    """
    openpyxl = _openpyxl(file)
    _refuse_blown_up(file)
    try:
        book = openpyxl.load_workbook(file, read_only=True, data_only=True)
    except OSError as error:
        raise InputError(file, error.strerror or str(error), "a workbook that can be read") from None
    except Exception as error:  # openpyxl lets through whatever a damaged archive raises
        raise InputError(file, str(error) or type(error).__name__, "an .xlsx workbook") from None
    try:
        if name is not None and name not in book.sheetnames:
            raise InputError(file, f"no sheet {name}", f"one; there are {', '.join(book.sheetnames)}")
        sheet = book[name] if name is not None else book.worksheets[0]
        filled = list(_filled_rows(file, sheet))
    finally:
        book.close()
    if not filled:
        raise InputError(file, "an empty sheet", "a header line and rows below it")
    headings = list(filled[0][1])
    while headings and not headings[-1]:
        headings.pop()
    for i, head in enumerate(headings):
        if not head or head in headings[:i]:
            raise InputError(
                file, head or "an empty heading", "a heading over every column, each once", row=filled[0][0]
            )
    rows = []
    for line, row in filled[1:]:
        if any(row[len(headings) :]):
            raise InputError(file, "a cell beyond the last heading", "every cell under a heading", row=line)
        rows.append([*row, *[""] * len(headings)][: len(headings)])
    columns = tuple(tuple(row[i] for row in rows) for i in range(len(headings)))
    return CsvTable(file, tuple(headings), columns, tuple(line for line, _ in filled[1:]))


def _filled_rows(file: str | PathLike[str], sheet: Any) -> Iterator[tuple[int, list[str]]]:
    """Yield number and cells of the rows that hold anything. Raises InputError for cells far outside any table."""
    across, down = sheet.max_column or 0, sheet.max_row or 0
    cells = 0
    if across * down <= MOST_CELLS:
        for line, row in enumerate(sheet.iter_rows(values_only=True), 1):
            cells += len(row) + 1
            if cells > MOST_CELLS:
                break
            texts = [_text(value) for value in row]
            if any(texts):
                yield line, texts
        else:
            return
    raise InputError(
        file,
        State(f"a sheet of {across} columns and {down} rows, or more"),
        f"a table of at most {MOST_CELLS} cells; delete what stands far below it or to its right",
    )


def _refuse_blown_up(file: str | PathLike[str]) -> None:
    """Raise InputError if a workbook is no ordinary file, or would come to more than LARGEST bytes when unpacked."""
    refuse_endless(file)
    try:
        with zipfile.ZipFile(file) as archive:
            size = sum(part.file_size for part in archive.infolist())
    except (OSError, ValueError, zipfile.BadZipFile):
        return  # openpyxl says what is wrong
    if size > LARGEST:
        raise InputError(file, State(f"{size // 2**20} MiB when unpacked"), f"at most {LARGEST // 2**20} MiB")


def _text(value: object) -> str:
    """Return a cell as it would stand in a CSV sheet."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float) and math.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, datetime.time):  # a phase as hours of a clock face, 4:30, becomes a time of day
        return f"{value.hour}:{value.minute:02}"
    if isinstance(value, float):
        return repr(value)
    return str(value).strip()


def workbook_bytes(sheets: Mapping[str, Sheet], file: str) -> bytes:
    """Return a workbook of sheets, name -> (header, rows). A number goes in as one if it comes out as typed."""
    openpyxl = _openpyxl(file)
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, (header, rows) in sheets.items():
        sheet = book.create_sheet(name)
        sheet.append(list(header))
        for row in rows:
            sheet.append([_value(cell) for cell in row])
            for cell, text in zip(sheet[sheet.max_row], row, strict=True):
                if cell.data_type == "f":  # a text that begins with "=" is a text
                    cell.value, cell.data_type = text, "s"
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _value(text: str) -> str | float | int | None:
    if text == "":
        return None
    for kind in (int, float):
        try:
            value = kind(text)
        except ValueError:
            continue
        # spreadsheets keep 15 digits of a number
        if math.isfinite(value) and abs(value) < 1e15 and _text(float(f"{value:.15g}")) == text:
            return value
    return text
