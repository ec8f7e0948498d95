"""What the jobs of a closed loop say together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from loop_jobs import Flown, Job, Round

BIN = 0.1
LEAST_IN_BIN = 30


@dataclass(frozen=True)
class Outcome:
    """How the jobs of one method went.

    Parameters
    ----------
    after : tuple of float
        Share of aircraft truly inside after 1, 2 and 3 rounds.
    rounds, adjustments : float
        Mean of an aircraft.
    never : int
        Aircraft not truly inside after the last round.
    """

    aircraft: int
    after: tuple[float, float, float]
    rounds: float
    adjustments: float
    never: int

    @classmethod
    def of(cls, jobs: Sequence[Job]) -> Outcome:
        first, second, third = (float(np.mean([j.inside_after(k) for j in jobs])) for k in (1, 2, 3))
        return cls(
            len(jobs),
            (first, second, third),
            float(np.mean([len(j.rounds) for j in jobs])),
            float(np.mean([j.adjustments for j in jobs])),
            sum(not j.inside for j in jobs),
        )


def outcome(flown: Iterable[Flown], method: str) -> Outcome:
    return Outcome.of([f.jobs[method] for f in flown])


@dataclass(frozen=True)
class Calibration:
    """Chances said against what happened, for plans that were made.

    Parameters
    ----------
    said : ndarray, shape (n,)
    happened : ndarray of bool, shape (n,)
    """

    said: np.ndarray
    happened: np.ndarray

    @classmethod
    def of(cls, rounds: Iterable[Round], outcome_of: str) -> Calibration:
        """Return that of the rounds with a chance; `outcome_of` is "inside" or "reads_inside"."""
        told = [r for r in rounds if r.chance is not None]
        return cls(
            np.array([r.chance for r in told], dtype=float),
            np.array([getattr(r, outcome_of) for r in told], dtype=bool),
        )

    @property
    def brier(self) -> float:
        return float(np.mean((self.said - self.happened) ** 2))

    @property
    def base_brier(self) -> float:
        """Of whoever says the share that happened every time."""
        rate = float(self.happened.mean())
        return rate * (1.0 - rate)

    def bins(self) -> list[tuple[float, int, float, float]]:
        """Return (from, count, mean said, share happened) of the bins of 0.1 with anything in them."""
        index = np.minimum((self.said / BIN + 1e-9).astype(int), round(1 / BIN) - 1)
        return [
            (
                i * BIN,
                int((index == i).sum()),
                float(self.said[index == i].mean()),
                float(self.happened[index == i].mean()),
            )
            for i in np.unique(index).tolist()
        ]

    def worst_bin(self) -> float:
        """Return the largest miss of a bin of LEAST_IN_BIN or more plans; nan where there is none."""
        misses = [abs(said - share) for _, count, said, share in self.bins() if count >= LEAST_IN_BIN]
        return max(misses, default=float("nan"))


def rounds_of(flown: Iterable[Flown], method: str, first_only: bool = False) -> list[Round]:
    jobs = [f.jobs[method] for f in flown]
    return [r for j in jobs for r in (j.rounds[:1] if first_only else j.rounds)]


@dataclass(frozen=True)
class WrongVerdicts:
    """Verdicts on aircraft without a mechanical fault that were wrong.

    Parameters
    ----------
    jobs, rounds : int
        All that were judged.
    inside : int
        Rounds in which "inside" was said of an aircraft truly outside.
    investigate, stop : int
        Aircraft of which it was said in any round although known influence brings them inside within 2 rounds.
    investigate_right : int
        Aircraft of which "investigate" was said and which known influence does not bring inside within 2 rounds.
    surprising : int
        Rounds called surprising, though nothing was recorded wrongly.
    """

    jobs: int
    rounds: int
    inside: int
    investigate: int
    investigate_right: int
    stop: int
    surprising: int


def wrong_verdicts(flown: Sequence[Flown], method: str, judge: str = "(c) ceiling") -> WrongVerdicts:
    rounds = rounds_of(flown, method)
    curable = [f.jobs[method] for f in flown if f.jobs[judge].inside_after(2)]
    others = [f.jobs[method] for f in flown if not f.jobs[judge].inside_after(2)]

    def said(jobs: Sequence[Job], verdict: str) -> int:
        return sum(any(r.verdict == verdict for r in j.rounds) for j in jobs)

    return WrongVerdicts(
        jobs=len(flown),
        rounds=len(rounds),
        inside=sum(r.verdict == "inside" for r in rounds),
        investigate=said(curable, "investigate"),
        investigate_right=said(others, "investigate"),
        stop=sum(j.rounds[0].stop for j in curable),
        surprising=sum(r.surprising for r in rounds),
    )


@dataclass(frozen=True)
class FaultsFound:
    """Aircraft with a mechanical fault.

    Parameters
    ----------
    investigate : tuple of int
        Aircraft of which "investigate" was first said in round 1, 2, 3, later.
    inside : int
        Brought truly inside without its being said: balanced over the fault.
    stop : int
        Whose first run had a reading at or above a stop limit.
    neither : int
    """

    aircraft: int
    investigate: tuple[int, int, int, int]
    inside: int
    stop: int
    neither: int


def faults_found(jobs: Sequence[Job]) -> FaultsFound:
    when = [0, 0, 0, 0]
    inside = 0
    for job in jobs:
        said = [k for k, r in enumerate(job.rounds) if r.verdict == "investigate"]
        if said:
            when[min(said[0], 3)] += 1
        else:
            inside += job.inside
    first, second, third, later = when
    return FaultsFound(
        len(jobs),
        (first, second, third, later),
        inside,
        sum(j.rounds[0].stop for j in jobs),
        len(jobs) - sum(when) - inside,
    )


def gap_closed(ours: float, greedy: float, ceiling: float) -> float:
    """Return the part of the gap between (b) and (c) that is closed; nan where there is none."""
    return (ours - greedy) / (ceiling - greedy) if ceiling > greedy else float("nan")
