"""A job walked through run by run, as a trainer would: what was read, advised, done, and came of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.learning import posterior_of
from trackbal.aircraft.surprise import Surprise, surprise
from trackbal.base.errors import InputError
from trackbal.check.review import Reading, Review, check_run
from trackbal.fitting.fit import Fit, fit
from trackbal.influence.coefficients import Influence
from trackbal.lessons.demo_folder import Demo
from trackbal.plan.advice import Advice, Plan
from trackbal.plan.forecast import forecast
from trackbal.plan.job_advice import JobAdvice, advise_in_job
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run


@dataclass(frozen=True)
class LeftOut:
    """A plan without one of its adjustments: the worst reading then expected."""

    adjuster: int
    blade: int
    amount: float
    worst: Reading


@dataclass(frozen=True)
class Visit:
    """One run and what followed it.

    Parameters
    ----------
    number : int
        1 for the first run.
    run : Run
    review : Review
        The readings as taken.
    found : JobAdvice
        What trackbal says after it, with what the runs of the job before it taught: that of `log advise`.
    left_out : tuple of LeftOut
        The recommended plan without each of its adjustments; empty if there is none.
    surprise : Surprise or None
        Against what the runs before it lead to expect; None for the first run.
    unseen : tuple of int
        Regimes read this time that the run before did not read.
    done : ndarray, shape (A, B), or None
        What the crew did next, in the adjusters' units; None if nothing is written down.
    then : Reading or None
        The worst reading expected from what was done; None if nothing is written down.
    anew : bool
        Whether a job begins with it: a cause was looked for after the run before, nothing was adjusted, and the
        readings are no longer those.
    unsaid : bool
        Nobody has said what was done; it is taken that nothing was.
    """

    number: int
    run: Run
    review: Review
    found: JobAdvice
    left_out: tuple[LeftOut, ...]
    surprise: Surprise | None
    unseen: tuple[int, ...]
    done: Reals | None
    then: Reading | None
    anew: bool = False
    unsaid: bool = False

    @property
    def advice(self) -> Advice:
        """The advice itself."""
        return self.found.advice

    @property
    def plan(self) -> Plan | None:
        """The plan to work from; None where nothing is to be adjusted or nothing is offered."""
        return self.advice.offered


@dataclass(frozen=True)
class Lesson:
    """A whole job: the rotor, what past jobs tell of its type, and the visits in order.

    `fit` is None where only its `influence` is at hand.
    """

    rotor: Rotor
    influence: Influence
    visits: tuple[Visit, ...]
    fit: Fit | None = None


def prepare_lesson(demo: Demo, *, most: int | None = None, chance: float = 0.9) -> Lesson:
    """Return the lesson of a demo folder.

    Parameters
    ----------
    demo : Demo
    most : int, optional
        Largest count of adjustments in a plan; as in `advise`.
    chance : float
        Wanted chance that the next run is inside limits.

    Raises
    ------
    InputError
        If a run has no reading that counts.
    """
    for run in demo.runs:
        if not run.regime_read.any():
            raise InputError(
                run.source, "no complete reading", "a vibration reading, or the height of every tip, in a regime"
            )
    found = fit(demo.rotor, demo.history)
    return Lesson(demo.rotor, found.influence, _visits(demo, found.influence, most, chance), found)


def _visits(demo: Demo, influence: Influence, most: int | None, chance: float) -> tuple[Visit, ...]:
    rotor = demo.rotor
    change = np.cumsum([np.zeros_like(demo.settings[0]), *demo.changes[: len(demo.runs) - 1]], axis=0)
    visits: list[Visit] = []
    begin = 0
    for k, run in enumerate(demo.runs):
        of_job = slice(begin, k + 1)
        judged = surprise(rotor, JobArrays.of(demo.runs[of_job], change[of_job] - change[begin]), influence)
        anew = bool(judged is not None and judged.surprising and _cause_looked_for(visits[-1]))
        begin = k if anew else begin
        of_job = slice(begin, k + 1)
        advice = advise_in_job(
            rotor,
            demo.runs[of_job],
            change[of_job] - change[begin],
            influence,
            demo.settings[k],
            checked=range(k - begin),  # the crew of the job went on
            most=0 if check_run(rotor, run).inside else most,  # inside, no larger plan is searched for
            chance=chance,
        )
        unseen = () if k == 0 else np.flatnonzero(run.regime_read & ~demo.runs[k - 1].regime_read).tolist()
        done = demo.changes[k] if k < len(demo.changes) else None
        now = advice.surprise if advice.surprise is not None else judged
        visits.append(replace(visit_of(rotor, k + 1, run, advice, now, tuple(unseen), done), anew=anew))
    return tuple(visits)


def _cause_looked_for(visit: Visit) -> bool:
    """Return whether the crew looked for a cause, as advised, and adjusted nothing."""
    return visit.advice.verdict == "investigate" and visit.done is not None and not visit.done.any()


def visit_of(
    rotor: Rotor,
    number: int,
    run: Run,
    found: JobAdvice,
    judged: Surprise | None,
    unseen: tuple[int, ...],
    done: Reals | None,
) -> Visit:
    """Return a visit, with what its plan without each adjustment, and what was done, lead to expect."""
    then = None if done is None else worst_after(rotor, found, done)
    review = check_run(rotor, run)
    visit = Visit(number, run, review, found, (), judged, unseen, done, then)
    plan = visit.plan
    return visit if plan is None else replace(visit, left_out=_each_left_out(rotor, found, plan))


def _each_left_out(rotor: Rotor, found: JobAdvice, plan: Plan) -> tuple[LeftOut, ...]:
    without = []
    for b, a in np.argwhere(plan.change.T != 0.0):
        rest = plan.change.copy()
        rest[a, b] = 0.0
        worst = worst_after(rotor, found, rest)
        without.append(LeftOut(int(a), int(b), float(plan.change[a, b]), worst))
    return tuple(without)


def worst_after(rotor: Rotor, found: JobAdvice, change: Reals) -> Reading:
    """Return the worst of the likely readings after a change, by what the advice rests on."""
    run, influence, posterior = found.run, found.influence, found.posterior
    if posterior is None:
        posterior = posterior_of(rotor, [JobRuns([run], np.zeros((1, *change.shape)))], influence)
    expected = forecast(rotor, run, influence, change, posterior)
    reach = expected.spread / np.maximum(np.ptp(expected.height, axis=1), 1e-300)  # tips of the likely spread
    likely = replace(
        run,
        vibration=expected.amplitude * np.exp(1j * np.angle(expected.vibration)),
        height=expected.height * reach[:, None],
        entered=None,
    )
    return check_run(rotor, likely).readings[0]
