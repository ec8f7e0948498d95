"""Jobs of the closed loop: an aircraft flown, adjusted and flown again, and what came of each round."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from loop_fleet import SEVERITIES, Fleet, Hidden, exact, fleet, hidden, truly_inside
from loop_methods import METHODS, Method, Situation, ceiling, in_job, independent_rows, without_most

from trackbal.check.review import check_run
from trackbal.virtual import type_names

MOST_ROUNDS = 6
FAULTS = ("source", "damper")


@dataclass(frozen=True)
class Round:
    """A run, what was said of it, and what came of the adjustments made.

    Parameters
    ----------
    verdict : str
    stop : bool
        A reading was at or above its stop limit; it was overridden.
    surprising : bool
        The run was called surprising.
    count : int
        Adjustments made.
    chance : float or None
        Said of the plan that was made.
    inside, reads_inside : bool
        Afterwards: the readings without noise; those of the next run.
    worst : float
        Afterwards: largest reading without noise over its limit.
    """

    verdict: str
    stop: bool
    surprising: bool
    count: int
    chance: float | None
    inside: bool
    reads_inside: bool
    worst: float


@dataclass(frozen=True)
class Job:
    """All rounds of an aircraft under one method, until truly inside or MOST_ROUNDS."""

    rounds: tuple[Round, ...]
    processor_s: float

    @property
    def inside(self) -> bool:
        return self.rounds[-1].inside

    def inside_after(self, rounds: int) -> bool:
        return self.inside and len(self.rounds) <= rounds

    @property
    def adjustments(self) -> int:
        return sum(r.count for r in self.rounds)


@dataclass(frozen=True)
class Flown:
    """One aircraft under every method.

    Parameters
    ----------
    kind, severity : str
    number, history : int
    fault : str or None
    passed_over : int
        As in Hidden.
    jobs : dict of str to Job
    causes : dict of str to bool
        For a first round of "trackbal in job" that did not bring the aircraft inside: would it have, had this
        been otherwise? Empty where it did.
    alone : Round or None
        The first round, had the rows of the influence been taken to depart by themselves.
    """

    kind: str
    severity: str
    number: int
    history: int
    fault: str | None
    passed_over: int
    jobs: dict[str, Job]
    causes: dict[str, bool]
    alone: Round | None

    @classmethod
    def of(cls, record: dict[str, Any]) -> Flown:
        """Return what `asdict` took apart."""
        jobs = {
            name: Job(tuple(Round(**r) for r in job["rounds"]), job["processor_s"])
            for name, job in record["jobs"].items()
        }
        alone = None if record["alone"] is None else Round(**record["alone"])
        return cls(**{**record, "jobs": jobs, "alone": alone})


@dataclass(frozen=True)
class Task:
    """One aircraft to be flown."""

    kind: str
    seed: int
    histories: int
    number: int
    methods: tuple[str, ...]
    fault: str | None = None


def fly(task: Task) -> dict[str, Any]:
    """Return one aircraft under every method, as plain dictionaries."""
    history = task.number % task.histories
    severity = SEVERITIES[task.number // task.histories % len(SEVERITIES)]
    known = fleet(task.kind, task.seed, history)
    index = type_names().index(task.kind)
    found = hidden(known.kind, task.seed, index, task.number, severity, task.fault)  # type: ignore[arg-type]
    until = () if task.fault is None else ("investigate",)
    jobs = {name: fly_job(known, found, METHODS[name], until) for name in task.methods}
    causes: dict[str, bool] = {}
    alone = None
    if task.fault is None and set(task.methods) == set(METHODS):
        if not jobs["trackbal in job"].inside_after(1):
            causes = find_causes(known, found, jobs["(c) ceiling"].inside_after(1))
        alone = fly_job(known, found, independent_rows, most=1).rounds[0]
    flown = Flown(task.kind, severity, task.number, history, task.fault, found.passed_over, jobs, causes, alone)
    return asdict(flown)


def fly_job(known: Fleet, found: Hidden, method: Method, until: Sequence[str] = (), most: int = MOST_ROUNDS) -> Job:
    """Return a job; it also ends when a verdict in `until` is given."""
    rotor, aircraft = known.kind.rotor, found.aircraft
    runs, change = [aircraft.fly(found.reading_noise(0))], [np.zeros_like(aircraft.setting)]
    rounds: list[Round] = []
    started = time.process_time()
    while len(rounds) < most:
        k = len(rounds)
        said = method(Situation(known, aircraft, tuple(runs), np.array(change)))
        made = np.zeros_like(aircraft.setting) if said.verdict == "inside" else said.change
        aircraft = aircraft.adjust(made, found.setting_noise(k))
        change.append(change[-1] + made)
        runs.append(aircraft.fly(found.reading_noise(k + 1)))
        truth = check_run(rotor, aircraft.true_run())
        rounds.append(
            Round(
                verdict=said.verdict,
                stop=said.stop,
                surprising=said.surprising,
                count=int(np.count_nonzero(made)),
                chance=None if said.verdict == "inside" else said.chance,
                inside=truth.inside,
                reads_inside=check_run(rotor, runs[-1]).inside,
                worst=truth.worst_ratio,
            )
        )
        if truth.inside or said.verdict in until:
            break
    return Job(tuple(rounds), time.process_time() - started)


def find_causes(known: Fleet, found: Hidden, with_true_influence: bool) -> dict[str, bool]:
    """Return what would have brought an aircraft inside in the first round of "trackbal in job"."""
    rotor, aircraft = known.kind.rotor, found.aircraft
    none = np.zeros((1, *aircraft.setting.shape))
    read = Situation(known, aircraft, (aircraft.fly(found.reading_noise(0)),), none)
    true = Situation(known, aircraft, (aircraft.true_run(),), none)
    own = exact(known.influence, *aircraft.true_influence())
    many = without_most(rotor, true.run, own, aircraft.setting)
    return {
        "readings without noise": truly_inside(aircraft.adjust(in_job(true).change, found.setting_noise(0))),
        "settings made exactly": truly_inside(aircraft.adjust(in_job(read).change)),
        "its own influence known": with_true_influence,
        "all three": truly_inside(aircraft.adjust(ceiling(true).change)),
        "all three, any number of adjustments": truly_inside(aircraft.adjust(many)),
    }
