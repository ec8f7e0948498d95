"""Long work says so on standard error, where that is a terminal: what is done, and for how many seconds."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import click

QUIET = 1.0  # seconds before anything is said: most work is done by then


@contextmanager
def working(what: str, *, quiet: float = QUIET) -> Iterator[None]:
    """Say on the terminal, second by second, how long `what` has been going on; the line is gone when it is done."""
    if not sys.stderr.isatty():
        yield
        return
    done, started = threading.Event(), time.monotonic()

    def tell() -> None:
        longest = 0
        while not done.wait(quiet):
            line = f"{what}: {time.monotonic() - started:.0f} s"
            longest = max(longest, len(line))
            click.echo(f"\r{line}", nl=False, err=True)
        if longest:
            click.echo(f"\r{' ' * longest}\r", nl=False, err=True)

    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    try:
        yield
    finally:
        done.set()
        teller.join()
