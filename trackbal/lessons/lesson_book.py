"""A closed job of a logbook as a lesson: it says what log advise and log show say of the same runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.surprise import surprises
from trackbal.base.errors import InputError, State
from trackbal.lessons.lesson import Lesson, visit_of
from trackbal.logbook.earlier import earlier_jobs
from trackbal.logbook.records import find_job, influence_if_any, load_job
from trackbal.logbook.standing import stops_beside
from trackbal.logbook.store import Book
from trackbal.plan.job_advice import advise_in_job
from trackbal.trials.textbook import textbook_influence


def lesson_of_job(book: Book, name: str, *, most: int | None = None, chance: float = 0.9) -> Lesson:
    """Return the lesson of a closed job, by what its logbook has now.

    Raises
    ------
    InputError
        If there is no such job, it is still open, or it has no run.
    """
    record = load_job(book, find_job(book, name))
    if record.outcome is None:
        raise InputError(book.file, State(f"job {name} still open"), "a closed job")
    if not record.runs:
        raise InputError(book.file, State(f"job {name} without a run"), "a job with runs")
    rotor, readings, change = record.rotor, record.readings, record.change
    influence = influence_if_any(book, rotor) or textbook_influence(rotor)
    earlier = earlier_jobs(book, record, influence)
    judged = surprises(rotor, JobArrays.of(readings, change), influence, earlier)
    planned = replace(rotor, preferences=rotor.preferences.with_those_of(record.preferences))
    visits = []
    for k, run in enumerate(record.runs):
        found = advise_in_job(
            planned,
            readings[: k + 1],
            change[: k + 1],
            influence,
            record.setting(run.number),
            earlier=earlier,
            checked=tuple(t for t in record.checked if t <= k),
            most=most,
            chance=chance,
            stops=stops_beside(record, k + 1),
        )
        items = record.done.get(run.entry)
        done = None if items is None and k + 1 == len(record.runs) else record.amounts(items or {})
        unseen = () if k == 0 else np.flatnonzero(readings[k].regime_read & ~readings[k - 1].regime_read).tolist()
        visit = visit_of(rotor, k + 1, readings[k], found, judged[k], tuple(unseen), done)
        visits.append(replace(visit, unsaid=items is None and done is not None))
    return Lesson(rotor, influence, tuple(visits))
