"""Every entry of a job in the order it was made, superseded ones too; and the list of jobs."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from trackbal.base.text_layout import wrap
from trackbal.logbook.store import Book, reads_record


@dataclass(frozen=True)
class Entry:
    """One entry: who, when, why, and what, in lines; a line marked superseded no longer counts."""

    number: int
    kind: str
    at: str
    author: str
    why: str | None
    lines: tuple[tuple[str, bool], ...]


#: Kind of entry -> what its rows say and what they say it about: query of (entry, key, text), oldest first.
_QUERIES = {
    "job": "SELECT entry, entry, 'job ' || name || ', ' || aircraft || ', ' || rotor FROM job WHERE entry = :job",
    "setting": "SELECT entry, blade || char(10) || adjuster, 'blade ' || blade || ' ' || adjuster || ' = ' || setting "
    "FROM setting WHERE job = :job ORDER BY entry",
    "run": "SELECT entry, entry, 'run from ' || source FROM run WHERE job = :job",
    "reading": "SELECT reading.entry, reading.run || char(10) || line || char(10) || quantity, "
    "'run entry ' || reading.run || ' row ' || line || ' ' || quantity || ' = ' || "
    "CASE value WHEN '' THEN '(taken back)' ELSE value END || coalesce(' ' || unit, '') "
    "FROM reading JOIN run ON run.entry = reading.run WHERE run.job = :job ORDER BY reading.entry, line, quantity",
    "run_state": "SELECT run_state.entry, run_state.run, 'run entry ' || run_state.run || ' ' || state "
    "FROM run_state JOIN run ON run.entry = run_state.run WHERE run.job = :job ORDER BY run_state.entry",
    "advice": "SELECT advice.entry, advice.entry || coalesce(blade || adjuster, ''), verdict || "
    "coalesce(': blade ' || blade || ' ' || adjuster || ' ' || amount, '') "
    "FROM advice JOIN run ON run.entry = advice.run LEFT JOIN advised ON advised.entry = advice.entry "
    "WHERE run.job = :job ORDER BY advice.entry",
    "done": "SELECT done.entry, done.run || coalesce(char(10) || blade || char(10) || adjuster, done.entry || '.'), "
    "'after run entry ' || done.run || coalesce(': blade ' || blade || ' ' || adjuster || ' ' || amount, ': nothing') "
    "FROM done JOIN run ON run.entry = done.run LEFT JOIN adjustment ON adjustment.entry = done.entry "
    "WHERE run.job = :job ORDER BY done.entry",
    "answer": "SELECT answer.entry, answer.run || char(10) || blade || char(10) || adjuster, 'after run entry ' || "
    "answer.run || ': blade ' || blade || ' ' || adjuster || ' ' || "
    "CASE amount WHEN '' THEN '(taken back)' WHEN '0' THEN 'not done' ELSE amount END "
    "FROM answer JOIN run ON run.entry = answer.run WHERE run.job = :job ORDER BY answer.entry",
    "answers_end": "SELECT answers_end.entry, answers_end.entry, 'answers after run entry ' || answers_end.run || "
    "' recorded or dropped' FROM answers_end JOIN run ON run.entry = answers_end.run WHERE run.job = :job "
    "ORDER BY answers_end.entry",
    "note": "SELECT note.entry, note.entry, text FROM note JOIN entry ON entry.id = note.entry WHERE entry.job = :job",
    "checked": "SELECT checked.entry, checked.entry, 'run entry ' || checked.run || ' checked: ' || reason "
    "FROM checked JOIN run ON run.entry = checked.run WHERE run.job = :job ORDER BY checked.entry",
    "reworked": "SELECT entry, entry, 'worked on before: ' || what FROM reworked WHERE job = :job",
    "finding": "SELECT entry, entry, 'found: ' || found FROM finding WHERE job = :job",
    "closing": "SELECT entry, entry, outcome FROM closing WHERE job = :job",
}


@reads_record
def trail(book: Book, job: int) -> list[Entry]:
    """Return every entry of a job, oldest first."""
    lines: dict[int, list[tuple[str, bool]]] = defaultdict(list)
    with book.reading():
        for kind, query in _QUERIES.items():
            rows = book.all(query.replace(":job", "?"), (job,))
            last = {(kind, key): entry for entry, key, _ in rows}
            for entry, key, text in rows:
                lines[entry].append((text, last[kind, key] != entry))
        entries = book.all(
            "SELECT id, kind, at, author, why FROM entry WHERE job = ? OR id = ? ORDER BY id", (job, job)
        )
    return [Entry(n, kind, at, author, why, tuple(lines[n])) for n, kind, at, author, why in entries]


def entries_json(entries: list[Entry]) -> list[dict[str, Any]]:
    """Return entries as plain data."""
    return [
        {
            "entry": e.number,
            "kind": e.kind,
            "at": e.at,
            "by": e.author,
            "why": e.why,
            "says": [{"text": text, "superseded": old} for text, old in e.lines],
        }
        for e in entries
    ]


def entries_text(entries: list[Entry]) -> str:
    """Return entries as text."""
    parts = []
    for e in entries:
        why = f" ({e.why})" if e.why else ""
        parts.append(f"{e.number}  {e.at}  {e.author}  {e.kind}{why}")
        for text, old in e.lines:
            mark = "[superseded] " if old else ""
            parts.append(wrap(mark + text, "    ", hang=6))
    return "\n".join(parts) + "\n"


@reads_record
def list_jobs(book: Book, last: int, *, only_open: bool) -> list[dict[str, Any]]:
    """Return the newest jobs, newest last."""
    where = "WHERE job.entry NOT IN (SELECT job FROM closing) " if only_open else ""
    rows = book.all(
        "SELECT name, aircraft, rotor, at, (SELECT outcome FROM closing WHERE closing.job = job.entry), "
        "(SELECT count(*) FROM run WHERE run.job = job.entry AND (SELECT state FROM run_state "
        "WHERE run_state.run = run.entry ORDER BY run_state.entry DESC LIMIT 1) = 'finished') "
        f"FROM job JOIN entry ON entry.id = job.entry {where}ORDER BY job.entry DESC LIMIT ?",
        (last,),
    )
    names = ("job", "aircraft", "rotor", "at", "outcome", "runs")
    return [dict(zip(names, row, strict=True)) for row in reversed(rows)]
