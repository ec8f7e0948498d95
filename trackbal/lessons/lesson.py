"""A job walked through run by run, as a trainer would: what was read, advised, done, and came of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.learning import own_of
from trackbal.aircraft.posterior import JobRuns
from trackbal.aircraft.surprise import Surprise, surprises
from trackbal.base.errors import InputError
from trackbal.check.review import Reading, check_run
from trackbal.fitting.fit import Fit, fit
from trackbal.influence.coefficients import Influence
from trackbal.lessons.demo_folder import Demo
from trackbal.plan.advice import Advice, Plan, advise
from trackbal.plan.forecast import forecast
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
    advice : Advice
        What trackbal says after this run alone, from the type's coefficients.
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
    """

    number: int
    run: Run
    advice: Advice
    left_out: tuple[LeftOut, ...]
    surprise: Surprise | None
    unseen: tuple[int, ...]
    done: Reals | None
    then: Reading | None

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
    done = [np.zeros_like(demo.settings[0]), *demo.changes[: len(demo.runs) - 1]]
    seen = surprises(demo.rotor, JobArrays.of(demo.runs, np.cumsum(done, axis=0)), found.influence)
    visits = tuple(_visit(demo, k, found.influence, seen[k], most, chance) for k in range(len(demo.runs)))
    return Lesson(demo.rotor, found.influence, visits, found)


def _visit(demo: Demo, k: int, influence: Influence, seen: Surprise | None, most: int | None, chance: float) -> Visit:
    rotor, run = demo.rotor, demo.runs[k]
    if check_run(rotor, run).inside:
        most = 0  # nothing will be advised, so no larger plan is searched for
    advice = advise(rotor, run, influence, demo.settings[k], most=most, chance=chance)
    unseen: tuple[int, ...] = ()
    if k > 0:
        unseen = tuple(int(r) for r in np.flatnonzero(run.regime_read & ~demo.runs[k - 1].regime_read))
    done = demo.changes[k] if k < len(demo.changes) else None
    return visit_of(rotor, k + 1, run, advice, influence, seen, unseen, done)


def visit_of(
    rotor: Rotor,
    number: int,
    run: Run,
    advice: Advice,
    influence: Influence,
    seen: Surprise | None,
    unseen: tuple[int, ...],
    done: Reals | None,
) -> Visit:
    """Return a visit, with what its plan without each adjustment, and what was done, lead to expect."""
    then = None if done is None else worst_after(rotor, run, influence, done)
    visit = Visit(number, run, advice, (), seen, unseen, done, then)
    plan = visit.plan
    return visit if plan is None else replace(visit, left_out=_each_left_out(rotor, run, influence, plan))


def _each_left_out(rotor: Rotor, run: Run, influence: Influence, plan: Plan) -> tuple[LeftOut, ...]:
    found = []
    for b, a in np.argwhere(plan.change.T != 0.0):
        rest = plan.change.copy()
        rest[a, b] = 0.0
        worst = worst_after(rotor, run, influence, rest)
        found.append(LeftOut(int(a), int(b), float(plan.change[a, b]), worst))
    return tuple(found)


def worst_after(rotor: Rotor, run: Run, influence: Influence, change: Reals) -> Reading:
    """Return the worst of the likely readings after a change."""
    own = own_of(rotor, [JobRuns([run], np.zeros((1, *change.shape)))], influence)
    told = forecast(rotor, run, influence, change, own)
    reach = told.spread / np.maximum(np.ptp(told.height, axis=1), 1e-300)  # tips of the likely spread
    likely = replace(
        run,
        vibration=told.amplitude * np.exp(1j * np.angle(told.vibration)),
        height=told.height * reach[:, None],
        entered=None,
    )
    return check_run(rotor, likely).readings[0]
