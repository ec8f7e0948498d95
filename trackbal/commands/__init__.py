"""The trackbal command. Subcommands are loaded when they are called."""

from __future__ import annotations

import errno
import os
import sys

from trackbal import __version__


def main() -> None:
    """Run the command line; exit 0 done, 1 done with a warning as answer, 2 bad input or usage."""
    if sys.argv[1:] == ["--version"]:  # needs nothing more
        try:
            print(f"trackbal {__version__}", flush=True)
        except OSError as error:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            if error.errno != errno.EPIPE:
                print(f"trackbal: standard output: {error.strerror}", file=sys.stderr)
                sys.exit(2)
        return
    # Matrices here are small: threads of the linear algebra would wait for each other, and for other programs.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    from trackbal.commands.group import run

    sys.exit(run(sys.argv[1:]))
