"""Where a job stands: each run against limits and expectation, what is installed, what comes next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.surprise import Surprise, surprises
from trackbal.check.review import Review, check_run
from trackbal.influence.coefficients import Influence
from trackbal.logbook.records import JobRecord
from trackbal.records.explanations import Explanation, explain

Next = Literal["run", "finish", "advise", "explain", "investigate", "done", "close", "stop", "closed"]


@dataclass(frozen=True)
class RunStanding:
    """A finished run: against limits, and against what was expected (None for the first, or without influence)."""

    number: int
    review: Review
    surprise: Surprise | None


@dataclass(frozen=True)
class Standing:
    """Where a job stands.

    Parameters
    ----------
    runs : tuple of RunStanding
    explanations : tuple of Explanation
        Of the last run, if it is surprising.
    next : str
        What comes next: "run", "finish" (the run being typed), "advise",
        "explain" (the last run is surprising), "investigate" (a cause is to be found), "done", "close",
        "stop" (a stop limit is reached) or "closed".
    """

    runs: tuple[RunStanding, ...]
    explanations: tuple[Explanation, ...]
    next: Next

    @property
    def surprising(self) -> bool:
        """Whether the last run is surprising."""
        seen = self.runs[-1].surprise if self.runs else None
        return seen is not None and seen.surprising

    @property
    def warns(self) -> bool:
        """Whether the last run is surprising or at a stop limit."""
        return self.surprising or (bool(self.runs) and self.runs[-1].review.stop)


def stand(record: JobRecord, influence: Influence | None) -> Standing:
    """Return where a job stands; without influence no run is held against an expectation."""
    rotor, readings = record.rotor, record.readings
    job = JobArrays.of(readings, record.change) if readings else None
    seen: tuple[Surprise | None, ...] = (None,) * len(readings)
    if job is not None and influence is not None:
        seen = surprises(rotor, job, influence)
    runs = [RunStanding(t + 1, check_run(rotor, reading), seen[t]) for t, reading in enumerate(readings)]
    explanations: tuple[Explanation, ...] = ()
    last = runs[-1].surprise if runs else None
    if job is not None and influence is not None and last is not None and last.surprising:
        before = record.latest_advice(record.runs[-2])
        advised = record.amounts(before.items) if before else None
        setting = record.setting(len(runs)) - (record.change[-1] - record.change[-2])
        explanations = explain(rotor, job, influence, advised, setting)
    return Standing(tuple(runs), explanations, _next(record, runs))


def _next(record: JobRecord, runs: list[RunStanding]) -> Next:
    if record.outcome is not None:
        return "closed"
    if record.draft is not None:
        return "finish"
    if not runs or record.runs[-1].entry in record.done:
        return "run"
    if runs[-1].review.stop:
        return "stop"
    advice = record.latest_advice(record.runs[-1])
    if advice is not None and not advice.stale and advice.items:
        return "done"
    if advice is not None and not advice.stale and advice.verdict == "investigate":
        return "investigate"
    last = runs[-1].surprise
    if last is not None and last.surprising:
        return "explain"
    if runs[-1].review.inside and _all_read(record):
        return "close"
    return "advise"


def _all_read(record: JobRecord) -> bool:
    return bool(np.all(record.readings[-1].regime_read))
