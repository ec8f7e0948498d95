"""What a job's own runs are worth: second plans with and without what the first two runs taught.

    python tests/benchmarks/measure_learning.py [aircraft]

Virtual aircraft of six invented types; influence fitted to a simulated fleet; first run, the
best three adjustments, second run; where that is not inside limits, a second plan is asked
for both ways, each is made (with setting errors) and flown five times.
"""

from __future__ import annotations

import sys

import numpy as np
from measure_explanations import TYPES, best_of_three, fleet_influence

from trackbal.check.review import check_run
from trackbal.plan.job_advice import advise_in_job
from trackbal.virtual import VirtualType

FLIGHTS = 5


def main(aircraft: int) -> None:
    """Print the table of docs/logbook_evidence.md."""
    print("| second plan from | jobs | chance it says | truly inside limits | adjustments |")
    print("|---|---|---|---|---|")
    results: dict[str, list[tuple[float, float, int]]] = {"the type's influence alone": [], "all runs of the job": []}
    for name in TYPES:
        kind, rng = VirtualType.shipped(name), np.random.default_rng(41)
        influence = fleet_influence(kind, rng)
        for k in range(aircraft):
            found = kind.aircraft(20_000 + k)
            first = found.fly(rng)
            change = best_of_three(kind.rotor, first, influence, found.setting)
            changed = found.adjust(change, rng)
            second = changed.fly(rng)
            if check_run(kind.rotor, second).inside:
                continue
            total = np.array([np.zeros_like(change), change])
            for way, rows in results.items():
                answer = advise_in_job(
                    kind.rotor,
                    [first, second],
                    total,
                    influence,
                    changed.setting,
                    type_only=way.startswith("the type"),
                    most=4,
                    override_stop=True,
                )
                assert answer.advice.recommended is not None
                plan = answer.advice.plans[answer.advice.recommended]
                flown = [changed.adjust(plan.change, rng).fly(rng) for _ in range(FLIGHTS)]
                passed = np.mean([check_run(kind.rotor, run).inside for run in flown])
                rows.append((plan.chance, float(passed), plan.count))
    for way, rows in results.items():
        chance, passed, count = np.mean(rows, axis=0)
        print(f"| {way} | {len(rows)} | {chance:.3f} | {passed:.3f} | {count:.2f} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
