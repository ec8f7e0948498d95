"""The trackbal command. Subcommands are loaded when they are called."""

from __future__ import annotations

import sys

from trackbal import __version__


def main() -> None:
    """Run the command line; exit 0 done, 1 done with a warning as answer, 2 bad input or usage."""
    if sys.argv[1:] == ["--version"]:  # needs nothing more
        print(f"trackbal {__version__}")
        return
    from trackbal.commands.group import run

    sys.exit(run(sys.argv[1:]))
