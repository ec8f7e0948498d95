"""The ways to a plan that the closed loop sets side by side."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from loop_fleet import Fleet, exact
from scipy.optimize import lsq_linear

from trackbal.check.review import check_run
from trackbal.influence.coefficients import Influence
from trackbal.plan.advice import Advice, _recommend, advise
from trackbal.plan.chance import chances
from trackbal.plan.job_advice import advise_in_job
from trackbal.plan.quadratic import build_quadratic
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run
from trackbal.virtual.aircraft import Aircraft

MOST = 6  # adjustments in a round
WANTED = 0.9
CUT = 0.003  # of the largest singular value, below which method (a) drops one: its best on the whole, on other seeds


@dataclass(frozen=True)
class Situation:
    """Where a job stands: all its runs, and what was adjusted before each (n, A, B), summed."""

    fleet: Fleet
    aircraft: Aircraft
    runs: tuple[Run, ...]
    change: Reals

    @property
    def rotor(self) -> Rotor:
        return self.fleet.kind.rotor

    @property
    def run(self) -> Run:
        return self.runs[-1]


@dataclass(frozen=True)
class Decision:
    """What a method would do now. `chance` is None where it gives none."""

    verdict: str
    stop: bool
    surprising: bool
    change: Reals
    chance: float | None


Method = Callable[[Situation], Decision]


def of_advice(advice: Advice, surprising: bool = False) -> Decision:
    if advice.recommended is None:  # "learn": what is known is too little for a plan
        return Decision(advice.verdict, advice.review.stop, surprising, np.zeros_like(advice.setting), None)
    plan = advice.plans[advice.recommended]
    return Decision(advice.verdict, advice.review.stop, surprising, plan.change, plan.chance)


def contract(now: Situation) -> Decision:
    """trackbal: the plan from the last run and the type's influence."""
    return of_advice(advise(now.rotor, now.run, now.fleet.influence, now.aircraft.setting, override_stop=True))


def in_job(now: Situation) -> Decision:
    """trackbal within a job: with what all runs so far tell of this aircraft."""
    given = advise_in_job(
        now.rotor,
        now.runs,
        now.change,
        now.fleet.influence,
        now.aircraft.setting,
        checked=range(len(now.runs)),  # nothing is recorded wrongly here, which whoever looks into a hold finds
        override_stop=True,
    )
    return of_advice(given.advice, given.surprise is not None and given.surprise.surprising)


def ceiling(now: Situation) -> Decision:
    """(c): trackbal's search, given what a perfect fit of this very aircraft would say."""
    known = exact(now.fleet.influence, *now.aircraft.true_influence())
    return of_advice(advise(now.rotor, now.run, known, now.aircraft.setting, override_stop=True))


def rounded(now: Situation) -> Decision:
    """(a): continuous least squares over all blades and adjusters, small singular values cut, clipped, rounded."""
    review = check_run(now.rotor, now.run)
    if review.inside:
        return Decision("inside", review.stop, False, np.zeros_like(now.aircraft.setting), None)
    cost = build_quadratic(now.rotor, now.run, now.fleet.plain)
    low, high = bounds(now.rotor, now.fleet.influence, now.aircraft.setting)
    x = -np.linalg.pinv(cost.quad, rcond=CUT**2, hermitian=True) @ cost.lin
    steps = np.rint(np.clip(x, low, high))
    return Decision("adjust", review.stop, False, in_units(now.rotor, steps), None)


@dataclass(frozen=True)
class _Rung:
    """What the rule of recommendation looks at."""

    change: Reals
    count: int
    chance: float
    expected_cost: float
    minutes: float | None = None

    @property
    def deciding_chance(self) -> float:
        return self.chance


def greedy(now: Situation) -> Decision:
    """(b): trackbal's coefficients, cost, chances and rule; the ladder of plans by adding the best change each time."""
    rotor, influence = now.rotor, now.fleet.influence
    review = check_run(rotor, now.run)
    if review.inside:
        return Decision("inside", review.stop, False, np.zeros_like(now.aircraft.setting), None)
    cost = build_quadratic(rotor, now.run, influence)
    low, high = bounds(rotor, influence, now.aircraft.setting)
    ladder = greedy_ladder(cost.quad + cost.quad_spread, cost.lin, low, high)
    changes = np.array([in_units(rotor, x) for x in ladder])
    passing = chances(rotor, now.run, influence, changes)
    rungs = tuple(
        _Rung(change, int(np.count_nonzero(x)), float(p), cost.expected_cost(x))
        for x, change, p in zip(ladder, changes, passing, strict=True)
    )
    chosen = rungs[_recommend(rungs, WANTED)]  # type: ignore[arg-type]
    return Decision("adjust", review.stop, False, chosen.change, chosen.chance)


METHODS: dict[str, Method] = {
    "trackbal": contract,
    "trackbal in job": in_job,
    "(a) rounded": rounded,
    "(b) greedy": greedy,
    "(c) ceiling": ceiling,
}


def bounds(rotor: Rotor, influence: Influence, setting: Reals) -> tuple[Reals, Reals]:
    """Return the bounds in steps, flat; 0 for an adjuster of which something is unknown (every regime is read)."""
    low, high = rotor.step_bounds(setting)
    barred = influence.unknown_vibration.any(axis=(1, 2)) | influence.unknown_height.any(axis=1)
    return np.where(barred[:, None], 0, low).ravel().astype(float), np.where(barred[:, None], 0, high).ravel().astype(
        float
    )


def in_units(rotor: Rotor, steps: Reals) -> Reals:
    """Return flat steps as a change, shape (A, B), in the adjusters' units."""
    per_step = np.array([a.step for a in rotor.adjusters])
    return steps.reshape(len(per_step), -1) * per_step[:, None]


def greedy_ladder(quad: Reals, lin: Reals, low: Reals, high: Reals) -> list[Reals]:
    """Return plans of 0 ... MOST entries: the best single change added, then the amounts chosen set again."""
    x = np.zeros(len(lin))
    ladder = [x]
    for _ in range(MOST):
        slope = quad @ x + lin
        step = np.where(x == 0.0, _best_steps(quad, slope, x, low, high), 0.0)
        gain = step * (2.0 * slope + np.diag(quad) * step)
        if gain.min() >= 0.0:
            ladder.append(x)
            continue
        x = x.copy()
        x[np.argmin(gain)] = step[np.argmin(gain)]
        x = descend(quad, lin, x, low, high, np.flatnonzero(x))
        ladder.append(x)
    return ladder


def descend(quad: Reals, lin: Reals, x: Reals, low: Reals, high: Reals, chosen: np.ndarray) -> Reals:
    """Return x after setting one chosen entry after another to its best whole step, until none moves."""
    x = x.copy()
    for _ in range(100):
        before = x.copy()
        for i in chosen:
            x[i] += _best_steps(quad[i, i], quad[i] @ x + lin[i], x[i], low[i], high[i])
        if (x == before).all():
            break
    return x


def _best_steps(diagonal: Reals, slope: Reals, x: Reals, low: Reals, high: Reals) -> Reals:
    """Return by how many whole steps to move each entry, alone, for the least cost; a matrix gives its diagonal."""
    curvature = np.diag(diagonal) if np.ndim(diagonal) == 2 else diagonal
    return np.clip(np.rint(x - slope / np.maximum(curvature, 1e-300)), low, high) - x


def without_most(rotor: Rotor, run: Run, influence: Influence, setting: Reals) -> Reals:
    """Return a good plan of any number of adjustments, coefficients taken as exact: rounded, then descended."""
    cost = build_quadratic(rotor, run, influence)
    low, high = bounds(rotor, influence, setting)
    values, vectors = np.linalg.eigh(cost.quad)
    kept = values > 1e-10 * values.max()
    root = np.sqrt(values[kept])[:, None] * vectors[:, kept].T
    target = -(vectors[:, kept].T @ cost.lin) / np.sqrt(values[kept])
    free = np.flatnonzero(high > low)
    relaxed = np.zeros(len(low))
    relaxed[free] = lsq_linear(root[:, free], target, (low[free], high[free])).x
    return in_units(rotor, descend(cost.quad, cost.lin, np.rint(relaxed), low, high, free))


def independent_rows(now: Situation) -> Decision:
    """trackbal as it would be if every row of the influence departed from the type by itself."""
    alone = replace(now.fleet.influence, departures=None)
    return of_advice(advise(now.rotor, now.run, alone, now.aircraft.setting, override_stop=True))
