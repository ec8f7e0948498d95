"""The earlier jobs of an aircraft that tell how it answers, from its logbook."""

from __future__ import annotations

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.own_jobs import MOST_JOBS
from trackbal.aircraft.surprise import surprises
from trackbal.influence.coefficients import Influence
from trackbal.logbook.records import JobRecord, load_job
from trackbal.logbook.store import Book
from trackbal.plan.job_advice import open_holds


def earlier_jobs(book: Book, record: JobRecord, influence: Influence | None) -> tuple[JobRuns, ...]:
    """Return the earlier jobs of the aircraft of a job on the same rotor, oldest first.

    Left out is what was before work on head, airframe or pick-ups that the start of a job tells of, and what was
    before a mechanical cause was found and put right, with the job in which it was: the aircraft may answer
    otherwise since. So is a job with a surprising run of which nobody said why. A job tells something from its
    second run on.
    """
    if influence is None:
        return ()
    rows = book.all(
        "SELECT job.entry, (SELECT count(*) FROM reworked WHERE reworked.job = job.entry), "
        "(SELECT count(*) FROM finding WHERE finding.job = job.entry) "
        "FROM job WHERE aircraft = ? AND rotor = ? AND entry <= ? ORDER BY entry DESC",
        (record.aircraft, record.rotor.name, record.entry),
    )
    chosen: list[JobRuns] = []
    for entry, reworked, finding in rows:
        if entry != record.entry:
            if finding:
                break
            before = load_job(book, entry)
            if len(before.readings) > 1 and not _on_hold(before, influence):
                chosen.append(JobRuns(before.readings, before.change))
        if reworked or len(chosen) == MOST_JOBS:
            break
    return tuple(reversed(chosen))


def _on_hold(record: JobRecord, influence: Influence) -> bool:
    judged = surprises(record.rotor, JobArrays.of(record.readings, record.change), influence)
    return bool(open_holds(judged, record.checked))
