"""What an aircraft's own record is worth: plans after a first run with 0, 1, 2 and 4 earlier jobs of the aircraft.

    python tests/benchmarks/measure_own_record.py fly FILE.json AIRCRAFT SEED [TYPES ...]
    python tests/benchmarks/measure_own_record.py tell FILE.json [FILE.json ...]

Virtual aircraft of the invented types. Each keeps its own physics (masses, frequencies, damping, pick-ups, lift) from
job to job, and comes to each job with new blade differences and settings. An earlier job has 3 or 4 runs with 1 to 4
adjustments, made with setting errors, before each but the first. The job that counts is the same whatever went before:
same blade differences, same noise, same setting errors. Readings without noise decide what is inside.
"fly" keeps every round in a file; "tell" prints the table of docs/closed_loop.md of all files together, and writes
docs/own_record.json, from which docs/own_record_picture.py draws.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from loop_fleet import LARGEST_PART, MOST_CHANGES, fleet, hidden, truly_inside

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.influence.coefficients import Influence
from trackbal.plan.job_advice import advise_in_job
from trackbal.runs.run import Run
from trackbal.virtual import VirtualType, type_names
from trackbal.virtual.aircraft import Aircraft
from trackbal.virtual.past_jobs import past_jobs

EARLIER = (0, 1, 2, 4)
HISTORIES = 4
ROUNDS = 2


def earlier_job(kind: VirtualType, body: Aircraft, rng: np.random.Generator) -> JobRuns:
    """Return a job of an aircraft with blade differences of its own."""
    other = kind.aircraft(int(rng.integers(2**31)), float(rng.uniform(0.5, 1.5)))
    found = replace(body, faults=other.faults, setting=other.setting, change=np.zeros_like(other.setting))
    flown = past_jobs((found,), rng, MOST_CHANGES, LARGEST_PART)
    job = JobArrays(flown.vibration, flown.vibration_count, flown.height, flown.height_count, flown.change)
    return JobRuns([job.run(t) for t in range(len(job))], flown.change)


def one_job(influence: Influence, now: Aircraft, earlier: Sequence[JobRuns], seed: int) -> list[dict[str, Any]]:
    """Return what came of each round of a job, until truly inside or ROUNDS."""
    runs: list[Run] = [now.fly(np.random.default_rng([seed, 0, 0]))]
    change, rounds = [np.zeros_like(now.setting)], []
    for k in range(ROUNDS):
        given = advise_in_job(
            now.rotor,
            runs,
            np.array(change),
            influence,
            now.setting,
            earlier=earlier,
            checked=range(len(runs)),
            override_stop=True,
        ).advice
        plan = None if given.recommended is None else given.plans[given.recommended]
        made = np.zeros_like(now.setting) if plan is None or given.verdict == "inside" else plan.change
        now = now.adjust(made, np.random.default_rng([seed, k, 1]))
        change.append(change[-1] + made)
        runs.append(now.fly(np.random.default_rng([seed, k + 1, 0])))
        said = None if plan is None or given.verdict == "inside" else plan.chance
        rounds.append({"count": int(np.count_nonzero(made)), "chance": said, "inside": truly_inside(now)})
        if rounds[-1]["inside"]:
            break
    return rounds


def measured(name: str, aircraft: int, seed: int) -> dict[int, list[list[dict[str, Any]]]]:
    """Return the rounds of each aircraft of a type, by how many earlier jobs were known."""
    place = type_names().index(name)
    found: dict[int, list[list[dict[str, Any]]]] = {k: [] for k in EARLIER}
    for number in range(aircraft):
        known = fleet(name, seed, number % HISTORIES)
        job = hidden(known.kind, seed, place, number, "mixed", None).aircraft
        rng = np.random.default_rng([seed, place, number, 9])
        jobs = [earlier_job(known.kind, job, rng) for _ in range(max(EARLIER))]
        for k in EARLIER:
            found[k].append(one_job(known.influence, job, jobs[len(jobs) - k :], 1000 * seed + number))
    return found


def row(name: str, jobs: int, rounds: Sequence[Sequence[dict[str, Any]]]) -> dict[str, Any]:
    """Return the figures of some aircraft."""
    first = [r[0]["inside"] for r in rounds]
    chances = [(r[0]["chance"], r[0]["inside"]) for r in rounds if r[0]["chance"] is not None]
    said = np.array([c for c, _ in chances])
    return {
        "type": name,
        "earlier": jobs,
        "aircraft": len(rounds),
        "first": float(np.mean(first)),
        "second": float(np.mean([any(x["inside"] for x in r) for r in rounds])),
        "said": float(said.mean()),
        "brier": float(np.mean((said - np.array([float(i) for _, i in chances])) ** 2)),
        "adjustments": float(np.mean([r[0]["count"] for r in rounds])),
    }


def fly_all(file: str, aircraft: int, seed: int, types: Sequence[str]) -> None:
    """Write the rounds of some aircraft of each type, by earlier jobs known."""
    flown = {name: measured(name, aircraft, seed) for name in types or type_names()}
    Path(file).write_text(json.dumps(flown) + "\n", encoding="utf-8")


def tell(files: Sequence[str]) -> None:
    """Print the tables of docs/closed_loop.md, and write the figures that its picture is of."""
    every: dict[int, list[list[dict[str, Any]]]] = {k: [] for k in EARLIER}
    by_type: dict[str, dict[int, list[list[dict[str, Any]]]]] = {}
    for file in files:
        for name, found in json.loads(Path(file).read_text(encoding="utf-8")).items():
            for k in EARLIER:
                by_type.setdefault(name, {k: [] for k in EARLIER})[k] += found[str(k)]
                every[k] += found[str(k)]
    rows = [row(name, k, by_type[name][k]) for name in sorted(by_type) for k in EARLIER]
    rows += [row("all", k, every[k]) for k in EARLIER]
    print("| type | earlier jobs | aircraft | inside after 1 | after 2 | chance said | Brier | adjustments |")
    print("|---|---:|---:|---:|---:|---:|---:|---:|")
    for one in rows:
        _show(one)
    bins(every)
    figures = Path(__file__).parents[2] / "docs" / "own_record.json"
    figures.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")


def _show(r: dict[str, Any]) -> None:
    print(
        f"| {r['type']} | {r['earlier']} | {r['aircraft']} | {r['first']:.3f} | {r['second']:.3f} | {r['said']:.3f} | "
        f"{r['brier']:.3f} | {r['adjustments']:.2f} |",
        flush=True,
    )


def bins(every: dict[int, list[list[dict[str, Any]]]]) -> None:
    """Print chance said against what happened, in bins, of first and second plans by whether jobs were known."""
    print("\n| chance said | no earlier job: plans, said, happened | one or more: plans, said, happened |")
    print("|---|---:|---:|")
    for low, high in ((0.0, 0.3), (0.3, 0.6), (0.6, 0.8), (0.8, 0.9), (0.9, 1.01)):
        cells = []
        for chosen in ((0,), EARLIER[1:]):
            plans = [x for k in chosen for r in every[k] for x in r if x["chance"] is not None]
            some = [x for x in plans if low <= x["chance"] < high]
            said = np.mean([x["chance"] for x in some]) if some else float("nan")
            came = np.mean([x["inside"] for x in some]) if some else float("nan")
            cells.append(f"{len(some)}, {said:.2f}, {came:.2f}")
        print(f"| {low:.1f} to {min(high, 1.0):.1f} | {' | '.join(cells)} |")


if __name__ == "__main__":
    which, *words = sys.argv[1:]
    if which == "fly":
        fly_all(words[0], int(words[1]), int(words[2]), words[3:])
    else:
        tell(words)
