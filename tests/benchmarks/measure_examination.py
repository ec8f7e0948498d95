"""How often `examine --by` and its trend find what is not alike in a virtual fleet, and accuse a sound one.

    python tests/benchmarks/measure_examination.py 20 [type ...]

prints the table of docs/analyst_evidence.md. A fleet has 24 jobs of 3 to 6 runs. Nothing is flown twice: an adjuster
that acts as f times what is written is the same fleet with what was done written down as a part 1 / f.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from damaged_fleet import fly_fleet

from trackbal.estimate.job_statistics import HistoryCells
from trackbal.examination.comparisons import Comparison, compare_jobs
from trackbal.fitting.fit import kept_records
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals
from trackbal.virtual import type_names

JOBS = 24
BY = ("group.kit", "group.pickup")
DRIFT = np.linspace(0.75, 1.25, JOBS)
OTHER_KIT = np.arange(JOBS) % 3 == 0
OTHER_PICKUP = np.arange(JOBS) % 2 == 0
KIT_ACTS, TURN_DEG = 1.5, 40.0


def of_kind(rotor: Rotor, kind: str, otherwise: int) -> int:
    """Return the adjuster of a kind, or another where the rotor has none."""
    kinds = [a.kind for a in rotor.adjusters]
    return kinds.index(kind) if kind in kinds else otherwise


def written_as(history: History, adjuster: int, acts: Reals) -> History:
    """Return the history with one adjuster acting as `acts` (J,) times what is written."""
    change = history.change.copy()
    change[:, adjuster] /= acts[history.job][:, None]
    return replace(history, change=change)


def sound(rotor: Rotor, history: History) -> tuple[History, tuple[str, str, int] | None]:
    """Nothing is wrong."""
    return history, None


def drifting(rotor: Rotor, history: History) -> tuple[History, tuple[str, str, int] | None]:
    """The pitch link (the first weight where there is none) drifts from 25 % too little to 25 % too much."""
    a = of_kind(rotor, "pitch_link", 0)
    return written_as(history, a, DRIFT), ("order", "amount", a)


def other_kit(rotor: Rotor, history: History) -> tuple[History, tuple[str, str, int] | None]:
    """Every third aircraft has a tab (the last adjuster where there is none) that does half as much again."""
    a = of_kind(rotor, "tab", len(rotor.adjusters) - 1)
    return written_as(history, a, np.where(OTHER_KIT, KIT_ACTS, 1.0)), ("group.kit", "amount", a)


def other_pickup(rotor: Rotor, history: History) -> tuple[History, tuple[str, str, int] | None]:
    """The last pick-up of half the fleet is turned by 40 degrees."""
    s = len(rotor.sensors) - 1
    vibration = history.vibration.copy()
    vibration[OTHER_PICKUP[history.job], :, s] *= np.exp(-1j * np.deg2rad(TURN_DEG))
    return replace(history, vibration=vibration), ("group.pickup", "turn", s)


FAULTS: dict[str, Callable[[Rotor, History], tuple[History, tuple[str, str, int] | None]]] = {
    "sound": sound,
    "drift": drifting,
    "other kit": other_kit,
    "turned pick-up": other_pickup,
}


def grouped(history: History) -> History:
    """Return the history with both ways to sort its jobs."""
    kit = np.where(OTHER_KIT, "wide", "narrow")
    pickup = np.where(OTHER_PICKUP, "old", "new")
    group = np.stack([kit[history.job], pickup[history.job]], axis=1).astype(object)
    return replace(history, groups=("kit", "pickup"), group=group)


def not_alike(rotor: Rotor, history: History) -> list[Comparison]:
    """Return what an examination says is not alike: what jobs are compared with is fitted as there."""
    estimates = kept_records(rotor, history).estimates
    return [c for c in compare_jobs(HistoryCells(rotor, history), estimates, BY) if c.found]


def main(fleets: int, names: list[str]) -> None:
    """Print a row a type."""
    print("| type | fleets | " + " | ".join(FAULTS) + " | something sound accused beside |")
    print("|---" * (3 + len(FAULTS)) + "|")
    for name in names:
        hits: Counter[str] = Counter()
        beside = 0
        for seed in range(fleets):
            fleet = fly_fleet(name, JOBS, 4000 + seed)
            rotor = fleet.kind.rotor
            for fault, put in FAULTS.items():
                history, meant = put(rotor, grouped(fleet.history))
                found = [(c.by, c.part, c.index) for c in not_alike(rotor, history)]
                hits[fault] += bool(found) if meant is None else meant in found
                others = [f for f in found if f != meant]
                beside += bool(others) and meant is not None
                print(name, seed, fault, found, file=sys.stderr, flush=True)
        cells = [f"{hits[fault]} accused" if fault == "sound" else f"{hits[fault]} found" for fault in FAULTS]
        print(f"| {name} | {fleets} | {' | '.join(cells)} | {beside} of {3 * fleets} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, sys.argv[2:] or list(type_names()))
