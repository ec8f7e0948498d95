"""Whose runs those of a history are: the columns aircraft, date and group.<name>."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from trackbal.base.csv_table import CsvTable
from trackbal.runs.readings import GROUP, Headings
from trackbal.runs.run import Counts, Dates, Texts

EXPECTED_DATE = "a date as 2026-03-31, or with a time of day as 2026-03-31T14:05Z"


def aircraft_of_jobs(table: CsvTable, found: Headings, jobs: tuple[str, ...], job_of_row: Counts) -> tuple[str, ...]:
    """Return whose runs each job holds (`job_of_row`, (rows,)); the job's own name where that is not said.

    Raises
    ------
    InputError
        Where the rows of a job name several.
    """
    if "aircraft" not in found.plain:
        return jobs
    names = _one_text_each(table, found.plain["aircraft"], job_of_row, len(jobs), "job")
    return tuple(name or job for name, job in zip(names, jobs, strict=True))


def dates_of_runs(table: CsvTable, found: Headings, run_of_row: Counts, runs: int) -> Dates:
    """Return when each run was made, shape (runs,); NaT where that is not said.

    Raises
    ------
    InputError
        For a cell that is no date, and where the rows of a run differ.
    """
    dates = np.full(runs, "NaT", dtype="datetime64[s]")
    if "date" not in found.plain:
        return dates
    position = found.plain["date"]
    known = {text: read_date(text) for text in set(table.columns[position])}
    for row, text in enumerate(table.columns[position]):
        if text and known[text] is None:
            raise table.bad_cell(row, position, EXPECTED_DATE)
    texts = _one_text_each(table, position, run_of_row, runs, "run")
    for i, text in enumerate(texts):
        if text:
            dates[i] = known[text]
    return dates


def groups_of_runs(table: CsvTable, found: Headings, run_of_row: Counts, runs: int) -> tuple[tuple[str, ...], Texts]:
    """Return the names of the groupings and what each run belongs to, shape (runs, G).

    Raises
    ------
    InputError
        Where the rows of a run differ.
    """
    group = np.full((runs, len(found.group)), "", dtype=object)
    for g, position in enumerate(found.group.values()):
        group[:, g] = _one_text_each(table, position, run_of_row, runs, "run")
    return tuple(heading.removeprefix(GROUP) for heading in found.group), group


def read_date(text: str) -> np.datetime64 | None:
    """Return an ISO 8601 date or date and time, in UTC where it names a zone; None if it is none."""
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is not None:
            moment = moment.astimezone(UTC).replace(tzinfo=None)
    except (ValueError, OverflowError):
        return None
    return np.datetime64(moment, "s")


def date_text(date: np.datetime64) -> str:
    """Return a date as it stands in a sheet; without the time of day where that is midnight, "" for NaT."""
    if np.isnat(date):
        return ""
    text = str(date.astype("datetime64[s]"))
    return text.removesuffix("T00:00:00")


def _one_text_each(table: CsvTable, position: int, of_row: Counts, count: int, what: str) -> list[str]:
    """Return the text of each job or run; all its rows must say the same."""
    cells = table.columns[position]
    first: list[int] = [-1] * count
    for row, i in enumerate(of_row.tolist()):
        if first[i] < 0:
            first[i] = row
        elif cells[row] != cells[first[i]]:
            said = cells[first[i]] or "an empty cell"
            raise table.bad_cell(row, position, f"{said} as in row {table.lines[first[i]]}, of the same {what}")
    return [cells[row] for row in first]
