"""What a logbook says of a job, as it counts now: the latest of entries that say the same thing."""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trackbal.base.errors import InputError, State
from trackbal.influence.coefficients import Influence
from trackbal.logbook.rows import Cell, Row, run_of_rows
from trackbal.logbook.store import Book, reads_record
from trackbal.runs.preferences import NO_PREFERENCES, Preferences, job_preferences
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run

#: (blade, adjuster) -> what was typed.
Items = dict[tuple[str, str], str]


@dataclass(frozen=True)
class Stamp:
    """Which entry, who wrote it and when (UTC)."""

    entry: int
    at: str
    author: str


@dataclass(frozen=True)
class RunRecord:
    """A run as recorded; `number` is its place among the finished runs, None while it is being typed."""

    entry: int
    number: int | None
    source: str
    rows: tuple[Row, ...]
    stamp: Stamp


@dataclass(frozen=True)
class AdviceRecord:
    """What was advised after a run.

    `stale`: something it rested on was corrected since; `renewed`: its rotor or influence file was, in an open job.
    """

    run: int
    verdict: str
    chance: float | None
    items: Items
    stale: bool
    stamp: Stamp
    renewed: bool = False

    @property
    def outdated(self) -> bool:
        """Whether it is to be asked for again."""
        return self.stale or self.renewed


@dataclass(frozen=True)
class CheckRecord:
    """A surprising run looked into: record and readings are right; `stale`: corrected since."""

    run: int
    reason: str
    stale: bool
    stamp: Stamp


@dataclass(frozen=True)
class NoteRecord:
    """A note; `run` is the entry of the run it belongs to, None if to the job."""

    run: int | None
    text: str
    stamp: Stamp


@dataclass(frozen=True)
class JobRecord:
    """A job as its logbook has it.

    Parameters
    ----------
    book : str
        The file, for messages.
    entry : int
        Number of the job's entry.
    name, aircraft : str
    rotor : Rotor
    as_found : Items
        Settings as found at the start; what is not listed is 0.
    runs : tuple of RunRecord
        Finished, in order.
    draft : RunRecord or None
        The run being typed.
    done : dict
        Entry of a run -> adjustments done after it. A run not in it: nobody has said
        what was done.
    answers : dict
        Entry of a run -> what was answered so far to the question what was done after it;
        not recorded as done yet. Amount "0": not done.
    advice : tuple of AdviceRecord
    notes : tuple of NoteRecord
    outcome : str or None
        What was said when the job was closed; None while it is open.
    definitions : tuple of (entry, Rotor)
        The rotor as it was defined from an entry on, the last being `rotor`; empty where there was but one.
    checks : tuple of CheckRecord
        Surprising runs that a person looked into and let stand.
    preferences : Preferences
        What advice of this job is to keep to, beside the rotor's own.
    finding : str or None
        The mechanical cause that was found and put right, which ended the job.
    """

    book: str
    entry: int
    name: str
    aircraft: str
    rotor: Rotor
    as_found: Items
    runs: tuple[RunRecord, ...]
    draft: RunRecord | None
    done: dict[int, Items]
    answers: dict[int, Items]
    advice: tuple[AdviceRecord, ...]
    notes: tuple[NoteRecord, ...]
    outcome: str | None
    stamp: Stamp
    definitions: tuple[tuple[int, Rotor], ...] = ()

    def rotor_when(self, run: RunRecord) -> Rotor:
        """Return the rotor as it was defined when a run was entered: a stop reached then stays one."""
        before = [rotor for entry, rotor in self.definitions if entry < run.entry]
        return before[-1] if before else self.rotor

    checks: tuple[CheckRecord, ...] = ()
    finding: str | None = None
    preferences: Preferences = NO_PREFERENCES

    @property
    def checked(self) -> tuple[int, ...]:
        """Finished runs, by index, that a person has checked as they stand now."""
        entries = {check.run for check in self.checks if not check.stale}
        return tuple(t for t, run in enumerate(self.runs) if run.entry in entries)

    def in_order(self, items: Items) -> Items:
        """Return items blade by blade, in the rotor's order."""
        adjusters = [a.name for a in self.rotor.adjusters]
        places = [(b, a) for b in self.rotor.blades for a in adjusters]
        return {place: items[place] for place in places if place in items}

    def amounts(self, items: Items) -> Reals:
        """Return items as an array, shape (A, B), in the adjusters' units."""
        values = np.zeros((len(self.rotor.adjusters), len(self.rotor.blades)))
        for (blade, adjuster), text in items.items():
            values[self.rotor.adjuster_index(adjuster), self.rotor.blades.index(blade)] = float(text)
        return values

    @cached_property
    def readings(self) -> tuple[Run, ...]:
        """The finished runs as arrays."""
        return tuple(run_of_rows(self.rotor, run.rows, self.place(run)) for run in self.runs)

    def place(self, run: RunRecord) -> str:
        """Return where a run stands, for messages."""
        return f"{self.book}, job {self.name}, run {run.number if run.number is not None else 'being typed'}"

    @cached_property
    def change(self) -> Reals:
        """Adjustments done before each finished run since the first, summed, shape (n, A, B)."""
        total = np.zeros((len(self.runs), len(self.rotor.adjusters), len(self.rotor.blades)))
        for t, run in enumerate(self.runs):
            # by entry, so that what was done after a run that was withdrawn later still counts
            for after, items in self.done.items():
                if self.runs[0].entry <= after < run.entry:
                    total[t] += self.amounts(items)
        return total

    def settings_text(self, before_run: int | None = None) -> Items:
        """Return what is installed, exactly: as found, and all that was done since.

        Parameters
        ----------
        before_run : int, optional
            Number of a run: what was installed when it was flown; None: now.
        """
        total = {
            (blade, adjuster.name): Decimal(self.as_found.get((blade, adjuster.name), "0"))
            for blade in self.rotor.blades
            for adjuster in self.rotor.adjusters
        }
        before = None if before_run is None else self.runs[before_run - 1].entry
        for after, items in self.done.items():
            if before is None or after < before:
                for place, amount in items.items():
                    total[place] += Decimal(amount)
        return {place: format(value, "f") for place, value in total.items()}

    def settings_listed(self) -> NDArray[np.bool_]:
        """Return which settings were found and entered at the start, shape (A, B); the others are taken to be 0."""
        return np.array([[(b, a.name) in self.as_found for b in self.rotor.blades] for a in self.rotor.adjusters])

    def setting(self, before_run: int | None = None) -> Reals:
        """Return what is installed, shape (A, B), as `settings_text` does."""
        return self.amounts(self.settings_text(before_run))

    def latest_advice(self, run: RunRecord) -> AdviceRecord | None:
        """Return the last advice given after a run, or None."""
        return next((a for a in reversed(self.advice) if a.run == run.entry), None)


@reads_record
def load_rotor(book: Book, name: str) -> Rotor:
    """Return the latest definition of a rotor in a logbook.

    Raises
    ------
    InputError
        If the logbook has no rotor of that name.
    """
    row = book.one("SELECT toml FROM rotor WHERE name = ? ORDER BY entry DESC LIMIT 1", (name,))
    if row is None:
        known = ", ".join(rotor_names(book)) or "none"
        raise InputError(book.file, name, f"a rotor of this logbook: {known}")
    return Rotor.parse(row[0], f"{book.file}, rotor {name}")


@reads_record
def load_definitions(book: Book, name: str) -> tuple[tuple[int, Rotor], ...]:
    """Return every definition of a rotor in a logbook with its entry, the latest last."""
    rows = book.all("SELECT entry, toml FROM rotor WHERE name = ? ORDER BY entry", (name,))
    if not rows:
        load_rotor(book, name)  # says that there is none
    return tuple((entry, Rotor.parse(toml, f"{book.file}, rotor {name}")) for entry, toml in rows)


@reads_record
def rotor_names(book: Book) -> list[str]:
    """Return the names of the rotors of a logbook."""
    return [row[0] for row in book.all("SELECT name FROM rotor GROUP BY name ORDER BY min(entry)")]


@reads_record
def load_influence(book: Book, rotor: Rotor) -> tuple[int, Influence]:
    """Return entry and influence of the latest influence file of a rotor in a logbook.

    Raises
    ------
    InputError
        If it has none.
    """
    found = book.one(
        "SELECT entry, source, json FROM influence WHERE rotor = ? ORDER BY entry DESC LIMIT 1", (rotor.name,)
    )
    if found is None:
        raise InputError(
            book.file,
            State(f"no influence of {rotor.name}"),
            "one; add it with trackbal log renew LOGBOOK --influence INFLUENCE.json",
        )
    return found[0], Influence.parse(found[2], f"{book.file}, influence {found[1]}", rotor)


def influence_if_any(book: Book, rotor: Rotor) -> Influence | None:
    """Return the latest influence of a rotor, or None."""
    if book.one("SELECT 1 FROM influence WHERE rotor = ?", (rotor.name,)) is None:
        return None
    return load_influence(book, rotor)[1]


@reads_record
def find_job(book: Book, name: str | None) -> int:
    """Return the entry of a job by name, or of the one open job.

    Raises
    ------
    InputError
        If there is no such job, or no name is given and not exactly one job is open.
    """
    if name is not None:
        row = book.one("SELECT entry FROM job WHERE name = ?", (name,))
        if row is None:
            raise InputError(book.file, name, "the name of a job; trackbal log jobs lists them")
        return int(row[0])
    rows = book.all(
        "SELECT entry, name FROM job WHERE entry NOT IN (SELECT job FROM closing) ORDER BY entry DESC LIMIT 6"
    )
    if len(rows) == 1:
        return int(rows[0][0])
    if not rows:
        raise InputError(
            book.file, State("no open job"), "one; begin with trackbal log start, or name a job with --job"
        )
    names = ", ".join(row[1] for row in rows[:5]) + (" ..." if len(rows) > 5 else "")
    raise InputError(book.file, State(f"several open jobs: {names}"), "one of them named with --job")


@reads_record
def load_job(book: Book, entry: int) -> JobRecord:
    """Return the record of a job as it counts now."""
    with book.reading():
        row = book.one("SELECT name, aircraft, rotor FROM job WHERE entry = ?", (entry,))
        assert row is not None
        name, aircraft, rotor_name = row
        rotors = load_definitions(book, rotor_name)
        runs, draft = _load_runs(book, entry)
        closing = book.one("SELECT outcome FROM closing WHERE job = ?", (entry,))
        record = JobRecord(
            book=book.file,
            entry=entry,
            name=name,
            aircraft=aircraft,
            rotor=rotors[-1][1],
            as_found=_latest_items(
                book.all("SELECT blade, adjuster, setting FROM setting WHERE job = ? ORDER BY entry", (entry,))
            ),
            runs=runs,
            draft=draft,
            done=_load_done(book, entry),
            answers=_load_answers(book, entry),
            advice=_load_advice(book, entry),
            notes=_load_notes(book, entry),
            outcome=closing[0] if closing else None,
            stamp=_stamp(book, entry),
            definitions=rotors if len(rotors) > 1 else (),
            checks=_load_checks(book, entry),
            finding=_finding(book, entry),
            preferences=_preferences(book, entry, rotors[-1][1]),
        )
        _ = record.readings, record.change, record.settings_text()  # what cannot be made arrays of is said here
        return record


def _stamp(book: Book, entry: int) -> Stamp:
    row = book.one("SELECT at, author FROM entry WHERE id = ?", (entry,))
    assert row is not None
    return Stamp(entry, row[0], row[1])


def _latest_items(rows: Iterable[tuple[str, str, str]]) -> Items:
    """Return the last value of each blade and adjuster, rows in the order they were entered."""
    return {(blade, adjuster): value for blade, adjuster, value in rows}


def _load_runs(book: Book, job: int) -> tuple[tuple[RunRecord, ...], RunRecord | None]:
    rows = book.all(
        "SELECT run.entry, run.source, at, author, (SELECT state FROM run_state WHERE run_state.run = run.entry "
        "ORDER BY run_state.entry DESC LIMIT 1) FROM run JOIN entry ON entry.id = run.entry "
        "WHERE run.job = ? ORDER BY run.entry",
        (job,),
    )
    finished: list[RunRecord] = []
    draft = None
    for entry, source, at, author, state in rows:
        if state == "dropped":
            continue
        number = len(finished) + 1 if state == "finished" else None
        record = RunRecord(entry, number, source, tuple(load_lines(book, entry).values()), Stamp(entry, at, author))
        if number is None:
            draft = record
        else:
            finished.append(record)
    return tuple(finished), draft


def load_lines(book: Book, run: int) -> dict[int, Row]:
    """Return the rows of a run by line, each quantity as last entered; one taken back is left out."""
    lines: dict[int, Row] = {}
    for line, quantity, unit, value in book.all(
        "SELECT line, quantity, unit, value FROM reading WHERE run = ? ORDER BY line, entry, quantity", (run,)
    ):
        row = lines.setdefault(line, {})
        if value == "":
            row.pop(quantity, None)
        else:
            row[quantity] = Cell(value, unit)
    return {line: row for line, row in sorted(lines.items()) if row}


def _load_done(book: Book, job: int) -> dict[int, Items]:
    done: dict[int, Items] = {
        row[0]: {}
        for row in book.all("SELECT run FROM done JOIN run ON run.entry = done.run WHERE run.job = ?", (job,))
    }
    for run, blade, adjuster, amount in book.all(
        "SELECT adjustment.run, blade, adjuster, amount FROM adjustment JOIN run ON run.entry = adjustment.run "
        "WHERE run.job = ? ORDER BY adjustment.entry",
        (job,),
    ):
        done[run][blade, adjuster] = amount
    return {run: {place: text for place, text in items.items() if Decimal(text) != 0} for run, items in done.items()}


def _load_answers(book: Book, job: int) -> dict[int, Items]:
    found: dict[int, Items] = {}
    for run, blade, adjuster, amount in book.all(
        "SELECT answer.run, blade, adjuster, amount FROM answer JOIN run ON run.entry = answer.run WHERE run.job = ? "
        "AND answer.entry > coalesce((SELECT max(entry) FROM answers_end WHERE answers_end.run = answer.run), 0) "
        "ORDER BY answer.entry",
        (job,),
    ):
        found.setdefault(run, {})[blade, adjuster] = amount
    kept = {run: {place: text for place, text in items.items() if text} for run, items in found.items()}
    return {run: items for run, items in kept.items() if items}


def _load_advice(book: Book, job: int) -> tuple[AdviceRecord, ...]:
    rows = book.all(
        "SELECT advice.entry, advice.run, verdict, chance, at, author FROM advice JOIN run ON run.entry = advice.run "
        "JOIN entry ON entry.id = advice.entry WHERE run.job = ? ORDER BY advice.entry",
        (job,),
    )
    return tuple(
        AdviceRecord(
            run,
            verdict,
            chance,
            _latest_items(book.all("SELECT blade, adjuster, amount FROM advised WHERE entry = ?", (entry,))),
            _corrected_since(book, job, run, entry),
            Stamp(entry, at, author),
            _renewed_since(book, job, entry),
        )
        for entry, run, verdict, chance, at, author in rows
    )


def _corrected_since(book: Book, job: int, run: int, advice: int) -> bool:
    """Return whether readings up to a run, settings, or what was done before it were entered after an advice."""
    return (
        book.one(
            "SELECT 1 FROM entry e WHERE e.job = ? AND e.id > ? AND (e.kind = 'setting' "
            "OR EXISTS (SELECT 1 FROM reading r JOIN run ON run.entry = r.run "
            "WHERE run.job = e.job AND r.entry = e.id AND r.run <= ?) "
            "OR EXISTS (SELECT 1 FROM done d WHERE d.entry = e.id AND d.run < ?) "
            "OR EXISTS (SELECT 1 FROM run_state s WHERE s.entry = e.id AND s.run <= ?)) LIMIT 1",
            (job, advice, run, run, run),
        )
        is not None
    )


def _renewed_since(book: Book, job: int, advice: int) -> bool:
    """Return whether the rotor of an open job was defined otherwise, or its influence renewed, after an advice."""
    return (
        book.one(
            "SELECT 1 FROM job WHERE entry = ? AND entry NOT IN (SELECT job FROM closing) AND ("
            "EXISTS (SELECT 1 FROM influence i WHERE i.rotor = job.rotor AND i.entry > ?) "
            "OR EXISTS (SELECT 1 FROM rotor r WHERE r.name = job.rotor AND r.entry > ? AND r.toml <> "
            "(SELECT toml FROM rotor b WHERE b.name = r.name AND b.entry < ? ORDER BY b.entry DESC LIMIT 1)))",
            (job, advice, advice, advice),
        )
        is not None
    )


def _load_checks(book: Book, job: int) -> tuple[CheckRecord, ...]:
    rows = book.all(
        "SELECT checked.entry, checked.run, reason, at, author FROM checked JOIN run ON run.entry = checked.run "
        "JOIN entry ON entry.id = checked.entry WHERE run.job = ? ORDER BY checked.entry",
        (job,),
    )
    return tuple(
        CheckRecord(run, reason, _corrected_since(book, job, run, entry), Stamp(entry, at, author))
        for entry, run, reason, at, author in rows
    )


def _finding(book: Book, job: int) -> str | None:
    row = book.one("SELECT found FROM finding WHERE job = ? ORDER BY entry DESC LIMIT 1", (job,))
    return None if row is None else str(row[0])


def _preferences(book: Book, job: int, rotor: Rotor) -> Preferences:
    """Return what advice of a job is to keep to, as its latest says; what a newer rotor has no longer is left out."""
    names = [a.name for a in rotor.adjusters]
    row = book.one(
        "SELECT answer FROM advice JOIN run ON run.entry = advice.run WHERE run.job = ? ORDER BY advice.entry DESC "
        "LIMIT 1",
        (job,),
    )
    options: dict[str, Any] = (json.loads(row[0]).get("preferences") or {}) if row else {}
    kept = NO_PREFERENCES
    for name, value in options.items():
        ones: list[Any] = [[text] for text in value] if isinstance(value, list) else [value]
        for one in ones:
            option: dict[str, Any] = {name: one}
            with suppress(InputError):
                kept = kept.with_those_of(job_preferences(rotor.blades, names, **option))
    return kept


def _load_notes(book: Book, job: int) -> tuple[NoteRecord, ...]:
    rows = book.all(
        "SELECT note.entry, run, text, at, author FROM note JOIN entry ON entry.id = note.entry "
        "WHERE entry.job = ? ORDER BY note.entry",
        (job,),
    )
    return tuple(NoteRecord(run, text, Stamp(entry, at, author)) for entry, run, text, at, author in rows)
