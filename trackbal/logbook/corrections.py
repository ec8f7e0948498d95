"""Corrections: entries that supersede earlier ones, which stay in the file."""

from __future__ import annotations

from trackbal.base.errors import InputError, State
from trackbal.logbook.deeds import check_item
from trackbal.logbook.entries import add_readings, add_settings, check_cell, check_range, check_rows, set_state, the_run
from trackbal.logbook.records import Items, JobRecord, find_job, load_job, load_lines
from trackbal.logbook.rows import Cell, Row
from trackbal.logbook.store import Book


def correct_reading(
    book: Book,
    name: str | None,
    run: int,
    row: tuple[str, int],
    cells: Row,
    author: str,
    why: str | None,
) -> JobRecord:
    """Supersede readings of one row of a finished run; a cell without text takes a reading back.

    Parameters
    ----------
    row : (regime, n)
        The n-th reading of that regime, counted from 1.

    Raises
    ------
    InputError
        If job, run, row or reading is not in the logbook, or a cell cannot be read.
    """
    with book.writing():
        record = load_job(book, find_job(book, name))
        its_run = the_run(record, run)
        place = record.place(its_run)
        lines = load_lines(book, its_run.entry)
        regime, n = row
        known = [line for line, cells_of in lines.items() if cells_of["regime"].text == regime]
        if not 1 <= n <= len(known):
            names = ", ".join(dict.fromkeys(cells_of["regime"].text for cells_of in lines.values()))
            raise InputError(place, State(f"{regime}, reading {n}"), f"a reading of that run: {names}")
        corrected = lines[known[n - 1]]
        cells = _with_phases(cells, corrected)
        for quantity, cell in cells.items():
            check_cell(record.rotor, quantity, cell, place)
            if not cell.text and quantity not in corrected:
                raise InputError(place, State(f"no {quantity} in {regime}"), "a reading to take back")
            corrected[quantity] = cell
            if not cell.text:
                del corrected[quantity]
        check_rows(record.rotor, list(lines.values()), place)
        add_readings(book, record.entry, its_run.entry, [cells], author, why, known[n - 1])
        return load_job(book, record.entry)


def _with_phases(cells: Row, row: Row) -> Row:
    """Return cells that supersede those of a row: with an amplitude its phase is taken back, which means nothing alone.

    An amplitude and its phase may be typed together, as "0.31 124".
    """
    found: Row = {}
    for quantity, cell in cells.items():
        phase = quantity.removesuffix(".amp") + ".deg"
        words = cell.text.split()
        if not quantity.endswith(".amp"):
            found[quantity] = cell
        elif len(words) == 2:
            found |= {quantity: Cell(words[0], cell.unit), phase: Cell(words[1])}
        else:
            found[quantity] = cell
            if not cell.text and quantity in row and phase in row:
                found[phase] = Cell("")
    return found


def correct_setting(
    book: Book, name: str | None, items: Items, author: str, why: str | None, *, anyway: bool
) -> JobRecord:
    """Supersede settings as found at the start of a job."""
    with book.writing():
        record = load_job(book, find_job(book, name))
        for (blade, adjuster), text in items.items():
            value = check_item(record.rotor, (blade, adjuster), text, book.file)
            if not anyway:
                check_range(record.rotor, blade, adjuster, value, book.file)
        add_settings(book, record.entry, items, author, why)
        return load_job(book, record.entry)


def withdraw_run(book: Book, name: str | None, run: int, author: str, why: str | None) -> JobRecord:
    """Take a finished run out of the count; its readings stay in the file."""
    with book.writing():
        record = load_job(book, find_job(book, name))
        its_run = the_run(record, run)
        set_state(book, record.entry, its_run.entry, "dropped", author, why)
        return load_job(book, record.entry)
