"""Measure what docs/performance.md states, and write it.

python tests/benchmarks/measure.py --write          the whole, about a quarter of an hour
python tests/benchmarks/measure.py --only search    one part, to the terminal
python tests/benchmarks/measure.py --problems 3     fewer problems against SCIP
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import sys
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))
import measured_commands
import measured_fit
import measured_search
from pyscipopt import Model

PAGE = Path(__file__).parents[2] / "docs" / "performance.md"
PACKAGES = ("numpy", "scipy", "click", "pyscipopt", "statsmodels")

HEAD = """# Performance

A plan of up to six adjustments is found, and proven the best, in a fraction of a second on the largest rotors here,
where a general solver takes tens of times as long; a command answers in about half a second, and a fit of 100,000 runs
takes seconds.

All numbers on this page were measured by one run of one script, which also wrote the page:

    python tests/benchmarks/measure.py --write

{machine}

Everything ran side by side in that run. "Least" is the least of several repeats, which other work on the
machine disturbs least; processor time counts all threads of a process. Problems, rotors and histories are
invented, from fixed seeds.
"""

SEARCH = """
## The search beside a general solver

The whole ladder of plans, 0 to {most} adjustments, each proven the best: {count} invented problems in each row,
5 regimes and 3 sensors; "tight" leaves the adjusters little range. SCIP gets one thread, starts each count from
its best plan of the count before, may take {limit:.0f} s for each count, and is given the form of the problem in which
it is the faster on the first {trials} problems of the row. Ours may use two threads. Optima "differ" if they do so
by more than {same:g} of the cost.

{table}

Seconds SCIP took for the ladders of those first problems, by form (the multiplied-out form is cut short at three
times the other's longest count):

{forms}
"""

YARDSTICKS = """
## What a search that proves nothing would miss

By how many per cent the cost exceeds the optimum: median over {count} problems (largest; how many problems are not
at the optimum). Greedy addition adds the best single entry each time and chooses all amounts anew. Rounding solves
every choice of entries without whole steps inside the bounds, and rounds the best {rounded}.

{table}
"""

COMMANDS = """
## Commands as whole processes

As installed: modules are compiled once, before. Start, {starts} times each in turn:

{start}

Advice on a large sheet beside a small one (7 blades, 4 adjusters, four of them wrong; `--json`, {repeats} times
each in turn):

{large}

The demo folders, median (least) of {repeats}:

{demos}
"""

FIT = """
## The fit of large histories

7 blades, 5 regimes, 3 sensors, 4 adjusters, 4 runs a job; from arrays, least of {repeats}:

{sizes}

The model that all can solve, on {largest:,} runs. numpy and statsmodels get the readings less their job's mean:

{libraries}
"""


def machine():
    """Return what the numbers depend on, in lines."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists() and (found := re.search(r"model name\s*:\s*(.+)", info.read_text())):
        model = found[1]
    load = f"{os.getloadavg()[0]:.1f} before the run" if hasattr(os, "getloadavg") else "not known"
    packages = ", ".join(f"{name} {version(name)}" for name in ("trackbal", *PACKAGES))
    return "\n".join(
        [
            f"- Machine: {model}, {os.cpu_count()} processors, {platform.system()}",
            f"- Python {platform.python_version()}, {packages}, SCIP {Model().version()}",
            f"- {datetime.now(UTC):%Y-%m-%d}; load average {load}",
        ]
    )


def search_part(problems, say):
    table, forms = measured_search.against_scip(problems, say)
    return SEARCH.format(
        most=measured_search.MOST,
        count=problems,
        limit=measured_search.SCIP_SECONDS,
        trials=measured_search.TRIALS,
        same=measured_search.SAME_OPTIMUM,
        table=table,
        forms=forms,
    )


def yardstick_part(problems, say):
    table = measured_search.yardsticks(problems, say)
    return YARDSTICKS.format(count=problems, rounded=measured_search.ROUNDED, table=table)


def command_part(problems, say):
    return COMMANDS.format(
        starts=measured_commands.STARTS,
        repeats=measured_commands.REPEATS,
        start=measured_commands.starts(say),
        large=measured_commands.large_sheets(say),
        demos=measured_commands.demos(say),
    )


def fit_part(problems, say):
    sizes = measured_fit.sizes(say)
    libraries = measured_fit.against_libraries(say)
    return FIT.format(repeats=measured_fit.REPEATS, largest=measured_fit.SIZES[-1], sizes=sizes, libraries=libraries)


PARTS = {"search": search_part, "yardsticks": yardstick_part, "commands": command_part, "fit": fit_part}


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", choices=PARTS, action="append", help="measure this part (may be repeated)")
    parser.add_argument("--problems", type=int, default=10, help="problems in each row of the search (10)")
    parser.add_argument("--write", action="store_true", help=f"write {PAGE.name}; needs all parts")
    options = parser.parse_args()
    if options.write and options.only:
        parser.error("--write needs all parts: the page is of one run")
    head = HEAD.format(machine=machine())
    say = lambda line: print(line, file=sys.stderr, flush=True)  # noqa: E731
    parts = [PARTS[name](options.problems, say) for name in options.only or PARTS]
    page = "".join([head, *parts])
    if options.write:
        PAGE.write_text(page, encoding="utf-8")
    else:
        print(page)


if __name__ == "__main__":
    main()
