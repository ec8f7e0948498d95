"""Commands for the time before there is a history: trial, estimate, amplitudes."""

from __future__ import annotations

import click

from trackbal.commands.options import (
    Output,
    columns_option,
    echo_json,
    force_option,
    json_option,
    rotor_option,
    run_option,
    say,
    settings_columns_option,
    settings_table,
    table_of,
)


@click.command()
@rotor_option
@run_option
@columns_option
@click.option("--influence", "influence_file", metavar="INFLUENCE.json", help="What is known [textbook estimates].")
@click.option("--settings", "settings_file", metavar="SETTINGS.csv", help="What is installed now; not listed is 0.")
@settings_columns_option
@click.option("--trial-out", cls=Output, metavar="ADJ.csv", help="Write the trial to an adjustments sheet.")
@json_option
@force_option
def trial(
    rotor_file: str,
    run_file: str,
    influence_file: str | None,
    settings_file: str | None,
    trial_out: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Say which adjustment to try first, so that the next run teaches most of what is not known.

    Exit code 1 if no trial can be made, or a stop limit is reached.

    \b
    Example:
      trackbal trial --rotor rotor.toml --run run1.csv --settings settings.csv
    """
    from dataclasses import replace

    from trackbal.base.files import Outputs, check_free
    from trackbal.influence.coefficients import Influence
    from trackbal.plan.advice import settings_words
    from trackbal.reports.trial_report import trial_json, trial_text
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.sheets import adjustments_text, read_settings, run_of, settings_listed
    from trackbal.trials.textbook import textbook_influence
    from trackbal.trials.trial import find_trials

    rotor = Rotor.load(rotor_file)
    run = run_of(rotor, table_of(rotor, run_file))
    influence = textbook_influence(rotor) if influence_file is None else Influence.load(influence_file, rotor)
    settings = settings_table(rotor, settings_file)
    setting = read_settings(rotor, settings)
    check_free(trial_out, force=force)
    found = find_trials(rotor, run, influence, setting)
    if found.best is not None:
        found = replace(
            found, cautions=(*settings_words(rotor, settings_listed(rotor, settings), setting), *found.cautions)
        )
    chosen = found.best
    made = [] if trial_out is None or chosen is None else [(trial_out, adjustments_text(rotor, chosen.change))]
    with Outputs(made, force=force):
        if as_json:
            echo_json(trial_json(rotor, found, setting))
        else:
            say(trial_text(rotor, found, setting), nl=False)
    return 1 if found.warns else 0


@click.command()
@rotor_option
@click.option("--out", "out_file", cls=Output, metavar="I.json", help="Write the estimates as an influence file.")
@json_option
@force_option
def estimate(rotor_file: str, out_file: str | None, as_json: bool, force: bool) -> int:
    """Estimate from blade and hardware data what adjusters do, by textbook.

    Tip height per pitch-link step, hub force per weight. Wide, and labelled so. What the airframe makes of a hub
    force is not guessed: vibration stays unknown until a trial tells it. The file serves as --prior of fit.

    \b
    Example:
      trackbal estimate --rotor rotor.toml --out estimate.json
    """
    from trackbal.base.files import Outputs
    from trackbal.influence.influence_writer import influence_text
    from trackbal.reports.estimate_report import estimate_json, estimate_text
    from trackbal.runs.rotor import Rotor
    from trackbal.trials.textbook import textbook_influence

    rotor = Rotor.load(rotor_file)
    made = [] if out_file is None else [(out_file, influence_text(rotor, textbook_influence(rotor)))]
    with Outputs(made, force=force):
        if as_json:
            echo_json(estimate_json(rotor))
        else:
            say(estimate_text(rotor), nl=False)
    return 0


@click.command()
@rotor_option
@click.option("--runs", "runs_file", required=True, metavar="JOB.csv", help="One job: as found, and three trials.")
@click.option("--adjustments", "adjustments_file", required=True, metavar="JOB_ADJ.csv", help="The trials made.")
@click.option("--out", "out_file", cls=Output, required=True, metavar="I.json", help="Influence of this aircraft.")
@click.option("--run-out", cls=Output, required=True, metavar="RUN.csv", help="The run as found, to advise on.")
@force_option
def amplitudes(rotor_file: str, runs_file: str, adjustments_file: str, out_file: str, run_out: str, force: bool) -> int:
    """Find the influence of one adjuster without phases, where the tach does not work.

    From the amplitudes as found and after three trials on different blades. Phases are not looked at; give 0
    in their columns. Then ask advise with the two files written.

    \b
    Example:
      trackbal amplitudes --rotor rotor.toml --runs job.csv --adjustments job_adjustments.csv \\
          --out own.json --run-out as_found.csv
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.influence.influence_writer import influence_text
    from trackbal.runs.rotor import Rotor
    from trackbal.runs.sheets import read_history, run_text
    from trackbal.trials.amplitudes import influence_from_amplitudes

    rotor = Rotor.load(rotor_file)
    run, influence = influence_from_amplitudes(rotor, read_history(rotor, runs_file, adjustments_file))
    check_free(out_file, run_out, force=force)
    made = [(out_file, influence_text(rotor, influence)), (run_out, run_text(rotor, run))]
    with Outputs(made, force=force):
        say(f"Written: {out_file} and {run_out}.")
        say(f"Next: trackbal advise --rotor {rotor_file} --run {run_out} --influence {out_file}")
    return 0
