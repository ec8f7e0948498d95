"""A logbook's readings and adjustments as the sheets of the contract, and back; and as a history to fit."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from trackbal.base.csv_table import CsvTable
from trackbal.base.errors import InputError, State
from trackbal.base.phasor import phase_deg
from trackbal.logbook.entries import add_import, check_rows, rotor_of
from trackbal.logbook.records import Items, load_rotor
from trackbal.logbook.renewal import refuse_other_meaning
from trackbal.logbook.rows import Cell, Row, heading, read_typed_rows, rows_of_sheet, says_whose
from trackbal.logbook.sheets import items_of_table
from trackbal.logbook.store import Book, reads_record
from trackbal.logbook.workbook import Sheet
from trackbal.runs.copies import with_copies, without_copied_rows
from trackbal.runs.identity import read_date
from trackbal.runs.readings import GROUP, average
from trackbal.runs.repeats import odd_repeats
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History
from trackbal.runs.sheets import history_of


@dataclass(frozen=True)
class JobRows:
    """One job's finished runs and adjustments as typed.

    Parameters
    ----------
    runs : tuple of tuple of Row
    done : tuple of Items
        Adjustments done after each run.
    as_found : Items
    recorded : tuple of str
        When each run was entered (ISO 8601); "" of a run taken in from elsewhere.
    """

    name: str
    aircraft: str
    runs: tuple[tuple[Row, ...], ...]
    done: tuple[Items, ...]
    as_found: Items
    recorded: tuple[str, ...]

    def whose(self, run: int) -> dict[str, str]:
        """Return what says whose run it is, by index: aircraft, date and groups; as typed, else as recorded."""
        said = {name: cell.text for row in self.runs[run] for name, cell in row.items() if says_whose(name)}
        date = {"date": self.recorded[run]} if self.recorded[run] else {}
        return {"aircraft": self.aircraft} | date | said


@reads_record
def load_all(book: Book, rotor: str, job: str | None = None) -> list[JobRows]:
    """Return every job of a rotor that has a finished run, or one job by name, in few queries.

    Raises InputError where another program has put in what does not fit together.
    """
    only, values = ("AND job.name = ?", (rotor, job)) if job is not None else ("", (rotor,))
    its_jobs = f"job.rotor = ? {only}"
    finished = "(SELECT state FROM run_state s WHERE s.run = run.entry ORDER BY s.entry DESC LIMIT 1) = 'finished'"
    with book.reading():
        jobs = book.all(
            "SELECT job.entry, name, aircraft, why IS NULL OR why NOT LIKE 'imported from %' FROM job "
            f"JOIN entry ON entry.id = job.entry WHERE {its_jobs} ORDER BY job.entry",
            values,
        )
        runs = book.all(
            "SELECT run.entry, run.job, at FROM run JOIN entry ON entry.id = run.entry "
            f"JOIN job ON job.entry = run.job WHERE {its_jobs} AND {finished} ORDER BY run.entry",
            values,
        )
        cells = book.all(
            "SELECT r.run, line, quantity, unit, value FROM reading r JOIN run ON run.entry = r.run "
            f"JOIN job ON job.entry = run.job WHERE {its_jobs} ORDER BY r.run, line, r.entry, quantity",
            values,
        )
        done = book.all(
            "SELECT run.job, a.run, blade, adjuster, amount FROM adjustment a JOIN run ON run.entry = a.run "
            f"JOIN job ON job.entry = run.job WHERE {its_jobs} ORDER BY a.entry",
            values,
        )
        settings = book.all(
            f"SELECT s.job, blade, adjuster, setting FROM setting s JOIN job ON job.entry = s.job WHERE {its_jobs} "
            "ORDER BY s.entry",
            values,
        )
    if bytes in {type(cell[-1]) for cell in cells} | {type(text) for job in jobs for text in job}:
        raise TypeError("a text that is none")  # put there by another program
    rows = _rows_by_run(cells)
    runs_of: dict[int, list[int]] = {}
    at: dict[int, str] = {}
    for run, job_entry, when in runs:
        runs_of.setdefault(job_entry, []).append(run)
        at[run] = when
    done_of = _items_by_run(done, runs_of)
    found_of: dict[int, Items] = {}
    for job_entry, blade, adjuster, text in settings:
        found_of.setdefault(job_entry, {})[blade, adjuster] = text
    return [
        JobRows(
            name,
            aircraft,
            tuple(rows[run] for run in runs_of[entry]),
            tuple(done_of.get(run, {}) for run in runs_of[entry]),
            found_of.get(entry, {}),
            tuple(at[run] if has_aircraft else "" for run in runs_of[entry]),
        )
        for entry, name, aircraft, has_aircraft in jobs
        if entry in runs_of
    ]


def _rows_by_run(cells: Iterable[tuple[int, int, str, str | None, str]]) -> dict[int, tuple[Row, ...]]:
    rows: dict[int, tuple[Row, ...]] = {}
    for run, of_run in groupby(cells, key=lambda cell: cell[0]):
        lines: dict[int, Row] = {}
        for _, line, quantity, unit, value in of_run:
            row = lines.setdefault(line, {})
            if value:
                row[quantity] = Cell(value, unit)
            else:
                row.pop(quantity, None)
        rows[run] = tuple(row for row in lines.values() if row)
    return rows


def _items_by_run(done: Iterable[tuple[int, int, str, str, str]], runs_of: dict[int, list[int]]) -> dict[int, Items]:
    """Return what was done by the last finished run before it; what was done before a first run is left out."""
    latest: dict[tuple[int, int], Items] = {}
    for job, run, blade, adjuster, amount in done:
        latest.setdefault((job, run), {})[blade, adjuster] = amount
    by_run: dict[int, Items] = {}
    for (job, run), items in sorted(latest.items()):
        # a run withdrawn later hands its adjustments on to the finished run before it
        before = [r for r in runs_of.get(job, []) if r <= run]
        if not before:
            continue
        into = by_run.setdefault(before[-1], {})
        for place, amount in items.items():
            into[place] = amount if place not in into else _sum(into[place], amount)
    return {run: {place: text for place, text in items.items() if float(text)} for run, items in by_run.items()}


def _sum(one: str, other: str) -> str:
    from decimal import Decimal

    return format(Decimal(one) + Decimal(other), "f")


# ------------------------------------------------------------------------------ to arrays


def refuse_copies(files: Sequence[str], rotor: str | None = None) -> None:
    """Raise InputError if a logbook is given twice, or two hold the very same job (of a rotor, where one is named)."""
    real = [os.path.realpath(file) for file in files]
    held: dict[str, str] = {}
    for i, file in enumerate(files):
        if real[i] in real[:i]:
            raise InputError(file, "the same logbook again", "each logbook once")
        if len(files) == 1:
            return
        with Book.open(file) as book:
            names = [name for (name,) in book.all("SELECT DISTINCT rotor FROM job ORDER BY rotor")]
            jobs = [(name, job) for name in names if rotor in (None, name) for job in load_all(book, name)]
        for name, job in jobs:
            other = held.setdefault(repr((name, job.runs, job.done)), file)
            if other != file:
                raise InputError(file, f"job {job.name}, as it stands in {other}", "each job in one logbook only")


def read_logbooks(rotor: Rotor, files: Sequence[str]) -> History:
    """Return the history that logbooks hold of a rotor, as `trackbal.runs.sheets.read_history` gives it.

    Jobs of the same name in several logbooks are told apart by the file.

    Raises
    ------
    InputError
        If a file is given twice or is no logbook, if two hold the very same job (one is a copy), none has a run of
        this rotor, or the rotor would give what they hold another meaning than it was entered with.
    """
    jobs: list[tuple[str, JobRows]] = []
    refuse_copies(files, rotor.name)
    for file in files:
        with Book.open(file) as book:
            records = load_all(book, rotor.name)
            if records:
                refuse_other_meaning(book, load_rotor(book, rotor.name), rotor, f"the rotor file given with {file}")
        jobs += [(file, job) for job in records]
    source = ", ".join(files)
    taken = Counter(job.name for _, job in jobs)
    if not jobs:
        raise InputError(source, State(f"no finished run of {rotor.name}"), "a logbook with jobs of this rotor")
    rows = [row for _, job in jobs for run in job.runs for row in run]
    per_run = [len(run) for _, job in jobs for run in job.runs]
    regime, readings = read_typed_rows(rotor, rows, source)
    run_of_row = np.repeat(np.arange(len(per_run)), per_run)
    count, regimes = len(per_run), len(rotor.regimes)
    job_names = tuple(f"{file}: {job.name}" if taken[job.name] > 1 else job.name for file, job in jobs)
    runs = [(name, t) for name, (_, job) in zip(job_names, jobs, strict=True) for t in range(1, len(job.runs) + 1)]
    job_of_run = np.repeat(np.arange(len(jobs)), [len(job.runs) for _, job in jobs])
    only = without_copied_rows(readings, run_of_row, regime, regimes, job_of_run, runs)
    means = average(rotor, only.rows, only.group, only.regime, count * regimes)
    whose = [job.whose(t) for _, job in jobs for t in range(len(job.runs))]
    groups = sorted({name for said in whose for name in said if name.startswith(GROUP)})
    history = History(
        jobs=job_names,
        job=job_of_run,
        run=np.array([t for _, t in runs]),
        **means.by_run(count, regimes),
        change=np.concatenate([_changes(rotor, job) for _, job in jobs]),
        source=source,
        aircraft=tuple(job.aircraft for _, job in jobs),
        date=np.array([read_date(said.get("date", "")) or np.datetime64("NaT") for said in whose], "datetime64[s]"),
        groups=tuple(name.removeprefix(GROUP) for name in groups),
        group=np.array([[said.get(name, "") for name in groups] for said in whose], dtype=object),
        odd=odd_repeats(rotor, only.rows, only.group, only.regime, runs),
    )
    return with_copies(history, only)


def _changes(rotor: Rotor, job: JobRows) -> np.ndarray:
    adjuster_at = {a.name: i for i, a in enumerate(rotor.adjusters)}
    blade_at = {b: i for i, b in enumerate(rotor.blades)}
    change = np.zeros((len(job.runs), len(adjuster_at), len(blade_at)))
    for t, items in enumerate(job.done[:-1], 1):
        for (blade, adjuster), text in items.items():
            change[t, adjuster_at[adjuster], blade_at[blade]] = float(text)
    return change.cumsum(axis=0)


# ------------------------------------------------------------------------------ out


def history_sheets(rotor: Rotor, jobs: Sequence[JobRows], source: str) -> tuple[Sheet, Sheet, Sheet]:
    """Return the runs, adjustments and settings-as-found sheets of jobs, each (header, rows).

    Cells stand as they were typed. Where one reading was typed in several units, the
    rows in another than the rotor's are converted, as a sheet has one unit a column.
    """
    rows = [(job.name, str(t + 1), job.whose(t), row) for job in jobs for t, run in enumerate(job.runs) for row in run]
    typed = _one_unit_a_column(rotor, [row for *_, row in rows], source)
    names = {name for row in typed for name in row if not says_whose(name)}
    said = {name for _, _, whose, _ in rows for name in whose}
    of_whom = ["aircraft", *(["date"] if "date" in said else []), *sorted(n for n in said if n.startswith(GROUP))]
    order = ["regime", "rpm", *(f"{s.name}.{part}" for s in rotor.sensors for part in ("amp", "deg"))]
    order += [*(f"height.{blade}" for blade in rotor.blades), "note"]
    columns = [n for n in order if n in names or n == "regime"]
    columns += sorted(n for n in names if n.startswith("info."))
    units = {n: next((row[n].unit for row in typed if n in row), None) for n in columns}
    body = []
    for (job, run, whose, _), row in zip(rows, typed, strict=True):
        cells = {n: cell.text for n, cell in row.items()}
        body.append((job, run, *(whose.get(n, "") for n in of_whom), *(cells.get(n, "") for n in columns)))
    header = ("job", "run", *of_whom, *(heading(n, units[n]) for n in columns))
    made = [
        (job.name, str(t), blade, adjuster, text)
        for job in jobs
        for t, items in enumerate(job.done, 1)
        for (blade, adjuster), text in _in_order(rotor, items)
    ]
    found = [
        (job.name, blade, adjuster, text) for job in jobs for (blade, adjuster), text in _in_order(rotor, job.as_found)
    ]
    return (
        (header, body),
        (("job", "after_run", "blade", "adjuster", "amount"), made),
        (("job", "blade", "adjuster", "setting"), found),
    )


def _in_order(rotor: Rotor, items: Items) -> list[tuple[tuple[str, str], str]]:
    adjusters = [a.name for a in rotor.adjusters]
    return sorted(items.items(), key=lambda item: (rotor.blades.index(item[0][0]), adjusters.index(item[0][1])))


def _one_unit_a_column(rotor: Rotor, rows: Sequence[Row], source: str) -> list[Row]:
    """Return rows in which every quantity has one unit throughout."""
    units: dict[str, set[str | None]] = {}
    for row in rows:
        for name, cell in row.items():
            units.setdefault(name, set()).add(cell.unit)
    mixed = {name for name, found in units.items() if len(found) > 1}
    if not mixed:
        return list(rows)
    _, readings = read_typed_rows(rotor, rows, source)
    degrees = phase_deg(readings.vibration, rotor.phase_sense)
    result = []
    for i, row in enumerate(rows):
        turned = dict(row)
        for name in mixed & set(row):
            stem, _, part = name.rpartition(".")
            if stem == "height":
                column_unit, value = rotor.height_unit, readings.height[i, rotor.blades.index(part)]
            else:
                s = rotor.sensor_index(stem)
                column_unit, value = rotor.sensors[s].unit, abs(readings.vibration[i, s])
            if row[name].unit in (None, column_unit):
                turned[name] = Cell(row[name].text)
                continue
            turned[name] = Cell(repr(float(value)))
            if stem != "height" and f"{stem}.deg" in row:
                turned[f"{stem}.deg"] = Cell(repr(float(degrees[i, rotor.sensor_index(stem)])))
        result.append(turned)
    return result


# ------------------------------------------------------------------------------ in


def import_history(
    book: Book,
    runs: CsvTable,
    adjustments: CsvTable,
    settings: CsvTable | None,
    author: str,
    *,
    rotor_name: str | None = None,
) -> tuple[list[str], History]:
    """Add the jobs of a history to a logbook, closed; all of them or none. Return their names, and the history.

    The aircraft of a job is what its rows say in the column aircraft, else the job's name.

    Raises
    ------
    InputError
        Naming file, row and column; also if a job's name is taken.
    """
    with book.writing():
        rotor = load_rotor(book, rotor_of(book, rotor_name))
        history = history_of(rotor, runs, adjustments)  # refuses what cannot be read, naming row and column
        jobs = _jobs_of_sheets(rotor, runs, adjustments, settings)
        for job in jobs:
            if book.one("SELECT 1 FROM job WHERE name = ?", (job.name,)):
                raise InputError(runs.source, job.name, "names of jobs that are not in the logbook yet", column="job")
            add_import(
                book, rotor.name, job.name, job.aircraft, job.runs, job.done, job.as_found, str(runs.source), author
            )
    return [job.name for job in jobs], history


def _jobs_of_sheets(rotor: Rotor, runs: CsvTable, adjustments: CsvTable, settings: CsvTable | None) -> list[JobRows]:
    number = runs.whole_numbers(runs.position("run", "a history sheet"), "the run of the job", 1)
    by_job: dict[str, dict[int, list[Row]]] = {}
    for i, row in enumerate(rows_of_sheet(runs)):
        name = row.pop("job").text
        row.pop("run")
        by_job.setdefault(name, {}).setdefault(number[i], []).append(row)
    done = _items_by_job_and_run(rotor, adjustments)
    found = _settings_by_job(rotor, settings, by_job) if settings is not None else {}
    jobs = []
    for name, by_run in by_job.items():
        aircraft = by_run[1][0].get("aircraft", Cell(name)).text
        for t, rows in sorted(by_run.items()):
            for i, row in enumerate(rows):
                for quantity in [q for q in row if q == "aircraft" or (i > 0 and says_whose(q))]:
                    del row[quantity]  # the first row says it for all
            check_rows(rotor, rows, f"{runs.source}, job {name}, run {t}")
        jobs.append(
            JobRows(
                name,
                aircraft,
                tuple(tuple(by_run[t]) for t in sorted(by_run)),
                tuple(done.get((name, t), {}) for t in sorted(by_run)),
                found.get(name, {}),
                ("",) * len(by_run),
            )
        )
    return jobs


def _items_by_job_and_run(rotor: Rotor, table: CsvTable) -> dict[tuple[str, int], Items]:
    sheet = "a history's adjustments sheet"
    after = table.whole_numbers(table.position("after_run", sheet), "the run after which it was made", 1)
    grouped: dict[tuple[str, int], list[int]] = {}
    for row, name in enumerate(table.columns[table.position("job", sheet)]):
        grouped.setdefault((name, after[row]), []).append(row)
    return {
        place: items_of_table(rotor, _part(table, rows, ("job", "after_run")), "amount")
        for place, rows in grouped.items()
    }


def _settings_by_job(rotor: Rotor, table: CsvTable, jobs: dict[str, dict[int, list[Row]]]) -> dict[str, Items]:
    table.require(("job", "blade", "adjuster", "setting"), "a history's settings sheet")
    job_at = table.position("job", "a history's settings sheet")
    grouped: dict[str, list[int]] = {}
    for row, name in enumerate(table.columns[job_at]):
        if name not in jobs:
            raise table.bad_cell(row, job_at, "a job of the history sheet")
        grouped.setdefault(name, []).append(row)
    return {name: items_of_table(rotor, _part(table, rows, ("job",)), "setting") for name, rows in grouped.items()}


def _part(table: CsvTable, rows: Sequence[int], without: Sequence[str]) -> CsvTable:
    """Return some rows of a table without some columns; messages still name the lines of the file."""
    kept = [i for i, name in enumerate(table.headings) if name not in without]
    return CsvTable(
        table.source,
        tuple(table.headings[i] for i in kept),
        tuple(tuple(table.columns[i][row] for row in rows) for i in kept),
        tuple(table.lines[row] for row in rows),
    )
