"""Command of the logbook: run, from a sheet or reading by reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from trackbal.base.errors import visible
from trackbal.commands.log import book_argument, by_option, job_option, recorded
from trackbal.commands.options import column_map, columns_option, echo_json, echo_text, json_option, say, table_of

if TYPE_CHECKING:
    from trackbal.logbook.asking import Answer, Asking
    from trackbal.logbook.records import JobRecord
    from trackbal.logbook.store import Book


@click.command("run")
@book_argument
@click.argument("sheet", required=False, metavar="[SHEET.csv]")
@columns_option
@job_option
@click.option("--drop", is_flag=True, help="Drop the run being typed; what was typed stays in the file.")
@click.option("--date", metavar="DATE", help="When it was flown (2026-03-31), if not today.")
@click.option("--group", "groups", multiple=True, metavar="NAME=TEXT", help="What it belongs to, as base=north.")
@click.option("--anyway", is_flag=True, help="Take a sheet with doubted readings, or those of an earlier run again.")
@by_option
@json_option
def run_command(
    book_file: str,
    sheet: str | None,
    job_name: str | None,
    drop: bool,
    date: str | None,
    groups: tuple[str, ...],
    anyway: bool,
    author: str,
    as_json: bool,
) -> int:
    """Enter a run: from a run sheet (.csv, .xlsx), or typed reading by reading.

    Without a sheet every reading is asked for, with what it was in the last run
    beside it. Each is on the disk before the next is asked for: break off with
    Ctrl-C or "stop" at any time, and take it up again with the same command;
    "finish" closes the run as it is. Type ? for help. A reading that is hard to
    believe is asked about before it counts; so is, on a terminal, a sheet with
    such readings. Exit code 1 if the run is surprising, at a stop limit, or not
    finished.

    \b
    Example:
      trackbal log run fleet.tblog run1.csv
      trackbal log run fleet.tblog
    """
    from trackbal.logbook.store import Book

    if as_json and sheet is None and not drop:
        raise click.UsageError("--json goes with a sheet; without one the readings are asked for")
    with Book.open(book_file, write=True) as book:
        if drop:
            from trackbal.logbook.entries import drop_typing

            drop_typing(book, job_name, author)
            say("Dropped. What was typed stays in the file.")
            return 0
        from trackbal.logbook.entries import job_rotor, say_whose, whose_row

        whose = whose_row(job_rotor(book, job_name), date, groups, book_file)
        if sheet is not None:
            finished = _from_sheet(book, sheet, job_name, author, ask=not (as_json or anyway), anyway=anyway)
            if finished is None:
                say("Nothing recorded.")
                return 1
        else:
            finished = _type_run(book, job_name, author)
        if finished is None:
            say(f"\nBroken off; everything typed is kept. Go on with: trackbal log run {book_file}")
            return 1
        if whose:
            finished = say_whose(book, finished, whose, author)
        return _review(book, finished, as_json)


def _from_sheet(
    book: Book, sheet: str, job_name: str | None, author: str, *, ask: bool, anyway: bool
) -> JobRecord | None:
    """Record a run from a sheet; on a terminal doubted readings are asked about first. None: not recorded."""
    import sys

    from trackbal.logbook.entries import add_run, open_job
    from trackbal.logbook.report import doubts_of_rows, doubts_text
    from trackbal.logbook.sheets import load_table, rows_of_run

    job = open_job(book, job_name)
    table = load_table(sheet) if column_map("columns") is None else table_of(job.rotor, sheet)
    rows = rows_of_run(job.rotor, table)
    if ask and sys.stdin.isatty():
        doubts = doubts_of_rows(job, rows, sheet)
        if doubts:
            echo_text(doubts_text(doubts))
            if not _said_so():
                return None
            anyway = True
    return add_run(book, job_name, rows, sheet, author, anyway=anyway)


def _said_so() -> bool:
    try:
        return _ask('"yes" if it was read so').strip().casefold() in ("yes", "y")
    except click.exceptions.Abort:
        return False


def _type_run(book: Book, job_name: str | None, author: str) -> JobRecord | None:
    """Ask for the readings of a run; None if the person breaks off."""
    from trackbal.base.text_layout import count
    from trackbal.logbook.asking import Asking
    from trackbal.logbook.entries import begin_typing, last_typed, type_cells
    from trackbal.logbook.records import load_lines

    record = begin_typing(book, job_name, author)
    assert record.draft is not None
    lines = load_lines(book, record.draft.entry)
    previous = record.readings[-1] if record.readings else None
    asking = Asking(record.rotor, lines, previous, record.runs[-1].rows if record.runs else ())
    state = f"going on ({count(len(lines), 'regime')} begun)" if lines else "reading by reading; ? for help"
    say(f"Job {record.name}, run {len(record.runs) + 1}: {state}.")
    last_entry = last_typed(book, record.draft.entry)
    if last_entry:
        say(f"Begun by {record.draft.stamp.author}. If somebody is typing it at another terminal, stop here.")
    if record.runs and record.runs[-1].entry not in record.done:
        say(f"Nobody has said yet what was done after run {len(record.runs)} (trackbal log done).")
    while True:
        try:
            question = asking.current
            if question is None:
                if _ask_more(asking):
                    continue
                finished = _finish(book, record, asking, author)
                if finished is not None:
                    return finished
                continue
            at = asking.at
            answer = asking.answer(_ask(asking.prompt(question)))
            if answer.cells:
                run = record.draft.entry
                last_entry, elsewhere = type_cells(
                    book, record.entry, run, question.line, answer.cells, author, last_entry
                )
                if elsewhere:
                    asking.lines, asking.at = load_lines(book, run), at
                    _tell_elsewhere(elsewhere)
                    continue
            _tell_answer(record, asking, answer)
            if answer.finish:
                finished = _finish(book, record, asking, author)
                if finished is not None:
                    return finished
        except click.exceptions.Abort:
            return None
        if answer.stop:
            return None


def _tell_elsewhere(elsewhere: list[str]) -> None:
    """Say that somebody else types the same run, and what; what was typed here is not recorded."""
    from trackbal.base.text_layout import listed

    echo_text(listed("Somebody else is typing this run. Typed there meanwhile:", elsewhere) + "\n")
    say("What you typed is NOT recorded. Agree who types; type it again if it is to count.")


def _tell_answer(record: JobRecord, asking: Asking, answer: Answer) -> None:
    """Say what there is to say of an answer, and show a regime whose readings have all been asked for."""
    from trackbal.base.text_layout import wrap
    from trackbal.logbook.run_table import run_table

    if answer.message:
        echo_text(wrap(answer.message, "  ") + "\n")
    if answer.done is not None:
        before = record.runs[-1].rows if record.runs else ()
        echo_text(run_table(record.rotor, [asking.lines[answer.done]], before) + "\n")


def _finish(book: Book, record: JobRecord, asking: Asking, author: str) -> JobRecord | None:
    """Finish the run, once readings that are hard to believe were said to be so; None to go on typing."""
    from trackbal.base.errors import InputError
    from trackbal.logbook.entries import finish_typing
    from trackbal.logbook.report import doubts_of_rows, doubts_text

    try:
        doubts = doubts_of_rows(record, list(asking.lines.values()), "typed")
        if doubts:
            echo_text(doubts_text(doubts))
            if _ask('"yes" if it was read so; Enter to go back to the readings').strip().casefold() not in ("yes", "y"):
                asking.at = max(asking.at - 1, 0)
                return None
        return finish_typing(book, record, author)
    except InputError as error:
        say(f"  {error}")
        asking.at = 0
        return None


def _ask(prompt: str) -> str:
    text: str = click.prompt(visible(prompt), default="", show_default=False)
    return text


def _ask_more(asking: Asking) -> bool:
    """Ask what to do after the last reading; return whether there is more to ask."""
    names = ", ".join(r.name for r in asking.rotor.regimes)
    text = _ask("Enter to finish; back; stop; or a regime read once more").strip()
    if text.casefold() in ("", "finish"):
        return False
    if text.casefold() == "stop":
        raise click.exceptions.Abort
    if text.casefold() == "back":
        asking.back()
    elif not asking.again(text):
        say(f"  expected Enter, back, stop or one of {names}")
    return True


def _review(book: Book, record: JobRecord, as_json: bool) -> int:
    """Say how the run just entered looks, and return the exit code."""
    from trackbal.logbook.earlier import earlier_jobs
    from trackbal.logbook.records import influence_if_any
    from trackbal.logbook.report import job_json, run_text
    from trackbal.logbook.standing import stand

    influence = influence_if_any(book, record.rotor)
    standing = stand(record, influence, earlier_jobs(book, record, influence))
    with recorded():
        if as_json:
            echo_json(job_json(record, standing))
        else:
            echo_text(run_text(record, standing))
    return 1 if standing.warns else 0
