"""How much the tests do: small versions of what takes long, or with `--long` all of it, as .ci/run asks."""

from __future__ import annotations

from typing import TypeVar

from hypothesis import HealthCheck, settings

T = TypeVar("T")

LONG = False  # set by conftest.py before any test is read


def much(ordinary: T, long: T) -> T:
    """Return what suits the run: how many seeds, kills, fleets."""
    return long if LONG else ordinary


def examples(ordinary: int, long: int) -> settings:
    """Return hypothesis's settings for so many examples."""
    return settings(
        max_examples=much(ordinary, long),
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture],
    )
