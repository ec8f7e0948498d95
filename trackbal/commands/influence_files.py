"""Commands on influence files: compare, merge, restrict."""

from __future__ import annotations

import click

from trackbal.commands.options import (
    Output,
    echo_json,
    force_option,
    json_option,
    rotor_option,
    say,
    warn_of_other_rotor,
)


@click.command()
@rotor_option
@click.argument("before")
@click.argument("after")
@click.option("--all", "every", is_flag=True, help="List every coefficient, not only those that changed.")
@json_option
def compare(rotor_file: str, before: str, after: str, every: bool, as_json: bool) -> int:
    """Compare two influence files: what changed, and is it more than chance.

    Exit code 1 if a coefficient changed by more than chance.

    \b
    Example:
      trackbal compare --rotor rotor.toml last_year.json this_year.json
    """
    from trackbal.influence.coefficients import Influence
    from trackbal.influence.compare import compare as compare_files
    from trackbal.reports.compare_report import comparison_json, report
    from trackbal.runs.rotor import Rotor

    rotor = Rotor.load(rotor_file)
    first, second = Influence.load(before, rotor), Influence.load(after, rotor)
    warn_of_other_rotor(rotor, first, second)
    changes = compare_files(rotor, first, second)
    if as_json:
        echo_json(comparison_json(rotor, changes))
    else:
        say(report(rotor, changes, every), nl=False)
    return int(any(c.firm for c in changes))


@click.command()
@rotor_option
@click.argument("files", nargs=-1, required=True)
@click.option("--out", cls=Output, required=True, metavar="INFLUENCE.json", help="The influence file to write.")
@json_option
@force_option
def merge(rotor_file: str, files: tuple[str, ...], out: str, as_json: bool, force: bool) -> int:
    """Put influence files that rest on different jobs together.

    \b
    Example:
      trackbal merge --rotor rotor.toml north.json south.json --out both.json
    """
    from trackbal.base.errors import InputError
    from trackbal.base.files import Outputs, check_free
    from trackbal.fitting.job_sums import refuse_known_jobs
    from trackbal.fitting.merge import merge as merge_files
    from trackbal.influence.coefficients import Influence
    from trackbal.influence.compare import contradicted, same_coefficients
    from trackbal.influence.influence_writer import influence_text
    from trackbal.runs.rotor import Rotor

    if len(files) < 2:
        raise click.UsageError("give two influence files or more")
    rotor = Rotor.load(rotor_file)
    check_free(out, force=force)
    influences = [Influence.load(file, rotor) for file in files]
    warn_of_other_rotor(rotor, *influences)
    for k, second in enumerate(influences):
        for j, first in enumerate(influences[:k]):
            if same_coefficients(first, second):
                raise InputError(files[k], f"the coefficients of {files[j]}", "files that rest on different jobs")
            names = [influence.source.get("job_names", []) for influence in (first, second)]
            refuse_known_jobs(frozenset(names[0]), names[1], files[k], f"the runs behind {files[j]}")
            named = contradicted(rotor, first, second)
            if named:
                say(f"{files[j]} and {files[k]} contradict each other in {named}: see trackbal compare", err=True)
    merged = merge_files(rotor, influences)
    with Outputs([(out, influence_text(rotor, merged))], force=force):
        _written(merged.source, out, as_json)
    return 0


@click.command()
@rotor_option
@click.argument("file")
@click.option("--regime", "regimes", multiple=True, metavar="NAME", help="A regime to keep; may be repeated.")
@click.option("--sensor", "sensors", multiple=True, metavar="NAME", help="A sensor to keep; may be repeated.")
@click.option("--adjuster", "adjusters", multiple=True, metavar="NAME", help="An adjuster to keep; may be repeated.")
@click.option("--out", cls=Output, required=True, metavar="INFLUENCE.json", help="The influence file to write.")
@json_option
@force_option
def restrict(
    rotor_file: str,
    file: str,
    regimes: tuple[str, ...],
    sensors: tuple[str, ...],
    adjusters: tuple[str, ...],
    out: str,
    as_json: bool,
    force: bool,
) -> int:
    """Keep some regimes, sensors or adjusters of an influence file; the rest becomes unknown.

    What is unknown is not advised on where it is read.

    \b
    Example:
      trackbal restrict --rotor rotor.toml influence.json --regime hover --out hover.json
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.fitting.merge import restrict as restrict_file
    from trackbal.influence.coefficients import Influence
    from trackbal.influence.influence_writer import influence_text
    from trackbal.runs.rotor import Rotor

    if not (regimes or sensors or adjusters):
        raise click.UsageError("give at least one --regime, --sensor or --adjuster to keep")
    rotor = Rotor.load(rotor_file)
    for option, given, known in (
        ("--regime", regimes, rotor.regimes),
        ("--sensor", sensors, rotor.sensors),
        ("--adjuster", adjusters, rotor.adjusters),
    ):
        names = [entry.name for entry in known]
        for name in given:
            if name not in names:
                raise click.BadParameter(f"found '{name}', expected one of {', '.join(names)}", param_hint=option)
    check_free(out, force=force)
    whole = Influence.load(file, rotor)
    warn_of_other_rotor(rotor, whole)
    kept = restrict_file(rotor, whole, regimes, sensors, adjusters)
    with Outputs([(out, influence_text(rotor, kept))], force=force):
        _written(kept.source, out, as_json)
    return 0


def _written(source: dict[str, object], out: str, as_json: bool) -> None:
    if as_json:
        echo_json({"out": out, "source": source})
    else:
        say(f"Written to {out}.", err=True)
