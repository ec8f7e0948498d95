"""The group of all commands, and how their errors reach the terminal."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence

import click

from trackbal import __version__
from trackbal.errors import TrackbalError

#: Command -> module that holds it, in the order in which help lists them.
_HOMES = {
    "check": "maintainer",
    "advise": "maintainer",
    "card": "maintainer",
    "form": "maintainer",
    "log": "log",
    "fit": "analyst",
    "audit": "analyst_checks",
    "examine": "analyst_checks",
    "compare": "influence_files",
    "merge": "influence_files",
    "restrict": "influence_files",
    "replay": "trainer",
}


class _LazyGroup(click.Group):
    """A group whose commands are imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_HOMES)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in _HOMES:
            return None
        module = importlib.import_module(f"trackbal.commands.{_HOMES[name]}")
        command: click.Command = getattr(module, name)
        return command


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
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
