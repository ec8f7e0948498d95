"""What a drill hides: drawn from its level and seed, the same for a whole class.

The blades are put out by changes that no book knows: what one blade was given more or less of than is written down.
Beside them one snag may be drawn:

- "pick-up": one sensor is mounted the wrong way round; it reads the negative of what it should.
- "tab": one blade's tab gives way: it does half of what it is bent.
- "gusts": readings scatter two and a half times as much as usual.
- "damper": one blade trails its place, more so under load and at speed. No adjustment cures it.
- "record": the crew before wrote down one adjustment that it made on another blade.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trackbal.check.review import check_run
from trackbal.drill.levels import Level, Snag
from trackbal.drill.past_jobs import influence_of_type
from trackbal.plan.advice import advise
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals, Run
from trackbal.virtual import VirtualType
from trackbal.virtual.aircraft import Aircraft

GUSTS = 2.5  # times the usual scatter
SLACK = 0.5  # of a bent tab that gives way
_TRIES = 400
_DRAWN, _EARLIER = 11, 12  # what random numbers are for


@dataclass(frozen=True)
class PutOut:
    """What one blade was given more (or, negative, less) of than the books say, in the adjuster's unit."""

    adjuster: int
    blade: int
    amount: float


@dataclass(frozen=True)
class Lie:
    """One adjustment of the crew before: on which blade it stands in the record, and on which it was made."""

    adjuster: int
    amount: float
    recorded: int
    made: int


@dataclass(frozen=True)
class Earlier:
    """The crew before: its run, and what it wrote down that it did, shape (A, B)."""

    run: Run
    recorded: Reals


@dataclass(frozen=True)
class Scenario:
    """What is hidden, and what a trainee is given.

    Parameters
    ----------
    level : Level
    seed : int
    aircraft : Aircraft
        As the trainee meets it; its `setting` is what truly is installed but for what put blades out.
    books : ndarray, shape (A, B)
        What is installed by the books; differs from the aircraft's setting by a lie in the record.
    put_out : tuple of PutOut
    snag : Snag or None
    sensor : int or None
        The pick-up mounted the wrong way round.
    blade : int or None
        The blade whose tab gives way, or whose damper is worn.
    lie : Lie or None
    earlier : Earlier or None
    sound : Aircraft or None
        The aircraft once its worn damper was replaced.
    """

    level: Level
    seed: int
    aircraft: Aircraft
    books: Reals
    put_out: tuple[PutOut, ...]
    snag: Snag | None = None
    sensor: int | None = None
    blade: int | None = None
    lie: Lie | None = None
    earlier: Earlier | None = None
    sound: Aircraft | None = None

    @property
    def rotor(self) -> Rotor:
        """What the trainee sees of the type."""
        return self.aircraft.rotor


def draw(level: Level, seed: int) -> Scenario:
    """Return the scenario of a level and seed.

    Raises
    ------
    RuntimeError
        If no aircraft of the level turns up outside its limits as far as the level says.
    """
    kind = VirtualType.shipped(level.kind)
    rng = np.random.default_rng([_DRAWN, level.number, seed])
    for _ in range(_TRIES):
        found = _drawn(level, seed, kind, rng)
        ratio = check_run(kind.rotor, found.aircraft.true_run()).readings[0].ratio
        if level.worst[0] <= ratio <= level.worst[1] and not check_run(kind.rotor, found.aircraft.true_run()).stop:
            return found
    raise RuntimeError(f"drill: level {level.number}, seed {seed}: no aircraft as the level says")


def _drawn(level: Level, seed: int, kind: VirtualType, rng: np.random.Generator) -> Scenario:
    snag: Snag | None = level.snags[int(rng.integers(len(level.snags)))] if level.snags else None
    number = int(rng.integers(2**31))
    aircraft = kind.aircraft(number, level.severity, fault="damper" if snag == "damper" else None)
    put_out = tuple(_put_out(kind.rotor, word, rng) for word in level.made)
    aircraft = _with(aircraft, put_out)
    found = Scenario(level, seed, aircraft, aircraft.setting, put_out, snag)
    if snag == "damper":
        trailing = int(np.argmax(np.abs(aircraft.faults.lag).max(axis=0)))
        return replace(found, blade=trailing, sound=_with(kind.aircraft(number, level.severity), put_out))
    if snag == "pick-up":
        return replace(found, sensor=int(rng.integers(len(kind.rotor.sensors))))
    if snag == "tab":
        return replace(found, blade=int(rng.integers(len(kind.rotor.blades))))
    if snag == "gusts":
        instrument = aircraft.physics.instrument
        worse = replace(
            instrument,
            broadband=GUSTS * instrument.broadband,
            scatter=GUSTS * instrument.scatter,
            height_m=GUSTS * instrument.height_m,
        )
        return replace(found, aircraft=replace(aircraft, physics=replace(aircraft.physics, instrument=worse)))
    return _after_another_crew(found) if snag == "record" else found


def _put_out(rotor: Rotor, kind: str, rng: np.random.Generator) -> PutOut:
    """Return one blade put out by an adjuster of a kind, by a third to two thirds of its range."""
    a = next(i for i, adjuster in enumerate(rotor.adjusters) if adjuster.kind == kind)
    adjuster = rotor.adjusters[a]
    steps = max(2, round((adjuster.maximum - adjuster.minimum) / adjuster.step))
    amount = int(rng.integers(max(1, steps // 6), steps // 3 + 1)) * adjuster.step
    return PutOut(a, int(rng.integers(len(rotor.blades))), float(amount * rng.choice([-1.0, 1.0])))


def _with(aircraft: Aircraft, put_out: tuple[PutOut, ...]) -> Aircraft:
    change = aircraft.change.copy()
    for one in put_out:
        change[one.adjuster, one.blade] += one.amount
    return replace(aircraft, change=change)


def _after_another_crew(found: Scenario) -> Scenario:
    """Return the scenario after another crew's run and its adjustments, one of them on another blade than recorded."""
    rng = np.random.default_rng([_EARLIER, found.level.number, found.seed])
    aircraft, rotor = found.aircraft, found.rotor
    run = as_shown(rotor, aircraft.fly(rng))
    influence = influence_of_type(found.level.kind)
    recorded = advise(rotor, run, influence, aircraft.setting, most=3, override_stop=True).plans[-1].change
    if not recorded.any():
        return found
    places = np.argwhere(recorded != 0.0)
    for a, b in places[rng.permutation(len(places))]:
        for other in rng.permutation(len(rotor.blades)):
            truly = recorded.copy()
            truly[a, b] = 0.0
            truly[a, other] += recorded[a, b]
            if other != b and _within(rotor, aircraft.setting + truly):
                lie = Lie(int(a), float(recorded[a, b]), int(b), int(other))
                after = aircraft.adjust(truly, rng)
                books = aircraft.setting + recorded
                return replace(found, aircraft=after, books=books, lie=lie, earlier=Earlier(run, recorded))
    return found


def _within(rotor: Rotor, setting: Reals) -> bool:
    low = np.array([[a.minimum] for a in rotor.adjusters])
    high = np.array([[a.maximum] for a in rotor.adjusters])
    return bool(((setting >= low) & (setting <= high)).all())


def as_shown(rotor: Rotor, run: Run) -> Run:
    """Return a run as an instrument shows it: amplitudes to a five-hundredth of the limit, whole degrees, half units.

    Amplitudes are rounded to the power of ten below a hundredth of the limit; tips to half a millimetre, or to
    0.02 in.
    """
    limit = rotor.vibration_limit
    smallest = 10.0 ** np.floor(np.log10(limit / 100.0))
    amplitude: Reals = np.rint(np.abs(run.vibration) / smallest) * smallest
    degrees = np.rint(np.degrees(np.angle(run.vibration)))
    tip = 0.5 if rotor.height_unit == "mm" else 0.02
    height = np.rint(run.height / tip) * tip
    height -= height.mean(axis=1, keepdims=True)
    turn: Complexes = np.exp(1j * np.deg2rad(degrees))
    return replace(run, vibration=amplitude * turn, height=height)
