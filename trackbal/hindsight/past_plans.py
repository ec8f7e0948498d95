"""Past plans with what they promised and what the next run brought: from logbooks, or from sheets."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trackbal.base.csv_table import CsvTable, NumberKind
from trackbal.base.errors import InputError
from trackbal.check.review import READING_SLACK
from trackbal.logbook.exchange import refuse_copies
from trackbal.logbook.records import JobRecord, load_job
from trackbal.logbook.store import Book
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import History, Run

CHANCE = NumberKind("a chance, from 0 to 1", least=0.0, most=1.0)


@dataclass(frozen=True)
class Promise:
    """One reading promised by a plan: amplitude, or spread of the tips (sensor HEIGHTS).

    `low`, `high` hold the likely range; nan where none was recorded. `came` is what the next run read.
    """

    regime: str
    sensor: str
    expected: float
    low: float
    high: float
    came: float
    limit: float


@dataclass(frozen=True)
class PastPlan:
    """One plan that was worked from, or not, and the run after it.

    Parameters
    ----------
    rotor, aircraft, job : str
    after_run : int
    by : str
        Who asked for the advice; "" if not recorded.
    chance : float
        That the next run would be inside limits.
    adjusters : tuple of str
        Adjusters in the plan.
    as_advised : bool
        Whether what was done is what was advised.
    passed : bool or None
        Whether every promised reading that was read again came out inside its limit; None if none was.
    promises : tuple of Promise
        Readings that were read again.
    """

    rotor: str
    aircraft: str
    job: str
    after_run: int
    by: str
    chance: float
    adjusters: tuple[str, ...]
    as_advised: bool
    passed: bool | None
    promises: tuple[Promise, ...]


def plans_of_logbooks(files: Sequence[str]) -> list[PastPlan]:
    """Return the plans that logbooks hold, of runs that were followed by another.

    Raises
    ------
    InputError
        If a file is no logbook or given twice, two hold the very same job, or none holds such a plan.
    """
    refuse_copies(files)
    found: list[PastPlan] = []
    for file in files:
        with Book.open(file) as book:
            for (entry,) in book.all("SELECT entry FROM job ORDER BY entry"):
                found += _plans_of_job(book, load_job(book, entry))
    if not found:
        raise InputError(", ".join(files), "no plan with a run after it", "a logbook with advice and what came of it")
    return found


def _plans_of_job(book: Book, record: JobRecord) -> Iterator[PastPlan]:
    for number, run in enumerate(record.runs[:-1], 1):
        advice = record.latest_advice(run)
        if advice is None or advice.chance is None or advice.stale:
            continue
        row = book.one("SELECT answer FROM advice WHERE entry = ?", (advice.stamp.entry,))
        assert row is not None
        answer = json.loads(row[0])
        plan = answer["plans"][answer["recommended"]]
        done = record.done.get(run.entry, {})
        same = {k: float(v) for k, v in done.items()} == {k: float(v) for k, v in advice.items.items() if float(v)}
        promises = tuple(_promises(record.rotor, plan, answer.get("ranges", []), record.readings[number]))
        yield PastPlan(
            record.rotor.name,
            record.aircraft,
            record.name,
            number,
            advice.stamp.author,
            float(advice.chance),
            tuple(dict.fromkeys(a["adjuster"] for a in plan["adjustments"])),
            same,
            _passed(promises),
            promises,
        )


def _promises(rotor: Rotor, plan: dict[str, Any], ranges: list[dict[str, Any]], after: Run) -> Iterator[Promise]:
    regimes, sensors = [r.name for r in rotor.regimes], [s.name for s in rotor.sensors]
    span = {(r["regime"], r.get("sensor", "height")): (r["low"], r["high"]) for r in ranges}
    amplitude, spread = np.abs(after.vibration), after.spread
    for reading in plan["vibration"]:
        if reading["regime"] in regimes and reading["sensor"] in sensors:
            came = float(amplitude[regimes.index(reading["regime"]), sensors.index(reading["sensor"])])
            if np.isfinite(came):
                place = (reading["regime"], reading["sensor"])
                low, high = span.get(place, (np.nan, np.nan))
                yield Promise(*place, reading["after"], low, high, came, reading["limit"])
    for reading in plan["heights"]:
        if reading["regime"] in regimes and np.isfinite(came := float(spread[regimes.index(reading["regime"])])):
            low, high = span.get((reading["regime"], "height"), (np.nan, np.nan))
            yield Promise(reading["regime"], "height", reading["spread_after"], low, high, came, reading["limit"])


def _passed(promises: Sequence[Promise]) -> bool | None:
    return all(p.came <= p.limit * (1.0 + READING_SLACK) for p in promises) if promises else None


def plans_of_sheets(rotor: Rotor, history: History, advice: CsvTable) -> list[PastPlan]:
    """Return the plans of an advice sheet: `job, after_run, chance`, and `by` if wanted.

    A plan has passed if every reading taken before and after it came out inside its limit.

    Raises
    ------
    InputError
        Naming row and column; also if a plan has no run after it, or stands there twice.
    """
    columns = ("job", "after_run", "chance", *(["by"] if "by" in advice.headings else []))
    at = advice.require(columns, "an advice sheet")
    after = advice.whole_numbers(at[1], "the run after which it was given", 1)
    chance = advice.numbers(at[2], CHANCE, empty=False)
    row_of = {(history.jobs[j], n): i for i, (j, n) in enumerate(zip(history.job, history.run, strict=True))}
    found = []
    line_of: dict[tuple[str, int], int] = {}
    for row, job in enumerate(advice.columns[at[0]]):
        first = line_of.setdefault((job, after[row]), advice.lines[row])
        if first != advice.lines[row]:
            raise advice.error(row, None, f"the job and run of row {first} again", "one row for each")
        before = row_of.get((job, after[row]))
        if before is None or (job, after[row] + 1) not in row_of:
            known = job in history.jobs
            raise advice.bad_cell(row, at[1 if known else 0], "a job of the history, with a run after that run")
        promises = tuple(_taken_again(rotor, history, before))
        made = history.change[before + 1] - history.change[before]
        moved = tuple(a.name for a, changed in zip(rotor.adjusters, made.any(axis=1), strict=True) if changed)
        aircraft = history.aircraft[history.job[before]]
        by = advice.columns[at[3]][row] if len(at) > 3 else ""
        place = (rotor.name, aircraft, job, after[row], by)
        found.append(PastPlan(*place, float(chance[row]), moved, True, _passed(promises), promises))
    return found


def _taken_again(rotor: Rotor, history: History, before: int) -> Iterator[Promise]:
    after = before + 1
    again = (history.vibration_count[before] > 0) & (history.vibration_count[after] > 0)
    for r, s in np.argwhere(again).tolist():
        came, limit = float(abs(history.vibration[after, r, s])), float(rotor.vibration_limit[r, s])
        yield Promise(rotor.regimes[r].name, rotor.sensors[s].name, np.nan, np.nan, np.nan, came, limit)
    for r in np.flatnonzero((history.height_count[before] > 0) & (history.height_count[after] > 0)).tolist():
        came, limit = float(np.ptp(history.height[after, r])), float(rotor.height_limit[r])
        yield Promise(rotor.regimes[r].name, rotor.reading_name(HEIGHTS), np.nan, np.nan, np.nan, came, limit)
