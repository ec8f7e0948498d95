"""Command of the logbook: done, as advised, from a sheet, item by item or question by question."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from trackbal.base.errors import visible
from trackbal.commands.log import book_argument, by_option, job_option, recorded, tell
from trackbal.commands.options import adjustment_columns_option, echo_json, echo_text, json_option, say, typed_sheet

if TYPE_CHECKING:
    from trackbal.logbook.records import Items
    from trackbal.logbook.store import Book


@click.command("done")
@book_argument
@job_option
@click.option("--ask", is_flag=True, help="Go through the advised adjustments one by one.")
@click.option("--drop", is_flag=True, help="With --ask: drop the answers kept so far; they stay in the file.")
@click.option(
    "--item",
    "items",
    nargs=3,
    multiple=True,
    metavar="BLADE ADJUSTER AMOUNT",
    help="An adjustment done; instead of as advised. May be repeated.",
)
@click.option("--sheet", metavar="ADJ.csv", help="The adjustments done, as an adjustments sheet.")
@adjustment_columns_option
@click.option("--nothing", is_flag=True, help="Nothing was done.")
@click.option("--after", type=click.IntRange(1), metavar="RUN", help="The run after which [the last].")
@click.option("--anyway", is_flag=True, help="Record it although no such setting can be: range, pieces.")
@by_option
@json_option
def done_command(
    book_file: str,
    job_name: str | None,
    ask: bool,
    drop: bool,
    items: tuple[tuple[str, str, str], ...],
    sheet: str | None,
    nothing: bool,
    after: int | None,
    anyway: bool,
    author: str,
    as_json: bool,
) -> int:
    """Record what was truly done after a run: as advised, or otherwise.

    Work done by two shifts may be recorded in two goes. With --ask each answer is on
    the disk before the next is asked for, and nothing counts before the last Enter:
    break off with Ctrl-C or "stop" at any time, and take it up again with the same
    command. In an --item the amount has the sign of the adjustments sheet, and is
    said back in words. Exit code 1 if the asking was broken off, or what was done after
    an earlier run leaves the job on hold.

    \b
    Example:
      trackbal log done fleet.tblog
      trackbal log done fleet.tblog --ask
      trackbal log done fleet.tblog --item 3 tip_weight -20 --item 1 pitch_link 1
    """
    from trackbal.logbook.deeds import drop_answers, items_of, record_done
    from trackbal.logbook.entries import job_rotor
    from trackbal.logbook.report import done_text
    from trackbal.logbook.sheets import items_of_sheet
    from trackbal.logbook.store import Book

    if sum((ask, bool(items), sheet is not None, nothing)) > 1:
        raise click.UsageError("give one of --ask, --item, --sheet and --nothing")
    if ask and (as_json or anyway):
        raise click.UsageError("--json and --anyway do not go with --ask")
    if drop and not ask:
        raise click.UsageError("--drop goes with --ask")
    with Book.open(book_file, write=True) as book:
        if drop:
            drop_answers(book, job_name, after, author)
            say("Dropped. What was answered stays in the file.")
            return 0
        done: Items | None = None
        if nothing:
            done = {}
        elif items:
            done = items_of(items, "--item")
        elif sheet is not None:
            rotor = job_rotor(book, job_name)
            done = items_of_sheet(rotor, typed_sheet(rotor, sheet, "adjustment_columns"), "amount")
        elif ask:
            done = _ask_items(book, job_name, after, author)
            if done is None:
                say(f"\nBroken off; every answer is kept. Go on with: trackbal log done {book_file} --ask")
                return 1
        record, run, items_done = record_done(book, job_name, done, author, after=after, anyway=anyway, finishing=ask)
        if (
            run.entry != record.runs[-1].entry and not as_json
        ):  # later runs are held against it: what it makes of the job
            return tell(book, record, False, done_text(record, run, items_done).rstrip(), state=True)
    with recorded():
        if as_json:
            listed = [{"blade": b, "adjuster": a, "amount": text} for (b, a), text in items_done.items()]
            echo_json({"job": record.name, "after_run": run.number, "done": listed})
        else:
            echo_text(done_text(record, run, items_done))
    return 0


def _ask_items(book: Book, job_name: str | None, after: int | None, author: str) -> Items | None:
    """Ask what was done, each answer kept as it is given; None if the person breaks off."""
    from trackbal.base.errors import InputError
    from trackbal.base.text_layout import wrap
    from trackbal.logbook.asking_done import DoneAsking
    from trackbal.logbook.deeds import keep_answer, run_after
    from trackbal.logbook.records import find_job, load_job

    record = load_job(book, find_job(book, job_name))
    if record.outcome is not None:
        raise InputError(book.file, f"job {record.name}, closed", "an open job, or trackbal log correct done")
    run = run_after(record, after)
    asking = DoneAsking(record, run)
    say(f"Job {record.name}: what was done after run {run.number}? Type ? for help.")
    if asking.answers:
        say("Answered before:")
    for words in asking.answered_words():
        say(f"  {words}")
    while True:
        question = asking.question()
        if question:
            say(question)
        try:
            reply = asking.answer(str(click.prompt(visible(asking.prompt()), default="", show_default=False)))
        except click.exceptions.Abort:
            return None
        if reply.stop:
            return None
        if reply.items:
            keep_answer(book, record, run, reply.items, author)
        if reply.message:
            say("\n".join(wrap(line, "  ") for line in reply.message.splitlines()))
        if reply.finished:
            return asking.items
