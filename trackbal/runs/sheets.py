"""The CSV sheets, in and out: runs, histories, adjustments, settings."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Sequence
from decimal import Decimal
from os import PathLike

import numpy as np
from numpy.typing import NDArray

from trackbal.base.csv_table import NUMBER, CsvTable, guarded
from trackbal.base.errors import InputError, State
from trackbal.base.files import Outputs, write_whole
from trackbal.base.phasor import phase_deg
from trackbal.runs.copies import with_copies, without_copied_rows
from trackbal.runs.identity import aircraft_of_jobs, date_text, dates_of_runs, groups_of_runs
from trackbal.runs.pieces import can_be_fitted, nearest_that_fit
from trackbal.runs.readings import GROUP, RowReadings, average, read_headings, read_rows, singles
from trackbal.runs.repeats import odd_repeats
from trackbal.runs.resumed import resumed
from trackbal.runs.rotor import STEP_SLACK, Rotor
from trackbal.runs.run import Complexes, Counts, History, Reals, ResumedRow, Run

File = str | PathLike[str]


def read_run(rotor: Rotor, file: File) -> Run:
    """Read a run sheet: one row a regime, a repeated regime being a repeated reading.

    Raises
    ------
    InputError
        Naming file, row and column, what was found and what was expected.
    """
    return run_of(rotor, CsvTable.load(file))


def run_of(rotor: Rotor, table: CsvTable) -> Run:
    """Return the run of a sheet. Raises InputError as `read_run`."""
    headings = read_headings(rotor, table, ())
    regime = table.choices(headings.plain["regime"], [r.name for r in rotor.regimes], "regime")
    rows = read_rows(rotor, table, headings, regime)
    names = [rotor.regimes[r].name for r in regime]
    in_order = np.argsort(regime, kind="stable")
    notes = [(name, text) for name, _, text in _texts_of(table, headings.plain, in_order, names, only="note")]
    info = [(n, h.removeprefix("info."), text) for n, h, text in _texts_of(table, headings.info, in_order, names)]
    run = run_of_readings(rotor, rows, regime, notes, info, os.fspath(table.source), table.lines)
    _check_any(table, run.vibration_count, run.height_taken)
    return run


def run_of_readings(
    rotor: Rotor,
    rows: RowReadings,
    regime: Counts,
    notes: Sequence[tuple[str, str]],
    info: Sequence[tuple[str, str, str]],
    source: str,
    lines: Sequence[int] | None = None,
) -> Run:
    """Return the run of some rows, typed or from a sheet: repeats averaged, every single reading kept beside.

    Parameters
    ----------
    regime : ndarray of int, shape (rows,)
    notes, info
        (regime, text) and (regime, name, text).
    lines : sequence of int, optional
        The line of the sheet each row stands on.
    """
    means = average(rotor, rows, regime, regime, len(rotor.regimes))
    return Run(
        **vars(means),
        notes=tuple(notes),
        info=tuple(info),
        source=source,
        odd=odd_repeats(rotor, rows, regime, regime, [("", 1)], lines),
        entered=singles(rotor, rows, regime, lines),
    )


def _check_any(table: CsvTable, count: Counts, taken: NDArray[np.bool_]) -> None:
    if not count.any() and not taken.any():
        raise InputError(table.source, "no readings", "at least one row with a reading that counts")


def _texts_of(
    table: CsvTable, columns: dict[str, int], order: Counts, names: Sequence[str], only: str | None = None
) -> list[tuple[str, str, str]]:
    """Return (regime, heading, text) of the cells that hold any: by regime, then column, then row."""
    found = []
    for heading, position in columns.items():
        if only is None or heading == only:
            texts = table.texts(position)
            found += [(int(i), names[i], heading, texts[i]) for i in order if texts[i]]
    place = {int(i): n for n, i in enumerate(order)}
    regimes = list(dict.fromkeys(names[i] for i in order))
    headings = list(columns)
    found.sort(key=lambda f: (regimes.index(f[1]), headings.index(f[2]), place[f[0]]))
    return [(name, heading, text) for _, name, heading, text in found]


def read_history(rotor: Rotor, runs_file: File, adjustments_file: File) -> History:
    """Read past runs and the adjustments made between them.

    Raises
    ------
    InputError
        As for a run; and where the runs of a job are not 1, 2, 3 ... or an adjustment
        belongs to no run.
    """
    table = CsvTable.load(runs_file)
    return history_of(rotor, table, CsvTable.load(adjustments_file))


def history_of(rotor: Rotor, table: CsvTable, adjustments: CsvTable) -> History:
    """Return the history of the two sheets. Raises InputError as `read_history`."""
    headings = read_headings(rotor, table, ("job", "run"))
    regime = table.choices(headings.plain["regime"], [r.name for r in rotor.regimes], "regime")
    jobs, job, run, run_of_row = _number_runs(table, headings.plain["job"], headings.plain["run"])
    count, regimes = len(job), len(rotor.regimes)
    names = [(jobs[j], int(t)) for j, t in zip(job.tolist(), run.tolist(), strict=True)]
    read = read_rows(rotor, table, headings, regime)
    only = without_copied_rows(read, run_of_row, regime, regimes, job, names, table.lines)
    groups, group = groups_of_runs(table, headings, run_of_row, count)
    means = average(rotor, only.rows, only.group, only.regime, count * regimes)
    _check_any(table, means.vibration_count, means.height_taken)
    late = resumed(job, only.run_of_row)
    lines = [table.lines[row] for row in only.kept.tolist()]
    history = History(
        jobs=jobs,
        job=job,
        run=run,
        **means.by_run(count, regimes),
        change=_read_changes(rotor, adjustments, jobs, job),
        source=os.fspath(table.source),
        aircraft=aircraft_of_jobs(table, headings, jobs, job[run_of_row]),
        date=dates_of_runs(table, headings, run_of_row, count),
        groups=groups,
        group=group,
        odd=odd_repeats(rotor, only.rows, only.group, only.regime, names, lines, late),
        resumed=tuple(
            ResumedRow(job=names[i][0], run=names[i][1], row=line)
            for line, i, is_late in zip(lines, only.run_of_row.tolist(), late.tolist(), strict=True)
            if is_late
        ),
    )
    return with_copies(history, only)


History._read = history_of


def _number_runs(table: CsvTable, job_at: int, run_at: int) -> tuple[tuple[str, ...], Counts, Counts, Counts]:
    """Return the jobs, job index and run number of each run, and the run each row belongs to."""
    names = table.columns[job_at]
    if "" in names:
        raise table.bad_cell(names.index(""), job_at, "the name of a job")
    run_of_row = np.array(table.whole_numbers(run_at, "the run of the job", 1), dtype=int)
    jobs = tuple(dict.fromkeys(names))
    index = {name: j for j, name in enumerate(jobs)}
    job_of_row = np.array([index[name] for name in names], dtype=int)
    pairs, first_row, position = np.unique(
        np.stack([job_of_row, run_of_row]), axis=1, return_index=True, return_inverse=True
    )
    job, run = pairs
    starts = np.searchsorted(job, np.arange(len(jobs)))
    wanted = np.arange(len(job)) - starts[job] + 1
    if (run != wanted).any():
        k = int(np.argmax(run != wanted))
        raise table.bad_cell(
            int(first_row[k]), run_at, f"run {wanted[k]} of job {jobs[job[k]]} too: runs are 1, 2, 3 ... without gaps"
        )
    return jobs, job, run, position.reshape(-1)


def _read_changes(rotor: Rotor, table: CsvTable, jobs: tuple[str, ...], job: Counts) -> Reals:
    """Return the adjustments made before each run since its job's first, shape (n, A, B)."""
    sheet = "a history's adjustments sheet"
    job_at, run_at, blade_at, adjuster_at, amount_at = table.require(
        ("job", "after_run", "blade", "adjuster", "amount"), sheet
    )
    index = {name: j for j, name in enumerate(jobs)}
    for row, name in enumerate(table.columns[job_at]):
        if name not in index:
            raise table.bad_cell(row, job_at, "a job of the history sheet")
    after = table.whole_numbers(run_at, "the run after which it was made", 1)
    starts = np.searchsorted(job, np.arange(len(jobs) + 1))
    pairs = _pairs(rotor, table, blade_at, adjuster_at)
    amount = table.numbers(amount_at, NUMBER, empty=False)
    made = np.zeros((len(job), len(rotor.adjusters), len(rotor.blades)))
    row_of: dict[tuple[int, ...], int] = {}
    for row, (a, b) in enumerate(pairs):
        j = index[table.columns[job_at][row]]
        runs = int(starts[j + 1] - starts[j])
        if after[row] > runs:
            raise table.bad_cell(row, run_at, f"one of the {runs} runs of job {jobs[j]}")
        _refuse_repeat(table, row_of, (j, after[row], a, b), row)
        if after[row] < runs:  # nothing was flown after the job's last adjustments
            made[starts[j] + after[row], a, b] = amount[row]
    for j in range(len(jobs)):
        its_runs = slice(starts[j], starts[j + 1])
        made[its_runs] = made[its_runs].cumsum(axis=0)
    return made


def _pairs(rotor: Rotor, table: CsvTable, blade_at: int, adjuster_at: int) -> list[tuple[int, int]]:
    """Return (adjuster, blade) of every row."""
    blade = table.choices(blade_at, rotor.blades, "blade")
    adjuster = table.choices(adjuster_at, [a.name for a in rotor.adjusters], "adjuster")
    return list(zip(adjuster.tolist(), blade.tolist(), strict=True))


def _refuse_repeat(table: CsvTable, row_of: dict[tuple[int, ...], int], key: tuple[int, ...], row: int) -> None:
    if key in row_of:
        raise table.error(
            row, None, f"the blade and adjuster of row {table.lines[row_of[key]]} again", "one row for each"
        )
    row_of[key] = row


def read_adjustments(rotor: Rotor, file: File | CsvTable) -> Reals:
    """Read an adjustments sheet (blade, adjuster, amount).

    Returns
    -------
    ndarray, shape (A, B)
        Changes in the adjusters' units; 0 where none is listed.

    Raises
    ------
    InputError
        Naming file, row and column, what was found and what was expected.
    """
    return _read_pairs(rotor, file, "amount", "an adjustments sheet")[0]


def _read_pairs(rotor: Rotor, file: File | CsvTable, value: str, sheet: str) -> tuple[Reals, Counts, CsvTable]:
    """Return values and rows (-1: not listed) by adjuster and blade, and the table."""
    table = file if isinstance(file, CsvTable) else CsvTable.load(file)
    blade_at, adjuster_at, value_at = table.require(("blade", "adjuster", value), sheet)
    pairs = _pairs(rotor, table, blade_at, adjuster_at)
    given = table.numbers(value_at, NUMBER, empty=False)
    values = np.zeros((len(rotor.adjusters), len(rotor.blades)))
    listed = np.full(values.shape, -1)
    row_of: dict[tuple[int, ...], int] = {}
    for row, pair in enumerate(pairs):
        _refuse_repeat(table, row_of, pair, row)
        values[pair] = given[row]
        listed[pair] = row
    return values, listed, table


def settings_listed(rotor: Rotor, file: File | CsvTable | None) -> NDArray[np.bool_]:
    """Return which settings a sheet lists, shape (A, B); the others are taken to be 0. None: none of them.

    Raises InputError as `read_settings`.
    """
    if file is None:
        return np.zeros((len(rotor.adjusters), len(rotor.blades)), dtype=bool)
    return np.asarray(_read_pairs(rotor, file, "setting", "a settings sheet")[1] >= 0)


def read_settings(rotor: Rotor, file: File | CsvTable | None) -> Reals:
    """Read a settings sheet (blade, adjuster, setting): what is installed now.

    Parameters
    ----------
    rotor : Rotor
    file : path, table or None
        None: no settings are known, and every one is taken to be 0.

    Returns
    -------
    ndarray, shape (A, B)
        Settings in the adjusters' units; 0 where none is listed.

    Raises
    ------
    InputError
        Also for a setting outside its adjuster's range by 1e-9 step or more, or that no set of its pieces comes to.
    """
    shape = (len(rotor.adjusters), len(rotor.blades))
    values, listed, table = np.zeros(shape), np.full(shape, -1), None
    if file is not None:
        values, listed, table = _read_pairs(rotor, file, "setting", "a settings sheet")
    for a, adjuster in enumerate(rotor.adjusters):
        slack = STEP_SLACK * adjuster.step
        for b, blade in enumerate(rotor.blades):
            bounds = f"{adjuster.minimum:g} to {adjuster.maximum:g} {adjuster.unit}"
            if max(adjuster.minimum - values[a, b], values[a, b] - adjuster.maximum) < slack:
                if not adjuster.pieces or can_be_fitted(adjuster, float(values[a, b])):
                    continue
                bounds = "what its pieces can come to"
            if table is not None and listed[a, b] >= 0:
                column = table.headings.index("setting")
                raise table.bad_cell(int(listed[a, b]), column, f"a setting of {adjuster.name} within {bounds}")
            raise InputError(
                table.source if table is not None else "settings sheet",
                f"no setting of {adjuster.name} on blade {blade}",
                f"one, as 0 is outside {'' if adjuster.pieces else 'its range of '}{bounds}",
            )
    return values


def settled(rotor: Rotor, setting: Reals, change: Reals, source: File) -> Reals:
    """Return what is installed after adjustments, shape (A, B), in decimal arithmetic: 0.1 and 0.2 make 0.3.

    Raises
    ------
    InputError
        If a setting leaves its adjuster's range, or no set of its pieces comes to it.
    """
    after = np.zeros_like(setting)
    for a, b in np.ndindex(setting.shape):
        adjuster = rotor.adjusters[a]
        after[a, b] = float(Decimal(repr(float(setting[a, b]))) + Decimal(repr(float(change[a, b]))))
        slack = STEP_SLACK * adjuster.step
        if change[a, b] and not adjuster.minimum - slack <= after[a, b] <= adjuster.maximum + slack:
            done = f"{adjuster.name} of blade {rotor.blades[b]} by {change[a, b]:+.10g} to {after[a, b]:.10g}"
            bounds = f"a setting of {adjuster.minimum:g} to {adjuster.maximum:g} {adjuster.unit}"
            raise InputError(source, State(f"{done} {adjuster.unit}"), bounds)
        if change[a, b] and adjuster.pieces and not can_be_fitted(adjuster, float(after[a, b])):
            done = f"{adjuster.name} of blade {rotor.blades[b]} by {change[a, b]:+.10g} to {after[a, b]:.10g}"
            near = f"what its pieces come to, next to it {nearest_that_fit(adjuster, float(after[a, b]))}"
            raise InputError(source, State(f"{done} {adjuster.unit}"), near)
    return after


def adjustments_text(rotor: Rotor, change: Reals) -> str:
    """Return the adjustments that are not zero, shape (A, B), as an adjustments sheet."""
    rows = [(rotor.blades[b], rotor.adjusters[a].name, repr(float(change[a, b]))) for b, a in _entries(change)]
    return csv_text(("blade", "adjuster", "amount"), rows)


def settings_text(rotor: Rotor, setting: Reals) -> str:
    """Return what is installed, shape (A, B), zeros too, as a settings sheet."""
    rows = [
        (blade, adjuster.name, repr(float(setting[a, b])))
        for b, blade in enumerate(rotor.blades)
        for a, adjuster in enumerate(rotor.adjusters)
    ]
    return csv_text(("blade", "adjuster", "setting"), rows)


def write_settings(rotor: Rotor, file: File, setting: Reals, *, force: bool) -> None:
    """Write what is installed, shape (A, B), in the adjusters' units, zeros too, as a settings sheet.

    Raises FileExists if the file exists and `force` is false, InputError if it cannot be written.
    """
    write_whole(file, settings_text(rotor, setting), force=force)


def run_text(rotor: Rotor, run: Run) -> str:
    """Return the mean readings of a run as a run sheet, with its notes and info.

    Numbers are written in full. Of repeated readings only the mean is written, not their
    count or scatter, and heights only where every tip was read; where a regime has several
    notes, rows without readings carry them.
    """
    info_headings = list(dict.fromkeys(heading for _, heading, _ in run.info))
    rows = []
    for r, regime in enumerate(rotor.regimes):
        texts = [[text for name, text in run.notes if name == regime.name]]
        texts += [[t for name, h, t in run.info if (name, h) == (regime.name, heading)] for heading in info_headings]
        if np.isnan(run.rpm[r]) and not run.regime_read[r] and not any(texts):
            continue
        rpm = "" if np.isnan(run.rpm[r]) else repr(float(run.rpm[r]))
        readings = _reading_cells(rotor, run.vibration[r], run.height[r])
        for k in range(max(1, *map(len, texts))):
            cells = readings if k == 0 else [""] * len(readings)
            rows.append([regime.name, rpm, *cells, *(t[k] if k < len(t) else "" for t in texts)])
    header = ["regime", "rpm", *_reading_headings(rotor), "note", *(f"info.{h}" for h in info_headings)]
    return csv_text(header, rows)


def write_run(rotor: Rotor, file: File, run: Run, *, force: bool) -> None:
    """Write the run sheet of `run_text`.

    Raises FileExists if the file exists and `force` is false, InputError if it cannot be written.
    """
    write_whole(file, run_text(rotor, run), force=force)


def write_history(rotor: Rotor, runs_file: File, adjustments_file: File, history: History, *, force: bool) -> None:
    """Write the two sheets of `history_texts`, both or neither.

    Raises
    ------
    FileExists
        If either file exists and `force` is false.
    InputError
        If a file cannot be written.
    """
    texts = history_texts(rotor, history)
    with Outputs(list(zip((runs_file, adjustments_file), texts, strict=True)), force=force):
        pass


def history_texts(rotor: Rotor, history: History) -> tuple[str, str]:
    """Return past runs, and the adjustments made between them, as the two sheets of a history.

    Numbers are written in full. Of repeated readings only the mean is written. The columns
    aircraft, date and group.<name> are there if they say anything.
    """
    rows: list[Sequence[str]] = []
    made: list[Sequence[str]] = []
    headings, whose = _identity_cells(history)
    vibration = np.where(history.vibration_count > 0, history.vibration, np.nan)
    height = np.where(history.height_count[..., None] > 0, history.height, np.nan)
    for n, (j, run) in enumerate(zip(history.job.tolist(), history.run.tolist(), strict=True)):
        read = (history.vibration_count[n] > 0).any(axis=1) | (history.height_count[n] > 0)
        # a run without any reading keeps its place among the runs by a row without any
        for r in np.flatnonzero(read) if read.any() else [0]:
            cells = _reading_cells(rotor, vibration[n, r], height[n, r])
            rows.append([history.jobs[j], str(run), *whose[n], rotor.regimes[r].name, *cells])
        if run > 1:
            change = history.change[n] - history.change[n - 1]
            made += [
                (history.jobs[j], str(run - 1), rotor.blades[b], rotor.adjusters[a].name, repr(float(change[a, b])))
                for b, a in _entries(change)
            ]
    runs = csv_text(["job", "run", *headings, "regime", *_reading_headings(rotor)], rows)
    adjustments = csv_text(("job", "after_run", "blade", "adjuster", "amount"), made)
    return runs, adjustments


def _identity_cells(history: History) -> tuple[list[str], list[list[str]]]:
    """Return headings and, for each run, cells that say whose runs they are; only columns that say anything."""
    columns: dict[str, list[str]] = {}
    if history.aircraft != history.jobs:
        columns["aircraft"] = [history.aircraft[j] for j in history.job.tolist()]
    if not np.isnat(history.date).all():
        columns["date"] = [date_text(date) for date in history.date]
    for name, texts in zip(history.groups, history.group.T, strict=True):
        columns[GROUP + name] = texts.tolist()
    return list(columns), [[column[n] for column in columns.values()] for n in range(len(history.run))]


def _entries(change: Reals) -> list[tuple[int, int]]:
    """Return (blade, adjuster) of the entries that are not zero, blade by blade."""
    return [(int(b), int(a)) for b, a in np.argwhere(change.T != 0.0)]


def _reading_headings(rotor: Rotor) -> list[str]:
    vibration = [f"{sensor.name}.{part}" for sensor in rotor.sensors for part in ("amp", "deg")]
    return vibration + [f"height.{blade}" for blade in rotor.blades]


def _reading_cells(rotor: Rotor, vibration: Complexes, height: Reals) -> list[str]:
    amplitude, degrees = np.abs(vibration), phase_deg(vibration, rotor.phase_sense)
    cells = [v for pair in zip(amplitude.tolist(), degrees.tolist(), strict=True) for v in pair]
    return ["" if np.isnan(v) else repr(v) for v in cells + height.tolist()]


def csv_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a header and rows of text as CSV, no cell such that a spreadsheet would run it."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([guarded(cell) for cell in row] for row in rows)
    return stream.getvalue()
