"""Options that several commands share."""

from __future__ import annotations

import json
from typing import Any

import click

rotor_option = click.option("--rotor", "rotor_file", required=True, metavar="ROTOR.toml", help="The rotor.")
run_option = click.option("--run", "run_file", required=True, metavar="SHEET.csv", help="The readings of the run.")
influence_option = click.option(
    "--influence", "influence_file", required=True, metavar="INFLUENCE.json", help="Influence coefficients, from fit."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
force_option = click.option("--force", is_flag=True, help="Overwrite files that exist.")


def echo_json(answer: dict[str, Any]) -> None:
    """Print an answer as JSON; numbers are not rounded."""
    click.echo(json.dumps(answer, indent=2, allow_nan=False, ensure_ascii=False))
