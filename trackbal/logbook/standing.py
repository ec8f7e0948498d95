"""Where a job stands: each run against limits and expectation, what is installed, what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.surprise import Surprise, surprises
from trackbal.base.errors import InputError
from trackbal.check.coverage import Coverage, coverage_of
from trackbal.check.review import Reading, Review, check_run
from trackbal.influence.coefficients import Influence
from trackbal.logbook.records import JobRecord, RunRecord
from trackbal.logbook.rows import Cell, run_of_rows
from trackbal.plan.forecast import Forecast
from trackbal.plan.job_advice import likely_next, open_holds
from trackbal.records.explanations import Explanation, explain
from trackbal.runs.run import Run

Step = Literal["run", "finish", "advise", "explain", "investigate", "done", "trial", "read", "close", "stop", "closed"]


@dataclass(frozen=True)
class RunStanding:
    """A finished run: against limits, and against what was expected (None for the first, or without influence).

    `stopped`: a reading is at its stop limit, by the rotor as defined now or as it was when the run was entered.
    `likely`: what it was likely to read by the runs before it and what was done; None where nothing is known of that.
    """

    number: int
    review: Review
    surprise: Surprise | None
    stopped: bool = False
    likely: Forecast | None = None


@dataclass(frozen=True)
class Ahead:
    """What the next run is likely to read; `after`: what was "done", or, where nobody has said, what was "advised"."""

    after: Literal["done", "advised"]
    likely: Forecast


@dataclass(frozen=True)
class StopReached:
    """A reading at its stop limit, by the rotor as it is now or as it was when run number `run` was entered."""

    run: int
    reading: Reading

    def __str__(self) -> str:
        """Return which reading, of which run, and its stop limit."""
        one = self.reading
        return f"{one.regime}, {one.what} {one.worst_of_two:.4g} {one.unit} in run {self.run} (stop limit {one.stop:g})"


@dataclass(frozen=True)
class Standing:
    """Where a job stands.

    Parameters
    ----------
    runs : tuple of RunStanding
    explanations : tuple of Explanation
        Of the last run on hold.
    next : str
        What comes next: "run", "finish" (the run being typed), "advise",
        "trial" (not enough is known), "explain" (a run is surprising, and nobody has said why), "investigate" (a cause
        is to be found),
        "done", "close", "stop" (a stop limit is reached), "read" (inside limits so far, but not all was read) or
        "closed".
    coverage : Coverage or None
        What was read of the rotor since anything was last changed; None without a run.
    finished : bool
        Whether all of it was, and in the last run of its regime each reading is inside.
    on_hold : tuple of int
        Surprising runs, by index, of which nobody has said why.
    ahead : Ahead or None
        What to expect of the next run; None on hold, and where nothing was advised or done.
    inside : bool
        Whether all that was read since anything was last changed is inside, in the last run of its regime.
    left : tuple of str
        In words, what of that a run before the last read outside, and none read again.
    stops : tuple of StopReached
        Readings at their stop limit that were not read again since.
    typing_stopped : bool
        Whether a reading of the run being typed is at its stop limit.
    """

    runs: tuple[RunStanding, ...]
    explanations: tuple[Explanation, ...]
    next: Step
    coverage: Coverage | None = None
    finished: bool = False
    on_hold: tuple[int, ...] = ()
    ahead: Ahead | None = None
    inside: bool = False
    left: tuple[str, ...] = ()
    stops: tuple[StopReached, ...] = ()
    typing_stopped: bool = False

    @property
    def surprising(self) -> bool:
        """Whether the last run is surprising."""
        judged = self.runs[-1].surprise if self.runs else None
        return judged is not None and judged.surprising

    @property
    def warns(self) -> bool:
        """Whether a run is surprising and nobody has said why, or a reading at its stop limit stands."""
        return bool(self.on_hold or self.stops) or self.typing_stopped


def stand(record: JobRecord, influence: Influence | None, earlier: Sequence[JobRuns] = ()) -> Standing:
    """Return where a job stands; without influence no run is held against an expectation.

    Parameters
    ----------
    earlier : sequence of JobRuns
        Earlier jobs of the same aircraft.
    """
    rotor, readings = record.rotor, record.readings
    job = JobArrays.of(readings, record.change) if readings else None
    judged: tuple[Surprise | None, ...] = (None,) * len(readings)
    if job is not None and influence is not None:
        judged = surprises(rotor, job, influence, earlier)
    likely = _expectations(record, influence, judged, earlier)
    runs = [
        RunStanding(t + 1, review, judged[t], review.stop or bool(stopped_when_entered(record, t)), likely[t])
        for t, review in enumerate(check_run(rotor, reading) for reading in readings)
    ]
    on_hold = () if record.finding else open_holds(judged, record.checked)
    explanations: tuple[Explanation, ...] = ()
    if job is not None and influence is not None and on_hold:
        explanations = _explained(record, job.first(on_hold[-1] + 1), influence, earlier)
    typing_stopped = record.draft is not None and draft_review(record, record.draft).stop
    if not runs:
        return Standing((), (), _next(record, None, ()), typing_stopped=typing_stopped)
    look = look_at(record)
    step = _next(record, look, on_hold)
    finished = look.inside and look.coverage.complete
    ahead = None
    if influence is not None and not (on_hold or record.outcome or record.finding):
        ahead = _ahead(record, influence, judged, earlier)
    return Standing(
        tuple(runs),
        explanations,
        step,
        look.coverage,
        finished,
        on_hold,
        ahead,
        look.inside,
        look.left,
        look.stops,
        typing_stopped,
    )


def _expectations(
    record: JobRecord, influence: Influence | None, judged: Sequence[Surprise | None], earlier: Sequence[JobRuns]
) -> list[Forecast | None]:
    """Return what each run was likely to read by those before it; None for the first, or without influence."""
    runs, change = record.readings, record.change
    if influence is None:
        return [None] * len(runs)
    found: list[Forecast | None] = [None]
    for t in range(1, len(runs)):
        made = change[t] - change[t - 1]
        found.append(likely_next(record.rotor, runs[:t], change[:t], influence, made, judged[:t], earlier))
    return found


def _ahead(
    record: JobRecord, influence: Influence, judged: Sequence[Surprise | None], earlier: Sequence[JobRuns]
) -> Ahead | None:
    """Return what the next run is likely to read after what was done, else after what was advised."""
    last = record.runs[-1]
    advice = record.latest_advice(last)
    items = record.done.get(last.entry)
    after: Literal["done", "advised"] = "done"
    if items is None and advice is not None and advice.items and not advice.outdated:
        items, after = advice.items, "advised"
    if items is None:
        return None
    made = record.amounts(items)
    likely = likely_next(record.rotor, record.readings, record.change, influence, made, judged, earlier)
    return None if likely is None else Ahead(after, likely)


def _explained(
    record: JobRecord, job: JobArrays, influence: Influence, earlier: Sequence[JobRuns]
) -> tuple[Explanation, ...]:
    """Return what the last run of a job, as it was after that run, may be made of."""
    last = len(job) - 1
    before = record.latest_advice(record.runs[last - 1])
    advised = record.amounts(before.items) if before else None
    setting = record.setting(last + 1) - (job.change[-1] - job.change[-2])
    return explain(record.rotor, job, influence, advised, setting, earlier)


def refuse_unfinished(record: JobRecord) -> None:
    """Raise InputError unless all of the rotor was read since it was last changed, and is inside."""
    look = look_at(record) if record.runs else None
    if look is None:
        found = "no run"
    elif look.stopped:
        found = "a reading at its stop limit"
    elif not look.inside:
        found = "a reading not inside its limit"
    elif not look.coverage.complete:
        found = f"not read: {look.coverage.what_was_not}"
    else:
        return
    raise InputError(record.book, found, f"all of job {record.name} read and inside, or a reason: --outcome TEXT")


@dataclass(frozen=True)
class Look:
    """What was read of a rotor since anything was last changed, whether it is inside, and which stops stand.

    A ground run and a flight with nothing done between them are one look at the rotor; of a regime
    run twice the last run counts.
    """

    coverage: Coverage
    inside: bool
    stops: tuple[StopReached, ...]
    left: tuple[
        str, ...
    ] = ()  # in words, what a run before the last read outside, short of a stop, and none read again

    @property
    def stopped(self) -> bool:
        """Whether a stop stands."""
        return bool(self.stops)


def look_at(record: JobRecord) -> Look:
    """Return what the runs since the last change tell of the rotor together; there is at least one run."""
    changed = [t for t, run in enumerate(record.runs) if record.done.get(run.entry) and t < len(record.runs) - 1]
    first = changed[-1] + 1 if changed else 0
    reviews = {t: check_run(record.rotor, record.readings[t]) for t in range(first, len(record.runs))}
    vibration = np.zeros(record.readings[0].vibration.shape, dtype=bool)
    height = np.zeros(len(vibration), dtype=bool)
    inside, left = True, []
    for r, regime in enumerate(record.rotor.regimes):
        taken = [t for t in reviews if _touched(record.readings[t], r)]
        if not taken:
            continue
        last = record.readings[taken[-1]]
        vibration[r], height[r] = last.vibration_read[r], last.height_read[r]
        outside = [x for x in reviews[taken[-1]].readings if x.regime == regime.name and (x.over or x.questioned)]
        inside &= not outside
        left += [
            f"{x.regime}, {x.what} {x.largest:.4g} {x.unit} in run {taken[-1] + 1} (limit {x.limit:g})"
            for x in outside
            if taken[-1] + 1 < len(record.runs) and not x.stopped
        ]
    stops = stops_on_record(record, len(record.runs))
    return Look(coverage_of(record.rotor, vibration, height), inside, stops, tuple(left))


def stops_on_record(record: JobRecord, runs: int) -> tuple[StopReached, ...]:
    """Return the readings at their stop limit that none of the first `runs` runs read again since, the last run first.

    What was done since does not take a stop away: nobody knows whether it cured what stopped the run until that is
    read again. Nor does another stop limit given later.
    """
    found: dict[tuple[str, str], StopReached] = {}
    for t in range(runs):
        now = check_run(record.rotor, record.readings[t]).readings
        for reading in (*stopped_when_entered(record, t), *now):
            place = reading.regime, reading.sensor
            if reading.stopped:
                found[place] = StopReached(t + 1, reading)
            elif not reading.partial and place in found and found[place].run <= t:
                del found[place]
    return tuple(sorted(found.values(), key=lambda stop: -stop.run))


def stops_beside(record: JobRecord, runs: int) -> tuple[str, ...]:
    """Return in words the stops that stand after the first `runs` runs and that the last of these does not show."""
    shown = check_run(record.rotor, record.readings[runs - 1]).readings
    return tuple(str(stop) for stop in stops_on_record(record, runs) if stop.reading not in shown)


def stopped_when_entered(record: JobRecord, t: int) -> list[Reading]:
    """Return the readings at a stop limit of the rotor as it was when a run was entered, if another."""
    run = record.runs[t]
    rotor = record.rotor_when(run)
    if rotor is record.rotor:
        return []
    review = check_run(rotor, run_of_rows(rotor, run.rows, record.place(run)))
    return [reading for reading in review.readings if reading.stopped]


def draft_review(record: JobRecord, draft: RunRecord) -> Review:
    """Return what was typed so far of a run against its limits; a phase still to come counts as any."""
    rows = [dict(row) for row in draft.rows]
    for row in rows:
        for sensor in record.rotor.sensors:
            if f"{sensor.name}.amp" in row:
                row.setdefault(f"{sensor.name}.deg", Cell("0"))
    return check_run(record.rotor, run_of_rows(record.rotor, rows, record.place(draft)))


def _touched(run: Run, r: int) -> bool:
    return bool(run.regime_read[r] or run.height_taken[r].any())


def _next(record: JobRecord, look: Look | None, on_hold: tuple[int, ...]) -> Step:
    if record.outcome is not None:
        return "closed"
    if record.draft is not None:
        return "finish"
    if look is None:
        return "run"
    if look.stopped:
        return "stop"
    if on_hold:
        return "explain"
    if record.runs[-1].entry in record.done:
        return "run"
    advice = record.latest_advice(record.runs[-1])
    if advice is not None and not advice.outdated and advice.items:
        return "done"
    if advice is not None and not advice.outdated and advice.verdict == "investigate":
        return "investigate"
    if advice is not None and not advice.outdated and advice.verdict == "learn":
        return "trial"
    if look.inside:
        return "close" if look.coverage.complete else "read"
    if advice is not None and not advice.outdated and advice.verdict == "inside":
        return "read"  # the last run is inside, and what was read before it is not
    return "advise"
