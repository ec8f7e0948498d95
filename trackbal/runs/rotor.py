"""What a rotor is: blades, sensors, regimes, adjusters, limits. Read from rotor.toml."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from itertools import pairwise
from os import PathLike
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trackbal.base.cautions import KINDS, Kind, Place
from trackbal.base.errors import State
from trackbal.base.phasor import HEIGHT_UNITS, VIBRATION_UNITS, PhaseSense, PhaseShown
from trackbal.base.summary import Summarised
from trackbal.base.toml_table import Table
from trackbal.runs.preferences import NO_PREFERENCES, Preferences, read_preferences

STEP_SLACK = 1e-9  # a change is inside a bound if it exceeds it by less than this part of a step
LOWEST_RPM, HIGHEST_RPM = 1e-3, 1e6  # far beyond any rotor; keeps every unit conversion finite
MOST_STEPS = 1_000_000_000  # in an adjuster's range
#: Sensor index that stands for the tip heights of a regime, wherever one reading is named by regime and sensor.
HEIGHTS = -1
#: The same where a reading has names: in files, JSON and reports.
HEIGHT = "height"
MOST_SETS = 200_000  # ways to put the pieces of a station together


@dataclass(frozen=True)
class Sensor:
    """One vibration pick-up.

    `limit`, `stop` and `go_on` are amplitudes in `unit`; None where rotor or regime decide. `noise`: standard
    deviation of the real and of the imaginary part of one reading, in `unit`, as far as the user can say.
    """

    name: str
    axis: Literal["vertical", "lateral", "longitudinal"]
    unit: str
    harmonic: int = 1
    limit: float | None = None
    stop: float | None = None
    noise: float | None = None
    go_on: float | None = None


@dataclass(frozen=True)
class Regime:
    """A steady running condition.

    `vibration`, `vibration_stop` (sensor units) and `height_spread`,
    `height_spread_stop` (the rotor's height unit) override the rotor's limits.
    `go_on` (sensor units) and `go_on_height_spread`: readings above which the user's own
    figures do not allow to go on from here to a further condition. `not_read`: sensors that are
    not read here, so that nothing is missing without them. `rpm`: the usual speed here; None: the rotor's.
    """

    name: str
    label: str
    airborne: bool = False
    weight: float = 1.0
    vibration: float | None = None
    vibration_stop: float | None = None
    height_spread: float | None = None
    height_spread_stop: float | None = None
    heights: bool = True
    go_on: float | None = None
    go_on_height_spread: float | None = None
    not_read: tuple[str, ...] = ()
    rpm: float | None = None


@dataclass(frozen=True)
class BladeData:
    """What a rotor file may say of the blade, for textbook estimates; None where it does not.

    `mass_kg`, `static_moment_kgm` (first moment) and `flap_inertia_kgm2` are those outboard of the flap hinge and
    about it; `flap_hinge_offset` is a part of the radius.
    """

    radius_m: float
    flap_hinge_offset: float = 0.0
    mass_kg: float | None = None
    static_moment_kgm: float | None = None
    flap_inertia_kgm2: float | None = None
    flap_spring_Nm_per_rad: float = 0.0
    lock_number: float | None = None
    chord_m: float | None = None
    lift_slope: float = 5.7


@dataclass(frozen=True)
class Hardware:
    """Where an adjuster sits and how it works; None where the rotor file does not say.

    A weight: `radius_m` from the rotor's axis, `ahead_mm` of the feathering axis, `kg_per_unit`,
    `azimuth_offset_deg` after its blade at which it passes (between blades, on the hub). A pitch link:
    `thread_pitch_mm` (how far one turn moves it), `units_per_turn`, `arm_mm` of the pitch horn.
    """

    radius_m: float | None = None
    ahead_mm: float = 0.0
    azimuth_offset_deg: float = 0.0
    kg_per_unit: float | None = None
    thread_pitch_mm: float | None = None
    units_per_turn: float = 1.0
    arm_mm: float | None = None


@dataclass(frozen=True)
class Piece:
    """A piece of hardware: what it is called, what it adds in its adjuster's unit, how many a station takes at most."""

    name: str
    amount: float
    most: int


@dataclass(frozen=True)
class Adjuster:
    """A feature of every blade that can be changed in whole steps.

    `step`, `minimum`, `maximum`, `largest_change` are in `unit`; minimum to maximum
    is the range that may be installed. `needs`: may be advised only when one of these
    regimes was read (empty: always); `inside_first`: only when these are read and inside their limits.
    `minutes`: what a change takes. `pieces`: what can be fitted, where a setting is a sum of pieces
    (pieces.py); a station holds `least_pieces` to `most_pieces` of them. `hardware`: where
    it sits and how it works, if known.
    """

    name: str
    kind: Kind
    unit: str
    step: float
    minimum: float
    maximum: float
    largest_change: float
    positive: str
    negative: str
    fixed_blades: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    pieces: tuple[Piece, ...] = ()
    least_pieces: int = 0
    most_pieces: int | None = None
    minutes: float | None = None
    inside_first: tuple[str, ...] = ()
    hardware: Hardware = Hardware()


@dataclass(frozen=True, repr=False)
class Rotor(Summarised):
    """A rotor as rotor.toml describes it.

    Order of `blades`, `sensors`, `regimes` and `adjusters` fixes the axes of every
    array in trackbal: (B,), (S,), (R,) and (A,). `place`: which mechanical causes are looked for;
    `blade_minutes`: what getting at a blade takes, whatever is changed on it.
    """

    name: str
    rpm: float
    blades: tuple[str, ...]
    azimuth_deg: NDArray[np.float64] = field(compare=False)
    sensors: tuple[Sensor, ...]
    regimes: tuple[Regime, ...]
    adjusters: tuple[Adjuster, ...]
    phase_sense: PhaseSense = "lag"
    phase_shown: PhaseShown = "degrees"
    rotation: Literal["ccw", "cw"] = "ccw"
    height_unit: str = "mm"
    track_weight: float = 1.0
    vibration: float | None = None
    vibration_stop: float | None = None
    height_spread: float | None = None
    height_spread_stop: float | None = None
    height_noise: float | None = None
    place: Place = "main"
    blade_minutes: float = 0.0
    preferences: Preferences = NO_PREFERENCES
    blade_data: BladeData | None = None

    def summary(self) -> dict[str, object]:
        """Return name, and what it has."""
        return {
            "name": self.name,
            "blades": len(self.blades),
            "sensors": ", ".join(s.name for s in self.sensors),
            "regimes": ", ".join(r.name for r in self.regimes),
            "adjusters": ", ".join(f"{a.name} ({a.unit})" for a in self.adjusters),
        }

    @classmethod
    def load(cls, file: str | PathLike[str]) -> Rotor:
        """Read rotor.toml.

        Raises
        ------
        InputError
            Naming the file and the key, what was found and what was expected.
        """
        return _read_rotor(Table.load(file), file)

    @classmethod
    def parse(cls, text: str, source: str | PathLike[str]) -> Rotor:
        """Read the text of a rotor.toml; `source` names it in messages. Raises InputError as `load`."""
        return _read_rotor(Table.parse(text, source), source)

    @cached_property
    def harmonics(self) -> NDArray[np.int_]:
        """Harmonic of each sensor, shape (S,)."""
        return np.array([s.harmonic for s in self.sensors], dtype=int)

    @cached_property
    def regime_weight(self) -> NDArray[np.float64]:
        """Weight of each regime in the cost, shape (R,)."""
        return np.array([r.weight for r in self.regimes])

    @cached_property
    def usual_rpm(self) -> NDArray[np.float64]:
        """Speed at which each regime is usually run, shape (R,)."""
        return np.array([self.rpm if r.rpm is None else r.rpm for r in self.regimes])

    @cached_property
    def vibration_limit(self) -> NDArray[np.float64]:
        """Amplitude limit, sensor units, shape (R, S)."""
        return self._vibration_bound("limit", "vibration", self.vibration)

    @cached_property
    def vibration_stop_limit(self) -> NDArray[np.float64]:
        """Amplitude at which no adjustment is offered, shape (R, S); inf where none is set."""
        return self._vibration_bound("stop", "vibration_stop", self.vibration_stop)

    @cached_property
    def height_limit(self) -> NDArray[np.float64]:
        """Limit of highest minus lowest tip, height unit, shape (R,); inf where heights are not read."""
        return self._height_bound("height_spread", self.height_spread)

    @cached_property
    def height_stop_limit(self) -> NDArray[np.float64]:
        """Tip spread at which no adjustment is offered, shape (R,); inf where none is set."""
        return self._height_bound("height_spread_stop", self.height_spread_stop)

    @cached_property
    def vibration_go_on(self) -> NDArray[np.float64]:
        """Amplitude above which one does not go on to a further regime, shape (R, S); inf where none is set or left."""
        bound = self._vibration_bound("go_on", "go_on", None)
        bound[-1] = np.inf
        return bound

    @cached_property
    def height_go_on(self) -> NDArray[np.float64]:
        """Tip spread above which one does not go on to a further regime, shape (R,); inf where none is set or left."""
        bound = self._height_bound("go_on_height_spread", None)
        bound[-1] = np.inf
        return bound

    def _vibration_bound(self, sensor_key: str, regime_key: str, general: float | None) -> NDArray[np.float64]:
        bound = np.full((len(self.regimes), len(self.sensors)), np.inf)
        for r, regime in enumerate(self.regimes):
            for s, sensor in enumerate(self.sensors):
                given = [v for v in (getattr(regime, regime_key), getattr(sensor, sensor_key)) if v is not None]
                if given:
                    bound[r, s] = min(given)
                elif general is not None:
                    bound[r, s] = general
        return bound

    def _height_bound(self, regime_key: str, general: float | None) -> NDArray[np.float64]:
        bound = np.full(len(self.regimes), np.inf)
        for r, regime in enumerate(self.regimes):
            given = getattr(regime, regime_key)
            if regime.heights and (given is not None or general is not None):
                bound[r] = given if given is not None else general
        return bound

    @cached_property
    def vibration_wanted(self) -> NDArray[np.bool_]:
        """Which vibration readings a whole run has, shape (R, S)."""
        return np.array([[s.name not in r.not_read for s in self.sensors] for r in self.regimes])

    @cached_property
    def height_wanted(self) -> NDArray[np.bool_]:
        """In which regimes a whole run has the height of every tip, shape (R,)."""
        return np.array([r.heights for r in self.regimes])

    def sensor_index(self, name: str) -> int:
        """Return the index of a sensor; ValueError if there is none of that name."""
        return [s.name for s in self.sensors].index(name)

    def regime_index(self, name: str) -> int:
        """Return the index of a regime; ValueError if there is none of that name."""
        return [r.name for r in self.regimes].index(name)

    def adjuster_index(self, name: str) -> int:
        """Return the index of an adjuster; ValueError if there is none of that name."""
        return [a.name for a in self.adjusters].index(name)

    def reading_of_cell(self, cell: int) -> tuple[int, int]:
        """Return regime and sensor (or HEIGHTS) of a cell as a fit counts them.

        Vibration cells come first, regime by regime and sensor by sensor, then the heights of each regime.
        """
        vibration = len(self.regimes) * len(self.sensors)
        return divmod(cell, len(self.sensors)) if cell < vibration else (cell - vibration, HEIGHTS)

    def reading_name(self, sensor: int) -> str:
        """Return the name of a sensor by index, HEIGHT for HEIGHTS."""
        return HEIGHT if sensor == HEIGHTS else self.sensors[sensor].name

    def reading_key(self, regime: int, sensor: int) -> dict[str, str | bool]:
        """Return which reading is meant as files and JSON say it: regime, and sensor or ``"height": true``."""
        which = {"height": True} if sensor == HEIGHTS else {"sensor": self.sensors[sensor].name}
        return {"regime": self.regimes[regime].name, **which}

    def amounts(self, steps: NDArray[np.int_] | NDArray[np.float64]) -> NDArray[np.float64]:
        """Return whole steps, shape (..., A, B), in the adjusters' units, in decimal arithmetic: 3 of 0.1 make 0.3."""
        found = np.zeros(steps.shape)
        for at in zip(*np.nonzero(steps), strict=True):
            found[at] = float(Decimal(repr(self.adjusters[at[-2]].step)) * int(steps[at]))
        return found

    def step_bounds(self, setting: NDArray[np.float64]) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
        """Return the lowest and highest whole-step change of every adjuster on every blade.

        Parameters
        ----------
        setting : ndarray, shape (A, B)
            What is installed now, in the adjusters' units, inside their ranges.

        Returns
        -------
        lowest, highest : ndarray of int, shape (A, B)
            In steps; lowest <= 0 <= highest. A change is inside a bound if it exceeds it
            by less than 1e-9 step.
        """
        lowest = np.zeros(setting.shape, dtype=int)
        highest = np.zeros(setting.shape, dtype=int)
        for a, adjuster in enumerate(self.adjusters):
            free = np.array([b not in adjuster.fixed_blades for b in self.blades])
            up = np.minimum(adjuster.maximum - setting[a], adjuster.largest_change) / adjuster.step
            down = np.minimum(setting[a] - adjuster.minimum, adjuster.largest_change) / adjuster.step
            highest[a] = np.where(free, np.floor(np.maximum(up, 0.0) + STEP_SLACK), 0)
            lowest[a] = np.where(free, -np.floor(np.maximum(down, 0.0) + STEP_SLACK), 0)
        return lowest, highest


def _read_rotor(top: Table, file: str | PathLike[str]) -> Rotor:
    blades = top.texts("blades")
    if len(blades) < 2:
        raise top.error("blades", list(blades), "at least two blades")
    for blade in blades:
        _refuse_marks(top, "blades", blade)
    azimuth = top.numbers("azimuth_deg", len(blades))
    if azimuth is None:
        azimuth = tuple(360.0 * b / len(blades) for b in range(len(blades)))
    elif azimuth[0] != 0.0 or any(a >= b for a, b in pairwise(azimuth)) or azimuth[-1] >= 360.0:
        raise top.error("azimuth_deg", list(azimuth), "growing degrees from 0 (blade 1) to below 360")
    limits = top.table("limits")
    sensors = tuple(_read_sensor(t) for t in top.tables("sensors"))
    regimes = tuple(_read_regime(t, [s.name for s in sensors]) for t in top.tables("regimes"))
    regime_names = [r.name for r in regimes]
    _all_different(top, "sensors", [s.name for s in sensors])
    _all_different(top, "regimes", regime_names)
    adjusters = tuple(_read_adjuster(t, blades, regime_names) for t in top.tables("adjusters"))
    _all_different(top, "adjusters", [a.name for a in adjusters])
    timed = [a.minutes is not None for a in adjusters]
    if any(timed) and not all(timed):
        at = timed.index(False)
        raise top.error(f"adjusters[{at + 1}].minutes", None, "minutes for every adjuster, or for none")
    rotor = Rotor(
        name=top.text("name"),
        rpm=_speed(top, top.number("rpm", above=0.0)),
        blades=blades,
        azimuth_deg=np.array(azimuth),
        sensors=sensors,
        regimes=regimes,
        adjusters=adjusters,
        phase_sense=top.one_of("phase_sense", ("lag", "lead"), "lag"),
        phase_shown=top.one_of("phase_shown", ("degrees", "clock"), "degrees"),
        rotation=top.one_of("rotation", ("ccw", "cw"), "ccw"),
        blade_minutes=top.number("blade_minutes", 0.0, least=0.0),
        preferences=read_preferences(top.table("preferences"), blades, [a.name for a in adjusters]),
        place=top.one_of("place", ("main", "tail"), "main"),
        height_unit=top.one_of("height_unit", tuple(HEIGHT_UNITS), "mm"),
        track_weight=top.number("track_weight", 1.0, least=0.0),
        vibration=limits.number("vibration", None, above=0.0),
        vibration_stop=limits.number("vibration_stop", None, above=0.0),
        height_spread=limits.number("height_spread", None, above=0.0),
        height_spread_stop=limits.number("height_spread_stop", None, above=0.0),
        height_noise=top.number("height_noise", None, above=0.0),
        blade_data=_read_blade_data(top.table("blade_data")) if top.has("blade_data") else None,
    )
    limits.done()
    top.done()
    _check_limits(rotor, top)
    return rotor


def _read_sensor(t: Table) -> Sensor:
    name = _sheet_name(t)
    if name in (HEIGHT, "info"):
        raise t.error("name", name, "another name: this one begins other headings of the sheets")
    sensor = Sensor(
        name=name,
        axis=t.one_of("axis", ("vertical", "lateral", "longitudinal")),
        unit=t.one_of("unit", tuple(VIBRATION_UNITS)),
        harmonic=t.whole("harmonic", 1),
        limit=t.number("limit", None, above=0.0),
        stop=t.number("stop", None, above=0.0),
        noise=t.number("noise", None, above=0.0),
        go_on=t.number("go_on", None, above=0.0),
    )
    t.done()
    return sensor


def _read_regime(t: Table, sensors: Sequence[str]) -> Regime:
    name = _sheet_name(t)
    regime = Regime(
        name=name,
        label=t.text("label", name),
        airborne=t.flag("airborne", False),
        weight=t.number("weight", 1.0, least=0.0),
        vibration=t.number("vibration", None, above=0.0),
        vibration_stop=t.number("vibration_stop", None, above=0.0),
        height_spread=t.number("height_spread", None, above=0.0),
        height_spread_stop=t.number("height_spread_stop", None, above=0.0),
        heights=t.flag("heights", True),
        go_on=t.number("go_on", None, above=0.0),
        go_on_height_spread=t.number("go_on_height_spread", None, above=0.0),
        not_read=t.texts("not_read", (), choices=sensors),
        rpm=_speed(t, t.number("rpm", above=0.0)) if t.has("rpm") else None,
    )
    t.done()
    return regime


def _speed(t: Table, rpm: float) -> float:
    """Return a rotor speed. Raises InputError where no rotor turns so."""
    if not LOWEST_RPM <= rpm <= HIGHEST_RPM:
        raise t.error("rpm", rpm, f"a rotor speed from {LOWEST_RPM:g} to {HIGHEST_RPM:g} rpm")
    return rpm


def _read_adjuster(t: Table, blades: Sequence[str], regimes: Sequence[str]) -> Adjuster:
    minimum = t.number("minimum")
    maximum = t.number("maximum")
    if maximum <= minimum:
        raise t.error("maximum", maximum, f"a number above the minimum {minimum:g}")
    step = t.number("step", above=0.0)
    if (maximum - minimum) / step > MOST_STEPS:
        raise t.error("step", step, f"a step that goes at most {MOST_STEPS} times into the range")
    adjuster = Adjuster(
        name=_sheet_name(t),
        kind=t.one_of("kind", KINDS),
        unit=t.text("unit"),
        step=step,
        minimum=minimum,
        maximum=maximum,
        largest_change=t.number("largest_change", maximum - minimum, above=0.0),
        positive=t.text("positive", "increase"),
        negative=t.text("negative", "decrease"),
        fixed_blades=t.texts("fixed_blades", (), choices=blades),
        needs=t.texts("needs", (), choices=regimes),
        pieces=_read_pieces(t, step) if t.has("pieces") else (),
        least_pieces=t.whole("least_pieces", 0, least=0),
        most_pieces=t.whole("most_pieces", None),
        minutes=t.number("minutes", None, least=0.0),
        inside_first=t.texts("inside_first", (), choices=regimes),
        hardware=_read_hardware(t),
    )
    if adjuster.pieces and float(np.prod([piece.most + 1.0 for piece in adjuster.pieces])) > MOST_SETS:
        raise t.error("pieces", f"{len(adjuster.pieces)} pieces", f"at most {MOST_SETS} ways to put them together")
    t.done()
    return adjuster


def _read_blade_data(t: Table) -> BladeData:
    found = BladeData(
        radius_m=t.number("radius_m", above=0.0),
        flap_hinge_offset=t.number("flap_hinge_offset", 0.0, least=0.0),
        mass_kg=t.number("mass_kg", None, above=0.0),
        static_moment_kgm=t.number("static_moment_kgm", None, above=0.0),
        flap_inertia_kgm2=t.number("flap_inertia_kgm2", None, above=0.0),
        flap_spring_Nm_per_rad=t.number("flap_spring_Nm_per_rad", 0.0, least=0.0),
        lock_number=t.number("lock_number", None, above=0.0),
        chord_m=t.number("chord_m", None, above=0.0),
        lift_slope=t.number("lift_slope", 5.7, above=0.0),
    )
    if found.flap_hinge_offset >= 0.5:
        raise t.error("flap_hinge_offset", found.flap_hinge_offset, "a part of the radius below 0.5")
    t.done()
    return found


def _read_hardware(t: Table) -> Hardware:
    offset = t.number("azimuth_offset_deg", 0.0)
    if not abs(offset) <= 180.0:
        raise t.error("azimuth_offset_deg", offset, "degrees from -180 to 180, after its blade")
    return Hardware(
        radius_m=t.number("radius_m", None, above=0.0),
        ahead_mm=t.number("ahead_mm", 0.0),
        azimuth_offset_deg=offset,
        kg_per_unit=t.number("kg_per_unit", None, above=0.0),
        thread_pitch_mm=t.number("thread_pitch_mm", None, above=0.0),
        units_per_turn=t.number("units_per_turn", 1.0, above=0.0),
        arm_mm=t.number("arm_mm", None, above=0.0),
    )


def _read_pieces(t: Table, step: float) -> tuple[Piece, ...]:
    found = []
    for entry in t.tables("pieces"):
        piece = Piece(entry.text("name"), entry.number("amount", above=0.0), entry.whole("most", 1))
        if abs(piece.amount / step - round(piece.amount / step)) > 1e-6:
            raise entry.error("amount", piece.amount, f"a multiple of the step {step:g}")
        entry.done()
        found.append(piece)
    _all_different(t, "pieces", [piece.name for piece in found])
    return tuple(found)


def _sheet_name(t: Table) -> str:
    """Return the entry's name, which becomes a heading or a cell of the CSV sheets."""
    name: str = t.text("name")
    _refuse_marks(t, "name", name)
    return name


def _refuse_marks(t: Table, key: str, name: str) -> None:
    if any(c in name for c in '[],"'):
        raise t.error(key, name, "a name without brackets, commas or quotation marks")


def _all_different(top: Table, key: str, names: Sequence[str]) -> None:
    for i, name in enumerate(names):
        if name in names[:i]:
            raise top.error(f"{key}[{i + 1}].name", name, "a name not used before")


def _check_limits(rotor: Rotor, top: Table) -> None:
    """Raise InputError where a limit is missing or a stop is below its limit."""
    vibration, stop = rotor.vibration_limit, rotor.vibration_stop_limit
    heights, height_stop = rotor.height_limit, rotor.height_stop_limit
    _check_go_on(rotor, top)
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            place = f"{regime.name} / {sensor.name}"
            if np.isinf(vibration[r, s]):
                raise top.error("limits.vibration", State("no vibration limit"), f"one for {place}")
            if stop[r, s] < vibration[r, s]:
                raise top.error(
                    "limits.vibration_stop",
                    State(f"stop {stop[r, s]:g} for {place}"),
                    f"a stop not below the limit {vibration[r, s]:g}",
                )
        if regime.heights and np.isinf(heights[r]):
            raise top.error(
                "limits.height_spread",
                State("no height_spread limit"),
                f"one for {regime.name}, or heights = false there",
            )
        if height_stop[r] < heights[r]:
            raise top.error(
                "limits.height_spread_stop",
                State(f"stop {height_stop[r]:g} for {regime.name}"),
                f"a stop not below the limit {heights[r]:g}",
            )


def _check_go_on(rotor: Rotor, top: Table) -> None:
    """Raise InputError where one might go on at a stop limit."""
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            go_on, stop = rotor.vibration_go_on[r, s], rotor.vibration_stop_limit[r, s]
            if np.isfinite(go_on) and go_on > stop:
                raise top.error(
                    "go_on",
                    State(f"go_on {go_on:g} for {regime.name} / {sensor.name}"),
                    f"a figure not above the stop limit {stop:g}",
                )
        spread, stop = rotor.height_go_on[r], rotor.height_stop_limit[r]
        if np.isfinite(spread) and spread > stop:
            raise top.error(
                "go_on_height_spread",
                State(f"go_on_height_spread {spread:g} for {regime.name}"),
                f"a figure not above the stop limit {stop:g}",
            )
