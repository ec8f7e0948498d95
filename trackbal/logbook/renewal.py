"""A newer definition of a rotor that a logbook has readings of: what it may change, and what it may not.

Readings, settings and adjustments keep the unit and the meaning they were entered with, so a
definition that would read them otherwise is refused. Limits may change; while a job is open
that is said in so many words, and stands in the job with who and why.
"""

from __future__ import annotations

from dataclasses import dataclass

from trackbal.base.errors import InputError
from trackbal.logbook.entries import add_rotor
from trackbal.logbook.records import load_rotor, rotor_names
from trackbal.logbook.store import Book
from trackbal.runs.meaning import Difference, differences, gone, limit_changes, meaning
from trackbal.runs.rotor import Rotor


@dataclass(frozen=True)
class _Entered:
    """What of a rotor has been entered in a logbook: quantities, regimes, adjusters; and if speed turned any unit."""

    quantities: frozenset[str]
    regimes: frozenset[str]
    adjusters: frozenset[str]
    converted: bool

    @property
    def sensors(self) -> frozenset[str]:
        return frozenset(q.rpartition(".")[0] for q in self.quantities if q.endswith((".amp", ".deg")))

    @property
    def heights(self) -> bool:
        return any(q.startswith("height.") for q in self.quantities)

    @property
    def anything(self) -> bool:
        return bool(self.regimes or self.adjusters)


def renew_rotor(book: Book, text: str, source: str, author: str, why: str | None, said: list[str]) -> Rotor:
    """Add a rotor or a newer definition of one, inside `writing`; what it changes is added to `said`.

    Raises
    ------
    InputError
        If it would give what was entered another meaning, or changes limits while a job is open and no reason is given.
    """
    rotor = Rotor.parse(text, source)
    if rotor.name not in rotor_names(book):
        return add_rotor(book, text, source, author, why)
    before = load_rotor(book, rotor.name)
    refuse_other_meaning(book, before, rotor, source)
    limits = limit_changes(before, rotor)
    jobs = book.all(
        "SELECT entry, name FROM job WHERE rotor = ? AND entry NOT IN (SELECT job FROM closing)", (rotor.name,)
    )
    if limits and jobs and not (why or "").strip():
        names = ", ".join(name for _, name in jobs)
        raise InputError(
            source, f"{limits[0]}{_more(limits)}, while job {names} is open", "the reason of new limits: --why TEXT"
        )
    rotor = add_rotor(book, text, source, author, why)
    said += [d.text for d in differences(meaning(before), rotor)]
    for line in limits:
        said.append(f"Limits changed: {line}.")
    for job, name in jobs if limits else ():
        note = book.add_entry("note", author, job, why)
        words = f"Limits of {rotor.name} changed while this job is open ({'; '.join(limits)}). Why: {why}"
        book.run("INSERT INTO note (entry, run, text) VALUES (?, ?, ?)", (note, None, words))
        said.append(f"Job {name} is open: a stop limit that was reached in it stays reached; noted there.")
    return rotor


def refuse_other_meaning(book: Book, before: Rotor, rotor: Rotor, source: str) -> None:
    """Raise InputError if a rotor would give what a logbook holds of `before` another meaning."""
    if not differences(meaning(before), rotor) and not gone(meaning(before), rotor):
        return
    entered = _entered(book, before.name)
    changed = [d for d in differences(meaning(before), rotor) if _alters(d, entered)]
    names = entered.sensors | entered.regimes | entered.adjusters
    changed += [d for d in gone(meaning(before), rotor) if d.name in names]
    if changed:
        raise InputError(
            source,
            f"{changed[0].text}{_more(changed)}",
            f"what {book.file} holds of {before.name} to keep its meaning; begin a new rotor, under another name",
        )


def _more(found: list[str] | list[Difference]) -> str:
    return f" and {len(found) - 1} more" if len(found) > 1 else ""


def _alters(found: Difference, entered: _Entered) -> bool:
    """Return whether a difference changes what something entered means."""
    if found.kind in ("sensor_unit", "harmonic"):
        return found.name in entered.sensors
    if found.kind in ("adjuster_unit", "sense"):
        return found.name in entered.adjusters
    if found.kind in ("blade_order", "blade_names", "azimuth"):
        return entered.anything
    if found.kind == "phase_sense":
        return bool(entered.sensors)
    if found.kind == "height_unit":
        return entered.heights
    if found.kind == "regime_speed":
        return entered.converted and found.name in entered.regimes
    return found.kind == "speed" and entered.converted


def _entered(book: Book, rotor: str) -> _Entered:
    of_rotor = "JOIN run ON run.entry = r.run JOIN job ON job.entry = run.job WHERE job.rotor = ?"
    quantities = book.all(f"SELECT DISTINCT quantity FROM reading r {of_rotor}", (rotor,))
    regimes = book.all(f"SELECT DISTINCT value FROM reading r {of_rotor} AND quantity = 'regime'", (rotor,))
    adjusters = book.all(
        "SELECT DISTINCT adjuster FROM setting JOIN job ON job.entry = setting.job WHERE job.rotor = ? "
        f"UNION SELECT DISTINCT adjuster FROM adjustment r {of_rotor}",
        (rotor, rotor),
    )
    converted = book.one(
        f"SELECT 1 FROM reading r {of_rotor} AND r.unit IS NOT NULL AND r.quantity LIKE '%.amp' AND NOT EXISTS "
        "(SELECT 1 FROM reading p WHERE p.run = r.run AND p.line = r.line AND p.quantity = 'rpm') LIMIT 1",
        (rotor,),
    )
    return _Entered(
        frozenset(row[0] for row in quantities),
        frozenset(row[0] for row in regimes),
        frozenset(row[0] for row in adjusters),
        converted is not None,
    )
