"""Commands of the maintainer at the aircraft: check, advise, card, form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from trackbal.commands.options import (
    NO_PLAN,
    Output,
    adjustment_columns_option,
    advice_options,
    all_option,
    columns_option,
    echo_json,
    echo_text,
    force_option,
    job_wishes,
    json_option,
    preferring,
    rotor_option,
    say,
    settings_columns_option,
    settings_table,
    table_of,
    written,
)
from trackbal.commands.waiting import working

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trackbal.aircraft.job_runs import JobRuns
    from trackbal.base.files import Outputs
    from trackbal.plan.advice import Advice
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.run import Run


@click.command()
@rotor_option
@click.option("--run", "run_file", metavar="SHEET.csv", help="The readings of the run; - reads standard input.")
@columns_option
@all_option
@json_option
def check(rotor_file: str, run_file: str | None, everything: bool, as_json: bool) -> int:
    """Hold a run's readings against the limits and against plausibility.

    Without --run the rotor file alone is checked, and what it says is shown for a
    second person to compare with the manual. Exit code 1 if a reading is not inside
    its limit, or above the figure for going on, or if one that a whole run has was
    not read.

    \b
    Example:
      trackbal check --rotor rotor.toml --run run1.csv
      trackbal check --rotor rotor.toml
    """
    from trackbal.check.review import check_run
    from trackbal.reports.check_report import check_json, check_text
    from trackbal.reports.rotor_report import rotor_json, rotor_text
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.sheets import run_of

    rotor = Rotor.load(rotor_file)
    if run_file is None:
        if as_json:
            echo_json(rotor_json(rotor))
        else:
            echo_text(rotor_text(rotor))
        return 0
    run = run_of(rotor, table_of(rotor, run_file))
    review = check_run(rotor, run)
    if as_json:
        echo_json(check_json(rotor, review))
    else:
        echo_text(check_text(rotor, review, everything=everything))
    return 0 if review.finished and not review.no_further else 1


@click.command()
@advice_options
@click.option("--card", "card_file", cls=Output, metavar="FILE.html", help="Write the job card too.")
@click.option("--aircraft", metavar="NAME", help="Whose run it is: its earlier jobs in --runs count too.")
@all_option
@json_option
@force_option
def advise(card_file: str | None, aircraft: str | None, everything: bool, as_json: bool, **request: Any) -> int:
    """Recommend the fewest adjustments likely enough to bring every reading inside limits.

    Exit code 1 if the answer is to investigate, to stop or to learn more first, or what was read is
    inside limits but a reading that a whole run has was not taken.

    \b
    Example:
      trackbal advise --rotor rotor.toml --run run1.csv --influence influence.json
      trackbal advise --rotor rotor.toml --run run1.csv --influence influence.json \\
          --aircraft "No. 7" --runs history.csv --adjustments history_adjustments.csv
    """
    from trackbal.reports.advice_report import advice_json, advice_text

    if aircraft is not None and request["runs_file"] is None:
        raise click.UsageError("--aircraft NAME goes with --runs HISTORY.csv and --adjustments HISTORY_ADJ.csv")
    rotor, run, advice, outputs = _advise(card_file, {"aircraft": aircraft or ""}, **request)
    with outputs:
        if as_json:
            echo_json(advice_json(rotor, run, advice))
        else:
            notices = written(card_file, None if advice.to_write is None else request["plan_out"])
            echo_text(advice_text(rotor, run, advice, everything=everything, notices=notices))
    return 1 if advice.warns else 0


@click.command()
@advice_options
@click.option("--out", "card_file", cls=Output, required=True, metavar="FILE.html", help="The card to write.")
@click.option("--aircraft", default="", metavar="TEXT", help="The aircraft, on the card and in --runs.")
@click.option("--run-label", default="", metavar="TEXT", help="The run, as it stands on the card.")
@click.option("--limits-from", default="", metavar="TEXT", help="Who set the limits, from which manual and revision.")
@json_option
@force_option
def card(card_file: str, aircraft: str, run_label: str, limits_from: str, as_json: bool, **request: Any) -> int:
    """Write the job card: the page to print, carry to the aircraft, mark and file.

    Takes what advise takes. Exit code 1 if the answer is to investigate, to stop or to learn more first.

    \b
    Example:
      trackbal card --rotor rotor.toml --run run1.csv --influence influence.json \\
          --settings settings.csv --aircraft "No. 7" --run-label "Run 1" --out card.html
    """
    from trackbal.reports.advice_report import advice_json

    texts = {"aircraft": aircraft, "run_label": run_label, "limits_from": limits_from}
    rotor, run, advice, outputs = _advise(card_file, texts, **request)
    with outputs:
        if as_json:
            echo_json(advice_json(rotor, run, advice))
        else:
            say(f"{advice.verdict}: written to {card_file}.")
    return 1 if advice.warns else 0


def _advise(
    card_file: str | None,
    texts: dict[str, str] | None = None,
    *,
    rotor_file: str,
    run_file: str,
    influence_file: str,
    settings_file: str | None,
    most: int | None,
    chance: float,
    nominal: bool,
    override_stop: bool,
    plan_anyway: bool,
    runs_file: str | None,
    adjustments_file: str | None,
    since: str | None,
    plan_out: str | None,
    force: bool,
    no_preferences: bool,
    **preferences: Any,
) -> tuple[Rotor, Run, Advice, Outputs]:
    """Return the advice, and the files that were asked for, to be written when the answer has been given."""
    from dataclasses import replace

    import numpy as np

    from trackbal.base.files import Outputs, check_free
    from trackbal.influence.coefficients import Influence
    from trackbal.plan.advice import with_settings_assumed
    from trackbal.plan.job_advice import advise_in_job
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.sheets import adjustments_text, read_settings, run_of, settings_listed

    rotor = Rotor.load(rotor_file)
    run = run_of(rotor, table_of(rotor, run_file))
    influence = Influence.load(influence_file, rotor)
    rotor = preferring(rotor, job_wishes(rotor, **preferences), no_preferences=no_preferences)
    settings = settings_table(rotor, settings_file)
    setting = read_settings(rotor, settings)
    check_free(plan_out, card_file, force=force)
    with working("Searching plans"):
        found = advise_in_job(
            rotor,
            [run],
            np.zeros((1, *setting.shape)),
            influence,
            setting,
            earlier=_earlier(rotor, run, (texts or {}).get("aircraft") or "", runs_file, adjustments_file, since),
            most=most,
            chance=chance,
            nominal=nominal,
            override_stop=override_stop,
        )
    advice = replace(found.advice, anyway=plan_anyway)
    advice = with_settings_assumed(advice, rotor, settings_listed(rotor, settings))
    pages: list[tuple[str, str | bytes]] = []
    if card_file is not None:
        from trackbal.pages.card import CardLabels, card

        labels = CardLabels(influence_file=influence_file, settings_file=settings_file or "", **(texts or {}))
        pages.append((card_file, card(rotor, run, influence, advice, labels)))
    if plan_out is not None:
        if (plan := advice.to_write) is None:
            say(NO_PLAN, err=True)
        else:
            pages.append((plan_out, adjustments_text(rotor, plan.change)))
    return rotor, run, advice, Outputs(pages, force=force)


def _earlier(
    rotor: Rotor, run: Run, aircraft: str, runs_file: str | None, adjustments_file: str | None, since: str | None
) -> Sequence[JobRuns]:
    """Return the earlier jobs of an aircraft, from sheets that say whose runs they hold; none without sheets.

    A job that holds `run` itself is no earlier one: its readings would count twice. It is left out, and that is said.
    """
    if runs_file is None and adjustments_file is None and since is None:
        return ()
    if runs_file is None or adjustments_file is None or not aircraft:
        raise click.UsageError(
            "earlier jobs need --aircraft NAME, --runs HISTORY.csv and --adjustments HISTORY_ADJ.csv"
        )
    from trackbal.aircraft.own_jobs import own_jobs
    from trackbal.runs.copies import without_jobs_of
    from trackbal.runs.repeats import without_odd
    from trackbal.runs.sheets import read_history

    history = without_odd(read_history(rotor, runs_file, adjustments_file))
    earlier, present = without_jobs_of(history, run)
    for job in present:
        say(f"{runs_file}: job {job} holds this very run, so it is no earlier one and is left out.", err=True)
    if aircraft in history.aircraft and aircraft not in earlier.aircraft:
        return ()
    return own_jobs(earlier, aircraft, since)


@click.command()
@rotor_option
@click.option("--csv", "csv_file", cls=Output, metavar="FILE.csv", help="Write the blank run sheet to fill in.")
@click.option("--page", "page_file", cls=Output, metavar="FILE.html", help="The same as a page to fill in or print.")
@click.option("--dial", "dial_file", cls=Output, metavar="FILE.html", help="Write a blank dial to draw phasors on.")
@force_option
def form(rotor_file: str, csv_file: str | None, page_file: str | None, dial_file: str | None, force: bool) -> int:
    """Write a blank run sheet for a rotor, as CSV or as a page to fill in, and a blank dial.

    The page is filled in on a tablet without network and saves the CSV that check,
    advise and log run read; printed, it is the paper form.

    \b
    Example:
      trackbal form --rotor rotor.toml --csv run1.csv --page run1.html
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.pages.blank_dial import blank_dial_page
    from trackbal.pages.run_form import blank_page, blank_sheet
    from trackbal.runs.rotor import Rotor

    if csv_file is None and page_file is None and dial_file is None:
        raise click.UsageError("nothing to write: give --csv FILE.csv, --page FILE.html or --dial FILE.html")
    rotor = Rotor.load(rotor_file)
    check_free(csv_file, page_file, dial_file, force=force)
    makers = ((csv_file, blank_sheet), (page_file, blank_page), (dial_file, blank_dial_page))
    pages = [(file, make(rotor)) for file, make in makers if file]
    with Outputs(pages, force=force):
        say("\n".join(f"Written to {file}." for file, _ in pages))
    return 0


@click.command("rotor-template")
@click.option("--blades", type=click.IntRange(2, 12), required=True, metavar="N", help="How many blades.")
@click.option("--name", default="New rotor", show_default=True, metavar="TEXT", help="Of the rotor.")
@click.option("--out", "rotor_file", cls=Output, required=True, metavar="ROTOR.toml", help="The file to write.")
@force_option
def rotor_template(blades: int, name: str, rotor_file: str, force: bool) -> int:
    """Write a commented rotor.toml to start from; every figure in it is a place holder.

    \b
    Example:
      trackbal rotor-template --blades 4 --out rotor.toml
    """
    from trackbal.base.errors import InputError
    from trackbal.base.files import Outputs, check_free
    from trackbal.runs import rotor_template as template
    from trackbal.runs.rotor import Rotor

    check_free(rotor_file, force=force)
    text = template.rotor_template(blades, name)
    if '"' in name or "\\" in name:
        raise InputError("--name", name, "a name without quotation marks")
    Rotor.parse(text, "--name")
    with Outputs([(rotor_file, text)], force=force):
        say(f"Written to {rotor_file}. Replace every figure; then: trackbal check --rotor {rotor_file}")
    return 0


@click.command()
@rotor_option
@click.option("--settings", "settings_file", required=True, metavar="SETTINGS.csv", help="What was installed before.")
@settings_columns_option
@click.option("--done", "done_file", required=True, metavar="ADJ.csv", help="The adjustments that were truly done.")
@adjustment_columns_option
@click.option("--out", "out_file", cls=Output, required=True, metavar="NEW.csv", help="What is installed now.")
@json_option
@force_option
def settle(rotor_file: str, settings_file: str, done_file: str, out_file: str, as_json: bool, force: bool) -> int:
    """Add what was done to the settings, so that nobody adds signed numbers by hand.

    A setting that would leave its adjuster's range is refused. The settings before
    stay as they are; keep them until the next run is read.

    \b
    Example:
      trackbal settle --rotor rotor.toml --settings settings.csv --done plan.csv --out settings2.csv
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.reports.settle_report import settled_json, settled_text
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.sheets import read_adjustments, read_settings, settings_text, settled

    rotor = Rotor.load(rotor_file)
    check_free(out_file, force=force)
    before = read_settings(rotor, settings_table(rotor, settings_file))
    change = read_adjustments(rotor, table_of(rotor, done_file, "adjustment_columns"))
    after = settled(rotor, before, change, done_file)
    with Outputs([(out_file, settings_text(rotor, after))], force=force):
        if as_json:
            echo_json(settled_json(rotor, before, after))
        else:
            echo_text(settled_text(rotor, before, after))
            say(f"Written to {out_file}.")
    return 0
