"""Commands of the maintainer at the aircraft: check, advise."""

from __future__ import annotations

import click

from trackbal.commands.options import echo_json, force_option, influence_option, json_option, rotor_option, run_option


@click.command()
@rotor_option
@run_option
@json_option
def check(rotor_file: str, run_file: str, as_json: bool) -> int:
    """Hold a run's readings against the limits and against plausibility.

    Exit code 1 if a reading is not inside its limit.

    \b
    Example:
      trackbal check --rotor rotor.toml --run run1.csv
    """
    from trackbal.check_report import check_json, check_text
    from trackbal.review import check_run
    from trackbal.rotor import Rotor
    from trackbal.sheets import read_run

    rotor = Rotor.load(rotor_file)
    run = read_run(rotor, run_file)
    review = check_run(rotor, run)
    if as_json:
        echo_json(check_json(rotor, review))
    else:
        click.echo(check_text(rotor, review), nl=False)
    return 0 if review.inside else 1


@click.command()
@rotor_option
@run_option
@influence_option
@click.option("--settings", "settings_file", metavar="SETTINGS.csv", help="What is installed now; not listed is 0.")
@click.option("--most", type=click.IntRange(0, 12), default=6, show_default=True, help="Most adjustments in a plan.")
@click.option(
    "--chance",
    type=click.FloatRange(0.0, 1.0, min_open=True),
    default=0.9,
    show_default=True,
    help="Wanted chance that the next run is inside limits.",
)
@click.option("--nominal", is_flag=True, help="Search as if the influence were known exactly.")
@click.option("--override-stop", is_flag=True, help="Offer plans although a reading is at its stop limit.")
@click.option("--plan-out", metavar="ADJ.csv", help="Write the recommended adjustments to a sheet.")
@json_option
@force_option
def advise(
    rotor_file: str,
    run_file: str,
    influence_file: str,
    settings_file: str | None,
    most: int,
    chance: float,
    nominal: bool,
    override_stop: bool,
    plan_out: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Recommend the fewest adjustments likely enough to bring every reading inside limits.

    Exit code 1 if the answer is to investigate or to stop.

    \b
    Example:
      trackbal advise --rotor rotor.toml --run run1.csv --influence influence.json
    """
    from trackbal.advice import advise as weigh
    from trackbal.advice_report import advice_json, advice_text
    from trackbal.influence import Influence
    from trackbal.rotor import Rotor
    from trackbal.sheets import read_run, read_settings, write_adjustments

    rotor = Rotor.load(rotor_file)
    run = read_run(rotor, run_file)
    influence = Influence.load(influence_file, rotor)
    setting = read_settings(rotor, settings_file)
    advice = weigh(
        rotor, run, influence, setting, most=most, chance=chance, nominal=nominal, override_stop=override_stop
    )
    if plan_out is not None and advice.recommended is not None:
        write_adjustments(rotor, plan_out, advice.plans[advice.recommended].change, force=force)
    if as_json:
        echo_json(advice_json(rotor, run, advice))
    else:
        click.echo(advice_text(rotor, run, advice), nl=False)
    return 1 if advice.verdict in ("investigate", "stop") else 0
