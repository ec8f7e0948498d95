"""Advice within a job: what this aircraft's own runs have taught goes into the next plan.

The verdict is always that of the readings as taken: the best estimate of the state takes
their place only where it would not turn "inside" or "stop" about. After a run that is not as
expected there is none to work from until a person has said why: the verdict is "hold".
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.learning import learn, posterior_of
from trackbal.aircraft.posterior import OwnAircraft
from trackbal.aircraft.surprise import Surprise, surprises
from trackbal.base import cautions
from trackbal.check.review import check_run, held_at
from trackbal.influence.coefficients import Influence
from trackbal.plan.advice import Advice, advise, stop_cautions
from trackbal.plan.beyond import less_sure
from trackbal.plan.forecast import Forecast, forecast
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
        Whether earlier runs, of this job or of earlier ones, went into it.
    surprise : Surprise or None
        Of the last run; None for a first run.
    on_hold : tuple of int
        Surprising runs, by index, of which nobody has said why: then the verdict is "hold", or "stop".
    posterior : OwnAircraft or None
        What chances and likely readings rest on, if learned; None: `run` alone.
    """

    advice: Advice
    run: Run
    influence: Influence
    learned: bool
    surprise: Surprise | None
    on_hold: tuple[int, ...] = ()
    posterior: OwnAircraft | None = None


def advise_in_job(
    rotor: Rotor,
    runs: Sequence[Run],
    change: Reals,
    influence: Influence,
    setting: Reals,
    *,
    earlier: Sequence[JobRuns] = (),
    checked: Collection[int] = (),
    type_only: bool = False,
    most: int | None = None,
    chance: float = 0.9,
    nominal: bool = False,
    override_stop: bool = False,
    stops: Sequence[str] = (),
) -> JobAdvice:
    """Return advice on the last run of a job, with what its runs tell of this aircraft.

    After a first run, of an aircraft without earlier jobs, it is that of `advise`: plans are then best by the
    type's influence, as a single run moves it too little to save rounds (docs/closed_loop.md).

    Parameters
    ----------
    runs, change : as in `learn`
    influence : Influence
        Of the type.
    setting : ndarray, shape (A, B)
        What is installed now.
    earlier : sequence of JobRuns
        Earlier jobs of the same aircraft.
    checked : collection of int
        Runs, by index, that a person has looked into: if one is surprising, it stands all the same.
    type_only : bool
        Leave the earlier runs aside.
    most, chance, nominal, override_stop, stops : as in `advise`

    Notes
    -----
    What rests on a surprising run that stands begins with it, unless later runs agree with those before it
    (surprise.py). What departures share does not overrule an "investigate" that the type's influence says: it
    takes much of a mechanical fault for another influence (docs/closed_loop.md).
    """
    job = JobArrays.of(runs, change)
    past = () if type_only else tuple(earlier)
    judged = surprises(rotor, job, influence, past)
    ask = partial(
        advise,
        rotor,
        setting=setting,
        most=most,
        chance=chance,
        nominal=nominal,
        override_stop=override_stop,
        stops=stops,
    )
    on_hold = open_holds(judged, checked)
    if on_hold:
        held = _held(rotor, runs[-1], influence, setting, chance, on_hold, () if override_stop else tuple(stops))
        return JobAdvice(held, runs[-1], influence, False, judged[-1], on_hold)
    known = _known(rotor, runs, change, influence, () if type_only else _rests_on(judged), past)
    if not known.learned:
        return JobAdvice(ask(runs[-1], influence), runs[-1], influence, False, judged[-1])
    advice = ask(known.run, known.influence, posterior=known.posterior)
    if advice.verdict == "stop":  # what was learned is no matter then
        return JobAdvice(advice, known.run, known.influence, True, judged[-1], posterior=known.posterior)
    if known.posterior is not None:
        by_type = ask(runs[-1], influence)
        if by_type.verdict == "investigate":
            said = cautions.by_gravity((_EXPLAINED_AWAY, *by_type.cautions))
            return JobAdvice(replace(by_type, cautions=said), runs[-1], influence, False, judged[-1])
    said = (_learned_from(known.runs, len(past)), *_unlike_type(rotor, influence, known.influence))
    said += _never_moved(rotor, influence, known.influence, change)
    if known.run is not runs[-1]:
        said = (*said, _ESTIMATED)
    advice = replace(advice, cautions=cautions.by_gravity((*map(cautions.Aside, said), *advice.cautions)))
    return JobAdvice(advice, known.run, known.influence, True, judged[-1], posterior=known.posterior)


def likely_next(
    rotor: Rotor,
    runs: Sequence[Run],
    change: Reals,
    influence: Influence,
    made: Reals,
    judged: Sequence[Surprise | None],
    earlier: Sequence[JobRuns] = (),
) -> Forecast | None:
    """Return what the next run of a job is likely to read after an adjustment: what `advise_in_job` says of a plan.

    None where an adjuster is moved whose influence on a reading taken is not known.

    Parameters
    ----------
    runs, change, influence, earlier : as in `advise_in_job`
    made : ndarray, shape (A, B)
        The adjustment, in the adjusters' units.
    judged : sequence of Surprise or None
        Of each run (surprises).
    """
    last, moved = runs[-1], made.any(axis=1)
    if (influence.unknown_vibration[moved] & last.vibration_read).any():
        return None
    if (influence.unknown_height[moved] & last.height_read).any():
        return None
    known = _known(rotor, runs, change, influence, _rests_on(judged), earlier)
    posterior = known.posterior
    if posterior is None:
        posterior = posterior_of(rotor, [JobRuns([known.run], np.zeros((1, *made.shape)))], known.influence)
    unsure = less_sure(rotor, known.influence, made) if posterior is None else known.influence
    return forecast(rotor, known.run, unsure, made, posterior)


def influence_known(
    rotor: Rotor,
    runs: Sequence[Run],
    change: Reals,
    influence: Influence,
    judged: Sequence[Surprise | None],
    earlier: Sequence[JobRuns] = (),
) -> Influence:
    """Return the influence that `advise_in_job` goes by after the last run; parameters as in `likely_next`."""
    return _known(rotor, runs, change, influence, _rests_on(judged), earlier).influence


@dataclass(frozen=True)
class _Known:
    """What the next plan of a job rests on: readings, influence, posterior; how many runs; whether any but the last."""

    run: Run
    influence: Influence
    posterior: OwnAircraft | None
    runs: int
    learned: bool


def _known(
    rotor: Rotor,
    runs: Sequence[Run],
    change: Reals,
    influence: Influence,
    rests_on: tuple[int, ...],
    earlier: Sequence[JobRuns],
) -> _Known:
    kept = [*rests_on, len(runs) - 1]
    if len(kept) == 1 and not earlier:
        return _Known(runs[-1], influence, None, 1, False)
    found = learn(rotor, [runs[t] for t in kept], change[kept] - change[kept[0]], influence, earlier)
    last = runs[-1] if len(kept) == 1 else _present(rotor, runs[-1], found.run)
    plan_by = found.influence
    if len(kept) == 1:  # its own earlier jobs, without this run: a single one would move the influence too little
        before = posterior_of(rotor, earlier, influence)
        plan_by = found.influence if before is None else before.influence()
    return _Known(last, plan_by, found.posterior, len(kept), True)


def _never_moved(rotor: Rotor, influence: Influence, influence_now: Influence, change: Reals) -> tuple[str, ...]:
    """Return which adjusters the runs have told of although they were never moved: by what acts alike (alike.py)."""
    shown = (influence.unknown_vibration & ~influence_now.unknown_vibration).any(axis=(1, 2))
    names = [rotor.adjusters[a].name for a in np.flatnonzero(shown & ~change.any(axis=(0, 2))).tolist()]
    if not names:
        return ()
    return (f"{' and '.join(names)} never moved: what it does is taken from the other weight, by their hub forces.",)


_UNLIKE_TYPE = 2.0  # standard deviations of the spread between aircraft: beyond, an aircraft is said to differ
_LEAST_UNLIKE = 0.1
_EXPLAINED_AWAY = (
    "By the type's influence no adjustment cures this. What the earlier runs taught would explain it away, as a "
    "mechanical fault can look like another influence; it is left aside."
)
_ESTIMATED = '"Now" is the best estimate from all runs of the job; it differs from the last readings by their noise.'


def _unlike_type(rotor: Rotor, influence: Influence, of_aircraft: Influence) -> tuple[str, ...]:
    """Return which adjusters answer on this aircraft otherwise than its type's spread lets expect, and how much."""
    lines = []
    for a, adjuster in enumerate(rotor.adjusters):
        known = ~influence.unknown_vibration[a] & (np.abs(influence.alpha[a]) > 0.0)
        size = np.sum(np.abs(influence.alpha[a][known]) ** 2)
        if not size > 0.0:
            continue
        ratio = float(np.sum((of_aircraft.alpha[a] * influence.alpha[a].conj())[known]).real / size)
        cov = influence.vibration_cov[..., 2 * a, 2 * a] + influence.vibration_cov[..., 2 * a + 1, 2 * a + 1]
        spread = float(np.sqrt(np.sum(cov[known]) / size / 2.0))
        if abs(ratio - 1.0) > max(_UNLIKE_TYPE * spread, _LEAST_UNLIKE):
            lines.append(f"{adjuster.name} {ratio:.2f} times")
    if not lines:
        return ()
    return (f"This aircraft's own record differs from its type: vibration answers {', '.join(lines)} as much.",)


def open_holds(judged: Sequence[Surprise | None], checked: Collection[int]) -> tuple[int, ...]:
    """Return the surprising runs, by index, of which nobody has said that record and readings were checked."""
    return tuple(t for t, one in enumerate(judged) if one is not None and one.surprising and t not in checked)


def _rests_on(judged: Sequence[Surprise | None]) -> tuple[int, ...]:
    """Return the runs before the last, by index, that go with it."""
    last = judged[-1]
    return () if last is None or last.surprising else last.rests_on


def _held(
    rotor: Rotor,
    run: Run,
    influence: Influence,
    setting: Reals,
    chance: float,
    on_hold: tuple[int, ...],
    stops: tuple[str, ...],
) -> Advice:
    """Return advice without plans: stop where a stop limit was reached, else hold."""
    review = check_run(rotor, run, influence)
    runs = " and ".join(str(t + 1) for t in on_hold)
    said = (
        f"Run {runs}: not what the adjustments lead to expect, and nobody has said why. No plan is offered until the "
        "record is put right, a mechanical cause is found, or a person signs that record and readings were checked.",
        *cautions.no_further(held_at(rotor, review)),
        *cautions.mechanical_causes(rotor.place),
        *cautions.general_cautions(),
    )
    if review.stop or stops:
        said = (*stop_cautions(rotor, influence, review, stops), said[0])
        return Advice("stop", None, (), setting, (), said, review, chance, stops=stops)
    return Advice("hold", None, (), setting, (), said, review, chance)


def _present(rotor: Rotor, measured: Run, estimated: Run) -> Run:
    """Return the best estimate of the state, or the readings as taken where it would turn a verdict about."""
    reviews = [check_run(rotor, run) for run in (measured, estimated)]
    if all((review.inside, review.stop) == (False, False) for review in reviews):
        return estimated
    return measured


def _learned_from(runs: int, jobs: int) -> str:
    before = f" and in {jobs} earlier job{'s' if jobs > 1 else ''}" if jobs else ""
    return f"Influence as this aircraft showed it in {runs} run{'s' if runs > 1 else ''} of this job{before}."
