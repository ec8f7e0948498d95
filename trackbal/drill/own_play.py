"""trackbal plays a drill itself, knowing no more than a trainee: a ceiling to hold a class against."""

from __future__ import annotations

import numpy as np

from trackbal.drill.levels import Level
from trackbal.drill.orders import Order
from trackbal.drill.past_jobs import influence_of_type
from trackbal.drill.play import Drill, Flight, begin, play
from trackbal.drill.scenario import draw
from trackbal.plan.advice import Plan
from trackbal.plan.job_advice import JobAdvice, advise_in_job
from trackbal.runs.run import Reals, Run

_MOST_ORDERS = 200
SCATTERED = 3.0  # times the variance that past jobs lead to expect: readings scatter, and are taken more often
MOST_REPEATS = 4  # readings of one run, where they scatter


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
    if _read_again(drill):
        return [Order("repeat")]
    if drill.review.inside:
        return [Order("release")]
    asked = sum(1 for order in drill.orders if order.deed == "inspect")
    suspects = _suspects(drill)
    advice = advised(drill).advice
    doubtful = advice.verdict not in ("adjust", "inside")
    if doubtful and asked < len(suspects):
        return [suspects[asked], Order("fly")]
    plan = _plan(drill)
    if plan is None or not plan.change.any():
        return [suspects[asked], Order("fly")] if asked < len(suspects) else [Order("give up")]
    orders = [Order("adjust", int(a), int(b), float(plan.change[a, b])) for b, a in np.argwhere(plan.change.T != 0.0)]
    return [*orders, Order("fly")]


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


def _suspects(drill: Drill) -> list[Order]:
    """Return what to inspect, in this order: pick-ups, dampers, what the crew before changed, tabs."""
    rotor, earlier = drill.rotor, drill.scenario.earlier
    found = [Order("inspect", what=f"pick-up {s.name}") for s in rotor.sensors]
    found += [Order("inspect", blade=b, what="damper") for b in range(len(rotor.blades))]
    places = [] if earlier is None else np.argwhere(earlier.recorded != 0.0).tolist()
    found = [Order("inspect", a, b, what=rotor.adjusters[a].name) for a, b in places] + found
    tabs = [a for a, adjuster in enumerate(rotor.adjusters) if adjuster.kind == "tab"]
    return found + [
        Order("inspect", a, b, what=rotor.adjusters[a].name) for a in tabs for b in range(len(rotor.blades))
    ]


def runs_of(drill: Drill) -> tuple[list[Run], Reals]:
    """Return the runs since the last finding that changed what readings mean, and the sums of changes before each."""
    flights = _since_a_finding(drill)
    runs = [flight.run for flight in flights]
    change = np.cumsum([np.zeros_like(drill.setting)] + [flight.change for flight in flights[1:]], axis=0)
    return runs, change


def _since_a_finding(drill: Drill) -> list[Flight]:
    return drill.flights if not drill.found else drill.flights[-1:]


def advised(drill: Drill) -> JobAdvice:
    """Return trackbal's advice on a drill as it stands, from its runs and the type's influence."""
    runs, change = runs_of(drill)
    influence = influence_of_type(drill.scenario.level.kind)
    return advise_in_job(drill.rotor, runs, change, influence, drill.setting, override_stop=True)


def _plan(drill: Drill) -> Plan | None:
    advice = advised(drill).advice
    if advice.recommended is not None:
        return advice.plans[advice.recommended]
    return max(advice.plans, key=lambda plan: plan.chance, default=None)


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
