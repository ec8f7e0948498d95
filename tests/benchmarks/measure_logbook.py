"""How fast a logbook of 100,000 runs opens, shows a job and gives advice.

    python tests/benchmarks/measure_logbook.py [runs]

makes the logbook in a temporary folder (virtual aircraft, every cell as a sheet would give
it), then times whole commands, each in a process of its own, best and worst of five.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from measure_explanations import fleet_influence, random_change

from trackbal.base.phasor import phase_deg
from trackbal.influence.influence_writer import write_influence
from trackbal.logbook.entries import add_import
from trackbal.logbook.exchange import read_logbooks
from trackbal.logbook.records import Items
from trackbal.logbook.rows import Cell, Row
from trackbal.logbook.store import Book
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.virtual import VirtualType

RUNS_PER_JOB = 4
DIFFERENT_JOBS = 100  # the others repeat them under other names
REPEATS = 5


def rows_of(rotor: Rotor, run: Run) -> list[Row]:
    """Return a run as the rows of its sheet, numbers as a person would type them."""
    degrees = phase_deg(run.vibration, rotor.phase_sense)
    rows = []
    for r, regime in enumerate(rotor.regimes):
        row: Row = {"regime": Cell(regime.name)}
        for s, sensor in enumerate(rotor.sensors):
            row[f"{sensor.name}.amp"] = Cell(f"{abs(run.vibration[r, s]):.3f}")
            row[f"{sensor.name}.deg"] = Cell(f"{degrees[r, s]:.0f}")
        row |= {f"height.{b}": Cell(f"{h:.2f}") for b, h in zip(rotor.blades, run.height[r], strict=True)}
        rows.append(row)
    return rows


def simulated_job(kind: VirtualType, seed: int, rng: np.random.Generator) -> tuple[list[list[Row]], list[Items]]:
    """Return the runs of a job as typed, and what was done after each."""
    rotor, aircraft = kind.rotor, kind.aircraft(seed)
    flown: list[list[Row]] = []
    done: list[Items] = []
    for _ in range(RUNS_PER_JOB):
        flown.append(rows_of(rotor, aircraft.fly(rng)))
        made = random_change(rotor, aircraft.setting, rng)
        aircraft = aircraft.adjust(made, rng)
        done.append({(rotor.blades[b], rotor.adjusters[a].name): f"{made[a, b]:g}" for a, b in np.argwhere(made)})
    return flown, done


def build(folder: Path, runs: int) -> tuple[Path, Path]:
    """Make the logbook; return it and the rotor's file."""
    kind, rng = VirtualType.shipped("main4"), np.random.default_rng(1)
    rotor, rotor_file = kind.rotor, VirtualType.rotor_file("main4")
    write_influence(folder / "influence.json", rotor, fleet_influence(kind, rng))
    book_file = folder / "fleet.tblog"
    command("log", "new", book_file, "--rotor", rotor_file, "--influence", folder / "influence.json")
    jobs = [simulated_job(kind, j, rng) for j in range(DIFFERENT_JOBS)]
    with Book.open(book_file, write=True) as book, book.writing():
        for j in range(runs // RUNS_PER_JOB):
            flown, done = jobs[j % DIFFERENT_JOBS]
            add_import(book, rotor.name, f"job-{j}", f"aircraft-{j % 50}", flown, done, {}, "simulated", "nobody")
    flown, done = jobs[0]
    command("log", "start", book_file, "aircraft-x", "--job", "today")
    for t in range(2):
        sheet = folder / f"run{t}.csv"
        lines = [",".join(["regime", *(n for n in flown[0][0] if n != "regime")])]
        lines += [",".join(cell.text for cell in row.values()) for row in flown[t]]
        sheet.write_text("\n".join(lines) + "\n")
        command("log", "run", book_file, sheet)
        if t == 0:
            items = [part for (blade, adjuster), text in done[0].items() for part in ("--item", blade, adjuster, text)]
            command("log", "done", book_file, "--anyway", *items)
    return book_file, rotor_file


def command(*arguments: object) -> float:
    """Run a trackbal command in a process of its own; return its wall time in seconds."""
    started = time.perf_counter()
    code = "import sys; from trackbal.commands import main; main()"
    done = subprocess.run([sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True)
    if done.returncode not in (0, 1) or "Traceback" in done.stderr:
        raise SystemExit(done.stderr)
    return time.perf_counter() - started


def main(runs: int) -> None:
    """Build, measure, print."""
    with tempfile.TemporaryDirectory() as folder:
        started = time.perf_counter()
        book_file, rotor_file = build(Path(folder), runs)
        print(
            f"{runs} runs, {book_file.stat().st_size / 2**20:.0f} MiB, made in {time.perf_counter() - started:.0f} s\n"
        )
        print("| command | best, s | worst, s |")
        print("|---|---|---|")
        for name in ("show", "advise", "jobs", "note"):
            more = (
                ["--job", "today"]
                if name in ("show", "advise")
                else ["a note", "--job", "today"][: 3 * (name == "note")]
            )
            times = [command("log", name, book_file, *more) for _ in range(REPEATS)]
            print(f"| log {name} | {min(times):.2f} | {max(times):.2f} |", flush=True)
        started = time.perf_counter()
        history = read_logbooks(Rotor.load(rotor_file), [str(book_file)])
        print(f"| all {len(history.run)} runs as a history | {time.perf_counter() - started:.1f} | |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
