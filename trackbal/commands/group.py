"""The group of all commands, and how their errors reach the terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from trackbal import __version__
from trackbal.base.errors import TrackbalError
from trackbal.commands.lazy import LazyGroup

#: Command -> where it is, in the order in which help lists them.
_HOMES = {
    "check": "maintainer:check",
    "advise": "maintainer:advise",
    "card": "maintainer:card",
    "form": "maintainer:form",
    "settle": "maintainer:settle",
    "rotor-template": "maintainer:rotor_template",
    "log": "log:log",
    "trial": "beginnings:trial",
    "estimate": "beginnings:estimate",
    "amplitudes": "beginnings:amplitudes",
    "fit": "analyst:fit",
    "audit": "analyst_checks:audit",
    "examine": "analyst_checks:examine",
    "hindsight": "hindsight:hindsight",
    "compare": "influence_files:compare",
    "merge": "influence_files:merge",
    "restrict": "influence_files:restrict",
    "convert": "tables:convert",
    "replay": "trainer:replay",
    "drill": "drill:drill",
}


@click.group(cls=LazyGroup, homes=_HOMES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="trackbal %(version)s")
def group() -> None:
    """Rotor track and balance: from readings to the fewest whole-step adjustments.

    trackbal advises. It never releases an aircraft: the maintenance manual, local
    rules and licensed people decide.

    \b
    Example:
      trackbal advise --rotor rotor.toml --run run1.csv --influence influence.json
    """


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code; errors go to stderr as one line."""
    try:
        return int(group.main(list(arguments), prog_name="trackbal", standalone_mode=False) or 0)
    except click.exceptions.Abort:
        click.echo("trackbal: broken off", err=True)
        return 2
    except click.ClickException as error:
        if isinstance(error, getattr(click.exceptions, "NoArgsIsHelpError", ())):  # click 8.2 on
            click.echo(error.format_message(), err=True)
            return 2
        click.echo(f"trackbal: {' '.join(error.format_message().split())}", err=True)
        return 2
    except TrackbalError as error:
        click.echo(f"trackbal: {error}", err=True)
        return 2
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
