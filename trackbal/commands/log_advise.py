"""Command of the logbook: advise."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from trackbal.commands.log import book_argument, by_option, job_option
from trackbal.commands.options import (
    NO_PLAN,
    Output,
    all_option,
    chance_option,
    echo_json,
    echo_text,
    force_option,
    job_wishes,
    json_option,
    most_option,
    plan_anyway_option,
    preference_options,
    preferring,
    say,
    written,
)
from trackbal.commands.waiting import working

if TYPE_CHECKING:
    from trackbal.logbook.records import JobRecord
    from trackbal.plan.advice import Advice
    from trackbal.plan.job_advice import JobAdvice


@click.command("advise")
@book_argument
@job_option
@most_option
@chance_option
@click.option("--nominal", is_flag=True, help="Search as if the influence were known exactly.")
@click.option("--override-stop", is_flag=True, help="Offer plans although a reading is at its stop limit.")
@plan_anyway_option
@preference_options
@click.option(
    "--drop-preferences", is_flag=True, help="No longer keep to what earlier advice of this job was told to keep to."
)
@click.option("--type-only", is_flag=True, help="Leave aside what the aircraft's earlier runs have shown.")
@click.option("--plan-out", cls=Output, metavar="ADJ.csv", help="Write the recommended adjustments to a sheet.")
@click.option("--card", "card_file", cls=Output, metavar="FILE.html", help="Write the job card too.")
@all_option
@by_option
@json_option
@force_option
def advise_command(
    book_file: str,
    job_name: str | None,
    most: int | None,
    chance: float,
    nominal: bool,
    override_stop: bool,
    plan_anyway: bool,
    type_only: bool,
    plan_out: str | None,
    card_file: str | None,
    everything: bool,
    author: str,
    as_json: bool,
    force: bool,
    drop_preferences: bool,
    no_preferences: bool,
    **preferences: Any,
) -> int:
    """Recommend adjustments after the last run, and record the plan as advised.

    Settings and bounds follow from the record. This aircraft's own response in the
    job, and in its earlier ones, counts too. What a plan is told to keep to (--hold and the like) holds for
    later advice of the job. Exit code 1 if the answer is to
    investigate, to stop, to learn more first or to hold: after a run that is not as
    expected no plan is offered until a correction, a finding or log checked says why.

    \b
    Example:
      trackbal log advise fleet.tblog --card card.html
    """
    from dataclasses import replace

    from trackbal.base.cautions import Gravest, by_gravity
    from trackbal.base.files import Outputs, check_free
    from trackbal.logbook.beginning import influence_to_go_by
    from trackbal.logbook.deeds import advised_items, record_advice
    from trackbal.logbook.earlier import earlier_jobs
    from trackbal.logbook.entries import job_to_advise
    from trackbal.logbook.report import hold_json, hold_text
    from trackbal.logbook.standing import look_at, stand, stops_beside
    from trackbal.logbook.store import Book
    from trackbal.plan.advice import with_settings_assumed
    from trackbal.plan.job_advice import advise_in_job
    from trackbal.reports.advice_report import advice_json, advice_text
    from trackbal.runs.sheets import adjustments_text

    check_free(plan_out, card_file, force=force)
    with Book.open(book_file, write=True) as book:
        record = job_to_advise(book, job_name)
        rotor = record.rotor
        entry, influence = influence_to_go_by(book, rotor, author)
        earlier = earlier_jobs(book, record, influence)
        wishes = job_wishes(rotor, None if drop_preferences else record.preferences, **preferences)
        with working("Searching plans"):
            found = advise_in_job(
                preferring(rotor, wishes, no_preferences=no_preferences),
                record.readings,
                record.change,
                influence,
                record.setting(),
                earlier=earlier,
                checked=record.checked,
                type_only=type_only,
                most=most,
                chance=chance,
                nominal=nominal,
                override_stop=override_stop,
                stops=stops_beside(record, len(record.runs)),
            )
        found = replace(found, advice=replace(found.advice, anyway=plan_anyway))
        advice = with_settings_assumed(found.advice, rotor, record.settings_listed())
        left = look_at(record).left
        if left and advice.verdict not in ("stop", "hold"):
            said = Gravest(f"Outside and not read again since, so not weighed here: {'; '.join(left)}.")
            advice = replace(advice, cautions=by_gravity((said, *advice.cautions)))
        answer = advice_json(rotor, found.run, advice) | {
            "learned": found.learned,
            "earlier_jobs": 0 if type_only else len(earlier),
            "preferences": wishes.as_options(),
        }
        standing = stand(record, influence, () if type_only else earlier) if found.on_hold else None
        if standing is not None:
            answer |= hold_json(record, standing)
        if advice.recommended is not None:
            answer["ranges"] = advice.plans[advice.recommended].likely.ranges(rotor)
        pages: list[tuple[str, str | bytes]] = []
        if plan_out is not None:
            if (plan := advice.to_write) is None:
                say(NO_PLAN, err=True)
            else:
                pages.append((plan_out, adjustments_text(rotor, plan.change)))
        if card_file is not None:
            checks = () if standing is None else tuple(e.text for e in standing.explanations)
            pages.append((card_file, _card(record, found, advice, f"{book_file}, entry {entry}", checks)))
        notices = written(card_file, None if advice.to_write is None else plan_out)
        if standing is None and advice.verdict == "learn":
            notices.append(f"Recorded as advised. Next: trackbal log trial {book_file} .")
        elif standing is None and advice.to_write is not None and advice.to_write.count:
            notices.append(f"Recorded as advised. When done: trackbal log done {book_file} .")
        with Outputs(pages, force=force) as outputs:

            def show_and_place() -> None:
                if as_json:
                    echo_json(answer)
                else:
                    held = "" if standing is None else hold_text(record, standing) + "\n\n"
                    above = len(held.splitlines())
                    text = advice_text(rotor, found.run, advice, everything=everything, notices=notices, above=above)
                    echo_text(held + text)
                outputs.place()

            record_advice(book, record, entry, answer, advised_items(rotor, advice), author, show_and_place)
    return 1 if advice.warns else 0


def _card(record: JobRecord, found: JobAdvice, advice: Advice, influence_file: str, checks: tuple[str, ...]) -> str:
    from trackbal.pages.card import CardLabels, card

    labels = CardLabels(
        aircraft=record.aircraft,
        run_label=f"job {record.name}, run {len(record.runs)}",
        influence_file=influence_file,
        settings_file=record.book if record.as_found else "",
    )
    return card(record.rotor, found.run, found.influence, advice, labels, checks)
