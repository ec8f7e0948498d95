"""A history sheet of any length, read some jobs at a time.

The rows of a job must stand together; jobs may be in any order, adjustments too. Memory
holds one piece of the history, and the adjustments of jobs not yet read.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import chain
from os import PathLike
from pathlib import Path
from typing import TextIO

from trackbal.base.csv_table import CsvTable, Row, header_of, parsed_rows
from trackbal.base.errors import InputError
from trackbal.base.files import refuse_endless
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History
from trackbal.runs.sheets import history_of

ROWS = 20_000  # of a piece, about: tens of megabytes while it is worked on

File = str | PathLike[str]


def history_pieces(
    rotor: Rotor,
    runs_file: File,
    adjustments_file: File,
    rows: int = ROWS,
    progress: Callable[[float], None] | None = None,
) -> Iterator[History]:
    """Yield the history piece by piece, each of whole jobs.

    Parameters
    ----------
    rows : int
        Rows of a piece, at least; it goes on to the end of its last job.
    progress : callable, optional
        Called with the share of the history sheet that has been read, 0 to 1.

    Raises
    ------
    InputError
        As read_history; and where the rows of a job do not stand together.
    """
    headings, changes = _changes_by_job(adjustments_file)
    size = max(_size(runs_file), 1)
    with ExitStack() as stack:
        stream = stack.enter_context(_opened(runs_file))
        found = parsed_rows(runs_file, stream)
        header = header_of(runs_file, found)
        if "job" not in header:
            raise InputError(runs_file, "no column job", "one, as in a history sheet", row=1)
        at = header.index("job")
        done: set[str] = set()
        for piece in _pieces(found, at, rows):
            jobs = list(dict.fromkeys(cells[at].strip() for _, cells in piece))
            for job in jobs:
                if job in done:
                    line = next(line for line, cells in piece if cells[at].strip() == job)
                    raise InputError(runs_file, job, "the rows of a job all together", row=line, column="job")
            done.update(jobs)
            made = list(chain.from_iterable(changes.pop(job, ()) for job in jobs))
            table = CsvTable.of_rows(runs_file, header, piece)
            yield history_of(rotor, table, CsvTable.of_rows(adjustments_file, headings, made))
            if progress is not None:
                progress(min(1.0, stream.buffer.tell() / size))
    if not done:
        raise InputError(runs_file, "no readings", "at least one row with a reading that counts")
    for job, lines_of_job in changes.items():
        raise InputError(adjustments_file, job, "a job of the history sheet", row=lines_of_job[0][0], column="job")


def _pieces(found: Iterator[Row], at: int, rows: int) -> Iterator[list[Row]]:
    piece: list[Row] = []
    last = ""
    for line, cells in found:
        job = cells[at].strip()
        if len(piece) >= rows and job != last:
            yield piece
            piece = []
        piece.append((line, cells))
        last = job
    if piece:
        yield piece


def _changes_by_job(file: File) -> tuple[tuple[str, ...], dict[str, list[Row]]]:
    """Return the headings and, job by job, the rows of an adjustments sheet."""
    changes: dict[str, list[Row]] = {}
    with _opened(file) as stream:
        found = parsed_rows(file, stream)
        headings = header_of(file, found)
        at = headings.index("job") if "job" in headings else 0
        for line, cells in found:
            # the same few blades, adjusters and amounts stand in all rows
            changes.setdefault(sys.intern(cells[at].strip()), []).append((line, tuple(map(sys.intern, cells))))
    return headings, changes


def _size(file: File) -> int:
    try:
        return Path(file).stat().st_size
    except OSError:
        return 0


def _opened(file: File) -> TextIO:
    refuse_endless(file)
    try:
        return Path(file).open(encoding="utf-8-sig", newline="")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(file, reason, "a CSV file that can be read") from None
