"""The tests of one change, in a process of their own: they stop at the first wrong answer, told from a crash.

A test says that an answer is wrong by an AssertionError of its own (pytest's, numpy's, hypothesis's included) or
by `pytest.fail`, as `pytest.raises` does where nothing is raised. Any other exception, an assert inside the
package too, is a crash; after one the tests go on, since another may still find the answer wrong.
mutants.py loads this module, and what it imports, once, and forks the processes of its changes from there.
"""

from __future__ import annotations

import json
import os
import resource
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import matplotlib.figure  # noqa: F401
import pandas as pd  # noqa: F401
import pytest
import scipy.optimize
import scipy.special
import scipy.stats  # noqa: F401
from hypothesis import Phase, settings

QUICK = 0.5  # seconds: tests of less come first

# Nothing is learnt from one change for the next, and no time goes into the smallest example.
settings.register_profile("mutants", database=None, phases=[Phase.explicit, Phase.generate])


class Reports:
    """A plugin of pytest that writes down, line by line as JSON, what failed how and how long each test took.

    Of `seconds`, those of the tests on the code as it is, it knows which to begin with.
    """

    def __init__(self, package: Path, report: Path, seconds: dict[str, float]) -> None:
        self.package, self.seconds = package, seconds
        self.stream = report.open("a", encoding="utf-8")
        self.took: dict[str, float] = {}

    def write(self, how: str, test: str, seconds: float = 0.0) -> None:
        self.stream.write(json.dumps([how, test, seconds]) + "\n")
        self.stream.flush()

    def says_wrong(self, error: BaseException) -> bool:
        """Return whether a test, not the package, says that something is not as it should be."""
        if not isinstance(error, AssertionError | pytest.fail.Exception):
            return False
        frame = error.__traceback__
        while frame is not None and frame.tb_next is not None:
            frame = frame.tb_next
        return frame is None or self.package not in Path(frame.tb_frame.f_code.co_filename).parents

    def pytest_sessionstart(self) -> None:
        """Refuse to judge another copy of the package than the one to be broken."""
        import trackbal

        if Path(trackbal.__file__).parent != self.package:
            raise pytest.UsageError(f"{trackbal.__file__} is not in {self.package}")

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        usual = [self.seconds.get(item.nodeid, 0.0) for item in items]
        items[:] = [item for item, s in zip(items, usual, strict=True) if s < QUICK] + [
            item for item, s in zip(items, usual, strict=True) if s >= QUICK
        ]

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.write("crash", report.nodeid)

    def pytest_runtest_makereport(self, item: pytest.Item, call: pytest.CallInfo[None]) -> None:
        self.took[item.nodeid] = self.took.get(item.nodeid, 0.0) + call.duration
        if call.when == "teardown":
            self.write("took", item.nodeid, self.took[item.nodeid])
        if call.excinfo is None or call.excinfo.errisinstance(pytest.skip.Exception):
            return
        wrong = any(self.says_wrong(error) for error in _leaves(call.excinfo.value))
        self.write("assertion" if wrong else "crash", item.nodeid)
        if wrong:
            item.session.shouldstop = "an answer is wrong"


def _leaves(error: BaseException) -> Iterator[BaseException]:
    """Yield the exceptions in a group of them, as hypothesis raises for several different failures."""
    if isinstance(error, BaseExceptionGroup):
        for one in error.exceptions:
            yield from _leaves(one)
    else:
        yield error


def run_tests(
    root: Path, names: tuple[str, ...], report: Path, seconds: dict[str, float], compiled: bool, limit: int
) -> None:
    """Run files of tests of a copy of the project; end with pytest's exit code.

    `compiled`: keep what is compiled. After `limit` seconds of processor time the process ends by SIGXCPU.
    """
    resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
    os.chdir(root)
    sys.path[:] = [str(root), str(root / "tests"), *(p for p in sys.path if Path(p).name != "tests")]
    sys.dont_write_bytecode = not compiled
    os.environ["PYTHONPATH"] = f"{root}:{root / 'tests'}"
    os.environ["PYTHONDONTWRITEBYTECODE"] = "" if compiled else "1"
    with (report.parent / "said.txt").open("w") as said:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
    settings.load_profile("mutants")
    plugins: list[Any] = [Reports(root / "trackbal", report, seconds)]
    command = ["-q", "-n", "0", "-p", "no:cacheprovider", "--continue-on-collection-errors"]
    command += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # hypothesis is there already
    code = pytest.main([*command, *(f"tests/{name}" for name in names)], plugins=plugins)
    sys.stdout.flush()
    os._exit(code)
