"""A first aircraft without history, on virtual rotors: how many runs until it is inside limits.

    python tests/benchmarks/first_day.py 10 [type ...]

Four crews on the same aircraft of every type, with the same noise. None has past runs.

- *trial*: what trackbal says, advice or trial, on what the rotor file says of blades and hardware;
- *trial, bare*: the same without any rotor data;
- *one at a time*: first a single trial of every adjuster, one after another, then advice;
- *ceiling*: advice that knows this aircraft's own influence from the start.

A run is a run: the first, each after a trial, each after adjustments. A job ends when the readings without noise
are inside all limits, or after MOST_RUNS. Aircraft for which a crew finds no trial any more, at a stop limit or so near
one that every trial could reach it, are counted apart: what they need is not told by numbers.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_textbook import with_data

from trackbal.aircraft.learning import learn
from trackbal.check.review import check_run
from trackbal.plan.advice import advise
from trackbal.trials.textbook import textbook_influence
from trackbal.trials.trial import find_trials
from trackbal.virtual import VirtualType, type_names

MOST_RUNS = 12
CREWS = ("trial", "trial, bare", "one at a time", "ceiling")


def change_for(crew, rotor, aircraft, runs, changes):
    """Return what a crew does after its last run, and what it calls that."""
    history = np.array(changes)
    if crew == "ceiling":
        alpha, tau = aircraft.true_influence()
        known = replace(
            textbook_influence(rotor),
            alpha=alpha,
            tau=np.nan_to_num(tau),
            unknown_vibration=np.zeros(alpha.shape, dtype=bool),
            unknown_height=np.zeros(tau.shape, dtype=bool),
            height_cov=np.zeros((len(rotor.regimes), len(tau), len(tau))),
        )
        said = advise(rotor, runs[-1], known, aircraft.setting, override_stop=True)
        return plan_of(said), said.verdict
    influence = textbook_influence(rotor)
    own = learn(rotor, runs, history, influence).influence
    if crew == "one at a time":
        moved = history[-1].any(axis=1)
        untried = [a for a in range(len(rotor.adjusters)) if not moved[a]]
        if untried:
            each = find_trials(rotor, runs[-1], own, aircraft.setting).each
            for a in untried:
                single = [t for t in each if t.adjusters == (a,) and np.count_nonzero(t.change) == 1]
                if single:
                    return single[0].change, "trial"
    # the crews' records are right: a surprising run is gone on from with what it tells
    said = advise(rotor, runs[-1], own, aircraft.setting, override_stop=True)
    if said.verdict == "learn":
        found = find_trials(rotor, runs[-1], own, aircraft.setting)
        if found.best is None:
            return np.zeros_like(aircraft.setting), "no trial"
        chosen = found.together or found.best
        return chosen.change, "trial"
    return plan_of(said), said.verdict


def plan_of(advice):
    """Return the plan of an advice, that of "investigate" too: these aircraft have no mechanical fault."""
    if advice.verdict == "inside" or advice.recommended is None:
        return np.zeros_like(advice.setting)
    return advice.plans[advice.recommended].change


def fly_job(crew, kind, seed):
    """Return the number of runs until truly inside, and what was done after each."""
    rotor = kind.rotor if crew == "trial, bare" else with_data(kind)
    aircraft = replace(kind.aircraft(seed, 1.0), rotor=rotor)
    noise = np.random.default_rng([seed, 1])
    runs, changes, did = [aircraft.fly(noise)], [np.zeros_like(aircraft.setting)], []
    while len(runs) < MOST_RUNS and not check_run(rotor, aircraft.true_run()).inside:
        change, what = change_for(crew, rotor, aircraft, runs, changes)
        did.append(f"{what} {np.count_nonzero(change)}")
        aircraft = aircraft.adjust(change, noise)
        changes.append(changes[-1] + change)
        runs.append(aircraft.fly(noise))
    return len(runs), did, check_run(rotor, aircraft.true_run()).inside


def main(aircraft, names):
    print("| type | aircraft | " + " | ".join(CREWS) + " | no trial left |")
    print("|---|---|" + "---|" * (len(CREWS) + 1))
    for name in names:
        kind, first = VirtualType.shipped(name), 9000 + 1000 * type_names().index(name)
        counts = {crew: [] for crew in CREWS}
        left = 0
        for number in range(aircraft):
            jobs = {crew: fly_job(crew, kind, first + number) for crew in CREWS}
            for crew, (runs, did, _) in jobs.items():
                print(name, number, crew, runs, did, file=sys.stderr, flush=True)
            if any("no trial 0" in did for _, did, _ in jobs.values()):
                left += 1
                continue
            for crew, (runs, _, _) in jobs.items():
                counts[crew].append(runs)
        means = " | ".join(f"{np.mean(counts[crew]):.2f}" for crew in CREWS)
        print(f"| {name} | {aircraft - left} | {means} | {left} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10, sys.argv[2:] or list(type_names()))
