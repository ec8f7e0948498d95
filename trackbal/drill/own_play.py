"""trackbal plays a drill itself, knowing no more than a trainee: a ceiling to hold a class against.

What it does where its advice is no plan:

- "hold" or "investigate" where the class was told that nothing else is wrong: the run stands.
- The same where readings taken again scatter more than past jobs lead to expect: the scatter explains it.
- Readings that contradict each other: the run is flown again.
- Else it looks for a cause, one place after another, on the ground: a look needs no run. What it finds it flies.
- Nothing found anywhere: the run stands, and the plan of the best chance is made.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from trackbal.drill.levels import Level
from trackbal.drill.orders import Order
from trackbal.drill.past_jobs import influence_of_type
from trackbal.drill.play import Drill, Flight, begin, play
from trackbal.drill.scenario import draw
from trackbal.plan.advice import Advice, Plan
from trackbal.plan.job_advice import JobAdvice, advise_in_job
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run

_MOST_ORDERS = 200
SCATTERED = 3.0  # times the variance that past jobs lead to expect: readings scatter, and are taken more often
MOST_REPEATS = 4  # readings of one run, where they scatter
WELL_INSIDE = 0.7  # of its limit: where readings scatter, one below is not taken again


def play_out(drill: Drill) -> None:
    """Play a drill to its end by trackbal's own advice."""
    for _ in range(_MOST_ORDERS):
        if drill.state != "open":
            return
        for order in _next_orders(drill):
            play(drill, order)
            if drill.state != "open":
                return
    play(drill, Order("give up"))


def _next_orders(drill: Drill) -> list[Order]:
    if drill.found_after == len(drill.flights) and drill.orders[-1].adjuster is None:
        return [Order("fly")]  # a pick-up or damper was put right: the readings are old
    if drill.review.inside and drill.review.readings[0].ratio <= WELL_INSIDE:
        return [Order("release")]
    if _read_again(drill):
        return [Order("repeat")]
    if drill.review.inside:
        return [Order("release")]
    places = _left_to_look_at(drill)
    stands = not places or drill.found or scatters(drill) or not drill.scenario.level.snags
    advice = advised(drill, range(len(drill.flights)) if stands else ()).advice
    if advice.verdict in ("hold", "investigate") and not stands:
        return places[:1]
    plan = _plan(advice)
    if plan is not None and plan.change.any():
        made = np.argwhere(plan.change.T != 0.0)
        return [*(Order("adjust", int(a), int(b), float(plan.change[a, b])) for b, a in made), Order("fly")]
    if drill.flights[-1].repeats < MOST_REPEATS:
        return [Order("repeat")]
    if drill.review.unclear:
        return [Order("fly")]  # readings that contradict each other: another run tells more than another reading
    return places[:1] or [Order("give up")]


def _plan(advice: Advice) -> Plan | None:
    """Return the plan recommended; where none is, the fewest adjustments with the best chance in whole per cent."""
    if advice.verdict == "adjust" and advice.recommended is not None:
        return advice.plans[advice.recommended]
    return max(advice.plans, key=lambda plan: (round(plan.chance, 2), -plan.count), default=None)


def _read_again(drill: Drill) -> bool:
    """Return whether to read once more: where the class was told of wind, and readings taken twice scattered."""
    if "gusts" not in drill.scenario.level.snags:
        return False
    now = drill.flights[-1].repeats
    if len(drill.flights) == 1 and now == 1:
        return True
    return now < MOST_REPEATS and scatters(drill)


def scatters(drill: Drill) -> bool:
    """Return whether readings that were repeated scatter clearly more than those of past jobs did."""
    noise = influence_of_type(drill.scenario.level.kind).vibration_noise
    squares, expected = 0.0, 0.0
    for run in (flight.run for flight in drill.flights):
        more = run.vibration_count > 1
        squares += float((run.vibration_squares[more] / noise[more] ** 2).sum())
        expected += 2.0 * float((run.vibration_count[more] - 1).sum())  # two parts of a phasor
    return squares > SCATTERED * expected > 0.0


def _left_to_look_at(drill: Drill) -> list[Order]:
    """Return what was not inspected yet: what was adjusted last, the crew before's work, pick-ups, dampers, tabs."""
    rotor, earlier = drill.rotor, drill.scenario.earlier
    places = np.argwhere(drill.flights[-1].change != 0.0).tolist()
    places += [] if earlier is None else np.argwhere(earlier.recorded != 0.0).tolist()
    tabs = [(a, b) for a, one in enumerate(rotor.adjusters) if one.kind == "tab" for b in range(len(rotor.blades))]
    suspects = [_adjuster_order(rotor, a, b) for a, b in places]
    suspects += [Order("inspect", what=f"pick-up {s.name}") for s in rotor.sensors]
    suspects += [Order("inspect", blade=b, what="damper") for b in range(len(rotor.blades))]
    suspects += [_adjuster_order(rotor, a, b) for a, b in tabs]
    return [one for one in dict.fromkeys(suspects) if one not in drill.orders]


def _adjuster_order(rotor: Rotor, a: int, b: int) -> Order:
    return Order("inspect", a, b, what=rotor.adjusters[a].name)


def runs_of(drill: Drill) -> tuple[list[Run], Reals]:
    """Return the runs since the last finding that changed what readings mean, and the sums of changes before each."""
    flights = _since_a_finding(drill)
    runs = [flight.run for flight in flights]
    change = np.cumsum([np.zeros_like(drill.setting)] + [flight.change for flight in flights[1:]], axis=0)
    return runs, change


def _since_a_finding(drill: Drill) -> list[Flight]:
    """Return the runs flown since; the last one where none was."""
    return drill.flights[drill.found_after or 0 :] or drill.flights[-1:]


def advised(drill: Drill, checked: Collection[int] = ()) -> JobAdvice:
    """Return trackbal's advice on a drill as it stands, from its runs and the type's influence.

    Parameters
    ----------
    checked : collection of int
        Runs, by their index among all, that were looked into and stand even if they are not as expected.
    """
    runs, change = runs_of(drill)
    before = len(drill.flights) - len(runs)
    return advise_in_job(
        drill.rotor,
        runs,
        change,
        influence_of_type(drill.scenario.level.kind),
        drill.setting,
        checked=[t - before for t in checked],
        override_stop=True,
    )


def score(level: Level, seeds: range) -> dict[str, float | int]:
    """Return how trackbal itself fares on drills of a level: how many it wins, and means over all of them."""
    drills = []
    for seed in seeds:
        drill = begin(draw(level, seed))
        play_out(drill)
        drills.append(drill)
    return {
        "level": level.number,
        "drills": len(drills),
        "won": sum(drill.state == "won" for drill in drills),
        "runs": float(np.mean([len(drill.flights) for drill in drills])),
        "adjustments": float(np.mean([drill.adjustments for drill in drills])),
        "minutes": float(np.mean([drill.minutes for drill in drills])),
    }
