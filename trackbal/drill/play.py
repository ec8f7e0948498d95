"""A drill played: from the scenario and what was ordered so far, order by order, to where it stands.

Nothing but the orders is remembered: the same orders on the same scenario always come to the same readings, so a
drill can be broken off, taken up again, and looked at afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from trackbal.check.review import Review, check_run
from trackbal.drill.orders import Order
from trackbal.drill.scenario import SLACK, Scenario, as_shown
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run
from trackbal.runs.words import adjustment_words
from trackbal.virtual.aircraft import Aircraft
from trackbal.virtual.physics import TrimTab

State = Literal["open", "won", "lost", "given up"]

#: Minutes that things take, for the score only: our own choice, not a manual's.
MINUTES = {"run": 40.0, "weight": 15.0, "pitch_link": 20.0, "tab": 10.0, "inspect": 30.0, "repeat": 10.0}
MOST_REFUSALS = 3  # times the instructor sends back an aircraft that is not inside limits
STOPPED = "STOP: a reading is at its stop limit. The instructor lands. Find out why before the next run."
_FLOWN = 13  # what random numbers are for


@dataclass(frozen=True)
class Flight:
    """One run: its readings as shown, what was done before it, and in which stage."""

    run: Run
    change: Reals
    stage: int
    repeats: int = 1


@dataclass
class Drill:
    """Where a drill stands.

    Parameters
    ----------
    scenario : Scenario
    orders : list of Order
        All so far.
    flights : list of Flight
        All runs, the last one last.
    planned, setting : ndarray, shape (A, B)
        What is on the list; what is installed by the books.
    stage : int
        Regimes up to this one are flown.
    """

    scenario: Scenario
    aircraft: Aircraft
    planned: Reals
    setting: Reals
    orders: list[Order] = field(default_factory=list)
    flights: list[Flight] = field(default_factory=list)
    listed: list[tuple[int, int, float]] = field(default_factory=list)
    stage: int = 0
    state: State = "open"
    minutes: float = 0.0
    refusals: int = 0
    refused_after: int | None = None  # the run after which it was first asked for, outside limits
    looks: int = 0
    inspections: int = 0
    adjustments: int = 0
    found_after: int | None = None  # runs flown when the cause was found
    questioned: set[int] = field(default_factory=set)  # runs, by index, that were read again or looked into
    sensor: int | None = None

    @property
    def found(self) -> bool:
        """Whether the cause was found."""
        return self.found_after is not None

    @property
    def rotor(self) -> Rotor:
        """What the trainee sees of the type."""
        return self.scenario.rotor

    @property
    def run(self) -> Run:
        """The readings of the last run."""
        return self.flights[-1].run

    @property
    def review(self) -> Review:
        """The last readings against limits."""
        return check_run(self.rotor, self.run)


def begin(scenario: Scenario) -> Drill:
    """Return a drill at its first run, on the ground."""
    drill = Drill(
        scenario,
        scenario.aircraft,
        np.zeros_like(scenario.books),
        scenario.books.copy(),
        stage=first_stage(scenario.rotor),
        sensor=scenario.sensor,
    )
    _fly(drill, np.zeros_like(scenario.books))
    return drill


def first_stage(rotor: Rotor) -> int:
    """Return the last of the regimes on the ground with which the list begins; the first if it begins in the air."""
    ground = 0
    while ground + 1 < len(rotor.regimes) and not rotor.regimes[ground + 1].airborne:
        ground += 1
    return ground


def play(drill: Drill, order: Order) -> str:
    """Carry out an order; return what comes of it, in words. A drill that has ended takes no more orders."""
    if drill.state != "open":
        return "This drill has ended."
    drill.orders.append(order)
    if order.deed == "adjust" and order.adjuster is not None and order.blade is not None and order.amount is not None:
        drill.planned[order.adjuster, order.blade] += order.amount
        drill.listed.append((order.adjuster, order.blade, order.amount))
        return "on the list: " + adjustment_words(drill.rotor, order.adjuster, order.blade, order.amount)
    if order.deed == "undo":
        if not drill.listed:
            return "Nothing is on the list."
        a, b, amount = drill.listed.pop()
        drill.planned[a, b] -= amount
        return "off the list: " + adjustment_words(drill.rotor, a, b, amount)
    if order.deed == "fly":
        return _make_and_fly(drill)
    if order.deed == "repeat":
        return _repeat(drill)
    if order.deed == "inspect":
        return _inspect(drill, order)
    if order.deed == "release":
        return _release(drill)
    if order.deed == "give up":
        drill.state = "given up"
        return "Given up."
    drill.looks += order.what != "readings"
    return ""


def _make_and_fly(drill: Drill) -> str:
    change = drill.planned.copy()
    places = np.argwhere(change != 0.0)
    drill.adjustments += len(places)
    drill.minutes += sum(MINUTES[drill.rotor.adjusters[a].kind] for a, _ in places)
    rng = np.random.default_rng([_FLOWN, drill.scenario.level.number, drill.scenario.seed, len(drill.flights)])
    drill.aircraft = _adjusted(drill, change, rng)
    drill.setting = drill.setting + change
    drill.planned[:] = 0.0
    drill.listed.clear()
    _fly(drill, change)
    said = [STOPPED] if drill.review.stop else []
    if len(drill.flights) > drill.scenario.level.most_runs:
        drill.state = "lost"
        said.append(f"That was run {len(drill.flights)}; the drill allows {drill.scenario.level.most_runs}.")
    return " ".join(said)


def _adjusted(drill: Drill, change: Reals, rng: np.random.Generator) -> Aircraft:
    """Return the aircraft after a change by the books: a tab that gives way does a part of what it is bent."""
    after = drill.aircraft.adjust(change, rng)
    scenario = drill.scenario
    if scenario.snag == "tab" and not drill.found:
        lost = np.zeros_like(change)
        for a, adjuster in enumerate(drill.aircraft.physics.adjusters):
            if isinstance(adjuster.part, TrimTab):
                lost[a, scenario.blade] = (1.0 - SLACK) * change[a, scenario.blade]
        after = replace(after, change=after.change - lost)
    return after


def _fly(drill: Drill, change: Reals) -> None:
    drill.flights.append(Flight(_readings(drill, 1), change, drill.stage))
    drill.minutes += MINUTES["run"]


def _readings(drill: Drill, repeats: int) -> Run:
    """Return what the instrument shows in the regimes up to the stage: the mean of so many readings one after another.

    Those taken before stay as they were when another is added.
    """
    taken = [_one_reading(drill, k) for k in range(1, repeats + 1)]
    vibration = np.array([run.vibration for run in taken])
    height = np.array([run.height for run in taken])
    mean, tips = vibration.mean(axis=0), height.mean(axis=0)
    return replace(
        taken[0],
        vibration=mean,
        height=tips,
        vibration_count=repeats * taken[0].vibration_count,
        height_count=repeats * taken[0].height_count,
        vibration_squares=np.nan_to_num((np.abs(vibration - mean) ** 2).sum(axis=0)),
        height_squares=np.nan_to_num(((height - tips) ** 2).sum(axis=(0, 2))),
    )


def _one_reading(drill: Drill, number: int) -> Run:
    rotor, scenario = drill.rotor, drill.scenario
    rng = np.random.default_rng(
        [_FLOWN, scenario.level.number, scenario.seed, len(drill.flights), 1 + drill.stage, number]
    )
    run = drill.aircraft.fly(rng, [regime.name for regime in rotor.regimes[: drill.stage + 1]])
    if drill.sensor is not None:
        turned = run.vibration.copy()
        turned[:, drill.sensor] *= -1.0
        run = replace(run, vibration=turned)
    return as_shown(rotor, run)


def _repeat(drill: Drill) -> str:
    last = drill.flights.pop()
    drill.flights.append(replace(last, run=_readings(drill, last.repeats + 1), repeats=last.repeats + 1))
    drill.minutes += MINUTES["repeat"]
    drill.questioned.add(len(drill.flights) - 1)
    said = f"Read again; the readings are the mean of {last.repeats + 1}."
    return f"{said} {STOPPED}" if drill.review.stop else said


def _inspect(drill: Drill, order: Order) -> str:
    drill.inspections += 1
    drill.questioned.add(len(drill.flights) - 1)
    drill.minutes += MINUTES["inspect"]
    if order.what.startswith("pick-up "):
        return _inspect_pickup(drill, drill.rotor.sensor_index(order.what.removeprefix("pick-up ")))
    assert order.blade is not None
    if order.what == "damper":
        return _inspect_damper(drill, order.blade)
    assert order.adjuster is not None
    return _inspect_adjuster(drill, order.adjuster, order.blade)


def _inspect_pickup(drill: Drill, s: int) -> str:
    name = drill.rotor.sensors[s].name
    if drill.sensor != s:
        return f"{name}: mounting, cable and sense are as they should be."
    drill.found_after, drill.sensor = len(drill.flights), None
    return f"{name} was mounted the wrong way round; it is put right. Fly to read again."


def _inspect_damper(drill: Drill, b: int) -> str:
    scenario, blade = drill.scenario, drill.rotor.blades[b]
    if scenario.sound is None or b != scenario.blade or drill.found:
        return f"Blade {blade}'s damper is sound."
    drill.found_after = len(drill.flights)
    done = drill.aircraft.change - scenario.aircraft.change
    drill.aircraft = replace(scenario.sound, setting=drill.aircraft.setting, change=scenario.sound.change + done)
    return f"Blade {blade}'s damper is worn; it is replaced. Fly to read again."


def _inspect_adjuster(drill: Drill, a: int, b: int) -> str:
    adjuster, blade, scenario = drill.rotor.adjusters[a], drill.rotor.blades[b], drill.scenario
    if scenario.snag == "tab" and adjuster.kind == "tab" and b == scenario.blade and not drill.found:
        drill.found_after = len(drill.flights)
        return f"Blade {blade}'s tab gives way under the hand; it is stiffened."
    installed, books = drill.aircraft.setting[a, b], drill.setting[a, b]
    said = f"Blade {blade}: {adjuster.name.replace('_', ' ')} {installed:g} {adjuster.unit}"
    if abs(installed - books) < adjuster.step / 2.0:
        return f"{said}, as the record says."
    drill.found_after = len(drill.flights)
    drill.setting[a, b] = installed
    return f"{said} is installed, not {books:g} as the record says. The record is put right."


def _release(drill: Drill) -> str:
    review, rotor = drill.review, drill.rotor
    if drill.flights[-1].stage < drill.stage:
        return "Nothing was read in this stage yet: fly first."
    if not review.inside:
        drill.refusals += 1
        drill.refused_after = drill.refused_after or len(drill.flights)
        worst = review.readings[0]
        said = f"Not released: {worst.sensor} in {worst.regime} is at {worst.ratio:.2f} of its limit."
        if drill.refusals >= MOST_REFUSALS:
            drill.state = "lost"
            said += f" That was the {MOST_REFUSALS}rd time; the instructor ends the drill."
        return said
    if drill.stage + 1 < len(rotor.regimes):
        drill.stage += 1
        _fly(drill, np.zeros_like(drill.setting))
        said = f"Next stage: {rotor.regimes[drill.stage].label or rotor.regimes[drill.stage].name}."
        return f"{said} {STOPPED}" if drill.review.stop else said
    drill.state = "won"
    return "All stages are inside limits as read. What remains is for licensed people and the manual."
