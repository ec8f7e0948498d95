"""How true chances are on aircraft unlike those of the record, by a second physics (tests/plain_aircraft.py).

    python tests/benchmarks/measure_unlike.py [aircraft of each kind] [types] [seed] [number of one kind]

prints the table of docs/closed_loop.md: what was said of first plans, and what came;

    python tests/benchmarks/measure_unlike.py belief [aircraft of each kind] [types] [seed]

what would have been said of the same plans had blades been believed to answer more or less unlike each other.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from plain_aircraft import ROTOR, A, B, Odd, PlainType

from trackbal.fitting.fit import fit
from trackbal.influence.coefficients import Influence
from trackbal.plan.advice import UNLIKE, Advice, Plan, advise
from trackbal.plan.chance import chances
from trackbal.runs.run import Run

BELIEFS = (0.0, 0.03, 0.05, 0.07, 0.1)  # of blades_unlike
KINDS = {
    "as the record": Odd(),
    "unexplained part 1.5 times": Odd(rest=1.5),
    "unexplained part 2.2 times": Odd(rest=2.2),
    "unexplained part 3 times": Odd(rest=3.0),
    "blades answer 15 % unlike each other": Odd(unlike_blades=0.15),
    "tabs bend 25 % more": Odd(tab=1.25),
    "tabs bend 25 % less": Odd(tab=0.75),
}


def first_plans(odd: Odd, aircraft: int, types: int, seed: int) -> Iterator[tuple[Influence, Run, Advice, Plan, bool]]:
    """Yield the influence, first run, advice and recommended plan of each aircraft, and whether it came out inside.

    Inside: as the next run reads it, with noise. Aircraft inside as found, or without a plan, are passed over.
    """
    for t in range(types):
        kind = PlainType.drawn(seed + t)
        influence = fit(ROTOR, kind.history(seed + t)).influence
        rng = np.random.default_rng([seed + t, 3])
        for _ in range(aircraft // types):
            one = kind.craft(rng, odd)
            run = one.fly(np.zeros((A, B)), rng)
            advice = advise(ROTOR, run, influence, np.zeros((A, B)), override_stop=True)
            if advice.verdict == "inside" or advice.recommended is None:
                continue
            plan = advice.plans[advice.recommended]
            after = one.fly(plan.change, rng)
            inside = (np.abs(after.vibration) <= 0.2).all() and (after.spread <= 20.0).all()
            yield influence, run, advice, plan, bool(inside)


def flown(odd: Odd, aircraft: int, types: int, seed: int) -> np.ndarray:
    """Return chance said, inside or not, said to be unlike or not, of first plans; (n, 3)."""
    rows = []
    for _, _, advice, plan, inside in first_plans(odd, aircraft, types, seed):
        rows.append((plan.chance, float(inside), float(any("unlike" in c.lower() for c in advice.cautions))))
    return np.array(rows)


def main(aircraft: int, types: int, seed: int, only: int = -1) -> None:
    """Print the table."""
    bins = ((0.0, 0.3), (0.3, 0.6), (0.6, 0.8), (0.8, 0.9), (0.9, 1.01))
    heads = " | ".join(f"{low:.1f} to {min(high, 1.0):.1f}" for low, high in bins)
    print(f"| aircraft | plans | said | came | {heads} | called unlike (beyond {UNLIKE:g}) |")
    print("|---" * (5 + len(bins)) + "|")
    for name, odd in list(KINDS.items())[only : only + 1] if only >= 0 else KINDS.items():
        said, came, unlike = flown(odd, aircraft, types, seed).T
        cells = []
        for low, high in bins:
            some = (said >= low) & (said < high)
            cells.append(f"{some.sum()}: {said[some].mean():.2f}, {came[some].mean():.2f}" if some.any() else "-")
        told = f"{said.mean():.2f} | {came.mean():.2f} | {' | '.join(cells)}"
        print(f"| {name} | {len(said)} | {told} | {100 * unlike.mean():.0f} % |", flush=True)


def believed(odd: Odd, aircraft: int, types: int, seed: int) -> np.ndarray:
    """Return the chance of first plans with each of BELIEFS, and inside or not, (n, K + 1)."""
    rows = []
    for influence, run, _, plan, inside in first_plans(odd, aircraft, types, seed):
        assert influence.departures is not None
        others = [replace(influence, departures=replace(influence.departures, blades_unlike=b)) for b in BELIEFS]
        said = [float(chances(ROTOR, run, other, plan.change[None])[0]) for other in others]
        rows.append([*said, float(inside)])
    return np.array(rows)


def beliefs(aircraft: int, types: int, seed: int) -> None:
    """Print, for each kind and belief, said and came of all plans and of those said to be 0.9 likely or more."""
    print(f"| aircraft | {' | '.join(f'{b:g}: all; 0.9 or more' for b in BELIEFS)} |")
    print("|---" * (1 + len(BELIEFS)) + "|")
    for name, odd in KINDS.items():
        *said, came = believed(odd, aircraft, types, seed).T
        cells = []
        for chance in said:
            top = chance >= 0.9
            told = f"{chance[top].mean():.2f}, {came[top].mean():.2f} ({top.sum()})" if top.any() else "-"
            cells.append(f"{chance.mean():.2f}, {came.mean():.2f}; {told}")
        print(f"| {name} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    words = sys.argv[1:]
    what = beliefs if words[:1] == ["belief"] else main
    given = [int(n) for n in words[what is beliefs :]]
    what(*given, *[200, 4, 11][len(given) :])
