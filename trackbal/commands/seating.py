"""Command for new blades: seat."""

from __future__ import annotations

import click

from trackbal.commands.options import echo_json, json_option, rotor_option


@click.command()
@rotor_option
@click.option("--moments", "moments_file", required=True, metavar="MOMENTS.csv", help="Static moments of the blades.")
@click.option("--hub", "hub_file", metavar="HUB.csv", help="What the hub's positions add of their own.")
@click.option("--limit", type=click.FloatRange(0.0, min_open=True), metavar="KGM", help="Largest residual, kg m.")
@click.option("--grade", type=click.FloatRange(0.0, min_open=True), metavar="G", help="Balance grade G, mm/s, yours.")
@click.option("--mass", type=click.FloatRange(0.0, min_open=True), metavar="KG", help="Mass of the rotor, for --grade.")
@click.option("--most", type=click.IntRange(0, 6), default=2, show_default=True, help="Most weights.")
@json_option
def seat(
    rotor_file: str,
    moments_file: str,
    hub_file: str | None,
    limit: float | None,
    grade: float | None,
    mass: float | None,
    most: int,
    as_json: bool,
) -> int:
    """Find the order of new blades on the hub, and the fewest weights, that leave the least unbalance.

    The limit is yours: in kg m, or as the balance grade of ISO 21940-11 that you name. Weights are those of the
    rotor file whose radius_m is given. Exit code 1 if no seating is inside the limit.

    \b
    Example:
      trackbal seat --rotor rotor.toml --moments moments.csv --grade 6.3 --mass 310
    """
    import math

    import numpy as np

    from trackbal.base.errors import InputError
    from trackbal.reports.seating_report import seating_json, seating_text
    from trackbal.runs.rotor import Rotor
    from trackbal.seating.moments import read_moments
    from trackbal.seating.order import MOST_BLADES
    from trackbal.seating.seat import seat as find_seating
    from trackbal.seating.unbalance import permissible_unbalance

    if (grade is None) != (mass is None):
        raise click.UsageError("--grade and --mass go together")
    rotor = Rotor.load(rotor_file)
    if len(rotor.blades) > MOST_BLADES:
        raise InputError(rotor_file, f"{len(rotor.blades)} blades", f"at most {MOST_BLADES} to be seated")
    moment = read_moments(rotor, moments_file)
    hub = np.zeros(len(moment), dtype=complex) if hub_file is None else read_moments(rotor, hub_file, "position")
    permissible = math.inf if grade is None or mass is None else permissible_unbalance(grade, mass, rotor.rpm)
    found = find_seating(rotor, moment, hub, min(permissible, math.inf if limit is None else limit), most)
    if as_json:
        echo_json(seating_json(rotor, found))
    else:
        click.echo(seating_text(rotor, found), nl=False)
    return 0 if found.inside else 1
