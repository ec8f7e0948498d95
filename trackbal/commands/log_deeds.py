"""Commands of the logbook: advise, done."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from trackbal.commands.log import book_argument, by_option, job_option
from trackbal.commands.options import Output, chance_option, echo_json, force_option, json_option, most_option

if TYPE_CHECKING:
    from trackbal.logbook.records import Items, JobRecord
    from trackbal.logbook.store import Book


@click.command("advise")
@book_argument
@job_option
@most_option
@chance_option
@click.option("--nominal", is_flag=True, help="Search as if the influence were known exactly.")
@click.option("--override-stop", is_flag=True, help="Offer plans although a reading is at its stop limit.")
@click.option("--type-only", is_flag=True, help="Leave aside what earlier runs of the job have shown.")
@click.option("--plan-out", cls=Output, metavar="ADJ.csv", help="Write the recommended adjustments to a sheet.")
@click.option("--card", "card_file", cls=Output, metavar="FILE.html", help="Write the job card too.")
@by_option
@json_option
@force_option
def advise_command(
    book_file: str,
    job_name: str | None,
    most: int,
    chance: float,
    nominal: bool,
    override_stop: bool,
    type_only: bool,
    plan_out: str | None,
    card_file: str | None,
    author: str,
    as_json: bool,
    force: bool,
) -> int:
    """Recommend adjustments after the last run, and record the plan as advised.

    Settings and bounds follow from the record. From the second run on, this
    aircraft's own response in the job counts too. Exit code 1 if the answer is to
    investigate or to stop, or the last run is surprising.

    \b
    Example:
      trackbal log advise fleet.tblog --card card.html
    """
    from trackbal.base.files import check_free, write_whole
    from trackbal.logbook.deeds import advised_items, record_advice
    from trackbal.logbook.entries import job_to_advise
    from trackbal.logbook.records import load_influence
    from trackbal.logbook.store import Book
    from trackbal.plan.advice import with_settings_assumed
    from trackbal.plan.job_advice import advise_in_job
    from trackbal.reports.advice_report import advice_json, advice_text
    from trackbal.runs.sheets import write_adjustments

    check_free(plan_out, card_file, force=force)
    with Book.open(book_file, write=True) as book:
        record = job_to_advise(book, job_name)
        rotor = record.rotor
        entry, influence = load_influence(book, rotor)
        found = advise_in_job(
            rotor,
            record.readings,
            record.change,
            influence,
            record.setting(),
            type_only=type_only,
            most=most,
            chance=chance,
            nominal=nominal,
            override_stop=override_stop,
        )
        advice = found.advice if record.as_found else with_settings_assumed(found.advice)
        answer = advice_json(rotor, found.run, advice) | {"learned": found.learned}
        record_advice(book, record, entry, answer, advised_items(rotor, advice), author)
    if plan_out is not None and advice.recommended is not None:
        write_adjustments(rotor, plan_out, advice.plans[advice.recommended].change, force=force)
    if card_file is not None:
        from trackbal.pages.card import CardLabels, card

        labels = CardLabels(
            aircraft=record.aircraft,
            run_label=f"job {record.name}, run {len(record.runs)}",
            influence_file=f"{book_file}, entry {entry}",
            settings_file=book_file if record.as_found else "",
        )
        write_whole(card_file, card(rotor, found.run, found.influence, advice, labels), force=force)
    surprising = found.surprise is not None and found.surprise.surprising
    if as_json:
        echo_json(answer)
    else:
        click.echo(advice_text(rotor, found.run, advice), nl=False)
    return 1 if surprising or advice.verdict in ("investigate", "stop") else 0


@click.command("done")
@book_argument
@job_option
@click.option("--ask", is_flag=True, help="Go through the advised adjustments one by one.")
@click.option(
    "--item",
    "items",
    nargs=3,
    multiple=True,
    metavar="BLADE ADJUSTER AMOUNT",
    help="An adjustment done; instead of as advised. May be repeated.",
)
@click.option("--sheet", metavar="ADJ.csv", help="The adjustments done, as an adjustments sheet.")
@click.option("--nothing", is_flag=True, help="Nothing was done.")
@click.option("--after", type=click.IntRange(1), metavar="RUN", help="The run after which [the last].")
@click.option("--anyway", is_flag=True, help="Record it although it leaves an adjuster's range.")
@by_option
@json_option
def done_command(
    book_file: str,
    job_name: str | None,
    ask: bool,
    items: tuple[tuple[str, str, str], ...],
    sheet: str | None,
    nothing: bool,
    after: int | None,
    anyway: bool,
    author: str,
    as_json: bool,
) -> int:
    """Record what was truly done after a run: as advised, or otherwise.

    Work done by two shifts may be recorded in two goes.

    \b
    Example:
      trackbal log done fleet.tblog
      trackbal log done fleet.tblog --item 3 tip_weight -20 --item 1 pitch_link 1
    """
    from trackbal.logbook.deeds import items_of, record_done
    from trackbal.logbook.entries import job_rotor
    from trackbal.logbook.report import done_text
    from trackbal.logbook.sheets import items_of_sheet
    from trackbal.logbook.store import Book

    if sum((ask, bool(items), sheet is not None, nothing)) > 1:
        raise click.UsageError("give one of --ask, --item, --sheet and --nothing")
    if ask and as_json:
        raise click.UsageError("--json does not go with --ask")
    with Book.open(book_file, write=True) as book:
        done: Items | None = None
        if nothing:
            done = {}
        elif items:
            done = items_of(items, "--item")
        elif sheet is not None:
            done = items_of_sheet(job_rotor(book, job_name), sheet, "amount")
        elif ask:
            done = _ask_items(book, job_name, after)
        record, run, recorded = record_done(book, job_name, done, author, after=after, anyway=anyway)
    if as_json:
        listed = [{"blade": b, "adjuster": a, "amount": text} for (b, a), text in recorded.items()]
        echo_json({"job": record.name, "after_run": run.number, "done": listed})
    else:
        click.echo(done_text(record, run, recorded), nl=False)
    return 0


def _ask_items(book: Book, job_name: str | None, after: int | None) -> Items:
    """Ask what was done, advised adjustment by advised adjustment, then what else."""
    from trackbal.base.errors import InputError
    from trackbal.logbook.deeds import check_item
    from trackbal.logbook.entries import the_run
    from trackbal.logbook.records import find_job, load_job
    from trackbal.logbook.report import items_words

    record = load_job(book, find_job(book, job_name))
    if not record.runs:
        raise InputError(book.file, f"no run in job {record.name}", "a run before the adjustments after it")
    run = record.runs[-1] if after is None else the_run(record, after)
    advice = record.latest_advice(run)
    items: Items = {}
    for place, text in record.in_order(advice.items).items() if advice else ():
        words = items_words(record.rotor, {place: text})[0]
        amount = _ask_amount(record, place, f"{words}: Enter if done; 0 if not; or the amount done (advised {text})")
        items[place] = amount or text
        if amount and float(amount) and float(amount) != float(text):
            click.echo(f"  instead: {items_words(record.rotor, {place: amount})[0]}")
    while True:
        words = click.prompt("Anything else? BLADE ADJUSTER AMOUNT, or Enter to record", default="", show_default=False)
        parts = str(words).split()
        if not parts:
            return {place: text for place, text in items.items() if float(text) != 0.0}
        try:
            if len(parts) != 3:
                raise InputError("answer", str(words), "a blade, an adjuster and an amount: 3 tip_weight -20")
            place = (parts[0], parts[1])
            check_item(record.rotor, place, parts[2], "answer")
        except InputError as error:
            click.echo(f"  {error}")
            continue
        items[place] = parts[2]


def _ask_amount(record: JobRecord, place: tuple[str, str], prompt: str) -> str:
    from trackbal.base.errors import InputError
    from trackbal.logbook.deeds import check_item

    while True:
        text = str(click.prompt(prompt, default="", show_default=False)).strip()
        if not text:
            return ""
        try:
            check_item(record.rotor, place, text, "answer")
        except InputError as error:
            click.echo(f"  {error}")
            continue
        return text
