"""Commands of the vibration analyst that look behind a fit: audit."""

from __future__ import annotations

import sys

import click

from trackbal.commands.options import (
    Output,
    echo_json,
    force_option,
    history_options,
    json_option,
    past_runs,
    say,
    warn_of_other_rotor,
)
from trackbal.commands.waiting import working


def _progress(done: int, total: int) -> None:
    """Show on a terminal how far the work is."""
    click.echo(f"\r{done} of {total} jobs", nl=done == total, err=True)


@click.command()
@history_options
@click.option(
    "--influence",
    "influence_file",
    metavar="INFLUENCE.json",
    help="Influence to weigh the records with; without it, one is fitted to the history itself.",
)
@click.option("--corrected-runs", cls=Output, metavar="OUT.csv", help="Write the runs as they probably were.")
@click.option(
    "--corrected-adjustments", cls=Output, metavar="OUT2.csv", help="Write the adjustments as they probably were."
)
@json_option
@force_option
def audit(
    rotor_file: str,
    runs_file: str | None,
    adjustments_file: str | None,
    log_files: tuple[str, ...],
    influence_file: str | None,
    corrected_runs: str | None,
    corrected_adjustments: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Weigh every record of a history: what is suspect, and what probably happened.

    Exit code 1 if a record is suspect. The history itself is never changed; a corrected
    copy is written only where asked for.

    \b
    Example:
      trackbal audit --rotor rotor.toml --runs history.csv --adjustments history_adj.csv
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.fitting.fit import fit
    from trackbal.fitting.fit_cautions import amount_cautions
    from trackbal.influence.coefficients import Influence
    from trackbal.records.audit import audit as weigh_records
    from trackbal.reports.audit_report import audit_json, report
    from trackbal.runs.resumed import resumed_in_words
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.sheets import history_texts

    if (corrected_runs is None) != (corrected_adjustments is None):
        raise click.UsageError("--corrected-runs and --corrected-adjustments belong together")
    rotor = Rotor.load(rotor_file)
    history = past_runs(rotor, runs_file, adjustments_file, log_files)
    if influence_file is None:
        with working("Fitting"):
            influence = fit(rotor, history).influence
    else:
        influence = Influence.load(influence_file, rotor)
    warn_of_other_rotor(rotor, influence)
    for line in (*amount_cautions(rotor, history), *resumed_in_words(history.resumed)):
        say(line, err=True)
    check_free(corrected_runs, corrected_adjustments, force=force)
    found = weigh_records(rotor, history, influence, _progress if sys.stderr.isatty() else None)
    sheets = []
    if corrected_runs is not None and corrected_adjustments is not None:
        texts = history_texts(rotor, found.corrected)
        sheets = list(zip((corrected_runs, corrected_adjustments), texts, strict=True))
    with Outputs(sheets, force=force):
        if as_json:
            echo_json(audit_json(found))
        else:
            say(report(found), nl=False)
            if corrected_runs is not None:
                say(f"Written to {corrected_runs} and {corrected_adjustments}.", err=True)
    return 1 if found.findings else 0


@click.command()
@history_options
@click.option(
    "--by",
    multiple=True,
    metavar="NAME",
    help="Compare jobs by group.<name>, date or order; may be repeated. A trend is always looked at.",
)
@click.option("--plain", is_flag=True, help="Rely on every record, those that do not fit too.")
@click.option("--page", "page_file", cls=Output, metavar="PAGE.html", help="Write a page with pictures.")
@json_option
@force_option
def examine(
    rotor_file: str,
    runs_file: str | None,
    adjustments_file: str | None,
    log_files: tuple[str, ...],
    by: tuple[str, ...],
    plain: bool,
    page_file: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Check the model a fit of a history would rest on, and what would teach most next.

    Is one influence for all blades justified, is the response in proportion to the amounts
    used, did it drift; do adjusters and pick-ups act alike over time and from group to
    group; how well is each job predicted by the others; which sensor to trust; which aircraft
    is unlike its type. Records that do not fit are set aside first, as by fit. Exit code 1 if the
    model does not hold or an aircraft is unlike its type.

    \b
    Example:
      trackbal examine --rotor rotor.toml --runs history.csv --adjustments history_adj.csv
      trackbal examine --rotor rotor.toml --log fleet.tblog --by group.tab_type --page examination.html
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.examination.examination import examine as examine_history
    from trackbal.reports.examination_report import examination_json, report
    from trackbal.runs.rotor import Rotor

    rotor = Rotor.load(rotor_file)
    history = past_runs(rotor, runs_file, adjustments_file, log_files)
    check_free(page_file, force=force)
    with working("Examining"):
        found = examine_history(rotor, history, by, robust=not plain)
    pages = []
    if page_file is not None:
        from trackbal.pages.examination_page import examination_page

        pages.append((page_file, examination_page(found)))
    with Outputs(pages, force=force):
        if as_json:
            echo_json(examination_json(found))
        else:
            say(report(found), nl=False)
    return 1 if found.warns else 0
