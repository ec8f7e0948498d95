"""Measure how well trackbal's advice does in a closed loop on the virtual rotor, beside other ways to a plan.

python tests/benchmarks/closed_loop.py                                  tables to the terminal
python tests/benchmarks/closed_loop.py --out docs/closed_loop_tables.md between the page's two marks
python tests/benchmarks/closed_loop.py --types main4 --aircraft 16      fewer
python tests/benchmarks/closed_loop.py --types main4 --methods trackbal how fast trackbal alone is

The same seed gives the same tables, times apart. With --records every aircraft flown is kept in
a file of JSON lines, and what stands there from an earlier call with the same options is not
flown again.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from pathlib import Path
from typing import Any

for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")  # each worker is to keep to one core; before numpy is imported
sys.path.insert(0, str(Path(__file__).parent))

from loop_jobs import FAULTS, Flown, Task, fly  # noqa: E402
from loop_methods import METHODS  # noqa: E402
from loop_page import into_page, report  # noqa: E402

from trackbal.virtual import type_names  # noqa: E402

WORKERS = 2
SEED = 20_260


def options(words: list[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--aircraft", type=int, default=200, help="of each type, without a mechanical fault")
    parser.add_argument("--faulty", type=int, default=24, help="of each type, with a mechanical fault")
    parser.add_argument("--types", nargs="+", default=list(type_names()), choices=type_names(), metavar="TYPE")
    parser.add_argument("--methods", nargs="+", default=list(METHODS), choices=list(METHODS), metavar="METHOD")
    parser.add_argument("--histories", type=int, default=2, help="of each type; aircraft take them in turn")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--records", type=Path, help="file of JSON lines to keep what was flown in")
    parser.add_argument("--out", type=Path, help="page to put the tables into, between its two marks")
    return parser.parse_args(words)


def tasks(chosen: argparse.Namespace) -> list[Task]:
    """Return every aircraft to be flown, types in turn, so that a part of a measurement says something of each."""
    sound, methods = [], tuple(chosen.methods)
    for number in range(chosen.aircraft):
        sound += [Task(kind, chosen.seed, chosen.histories, number, methods) for kind in chosen.types]
    ours = tuple(m for m in methods if m.startswith("trackbal"))
    faulty = []
    for number in range(chosen.faulty if ours else 0):
        fault = FAULTS[number % len(FAULTS)]
        place = number // len(FAULTS)
        faulty += [Task(kind, chosen.seed, chosen.histories, place, ours, fault) for kind in chosen.types]
    return faulty + sound


def key(record: dict[str, Any]) -> tuple[str, int, str | None]:
    return record["kind"], record["number"], record["fault"]


def fly_all(wanted: list[Task], records: Path | None) -> list[Flown]:
    """Fly all aircraft in WORKERS processes; progress goes to stderr."""
    known: dict[tuple[str, int, str | None], dict[str, Any]] = {}
    if records is not None and records.exists():
        known = {key(r): r for r in map(json.loads, records.read_text(encoding="utf-8").splitlines())}
    todo = [t for t in wanted if (t.kind, t.number, t.fault) not in known]
    started = time.monotonic()
    with multiprocessing.get_context("spawn").Pool(WORKERS) as pool:
        for done, record in enumerate(pool.imap(fly, todo, chunksize=1), start=1):
            known[key(record)] = record
            if records is not None:
                with records.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(record) + "\n")
            if done % 10 == 0 or done == len(todo):
                left = (time.monotonic() - started) / done * (len(todo) - done)
                print(f"{done} of {len(todo)} aircraft, about {left / 60:.0f} min left", file=sys.stderr)
    return [Flown.of(known[t.kind, t.number, t.fault]) for t in wanted]


def main() -> None:
    chosen = options()
    flown = fly_all(tasks(chosen), chosen.records)
    text = report(flown, chosen.methods, chosen.seed, chosen.histories)
    if chosen.out is None:
        print(text)
    else:
        into_page(chosen.out, text)


if __name__ == "__main__":
    main()
