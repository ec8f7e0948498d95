"""Strict reading of CSV sheets: every cell accounted for, every error names its row and column.

UTF-8, with or without a byte order mark; any line ending; commas. Cells are stripped of
blanks, wholly blank lines are skipped. Row numbers count the lines of the file, the
header being line 1. Columns are converted in bulk, and a cell is looked at on its own only
once its column is known to hold a bad one.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from os import PathLike

import numpy as np
from numpy.typing import NDArray

from trackbal.base.errors import InputError
from trackbal.base.files import read_bytes

LARGEST_FILE = 512 * 1024 * 1024  # bytes; far above any real sheet, below what would exhaust memory
LARGEST_NUMBER = 1e12
STANDARD_INPUT = "-"

Row = tuple[int, tuple[str, ...]]  # line of the file, cells

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NO_PART_OF_NUMBERS = re.compile(r"[^0-9eE+.\-\n]")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_WHOLE = re.compile(r"[0-9]{1,9}")

#: Hours of a clock face -> degrees, 30 an hour, 12:00 = 0; one-digit hours with and without a leading 0.
CLOCK_DEG = {
    f"{hour:{width}}:{minute:02}": (hour % 12) * 30.0 + minute / 2.0
    for hour in range(13)
    for minute in range(60)
    for width in ("", "02")
}


@dataclass(frozen=True)
class NumberKind:
    """What the numbers of a column may be: least <= number <= most."""

    expected: str
    least: float = -LARGEST_NUMBER
    most: float = LARGEST_NUMBER
    clock: bool = False  # hours of a clock face are read too, as degrees


NUMBER = NumberKind("a number")


@dataclass(frozen=True)
class CsvTable:
    """The cells of a sheet, column by column.

    Parameters
    ----------
    source : str or path
        The file, for messages.
    headings : tuple of str
        All different, none empty.
    columns : tuple of tuple of str
        The stripped cells of each heading.
    lines : tuple of int
        The line of the file each row starts on.
    """

    source: str | PathLike[str]
    headings: tuple[str, ...]
    columns: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]

    @classmethod
    def load(cls, file: str | PathLike[str]) -> CsvTable:
        """Read a sheet, from standard input if the file is "-".

        Raises
        ------
        InputError
            If it cannot be read or is no proper CSV sheet.
        """
        data = sys.stdin.buffer.read(LARGEST_FILE + 1) if file == STANDARD_INPUT else None
        if data is None:
            data = read_bytes(file, "a CSV file that can be read", LARGEST_FILE)
        file = "standard input" if file == STANDARD_INPUT else file
        found = parsed_rows(file, io.StringIO(_text_of(file, data), newline=""))
        headings = header_of(file, found)
        return cls.of_rows(file, headings, list(found))

    @classmethod
    def of_rows(cls, source: str | PathLike[str], headings: tuple[str, ...], rows: Sequence[Row]) -> CsvTable:
        """Return the table of some rows, each of as many cells as there are headings."""
        stripped = (tuple(map(str.strip, column)) for column in zip(*(cells for _, cells in rows), strict=True))
        columns = tuple(map(unguarded, stripped))
        return cls(source, headings, columns or ((),) * len(headings), tuple(line for line, _ in rows))

    @property
    def rows(self) -> int:
        """Number of rows below the header."""
        return len(self.lines)

    def error(self, row: int | None, column: int | None, found: object, expected: str) -> InputError:
        """Return the InputError for a row (counted from 0 below the header; None: the header) and column."""
        line = 1 if row is None else self.lines[row]
        heading = None if column is None else self.headings[column]
        return InputError(self.source, found, expected, row=line, column=heading)

    def bad_cell(self, row: int, column: int, expected: str) -> InputError:
        """Return the InputError for the value of one cell."""
        return self.error(row, column, self.columns[column][row] or "an empty cell", expected)

    def require(self, names: Sequence[str], sheet: str) -> list[int]:
        """Return the positions of columns that must be there, all and no others allowed.

        Raises
        ------
        InputError
            For the first heading that is not one of the names, or a name without its column.
        """
        for i, heading in enumerate(self.headings):
            if heading not in names:
                expected = f"the columns {', '.join(names)} of {sheet}"
                raise self.error(None, i, heading, expected + near(heading, names))
        return [self.position(name, sheet) for name in names]

    def position(self, name: str, sheet: str) -> int:
        """Return the position of a column that must be there.

        Raises
        ------
        InputError
            If there is no such column.
        """
        if name not in self.headings:
            raise InputError(self.source, f"no column {name}", f"one, as in {sheet}", row=1)
        return self.headings.index(name)

    def choices(self, column: int, names: Sequence[str], what: str) -> NDArray[np.int_]:
        """Return the index into `names` of every cell of a column, shape (rows,).

        Raises
        ------
        InputError
            For the first cell that is none of the names.
        """
        index = {name: i for i, name in enumerate(names)}
        cells = self.columns[column]
        found = [index.get(cell, -1) for cell in cells]
        if -1 in found:
            row = found.index(-1)
            known = f": {', '.join(names)}" if len(names) <= 12 else ""
            article = "an" if what[0] in "aeiou" else "a"
            raise self.bad_cell(row, column, f"{article} {what} of the rotor{known}{near(cells[row], names)}")
        return np.array(found, dtype=int)

    def numbers(self, column: int, kind: NumberKind, *, empty: bool = True) -> NDArray[np.float64]:
        """Return the numbers of a column, shape (rows,); nan for an empty cell, where `empty` allows one.

        Raises
        ------
        InputError
            For the first cell that is no number, is out of bounds, or is empty and must not be.
        """
        cells = self.columns[column]
        values = _convert(cells, kind.clock)
        if values is None:
            row = next(i for i, cell in enumerate(cells) if not _is_number(cell, kind.clock))
            if _DECIMAL_COMMA.fullmatch(cells[row]):
                raise self.bad_cell(row, column, f"{kind.expected}, with a decimal point and no commas")
            raise self.bad_cell(row, column, kind.expected)
        wrong = (values < kind.least) | (values > kind.most)
        if not empty:
            wrong |= np.isnan(values)
        if wrong.any():
            raise self.bad_cell(int(np.argmax(wrong)), column, kind.expected)
        return values

    def whole_numbers(self, column: int, what: str, least: int) -> list[int]:
        """Return the whole numbers of a column, every cell given and at least `least`.

        Raises
        ------
        InputError
            For the first cell that is no such number.
        """
        cells = self.columns[column]
        for row, cell in enumerate(cells):
            if not _WHOLE.fullmatch(cell) or int(cell) < least:
                raise self.bad_cell(row, column, f"{what}, a whole number of at least {least}")
        return list(map(int, cells))

    def texts(self, column: int) -> list[str]:
        r"""Return the texts of a column, line breaks inside a cell as ``\n``."""
        return [cell.replace("\r\n", "\n").replace("\r", "\n") for cell in self.columns[column]]


#: What a spreadsheet would take for a formula and run, with the marks that were set before such texts.
_FORMULA = re.compile(r"'*[=+\-@\t\r]")


def guarded(cell: str) -> str:
    """Return a cell as it is written: a text that a spreadsheet would run as a formula behind an apostrophe."""
    if cell and cell[0] in "'=+-@\t\r" and _FORMULA.match(cell) and not _NUMBER.fullmatch(cell):
        return f"'{cell}"
    return cell


def unguarded(cells: tuple[str, ...]) -> tuple[str, ...]:
    """Return cells as they were before `guarded`."""
    if "'" not in "".join(cells):  # of millions of rows hardly any holds one
        return cells
    return tuple(c[1:] if c.startswith("'") and _FORMULA.match(c[1:]) else c for c in cells)


def near(name: str, choices: Sequence[str]) -> str:
    """Return "; did you mean ...?" if a choice is close to the name, else nothing."""
    if len(name) > 80:  # the comparison takes time that grows with the square of the length
        return ""
    by_case = {choice.casefold(): choice for choice in choices}
    close = difflib.get_close_matches(name.casefold(), by_case, n=1)
    return f"; did you mean {by_case[close[0]]}?" if close else ""


def _text_of(file: str | PathLike[str], data: bytes) -> str:
    if len(data) > LARGEST_FILE:
        raise InputError(file, "a larger file", f"a sheet of at most {LARGEST_FILE // 2**20} MiB")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(file, f"byte 0x{data[error.start]:02x}", "text in UTF-8; save it as such", row=line) from None


def parsed_rows(file: str | PathLike[str], stream: Iterable[str]) -> Iterator[Row]:
    """Yield line and cells of every row that is not blank, all as wide as the first, which is the header.

    Raises InputError where the text is no proper CSV sheet.
    """
    reader = csv.reader(stream, strict=True, skipinitialspace=True)
    width, line = 0, 1
    try:
        for row in reader:
            if any(map(str.strip, row)):
                width = width or len(row)
                if len(row) != width:
                    raise InputError(file, f"{len(row)} cells", f"{width}, as many as the header has columns", row=line)
                yield line, tuple(row)  # the garbage collector need not walk tuples of text, as it would lists
            line = reader.line_num + 1
    except csv.Error as error:
        raise InputError(file, str(error), "comma-separated cells, quotation marks in pairs", row=line) from None
    except UnicodeDecodeError as error:  # of a stream that decodes as it is read
        raise InputError(file, error.reason, "text in UTF-8; save it as such", row=line) from None


def header_of(file: str | PathLike[str], rows: Iterator[Row]) -> tuple[str, ...]:
    """Return the headings, from the first of some rows. Raises InputError for a header that is none."""
    first = next(rows, None)
    if first is None:
        raise InputError(file, "an empty file", "a header line and rows below it")
    line, headings = first[0], tuple(map(str.strip, first[1]))
    if len(headings) == 1 and (";" in headings[0] or "\t" in headings[0]):
        raise InputError(file, headings[0], "columns separated by commas", row=line)
    for i, heading in enumerate(headings):
        if not heading:
            raise InputError(file, "an empty heading", f"a name over column {i + 1}, or no such column", row=line)
        if heading in headings[:i]:
            raise InputError(file, heading, "every column once", row=line, column=heading)
    return headings


def _convert(cells: Sequence[str], clock: bool) -> NDArray[np.float64] | None:
    """Return the cells as numbers, nan for empty ones; None if any is not a number."""
    joined = "\n".join(cells)
    found: Sequence[str | float] = cells
    if clock and ":" in joined:
        found = [CLOCK_DEG.get(cell, cell) for cell in cells]
        joined = "\n".join(cell for cell in found if isinstance(cell, str))
    if _NO_PART_OF_NUMBERS.search(joined):
        return None
    try:
        return np.array([float(cell) if cell != "" else np.nan for cell in found], dtype=float)
    except ValueError:
        return None


def _is_number(cell: str, clock: bool) -> bool:
    return cell == "" or _NUMBER.fullmatch(cell) is not None or (clock and cell in CLOCK_DEG)
