"""Commands of the vibration analyst: fit."""

from __future__ import annotations

import click

from trackbal.commands.options import echo_json, force_option, json_option, rotor_option


@click.command()
@rotor_option
@click.option("--runs", "runs_file", required=True, metavar="HISTORY.csv", help="Past runs, with job and run columns.")
@click.option(
    "--adjustments",
    "adjustments_file",
    required=True,
    metavar="HISTORY_ADJ.csv",
    help="The adjustments made between them.",
)
@click.option("--prior", "prior_file", metavar="INFLUENCE.json", help="An earlier influence file to build on.")
@click.option("--out", required=True, metavar="INFLUENCE.json", help="The influence file to write.")
@click.option("--page", "page_file", metavar="FILE.html", help="Write a page with pictures of the fit too.")
@json_option
@force_option
def fit(
    rotor_file: str,
    runs_file: str,
    adjustments_file: str,
    prior_file: str | None,
    out: str,
    page_file: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Fit influence coefficients to past runs, and say how good they are.

    \b
    Example:
      trackbal fit --rotor rotor.toml --runs history.csv --adjustments history_adj.csv \\
          --out influence.json
    """
    from trackbal.files import check_free, write_whole
    from trackbal.fit_report import fit_json, report
    from trackbal.fitting import fit as fit_influence
    from trackbal.influence import Influence
    from trackbal.influence_file import write_influence
    from trackbal.rotor import Rotor
    from trackbal.sheets import read_history

    rotor = Rotor.load(rotor_file)
    history = read_history(rotor, runs_file, adjustments_file)
    prior = Influence.load(prior_file, rotor) if prior_file else None
    found = fit_influence(rotor, history, prior)
    check_free(out, page_file, force=force)
    write_influence(out, rotor, found.influence, force=force)
    if page_file is not None:
        from trackbal.fit_page import fit_page

        write_whole(page_file, fit_page(rotor, history, found), force=force)
    if as_json:
        echo_json(fit_json(rotor, found))
    else:
        click.echo(report(rotor, found), nl=False)
        click.echo(f"Written to {out}{f' and {page_file}' if page_file else ''}.", err=True)
    return 0
