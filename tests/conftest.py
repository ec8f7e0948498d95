"""The option --long, the mark `long`, and one core for each of the processes that share the tests."""

from __future__ import annotations

import os

import how_much
import pytest
from hypothesis import settings

# The same examples in every run: a change is red by what it did, not by luck. New examples, now and then:
# pytest --hypothesis-profile=random
settings.register_profile("repeatable", derandomize=True)
settings.register_profile("random", derandomize=False)
settings.load_profile("repeatable")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run what takes long too, and properties on more examples")


def pytest_configure(config: pytest.Config) -> None:
    how_much.LONG = config.getoption("--long")
    if "PYTEST_XDIST_WORKER" in os.environ:
        os.environ.setdefault("OMP_NUM_THREADS", "1")


@pytest.fixture
def fits_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands and lessons that fit the same past jobs as others did take their fit: for tests of something else."""
    from demo_fits import remembered_fit

    for place in ("trackbal.fitting.fit.fit", "trackbal.lessons.lesson.fit"):
        monkeypatch.setattr(place, remembered_fit)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    left_out = [] if how_much.LONG else [item for item in items if item.get_closest_marker("long")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
