"""What was advised and what was truly done, entered in a logbook."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Any

from trackbal.base.csv_table import LARGEST_NUMBER
from trackbal.base.errors import InputError, State
from trackbal.logbook.entries import add_adjustments, check_place, check_range, the_run
from trackbal.logbook.records import Items, JobRecord, RunRecord, find_job, load_job
from trackbal.logbook.store import Book
from trackbal.plan.advice import Advice
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")


def record_advice(
    book: Book,
    record: JobRecord,
    influence: int,
    answer: dict[str, Any],
    items: Items,
    author: str,
    last: Callable[[], None],
) -> None:
    """Record what was advised after the last run; `answer` is kept as JSON.

    `last` shows the advice and puts its files in place: it is called when all but the last step of recording is done,
    and if it fails nothing is recorded.

    Raises
    ------
    InputError
        If a run or a correction was entered since the record was read.
    """
    with book.writing():
        if load_job(book, record.entry).runs != record.runs:
            raise InputError(book.file, State("readings entered meanwhile"), "the advice asked for again")
        plan = None if answer["recommended"] is None else answer["plans"][answer["recommended"]]
        entry = book.add_entry("advice", author, record.entry)
        values = (
            entry,
            record.runs[-1].entry,
            influence,
            answer["verdict"],
            plan["chance"] if plan else None,
            json.dumps(answer, ensure_ascii=False, allow_nan=False),
        )
        book.run(
            "INSERT INTO advice (entry, run, influence, verdict, chance, answer) VALUES (?, ?, ?, ?, ?, ?)", values
        )
        rows = [(entry, blade, adjuster, text) for (blade, adjuster), text in items.items()]
        book.run_many("INSERT INTO advised (entry, blade, adjuster, amount) VALUES (?, ?, ?, ?)", rows)
        last()


def record_done(
    book: Book,
    name: str | None,
    items: Items | None,
    author: str,
    *,
    after: int | None = None,
    correct: bool = False,
    anyway: bool = False,
    finishing: bool = False,
    why: str | None = None,
) -> tuple[JobRecord, RunRecord, Items]:
    """Record adjustments done after a run; return the job, the run and the items.

    Parameters
    ----------
    items : Items or None
        None: as advised. Empty: nothing was done.
    after : int, optional
        Number of the run; the last one if not given.
    correct : bool
        Whether an adjustment recorded already may be superseded; an amount of 0 then takes it back.
    anyway : bool
        Whether a setting may leave its adjuster's range.
    finishing : bool
        Whether `items` are the answers kept so far, which end with this.

    Raises
    ------
    InputError
        If there is no such run or advice, an item is recorded already, or a range is left.
    """
    with book.writing():
        record = load_job(book, find_job(book, name))
        if record.outcome is not None and not correct:
            raise InputError(
                book.file, State(f"job {record.name}, closed"), "an open job, or trackbal log correct done"
            )
        run = run_after(record, after)
        if items is None:
            advice = record.latest_advice(run)
            if advice is None:
                raise InputError(
                    book.file, State(f"no advice after run {run.number}"), "what was done: --item, --sheet or --nothing"
                )
            if advice.verdict != "inside" and not advice.items:
                raise InputError(
                    book.file,
                    f'no plan offered after run {run.number} (verdict "{advice.verdict}")',
                    "what was done: --item, --sheet or --nothing",
                )
            if advice.outdated:
                raise InputError(
                    book.file,
                    State(f"record, limits or influence changed after the advice on run {run.number}"),
                    "what was truly done: --ask, --item, --sheet or --nothing; if nothing yet, advice asked for again",
                )
            items = advice.items
        if run.entry in record.answers and not correct and not finishing:
            words = f"what was done after run {run.number}, being answered"
            raise InputError(book.file, words, "it finished with --ask, or dropped with --ask --drop")
        recorded = record.done.get(run.entry)
        if not items and recorded and not finishing:
            held = ", ".join(f"{adjuster} {text} of blade {blade}" for (blade, adjuster), text in recorded.items())
            expected = (
                "that taken back first with trackbal log correct done ... 0: nothing cannot have been done beside it"
            )
            raise InputError(book.file, State(f"{held} recorded after run {run.number}"), expected)
        _check_items(record, run, items, correct=correct, anyway=anyway)
        if run.entry in record.answers and finishing:
            _end_answers(book, record, run, author)
        entry = book.add_entry("done", author, record.entry, why)
        book.run("INSERT INTO done (entry, run) VALUES (?, ?)", (entry, run.entry))
        add_adjustments(book, run.entry, entry, items)
        return load_job(book, record.entry), run, items


def keep_answer(book: Book, record: JobRecord, run: RunRecord, items: Items, author: str) -> None:
    """Keep answers to what was done after a run; an empty amount takes an answer back. They do not count yet."""
    with book.writing():
        entry = book.add_entry("answer", author, record.entry)
        rows = [(run.entry, blade, adjuster, entry, text) for (blade, adjuster), text in items.items()]
        book.run_many("INSERT INTO answer (run, blade, adjuster, entry, amount) VALUES (?, ?, ?, ?, ?)", rows)


def drop_answers(book: Book, name: str | None, after: int | None, author: str) -> None:
    """Drop the answers kept so far; they stay in the file. Raises InputError if there are none."""
    with book.writing():
        record = load_job(book, find_job(book, name))
        run = run_after(record, after)
        if run.entry not in record.answers:
            raise InputError(book.file, State(f"no answers after run {run.number}"), "some to drop")
        _end_answers(book, record, run, author)


def _end_answers(book: Book, record: JobRecord, run: RunRecord, author: str) -> None:
    entry = book.add_entry("answers_end", author, record.entry)
    book.run("INSERT INTO answers_end (entry, run) VALUES (?, ?)", (entry, run.entry))


def run_after(record: JobRecord, after: int | None) -> RunRecord:
    """Return the run after which something was done: by number, or the last. Raises InputError if there is none."""
    if not record.runs:
        raise InputError(
            record.book, State(f"job {record.name} without a run"), "a run before the adjustments after it"
        )
    return record.runs[-1] if after is None else the_run(record, after)


def _check_items(record: JobRecord, run: RunRecord, items: Items, *, correct: bool, anyway: bool) -> None:
    recorded = record.done.get(run.entry, {})
    settings = record.settings_text()
    for (blade, adjuster), text in items.items():
        amount = check_item(record.rotor, (blade, adjuster), text, record.book)
        old = recorded.get((blade, adjuster))
        if old is not None and not correct:
            raise InputError(
                record.book,
                State(f"{adjuster} of blade {blade} after run {run.number} again"),
                f"it once ({old} is recorded); put it right with trackbal log correct done",
            )
        after = Decimal(settings[blade, adjuster]) + amount - Decimal(old or "0")
        if not anyway and amount != 0:
            check_range(record.rotor, blade, adjuster, after, record.book)


def number(text: str, source: str, column: str) -> Decimal:
    """Return a typed number exactly. Raises InputError if it is none."""
    if not _NUMBER.fullmatch(text) or abs(Decimal(text)) > LARGEST_NUMBER:
        raise InputError(source, text, "a number", column=column)
    return Decimal(text)


def check_item(rotor: Rotor, place: tuple[str, str], text: str, source: str) -> Decimal:
    """Return the amount of an item exactly. Raises InputError unless place and amount are such."""
    blade, adjuster = place
    check_place(rotor, blade, adjuster, source)
    return number(text, source, f"{adjuster} of blade {blade}")


def items_of(triples: Sequence[tuple[str, str, str]], source: str) -> Items:
    """Return (blade, adjuster, amount) as items. Raises InputError if one is named twice."""
    items: Items = {}
    for blade, adjuster, amount in triples:
        if (blade, adjuster) in items:
            raise InputError(source, State(f"{adjuster} of blade {blade} again"), "each adjustment once")
        items[blade, adjuster] = amount
    return items


def advised_items(rotor: Rotor, advice: Advice) -> Items:
    """Return the adjustments of the plan to work from as items; none if none is offered."""
    if advice.offered is None:
        return {}
    return change_items(rotor, advice.offered.change)


def change_items(rotor: Rotor, change: Reals) -> Items:
    """Return a change, shape (A, B) in the adjusters' units, as items."""
    return {
        (blade, adjuster.name): format(Decimal(repr(float(change[a, b]))).normalize(), "f")
        for b, blade in enumerate(rotor.blades)
        for a, adjuster in enumerate(rotor.adjusters)
        if change[a, b]
    }
