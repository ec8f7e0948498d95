"""A table as it stands in a file, cell by cell: .csv with any separator and encoding, or .xlsx."""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections import Counter
from dataclasses import dataclass
from os import PathLike, fspath
from pathlib import Path

from trackbal.base.errors import InputError

File = str | PathLike[str]

LARGEST_FILE = 64 * 1024 * 1024  # bytes; an analyst's table, not a fleet's history of years
SEPARATORS = (",", ";", "\t", "|")
_NUMBER_WITH_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_NUMBER_WITH_POINT = re.compile(r"[+-]?[0-9]+\.[0-9]+")


@dataclass(frozen=True)
class RawTable:
    """The cells of a file as text, and how they were read.

    Parameters
    ----------
    cells : tuple of tuple of str
        Row by row, as wide as the widest; row i is line i + 1 of the file.
    separator, encoding : str
        "" of a workbook.
    decimal : str
        The sign before decimals, "." or ",", by what most numbers have.
    mixed : bool
        Whether both signs stand in numbers.
    """

    source: str
    cells: tuple[tuple[str, ...], ...]
    separator: str
    encoding: str
    decimal: str
    mixed: bool


def read_table(
    file: File,
    *,
    sheet: str | None = None,
    separator: str | None = None,
    encoding: str | None = None,
    decimal: str | None = None,
) -> RawTable:
    """Read a table; what is not said is found out.

    Parameters
    ----------
    sheet : str, optional
        Of a workbook; the first without it.
    separator, encoding, decimal : str, optional

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    if Path(file).suffix.casefold() in (".xlsx", ".xlsm"):
        cells, found_separator, found_encoding = _workbook(file, sheet), "", ""
    else:
        text, found_encoding = _text(file, encoding)
        found_separator = separator or _separator(text)
        cells = _rows(file, text, found_separator)
    if not any(any(row) for row in cells):
        raise InputError(file, "an empty table", "a row of headings and rows below it")
    flat = [cell for row in cells for cell in row]
    commas = sum(bool(_NUMBER_WITH_COMMA.search(cell)) for cell in flat)
    points = sum(bool(_NUMBER_WITH_POINT.search(cell)) for cell in flat)
    guessed = "," if commas > points else "."
    return RawTable(fspath(file), cells, found_separator, found_encoding, decimal or guessed, min(commas, points) > 0)


def _text(file: File, encoding: str | None) -> tuple[str, str]:
    try:
        with Path(file).open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise InputError(file, getattr(error, "strerror", None) or str(error), "a table that can be read") from None
    if len(data) > LARGEST_FILE:
        raise InputError(file, "a larger file", f"a table of at most {LARGEST_FILE // 2**20} MiB")
    if encoding is None:
        marks = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
        encoding = next((name for mark, name in marks if data.startswith(mark)), None)
    for name in (encoding,) if encoding else ("utf-8", "cp1252", "latin-1"):
        try:
            return data.decode(name), name
        except UnicodeDecodeError:
            continue
        except LookupError:
            raise InputError(file, name, "an encoding Python knows, as utf-8 or cp1252", column="encoding") from None
    raise InputError(file, "bytes that are no such text", f"text in {encoding}; say which with encoding in the map")


def _separator(text: str) -> str:
    """Return the separator that cuts most lines into the same number of cells, more than one."""
    lines = [line for line in text.splitlines()[:200] if line.strip()]
    best, score = ",", (0.0, 0)
    for sign in SEPARATORS:
        counts = Counter(len(row) for row in csv.reader(lines, delimiter=sign) if len(row) > 1)
        if counts:
            width, times = max(counts.items(), key=lambda item: (item[1], item[0]))
            if (times / len(lines), width) > score:
                best, score = sign, (times / len(lines), width)
    return best


def _rows(file: File, text: str, separator: str) -> tuple[tuple[str, ...], ...]:
    import pandas as pd

    if "\x00" in text:
        raise InputError(file, "a null byte", "text; say which with encoding in the map")
    try:
        width = max((len(row) for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator)), default=1)
        frame = pd.read_csv(
            io.StringIO(text),
            sep=separator,
            header=None,
            names=list(range(max(width, 1))),
            index_col=False,
            dtype=str,
            keep_default_na=False,
            na_values=[],
            skip_blank_lines=False,
            skipinitialspace=True,
        )
    except (csv.Error, ValueError) as error:  # pandas' parser errors are ValueErrors
        raise InputError(file, str(error).strip() or "nothing", "rows of cells between separators") from None
    return _padded([[_cell(value) for value in row] for row in frame.itertuples(index=False)])


def _workbook(file: File, sheet: str | None) -> tuple[tuple[str, ...], ...]:
    import pandas as pd

    try:
        frame = pd.read_excel(file, sheet_name=0 if sheet is None else sheet, header=None, dtype=object)
    except ImportError:
        expected = "it installed to read .xlsx: pip install 'trackbal[xlsx]'"
        raise InputError(file, "no openpyxl", expected) from None
    except OSError as error:
        raise InputError(file, error.strerror or str(error), "a workbook that can be read") from None
    except Exception as error:  # the readers below let through whatever a damaged archive raises
        raise InputError(file, str(error) or type(error).__name__, "an .xlsx workbook with such a sheet") from None
    return _padded([[_cell(value) for value in row] for row in frame.itertuples(index=False)])


def _padded(rows: list[list[str]]) -> tuple[tuple[str, ...], ...]:
    width = max(map(len, rows), default=0)
    return tuple(tuple(row + [""] * (width - len(row))) for row in rows)


def _cell(value: object) -> str:
    """Return a cell as a person would have typed it."""
    if value is None or value != value:  # nan
        return ""
    if isinstance(value, datetime.datetime):
        return value.isoformat(sep="T").removesuffix("T00:00:00")
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, datetime.time):  # 4:30 of a clock face becomes a time of day in a spreadsheet
        return f"{value.hour}:{value.minute:02}"
    if isinstance(value, float):
        return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
    return str(value).replace("\u00a0", " ").strip()


def letter(column: int) -> str:
    """Return the name spreadsheets give a column counted from 0: A, B ... Z, AA."""
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(ord("A") + rest) + name
    return name
