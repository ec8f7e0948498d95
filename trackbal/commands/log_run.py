"""Command of the logbook: run, from a sheet or reading by reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from trackbal.commands.log import book_argument, by_option, job_option
from trackbal.commands.options import column_map, columns_option, echo_json, echo_text, json_option, table_of

if TYPE_CHECKING:
    from trackbal.logbook.asking import Asking
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
@by_option
@json_option
def run_command(
    book_file: str,
    sheet: str | None,
    job_name: str | None,
    drop: bool,
    date: str | None,
    groups: tuple[str, ...],
    author: str,
    as_json: bool,
) -> int:
    """Enter a run: from a run sheet (.csv, .xlsx), or typed reading by reading.

    Without a sheet every reading is asked for, with what it was in the last run
    beside it. Each is on the disk before the next is asked for: break off with
    Ctrl-C or "stop" at any time, and take it up again with the same command.
    Type ? for help. Exit code 1 if the run is surprising, at a stop limit, or not
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
            click.echo("Dropped. What was typed stays in the file.")
            return 0
        from trackbal.logbook.entries import add_run, job_rotor, say_whose, whose_row

        whose = whose_row(job_rotor(book, job_name), date, groups, book_file)
        if sheet is not None:
            from trackbal.logbook.sheets import load_table, rows_of_run

            rotor = job_rotor(book, job_name)
            table = load_table(sheet) if column_map("columns") is None else table_of(rotor, sheet)
            record = add_run(book, job_name, rows_of_run(rotor, table), sheet, author)
            if whose:
                say_whose(book, record, whose, author)
            return _review(book, record, as_json)
        finished = _type_run(book, job_name, author)
        if finished is None:
            click.echo(f"\nBroken off; everything typed is kept. Go on with: trackbal log run {book_file}")
            return 1
        if whose:
            say_whose(book, finished, whose, author)
        return _review(book, finished, as_json)


def _type_run(book: Book, job_name: str | None, author: str) -> JobRecord | None:
    """Ask for the readings of a run; None if the person breaks off."""
    from trackbal.base.errors import InputError
    from trackbal.logbook.asking import Asking
    from trackbal.logbook.entries import begin_typing, finish_typing, type_cells
    from trackbal.logbook.records import load_lines

    record = begin_typing(book, job_name, author)
    assert record.draft is not None
    lines = load_lines(book, record.draft.entry)
    previous = record.readings[-1] if record.readings else None
    asking = Asking(record.rotor, lines, previous)
    state = f"going on ({len(lines)} regimes begun)" if lines else "reading by reading; ? for help"
    click.echo(f"Job {record.name}, run {len(record.runs) + 1}: {state}.")
    if record.runs and record.runs[-1].entry not in record.done:
        click.echo(f"Nobody has said yet what was done after run {len(record.runs)} (trackbal log done).")
    while True:
        try:
            if asking.current is None:
                if not _ask_more(asking):
                    try:
                        return finish_typing(book, record, author)
                    except InputError as error:
                        click.echo(f"  {error}")
                        asking.at = 0
                continue
            question = asking.current
            answer = asking.answer(_ask(asking.prompt(question)))
        except click.exceptions.Abort:
            return None
        if answer.stop:
            return None
        if answer.cells:
            type_cells(book, record.entry, record.draft.entry, question.line, answer.cells, author)
        if answer.message:
            click.echo(f"  {answer.message}")


def _ask(prompt: str) -> str:
    text: str = click.prompt(prompt, default="", show_default=False)
    return text


def _ask_more(asking: Asking) -> bool:
    """Ask what to do after the last reading; return whether there is more to ask."""
    names = ", ".join(r.name for r in asking.rotor.regimes)
    text = _ask("Enter to finish; back; stop; or a regime read once more").strip()
    if text == "":
        return False
    if text.casefold() == "stop":
        raise click.exceptions.Abort
    if text.casefold() == "back":
        asking.back()
    elif not asking.again(text):
        click.echo(f"  expected Enter, back, stop or one of {names}")
    return True


def _review(book: Book, record: JobRecord, as_json: bool) -> int:
    """Say how the run just entered looks, and return the exit code."""
    from trackbal.logbook.records import influence_if_any
    from trackbal.logbook.report import job_json, run_text
    from trackbal.logbook.standing import stand

    standing = stand(record, influence_if_any(book, record.rotor))
    if as_json:
        echo_json(job_json(record, standing))
    else:
        echo_text(run_text(record, standing))
    return 1 if standing.warns else 0
