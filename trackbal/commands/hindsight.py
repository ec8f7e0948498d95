"""Command that looks back at past advice: hindsight."""

from __future__ import annotations

import click

from trackbal.commands.options import Output, columns_option, echo_json, force_option, json_option, past_runs, say
from trackbal.commands.waiting import working


@click.command()
@click.option("--log", "log_files", multiple=True, metavar="LOGBOOK", help="A logbook; may be repeated.")
@click.option("--rotor", "rotor_file", metavar="ROTOR.toml", help="The rotor of sheets.")
@click.option("--runs", "runs_file", metavar="HISTORY.csv", help="Past runs, with job and run columns.")
@click.option("--adjustments", "adjustments_file", metavar="HISTORY_ADJ.csv", help="The adjustments between them.")
@click.option(
    "--advice", "advice_file", metavar="ADVICE.csv", help="Past advice: job, after_run, chance and, if known, by."
)
@columns_option
@click.option("--page", "page_file", cls=Output, metavar="PAGE.html", help="Write a page with a picture.")
@json_option
@force_option
def hindsight(
    log_files: tuple[str, ...],
    rotor_file: str | None,
    runs_file: str | None,
    adjustments_file: str | None,
    advice_file: str | None,
    page_file: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Hold past advice against what came: promised chances, expected readings and ranges.

    Judged are plans that were done as advised and followed by a run: by type, adjuster and
    person. Exit code 1 if the chances promised were not right by more than accident.

    \b
    Example:
      trackbal hindsight --log fleet.tblog --page hindsight.html
    """
    from trackbal.base.csv_table import CsvTable
    from trackbal.base.files import Outputs, check_free
    from trackbal.hindsight.past_plans import plans_of_logbooks, plans_of_sheets
    from trackbal.hindsight.scores import look_back
    from trackbal.reports.hindsight_report import NOT_RIGHT, hindsight_json, report

    sheets = (rotor_file, runs_file, adjustments_file, advice_file)
    if bool(log_files) == all(s is not None for s in sheets) or (log_files and any(s is not None for s in sheets)):
        raise click.UsageError("give --log LOGBOOK, or --rotor, --runs, --adjustments and --advice")
    check_free(page_file, force=force)
    if log_files:
        with working("Looking back"):
            plans = plans_of_logbooks(log_files)
    else:
        from trackbal.runs.rotor import Rotor

        assert rotor_file is not None and advice_file is not None
        rotor = Rotor.load(rotor_file)
        history = past_runs(rotor, runs_file, adjustments_file, ())
        plans = plans_of_sheets(rotor, history, CsvTable.load(advice_file))
    found = look_back(plans)
    pages = []
    if page_file is not None:
        from trackbal.pages.hindsight_page import hindsight_page

        pages.append((page_file, hindsight_page(found)))
    with Outputs(pages, force=force):
        if as_json:
            echo_json(hindsight_json(found))
        else:
            say(report(found), nl=False)
    return 1 if any(s.what == "all" and s.p < NOT_RIGHT for s in found.scores) else 0
