"""Advice within a job: what this aircraft's own runs have taught goes into the next plan.

The verdict is always that of the readings as taken: the best estimate of the state takes
their place only where it would not turn "inside" or "stop" about.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.learning import learn
from trackbal.aircraft.surprise import Surprise, surprise
from trackbal.check.review import check_run
from trackbal.influence.coefficients import Influence
from trackbal.plan.advice import Advice, advise
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run


@dataclass(frozen=True)
class JobAdvice:
    """Advice after the last run of a job.

    Parameters
    ----------
    advice : Advice
    run : Run
        The readings it is about: as taken, or the best estimate from all runs.
    influence : Influence
        Of this aircraft, if learned; else of the type.
    learned : bool
        Whether earlier runs of the job went into it.
    surprise : Surprise or None
        Of the last run; None for a first run.
    """

    advice: Advice
    run: Run
    influence: Influence
    learned: bool
    surprise: Surprise | None


def advise_in_job(
    rotor: Rotor,
    runs: Sequence[Run],
    change: Reals,
    influence: Influence,
    setting: Reals,
    *,
    type_only: bool = False,
    most: int | None = None,
    chance: float = 0.9,
    nominal: bool = False,
    override_stop: bool = False,
    stop_on_record: bool = False,
) -> JobAdvice:
    """Return advice on the last run of a job, with what its runs tell of this aircraft.

    After a first run it is that of `advise`: a single run moves the influence too little to
    save rounds, and makes the chances too bold (docs/closed_loop.md).

    Parameters
    ----------
    runs, change : as in `learn`
    influence : Influence
        Of the type.
    setting : ndarray, shape (A, B)
        What is installed now.
    type_only : bool
        Leave the earlier runs aside.
    most, chance, nominal, override_stop, stop_on_record : as in `advise`

    Notes
    -----
    After a surprising run nothing is learned: if the record is wrong, so is what it
    teaches. Nor does what departures share overrule an "investigate" that the type's influence
    says: it takes much of a mechanical fault for another influence (docs/closed_loop.md).
    """
    seen = surprise(rotor, JobArrays.of(runs, change), influence)
    last, own, learned = runs[-1], influence, False
    shared = None
    if len(runs) > 1 and not type_only and not (seen is not None and seen.surprising):
        found = learn(rotor, runs, change, influence)
        own, learned, shared = found.influence, True, found.own
        measured, estimated = check_run(rotor, last), check_run(rotor, found.run)
        if (measured.inside, measured.stop) == (estimated.inside, estimated.stop) == (False, False):
            last = found.run
    ask = partial(
        advise,
        rotor,
        setting=setting,
        most=most,
        chance=chance,
        nominal=nominal,
        override_stop=override_stop,
        stop_on_record=stop_on_record,
    )
    advice = ask(last, own, own=shared)
    by_type = ask(runs[-1], influence) if shared is not None else advice
    explained_away = shared is not None and by_type.verdict == "investigate"
    if explained_away:
        advice, last, own, learned = by_type, runs[-1], influence, False
    said = []
    if seen is not None and seen.surprising:
        said.append(
            "The last run is not what its adjustments lead to expect. Find out why before adjusting again; "
            "this plan rests on the last readings and the type's influence alone."
        )
    if explained_away:
        said.append(
            "By the type's influence no adjustment cures this. What the earlier runs of the job taught would "
            "explain it away, as a mechanical fault can look like another influence; it is left aside."
        )
    if learned:
        said.append(f"Influence as this aircraft showed it in the {len(runs)} runs of this job.")
    if last is not runs[-1]:
        said.append(
            '"Now" is the best estimate from all runs of the job; it differs from the last readings by their noise.'
        )
    advice = replace(advice, cautions=(*said, *advice.cautions))
    return JobAdvice(advice, last, own, learned, seen)
