"""What mistakes in the recorded adjustments of past jobs do to fitted coefficients, on virtual fleets.

    python tests/benchmarks/measure_mistakes.py 12 [type ...]

prints the table of docs/analyst_evidence.md. A fleet has 12 past jobs of 3 or 4 runs, 1 to 4 adjustments before each
run; 8 in 100 single adjustments are recorded wrongly: the other way, on another blade, doubled, halved, of another
adjuster, not at all. Errors are against the mean of these aircraft's own influence, root mean square over readings and
adjusters, each adjuster by its usual amount, percent of the same mean of the influence itself.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from damaged_fleet import wrong_adjustments
from loop_fleet import past_aircraft, past_jobs

from trackbal.fitting.fit import fit
from trackbal.records.set_aside import parted
from trackbal.runs.run import History, Reals
from trackbal.virtual import VirtualType, type_names

SHARE = 0.08
WAYS = ("clean", "mistakes", "known", "plain")


def usual_amounts(history: History) -> Reals:
    """Return the root mean square of single adjustments, shape (A,)."""
    made = np.diff(history.change, axis=0)[np.diff(history.job) == 0]
    return np.asarray(np.sqrt((made**2).sum(axis=(0, 2)) / np.maximum((made != 0.0).sum(axis=(0, 2)), 1)))


def left_out(history: History, wrong: frozenset[int]) -> History:
    """Return the history with the wrong records left out by somebody who knows them, as a fit leaves them out."""
    part = np.zeros(len(history.run), dtype=int)
    for rows in (np.flatnonzero(history.job == j) for j in range(len(history.jobs))):
        part[rows] = np.cumsum(np.isin(rows, list(wrong)))
    return parted(history, history.vibration_count, history.height_count, part)


def error(found: Reals, truth: Reals, amount: Reals) -> float:
    """Return the root mean square error, percent; coefficients by adjuster first."""
    by = amount.reshape(-1, *[1] * (truth.ndim - 1))
    return 100.0 * float(np.sqrt((np.abs((found - truth) * by) ** 2).sum() / (np.abs(truth * by) ** 2).sum()))


def errors(name: str, seed: int) -> tuple[dict[str, float], dict[str, float]]:
    """Return the errors of tips and of vibration by each way to fit."""
    kind = VirtualType.shipped(name)
    which = type_names().index(name)
    history = past_jobs(kind, seed, which, 0)
    alpha, tau = zip(*(a.true_influence() for a in past_aircraft(kind, seed, which, 0)), strict=True)
    truth, tips = np.mean(alpha, axis=0), np.nan_to_num(np.mean(tau, axis=0))
    damaged, wrong = wrong_adjustments(kind.rotor, history, SHARE, seed)
    fits = {
        "clean": fit(kind.rotor, history),
        "mistakes": fit(kind.rotor, damaged),
        "known": fit(kind.rotor, left_out(damaged, wrong), robust=False),
        "plain": fit(kind.rotor, damaged, robust=False),
    }
    amount = usual_amounts(history)
    of_tips = {w: error(f.influence.tau, tips, amount) if tips.any() else np.nan for w, f in fits.items()}
    of_vibration = {w: error(f.influence.alpha, truth, amount) for w, f in fits.items()}
    return of_tips, of_vibration


def main(fleets: int, names: list[str]) -> None:
    """Print two rows a type."""
    print(
        "| type, coefficients of | no mistakes | mistakes, fit | mistakes, known and left out | mistakes, --plain "
        "| fit: times the error without |"
    )
    print("|---|---|---|---|---|---|")
    for name in names:
        found = [errors(name, 5000 + seed) for seed in range(fleets)]
        for part, what in enumerate(("tips", "vibration")):
            if any(np.isnan(pair[part]["clean"]) for pair in found):
                continue
            rms = {w: float(np.sqrt(np.mean([pair[part][w] ** 2 for pair in found]))) for w in WAYS}
            times = np.median([pair[part]["mistakes"] / pair[part]["clean"] for pair in found])
            cells = " | ".join(f"{rms[w]:.1f}" for w in WAYS)
            print(
                f"| {name}, {what} | {cells} | {rms['mistakes'] / rms['clean']:.2f}; {times:.2f} |",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12, sys.argv[2:] or list(type_names()))
