"""Histories of virtual fleets, and mistakes put into them record by record.

The physics of the aircraft (trackbal.virtual) is not the linear model trackbal fits.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from trackbal.base.phasor import unit_factor
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals, Run
from trackbal.virtual import Aircraft, VirtualType

MOST_STEPS = 10  # of one change


@dataclass(frozen=True)
class Fleet:
    """A history as it truly went, and its aircraft as they were found."""

    kind: VirtualType
    history: History
    aircraft: tuple[Aircraft, ...]


@dataclass(frozen=True)
class Damage:
    """One mistake in a history: kind, index of the run it shows at (of an adjustment: the run after it)."""

    kind: str
    row: int


def random_change(rotor: Rotor, setting: Reals, rng: np.random.Generator, items: int) -> Reals:
    """Return a feasible change, shape (A, B), of some items of 2 to MOST_STEPS steps."""
    change = np.zeros(setting.shape)
    low, high = rotor.step_bounds(setting)
    for _ in range(items):
        a, b = int(rng.integers(change.shape[0])), int(rng.integers(change.shape[1]))
        size = rng.integers(2, MOST_STEPS + 1) * rng.choice([-1, 1])
        change[a, b] = rotor.adjusters[a].step * np.clip(size, low[a, b], high[a, b])
    return change


def fly_fleet(name: str, jobs: int, seed: int, runs: tuple[int, int] = (3, 6)) -> Fleet:
    """Return a fleet whose jobs have `runs` (least, most) runs with random adjustments in between."""
    kind = VirtualType.shipped(name)
    rng = np.random.default_rng([seed, 77])
    flown, change, job, number, fleet = [], [], [], [], []
    for j in range(jobs):
        aircraft = kind.aircraft(100_000 * seed + j)
        fleet.append(aircraft)
        total = np.zeros_like(aircraft.setting)
        for t in range(int(rng.integers(runs[0], runs[1] + 1))):
            if t:
                made = random_change(kind.rotor, aircraft.setting, rng, int(rng.integers(1, 4)))
                aircraft, total = aircraft.adjust(made, rng), total + made
            flown.append(aircraft.fly(rng))
            change.append(total)
            job.append(j)
            number.append(t + 1)
    return Fleet(kind, as_history(flown, change, job, number), tuple(fleet))


def as_history(flown: list[Run], change: list[Reals], job: list[int], number: list[int]) -> History:
    return History(
        jobs=tuple(f"job{j}" for j in range(max(job) + 1)),
        job=np.array(job),
        run=np.array(number),
        vibration=np.array([r.vibration for r in flown]),
        vibration_count=np.array([r.vibration_count for r in flown]),
        vibration_squares=np.array([r.vibration_squares for r in flown]),
        height=np.array([r.height for r in flown]),
        height_count=np.array([r.height_count for r in flown]),
        height_squares=np.array([r.height_squares for r in flown]),
        change=np.array(change),
    )


def true_mean(fleet: Fleet) -> tuple[np.ndarray, Reals]:
    """Return the mean of the fleet's own true influence coefficients, about the state as found."""
    alpha, tau = zip(*(a.true_influence() for a in fleet.aircraft), strict=True)
    return np.mean(alpha, axis=0), np.mean(tau, axis=0)


# ------------------------------------------------------------------------------ mistakes

Spoil = Callable[[Rotor, History, int, np.random.Generator], History | None]


def _rows_after(history: History, i: int) -> np.ndarray:
    return (history.job == history.job[i]) & (history.run >= history.run[i])


def _items(history: History, i: int) -> tuple[Reals, list[tuple[int, int]]]:
    made = history.change[i] - history.change[i - 1] if history.run[i] > 1 else np.zeros_like(history.change[i])
    return made, [(int(a), int(b)) for a, b in np.argwhere(made)]


def _recorded(history: History, i: int, wrong: Reals) -> History:
    made, _ = _items(history, i)
    change = history.change.copy()
    change[_rows_after(history, i)] += wrong - made
    return replace(history, change=change)


def _one_item(alter: Callable[[Rotor, Reals, int, int, np.random.Generator], Reals | None]) -> Spoil:
    def spoil(rotor: Rotor, history: History, i: int, rng: np.random.Generator) -> History | None:
        made, items = _items(history, i)
        if not items:
            return None
        a, b = items[rng.integers(len(items))]
        wrong = alter(rotor, made.copy(), a, b, rng)
        return None if wrong is None or (wrong == made).all() else _recorded(history, i, wrong)

    return spoil


def _times(factor: float) -> Spoil:
    def alter(rotor: Rotor, made: Reals, a: int, b: int, rng: np.random.Generator) -> Reals:
        made[a, b] *= factor
        return made

    return _one_item(alter)


def _other_blade(rotor: Rotor, made: Reals, a: int, b: int, rng: np.random.Generator) -> Reals:
    other = (b + int(rng.integers(1, len(rotor.blades)))) % len(rotor.blades)
    made[a, other] += made[a, b]
    made[a, b] = 0.0
    return made


def _other_adjuster(rotor: Rotor, made: Reals, a: int, b: int, rng: np.random.Generator) -> Reals | None:
    if len(rotor.adjusters) < 2:
        return None
    other = (a + int(rng.integers(1, len(rotor.adjusters)))) % len(rotor.adjusters)
    made[other, b] += made[a, b] / rotor.adjusters[a].step * rotor.adjusters[other].step
    made[a, b] = 0.0
    return made


def _unrecorded(rotor: Rotor, history: History, i: int, rng: np.random.Generator) -> History | None:
    """Work nobody wrote down: all the adjustments before a run are missing."""
    made, items = _items(history, i)
    return _recorded(history, i, np.zeros_like(made)) if items else None


def _sensor(alter: Callable[[Rotor, np.ndarray, int], np.ndarray]) -> Spoil:
    """Spoil one sensor in all regimes of one run."""

    def spoil(rotor: Rotor, history: History, i: int, rng: np.random.Generator) -> History:
        s = int(rng.integers(len(rotor.sensors)))
        vibration = history.vibration.copy()
        vibration[i, :, s] = alter(rotor, vibration[i, :, s], s)
        return replace(history, vibration=vibration)

    return spoil


def _unit(rotor: Rotor, reading: np.ndarray, s: int) -> np.ndarray:
    sensor = rotor.sensors[s]
    other = "mm/s" if sensor.unit != "mm/s" else "ips"
    factor = unit_factor(sensor.unit, other, sensor.harmonic * rotor.rpm / 60.0)
    return reading * abs(factor)


def _run_order(rotor: Rotor, history: History, i: int, rng: np.random.Generator) -> History | None:
    """The sheets of two runs in a row are exchanged."""
    if history.run[i] == 1:
        return None
    order = np.arange(len(history.run))
    order[[i - 1, i]] = i, i - 1
    names = ("vibration", "vibration_count", "vibration_squares", "height", "height_count", "height_squares")
    return replace(history, **{name: getattr(history, name)[order] for name in names})


def _one_cell(rotor: Rotor, history: History, i: int, rng: np.random.Generator) -> History:
    """One amplitude with the decimal point one place off."""
    vibration = history.vibration.copy()
    r, s = int(rng.integers(len(rotor.regimes))), int(rng.integers(len(rotor.sensors)))
    vibration[i, r, s] *= rng.choice([0.1, 10.0])
    return replace(history, vibration=vibration)


KINDS: dict[str, Spoil] = {
    "sign": _times(-1.0),
    "blade": _one_item(_other_blade),
    "doubled": _times(2.0),  # written down as twice what was done
    "halved": _times(0.5),
    "adjuster": _one_item(_other_adjuster),
    "unrecorded": _unrecorded,
    "run order": _run_order,
    "half turn": _sensor(lambda rotor, reading, s: -reading),
    "phase sense": _sensor(lambda rotor, reading, s: reading.conj()),
    "unit": _sensor(_unit),
    "decimal": _one_cell,
}


def damage(
    rotor: Rotor, history: History, share: float, seed: int, kinds: tuple[str, ...] = tuple(KINDS)
) -> tuple[History, tuple[Damage, ...]]:
    """Return the history with `share` of its runs spoiled, kinds mixed, at most one mistake a run."""
    rng = np.random.default_rng([seed, 5])
    wanted = round(share * len(history.run))
    done: list[Damage] = []
    taken: set[int] = set()
    for i in rng.permutation(len(history.run)).tolist():
        if len(done) == wanted:
            break
        if taken & {i - 1, i, i + 1}:
            continue
        kind = kinds[int(rng.integers(len(kinds)))]
        spoiled = KINDS[kind](rotor, history, i, rng)
        if spoiled is not None:
            history = spoiled
            done.append(Damage(kind, i))
            taken.add(i)
    return history, tuple(done)


ADJUSTMENT_KINDS = ("sign", "blade", "doubled", "halved", "adjuster", "one not recorded")


def wrong_adjustments(rotor: Rotor, history: History, share: float, seed: int) -> tuple[History, frozenset[int]]:
    """Return the history with `share` of its single adjustments recorded wrongly, and the runs after them, by index."""
    rng = np.random.default_rng([seed, 8])
    alter = {
        "sign": _times(-1.0),
        "blade": _one_item(_other_blade),
        "doubled": _times(2.0),
        "halved": _times(0.5),
        "adjuster": _one_item(_other_adjuster),
        "one not recorded": _times(0.0),
    }
    items = [i for i in range(len(history.run)) for _ in _items(history, i)[1]]
    wanted, rows = round(share * len(items)), []
    for k in rng.permutation(len(items)).tolist():
        if len(rows) == wanted:
            break
        kind = ADJUSTMENT_KINDS[int(rng.integers(len(ADJUSTMENT_KINDS)))]
        spoiled = alter[kind](rotor, history, items[k], rng)
        if spoiled is not None:
            history = spoiled
            rows.append(items[k])
    return history, frozenset(rows)
