"""The group of all commands, and how their errors reach the terminal."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Sequence

import click

from trackbal import __version__
from trackbal.base.errors import AnswerLost, TrackbalError, visible
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
    "seat": "seating:seat",
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
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a terminal of another encoding still shows the rest
    try:
        code = int(group.main(list(arguments), prog_name="trackbal", standalone_mode=False) or 0)
        sys.stdout.flush()
        return code
    except click.exceptions.Abort:
        return _failed("broken off")
    except click.ClickException as error:
        if isinstance(error, getattr(click.exceptions, "NoArgsIsHelpError", ())):  # click 8.2 on
            click.echo(error.format_message(), err=True)
            return 2
        return _failed(error.format_message())
    except AnswerLost as error:
        _let_go_of_output()
        return _failed(str(error))
    except TrackbalError as error:
        return _failed(str(error))
    except BrokenPipeError:
        _let_go_of_output()
        return 0
    except OSError as error:  # what files refuse is a TrackbalError: this is the output itself
        _let_go_of_output()
        return _failed(f"standard output: found '{error.strerror or error}', expected room for the answer")
    except MemoryError:
        return _failed("found more than fits the memory of this machine, expected smaller files")


def _failed(why: str) -> int:
    with contextlib.suppress(OSError):
        click.echo(f"trackbal: {' '.join(visible(why).split())}", err=True)
    return 2


def _let_go_of_output() -> None:
    """Send what is left of the output nowhere, so that nothing more is said of it on the way out."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
