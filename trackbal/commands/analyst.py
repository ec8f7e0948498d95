"""Commands of the vibration analyst: fit."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from trackbal.commands.options import (
    Output,
    column_map,
    echo_json,
    force_option,
    history_options,
    json_option,
    past_runs,
    say,
)
from trackbal.commands.waiting import working

if TYPE_CHECKING:
    from trackbal.fitting.job_sums import JobSums
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.run import History, ResumedRow


@click.command()
@history_options
@click.option("--prior", "prior_file", metavar="INFLUENCE.json", help="An earlier influence file to build on.")
@click.option("--out", cls=Output, required=True, metavar="INFLUENCE.json", help="The influence file to write.")
@click.option(
    "--keep",
    "keep_file",
    cls=Output,
    but=("add_file",),
    metavar="SUMS.npz",
    help="Keep the sums of the jobs, for --add later.",
)
@click.option("--add", "add_file", metavar="SUMS.npz", help="Add the history to sums that were kept.")
@click.option("--plain", is_flag=True, help="Rely on every record, those that do not fit too.")
@click.option("--page", "page_file", cls=Output, metavar="FILE.html", help="Write a page with pictures of the fit too.")
@json_option
@force_option
def fit(
    rotor_file: str,
    runs_file: str | None,
    adjustments_file: str | None,
    log_files: tuple[str, ...],
    prior_file: str | None,
    out: str,
    keep_file: str | None,
    add_file: str | None,
    plain: bool,
    page_file: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Fit influence coefficients to past runs, and say how good they are.

    \b
    Example:
      trackbal fit --rotor rotor.toml --runs history.csv --adjustments history_adj.csv \\
          --out influence.json
      trackbal fit --rotor rotor.toml --log fleet.tblog --out influence.json

    With --keep or --add a history of any length is read piece by piece, jobs whole:

    \b
      trackbal fit --rotor rotor.toml --runs may.csv --adjustments may_adj.csv \\
          --add april.npz --keep may.npz --out influence.json
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.fitting.fit import fit as fit_influence
    from trackbal.fitting.job_sums import refuse_known_jobs
    from trackbal.influence.coefficients import Influence
    from trackbal.influence.influence_writer import influence_text
    from trackbal.reports.fit_report import fit_json, report
    from trackbal.runs.rotor import Rotor

    rotor = Rotor.load(rotor_file)
    prior = Influence.load(prior_file, rotor) if prior_file else None
    known_jobs = frozenset() if prior is None else frozenset(prior.source.get("job_names", []))
    check_free(out, page_file, keep_file, force=force)
    pages: list[tuple[str, str | bytes]] = []
    if keep_file is not None or add_file is not None:
        if page_file is not None or log_files:
            raise click.UsageError("--keep and --add go with --runs and --adjustments, and without --page")
        from trackbal.fitting.fleet_fit import fit_sums

        sums, said = _sums(rotor, runs_file, adjustments_file, add_file, plain)
        refuse_known_jobs(known_jobs, sums.jobs, runs_file or add_file or "", f"the runs behind {prior_file}")
        found = fit_sums(sums, prior)
        found = replace(found, cautions=(*said, *found.cautions))
        pages += [(keep_file, sums.content())] if keep_file is not None else []
    else:
        history = past_runs(rotor, runs_file, adjustments_file, log_files)
        refuse_known_jobs(known_jobs, history.jobs, history.source, f"the runs behind {prior_file}")
        with working("Fitting"):
            found = fit_influence(rotor, history, prior, robust=not plain)
    pages.append((out, influence_text(rotor, found.influence)))
    if page_file is not None:
        from trackbal.pages.fit_page import fit_page

        pages.append((page_file, fit_page(rotor, history, found)))
    with Outputs(pages, force=force):
        if as_json:
            echo_json(fit_json(rotor, found))
        else:
            say(report(rotor, found), nl=False)
            say(f"Written to {out}{f' and {page_file}' if page_file else ''}.", err=True)
    return 0


def _sums(
    rotor: Rotor,
    runs_file: str | None,
    adjustments_file: str | None,
    add_file: str | None,
    plain: bool,
) -> tuple[JobSums, list[str]]:
    """Return the sums of a history read in pieces, with those kept before, and what is to be said of its records."""
    from trackbal.fitting.fit_cautions import amount_cautions
    from trackbal.fitting.fleet_fit import sum_up
    from trackbal.fitting.job_sums import JobSums
    from trackbal.runs.history_stream import history_pieces
    from trackbal.runs.resumed import resumed_in_words

    if runs_file is None or adjustments_file is None:
        raise click.UsageError("give --runs HISTORY.csv with --adjustments HISTORY_ADJ.csv")
    if column_map("columns") is not None or column_map("adjustment_columns") is not None:
        raise click.UsageError(
            "--keep and --add read sheets as they stand; turn tables into them with trackbal convert"
        )
    kept = JobSums.load(add_file, rotor) if add_file is not None else None
    pieces = history_pieces(rotor, runs_file, adjustments_file, progress=_progress if sys.stderr.isatty() else None)
    late: list[ResumedRow] = []
    amounts: list[str] = []

    def read() -> Iterator[History]:
        for piece in pieces:
            late.extend(piece.resumed)
            amounts.extend(amount_cautions(rotor, piece))
            yield piece

    sums = sum_up(rotor, read(), kept, robust=not plain)
    return sums, [*amounts, *resumed_in_words(late)]


def _progress(share: float) -> None:
    """Show on a terminal how far the history has been read."""
    click.echo(f"\rread {100 * share:.0f} %", nl=share >= 1.0, err=True)
