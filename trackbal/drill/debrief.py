"""A drill looked at afterwards: what each step did, where it left the best path, what was hidden."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.check.review import check_run
from trackbal.drill.orders import Order
from trackbal.drill.own_play import advised
from trackbal.drill.play import Drill, begin, play
from trackbal.plan.advice import Plan
from trackbal.plan.chance import chances
from trackbal.runs.rotor import HEIGHT
from trackbal.runs.run import Reals

CLEARLY = 0.1  # of chance: a decision this much below the plan's has left the best path


@dataclass(frozen=True)
class Decision:
    """What was decided after one run, beside what the proven plan would have used.

    Parameters
    ----------
    run : int
        1 for the first run.
    change : ndarray, shape (A, B)
        What the trainee did, in the adjusters' units.
    verdict : str
        trackbal's on the same readings.
    plan : Plan or None
        What it would have done; None where it offers nothing.
    chance : float
        Of the trainee's change, by the same model as the plan's.
    before, after : float
        The worst reading as a part of its limit, before and after.
    """

    run: int
    change: Reals
    verdict: str
    plan: Plan | None
    chance: float
    before: float
    after: float

    @property
    def left_the_path(self) -> bool:
        """Whether something clearly better was to be had, or adjusting was not the thing to do."""
        if self.verdict in ("investigate", "hold", "stop"):
            return True
        if self.plan is None:
            return False
        count = int(np.count_nonzero(self.change))
        worse = self.chance < self.plan.chance - CLEARLY
        return worse or (count > self.plan.count + 1 and self.chance < self.plan.chance + CLEARLY)


@dataclass(frozen=True)
class Debrief:
    """What is said after a drill: `decisions` in order; `by_trackbal` is the same drill as trackbal plays it."""

    drill: Drill
    decisions: tuple[Decision, ...]
    by_trackbal: Drill

    @property
    def left_at(self) -> int | None:
        """The run after which the trainee first left the best path, or asked for release in vain; None if never."""
        off_path = [d.run for d in self.decisions if d.left_the_path]
        return min([*off_path, *([self.drill.refused_after] if self.drill.refused_after else [])], default=None)


def debrief(drill: Drill, by_trackbal: Drill) -> Debrief:
    """Return what there is to say of a drill; `by_trackbal` is the same scenario played out by trackbal."""
    return Debrief(drill, decisions(drill), by_trackbal)


def decisions(drill: Drill) -> tuple[Decision, ...]:
    """Return every decision that changed something, in order, by playing the drill once more."""
    again = begin(drill.scenario)
    found = []
    for order in drill.orders:
        planned = again.planned.copy()
        decided = order.deed == "fly" and planned.any() and again.state == "open"
        if not decided:
            play(again, order)
            continue
        found.append(_decision(again, planned, order))
    return tuple(found)


def _decision(drill: Drill, change: Reals, order: Order) -> Decision:
    run, before = len(drill.flights), drill.review.readings[0].ratio
    said = advised(drill, drill.questioned)
    advice = said.advice
    plan = None if advice.recommended is None else advice.plans[advice.recommended]
    chance = float(chances(drill.rotor, said.run, said.influence, change[None], said.posterior)[0])
    play(drill, order)
    return Decision(run, change, advice.verdict, plan, chance, before, drill.review.readings[0].ratio)


def parts_of_limits(drill: Drill) -> tuple[list[tuple[str, str]], list[list[float]]]:
    """Return (regime, reading) of all that was read, and for every run its parts of limits, nan where not read."""
    rows: list[tuple[str, str]] = []
    for regime in drill.rotor.regimes:
        rows += [(regime.name, sensor.name) for sensor in drill.rotor.sensors]
        rows += [(regime.name, HEIGHT)] if regime.heights else []
    columns = []
    for flight in drill.flights:
        ratio = {(r.regime, r.sensor): r.ratio for r in check_run(drill.rotor, flight.run).readings}
        columns.append([ratio.get(row, float("nan")) for row in rows])
    read = np.isfinite(np.array(columns)).any(axis=0)
    kept = np.flatnonzero(read).tolist()
    return [rows[i] for i in kept], [[column[i] for i in kept] for column in columns]


#: Column of a class's CSV -> what it holds.
COLUMNS = (
    "name",
    "level",
    "seed",
    "result",
    "runs",
    "adjustments",
    "minutes",
    "repeats",
    "looks",
    "inspections",
    "sent_back",
    "cause_found",
    "left_best_path_after_run",
    "own_result",
    "own_runs",
    "own_adjustments",
    "own_minutes",
)


def class_row(name: str, found: Debrief) -> dict[str, str | int | float]:
    """Return one line of a class's results."""
    drill, by_trackbal = found.drill, found.by_trackbal
    hidden = drill.scenario.snag not in (None, "gusts")
    return {
        "name": name,
        "level": drill.scenario.level.number,
        "seed": drill.scenario.seed,
        "result": drill.state,
        "runs": len(drill.flights),
        "adjustments": drill.adjustments,
        "minutes": round(drill.minutes),
        "repeats": sum(flight.repeats - 1 for flight in drill.flights),
        "looks": drill.looks,
        "inspections": drill.inspections,
        "sent_back": drill.refusals,
        "cause_found": "yes" if drill.found else "no" if hidden else "",
        "left_best_path_after_run": "" if found.left_at is None else found.left_at,
        "own_result": by_trackbal.state,
        "own_runs": len(by_trackbal.flights),
        "own_adjustments": by_trackbal.adjustments,
        "own_minutes": round(by_trackbal.minutes),
    }


def hidden_words(drill: Drill) -> Sequence[str]:
    """Return what was hidden, one sentence each."""
    scenario, rotor = drill.scenario, drill.rotor
    said = []
    for one in scenario.put_out:
        adjuster = rotor.adjusters[one.adjuster]
        name = adjuster.name.replace("_", " ")
        less = "more" if one.amount > 0 else "less"
        said.append(
            f"Blade {rotor.blades[one.blade]} had {abs(one.amount):g} {adjuster.unit} {less} {name} than the books."
        )
    if scenario.level.severity >= 0.5:
        said.append("The blades differed in mass, lift, pitch and shape, as new blades do.")
    if scenario.snag == "pick-up" and scenario.sensor is not None:
        said.append(f"Pick-up {rotor.sensors[scenario.sensor].name} was mounted the wrong way round.")
    if scenario.snag == "tab" and scenario.blade is not None:
        said.append(f"The tab of blade {rotor.blades[scenario.blade]} did half of what it was bent.")
    if scenario.snag == "gusts":
        said.append("Readings scattered more than twice as much as on a calm day: a repeat would have helped.")
    if scenario.snag == "damper" and scenario.blade is not None:
        said.append(f"The damper of blade {rotor.blades[scenario.blade]} was worn; adjusting could only hide that.")
    if scenario.lie is not None:
        lie, adjuster = scenario.lie, rotor.adjusters[scenario.lie.adjuster]
        said.append(
            f"{lie.amount:+g} {adjuster.unit} of {adjuster.name.replace('_', ' ')} stands in the record on blade "
            f"{rotor.blades[lie.recorded]}; it was made on blade {rotor.blades[lie.made]}."
        )
    return said
