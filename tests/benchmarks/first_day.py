"""A first aircraft without history, on virtual rotors: how many runs until it is inside limits.

    python tests/benchmarks/first_day.py 10 [type ...]

Four crews on the same aircraft of every type, with the same noise. None has past runs.

- *trial*: what trackbal says, advice or trial, on what the rotor file says of blades and hardware;
- *trial, bare*: the same without any rotor data;
- *one at a time*: first a single trial of every adjuster, one after another, then advice;
- *ceiling*: advice that knows this aircraft's own influence from the start.

A run is a run: the first, each after a trial, each after adjustments. A job ends when the readings without noise
are inside all limits, or those read are, or after MOST_RUNS. Aircraft for which a crew finds no trial any more, at a
stop limit or so near one that every trial could reach it, are counted apart: what they need is not told by numbers.
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
FIRST_SEED = 70_000
NEAR = 0.7
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
    if crew == "one at a time":  # nor does one adjuster's trial tell of another
        influence = replace(influence, source={})
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
        if found.best is not None:
            return found.best.change, "trial"
        if found.stop and len(changes) > 1:  # what was done last is taken off again
            return changes[-2] - changes[-1], "undo"
        return np.zeros_like(aircraft.setting), "no trial"
    return plan_of(said), said.verdict


def plan_of(advice):
    """Return the plan of an advice, that of "investigate" too: these aircraft have no mechanical fault."""
    if advice.verdict == "inside" or advice.recommended is None:
        return np.zeros_like(advice.setting)
    return advice.plans[advice.recommended].change


def fly_job(crew, kind, seed):
    """Return the number of runs until truly inside, what was done after each, and how often a trial led to a stop."""
    rotor = kind.rotor if crew == "trial, bare" else with_data(kind)
    aircraft = replace(kind.aircraft(seed, 1.0), rotor=rotor)
    noise = np.random.default_rng([seed, 1])
    runs, changes, did, stops = [aircraft.fly(noise)], [np.zeros_like(aircraft.setting)], [], 0
    while len(runs) < MOST_RUNS and not check_run(rotor, aircraft.true_run()).inside:
        change, what = change_for(crew, rotor, aircraft, runs, changes)
        if what == "inside":  # as read, by its noise: the crew closes the job
            break
        did.append(f"{what} {np.count_nonzero(change)}")
        stopped = check_run(rotor, aircraft.true_run()).stop
        aircraft = aircraft.adjust(change, noise)
        stops += what == "trial" and not stopped and check_run(rotor, aircraft.true_run()).stop
        changes.append(changes[-1] + change)
        runs.append(aircraft.fly(noise))
    return len(runs), did, stops


def near_a_stop(kind, seed):
    """Return whether a reading of the aircraft as found is beyond NEAR of its stop limit: trials have little room."""
    run = kind.aircraft(seed, 1.0).true_run()
    ratios = np.append(
        np.abs(run.vibration) / kind.rotor.vibration_stop_limit, run.spread / kind.rotor.height_stop_limit
    )
    return float(np.nanmax(ratios)) >= NEAR


def main(aircraft, names):
    print("| type | aircraft | " + " | ".join(CREWS) + " | no trial left | trials, led to a stop |")
    print("|---|---|" + "---|" * (len(CREWS) + 2))
    for name in names:
        kind, first = VirtualType.shipped(name), FIRST_SEED + 1000 * type_names().index(name)
        rows = {"": Row(), ", near a stop": Row()}
        for number in range(aircraft):
            row = rows[", near a stop" if near_a_stop(kind, first + number) else ""]
            jobs = {crew: fly_job(crew, kind, first + number) for crew in CREWS}
            for crew, (runs, did, _) in jobs.items():
                print(name, number, crew, runs, did, file=sys.stderr, flush=True)
            row.take(jobs)
        for which, row in rows.items():
            print(f"| {name}{which} | {row.words()} |", flush=True)


class Row:
    """What the crews needed on some aircraft."""

    def __init__(self):
        self.counts = {crew: [] for crew in CREWS}
        self.left = self.trials = self.stops = 0

    def take(self, jobs):
        self.trials += sum(one.startswith("trial") for one in jobs["trial"][1])
        self.stops += jobs["trial"][2]
        if any("no trial 0" in did for _, did, _ in jobs.values()):
            self.left += 1
            return
        for crew, (runs, _, _) in jobs.items():
            self.counts[crew].append(runs)

    def words(self):
        means = " | ".join(f"{np.mean(runs):.2f}" if runs else "" for runs in self.counts.values())
        return f"{len(self.counts['trial'])} | {means} | {self.left} | {self.trials}, {self.stops}"


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10, sys.argv[2:] or list(type_names()))
