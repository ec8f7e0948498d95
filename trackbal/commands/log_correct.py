"""Commands of the logbook that correct an entry; what is corrected stays visible."""

from __future__ import annotations

import click

from trackbal.commands.log import book_argument, by_option, job_option, tell, why_option
from trackbal.commands.options import json_option


@click.group("correct")
def correct_command() -> None:
    """Correct an entry: the new value counts, the old one stays visible in show --all.

    \b
    Example:
      trackbal log correct reading fleet.tblog 2 hover cabin_vertical.deg 120 --why "misread"
      trackbal log correct done fleet.tblog 1 3 tip_weight -20 --why "removed, not added"
    """


@correct_command.command("reading", context_settings={"ignore_unknown_options": True})
@book_argument
@click.argument("run_number", metavar="RUN", type=click.IntRange(1))
@click.argument("regime")
@click.argument("quantity")
@click.argument("value")
@click.option("--unit", metavar="UNIT", help="Unit of the value, if not the rotor's.")
@click.option(
    "--repeat", type=click.IntRange(1), default=1, metavar="N", help="Which reading of the regime [the first]."
)
@job_option
@by_option
@why_option
@json_option
def reading(
    book_file: str,
    run_number: int,
    regime: str,
    quantity: str,
    value: str,
    unit: str | None,
    repeat: int,
    job_name: str | None,
    author: str,
    why: str | None,
    as_json: bool,
) -> int:
    """Correct one reading of a run. A value of "none" takes it back, an amplitude with its phase.

    Amplitude and phase may be given together, as "0.31 124". QUANTITY is named as in
    a run sheet: cabin_vertical.amp, cabin_vertical.deg, height.3, rpm, regime, note.

    \b
    Example:
      trackbal log correct reading fleet.tblog 2 hover cabin_vertical.deg 120 --why "misread"
    """
    from trackbal.logbook.corrections import correct_reading
    from trackbal.logbook.rows import Cell
    from trackbal.logbook.store import Book

    with Book.open(book_file, write=True) as book:
        cell = Cell("" if value == "none" else value, unit)
        record = correct_reading(book, job_name, run_number, (regime, repeat), {quantity: cell}, author, why)
        said = f"Corrected: run {run_number}, {regime}, {quantity} = {value}{f' {unit}' if unit else ''}."
        return tell(book, record, as_json, said, run_number, state=True)


@correct_command.command("done", context_settings={"ignore_unknown_options": True})
@book_argument
@click.argument("run_number", metavar="RUN", type=click.IntRange(1))
@click.argument("blade")
@click.argument("adjuster")
@click.argument("amount")
@click.option("--anyway", is_flag=True, help="Record it although no such setting can be: range, pieces.")
@job_option
@by_option
@why_option
@json_option
def done(
    book_file: str,
    run_number: int,
    blade: str,
    adjuster: str,
    amount: str,
    anyway: bool,
    job_name: str | None,
    author: str,
    why: str | None,
    as_json: bool,
) -> int:
    """Correct what was done after RUN on one blade's adjuster. An amount of 0: it was not done.

    \b
    Example:
      trackbal log correct done fleet.tblog 1 3 tip_weight -20 --why "removed, not added"
    """
    from trackbal.logbook.deeds import record_done
    from trackbal.logbook.report import done_text
    from trackbal.logbook.store import Book

    with Book.open(book_file, write=True) as book:
        items = {(blade, adjuster): amount}
        record, run, items = record_done(
            book, job_name, items, author, after=run_number, correct=True, anyway=anyway, why=why
        )
        return tell(book, record, as_json, done_text(record, run, items).rstrip(), state=True)


@correct_command.command("setting", context_settings={"ignore_unknown_options": True})
@book_argument
@click.argument("blade")
@click.argument("adjuster")
@click.argument("value")
@click.option("--anyway", is_flag=True, help="Record it although no such setting can be: range, pieces.")
@job_option
@by_option
@why_option
@json_option
def setting(
    book_file: str,
    blade: str,
    adjuster: str,
    value: str,
    anyway: bool,
    job_name: str | None,
    author: str,
    why: str | None,
    as_json: bool,
) -> int:
    """Correct a setting as found at the start of the job.

    \b
    Example:
      trackbal log correct setting fleet.tblog 2 tab -1.5 --why "measured again"
    """
    from trackbal.logbook.corrections import correct_setting
    from trackbal.logbook.store import Book

    with Book.open(book_file, write=True) as book:
        record = correct_setting(book, job_name, {(blade, adjuster): value}, author, why, anyway=anyway)
        return tell(book, record, as_json, f"Corrected: {adjuster} of blade {blade} was found at {value}.", state=True)


@correct_command.command("withdraw")
@book_argument
@click.argument("run_number", metavar="RUN", type=click.IntRange(1))
@job_option
@by_option
@why_option
@json_option
def withdraw(book_file: str, run_number: int, job_name: str | None, author: str, why: str | None, as_json: bool) -> int:
    """Take a run out of the count, such as one entered twice; later runs move up by one.

    \b
    Example:
      trackbal log correct withdraw fleet.tblog 3 --why "entered twice"
    """
    from trackbal.logbook.corrections import withdraw_run
    from trackbal.logbook.store import Book

    with Book.open(book_file, write=True) as book:
        record = withdraw_run(book, job_name, run_number, author, why)
        said = f"Run {run_number} withdrawn; job {record.name} has {len(record.runs)} runs."
        return tell(book, record, as_json, said, state=True)
