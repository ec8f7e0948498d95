"""From the rows of a run or history sheet to mean readings: headings, units, phases, repeats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from trackbal.base.csv_table import NUMBER, CsvTable, NumberKind, near
from trackbal.base.phasor import HEIGHT_UNITS, VIBRATION_UNITS, to_phasor, unit_factor
from trackbal.runs.rotor import HIGHEST_RPM, LOWEST_RPM, Rotor
from trackbal.runs.run import Complexes, Counts, Reals, Singles

AMPLITUDE = NumberKind("an amplitude, a number of at least 0", least=0.0)
SPEED = NumberKind("a rotor speed in rpm, a number above 0", least=LOWEST_RPM, most=HIGHEST_RPM)
PHASE = NumberKind("a phase, degrees from -360 to 360 or clock hours as 4:30", least=-360.0, most=360.0, clock=True)

OF_WHOM = ("aircraft", "date")  # columns of a history sheet that may be left out
GROUP = "group."


@dataclass(frozen=True)
class Meaning:
    """What a known heading stands for, the unit it has without brackets, and those it may have."""

    kind: Literal["amplitude", "phase", "height", "plain"]
    index: int  # of the sensor or blade; its place among the plain columns
    unit: str = ""
    units: tuple[str, ...] = ()


@dataclass(frozen=True)
class Headings:
    """Where the readings stand in a sheet.

    `amplitude`, `phase` and `height` map the index of a sensor or blade to (position,
    unit); `plain` maps a name such as "regime", `info` and `group` a whole heading, to a position.
    """

    amplitude: dict[int, tuple[int, str]]
    phase: dict[int, tuple[int, str]]
    height: dict[int, tuple[int, str]]
    plain: dict[str, int]
    info: dict[str, int]
    group: dict[str, int]


@dataclass(frozen=True)
class RowReadings:
    """The readings of every row, in the rotor's units and the lag convention; nan where not read.

    Parameters
    ----------
    vibration : ndarray of complex, shape (rows, S)
    height : ndarray, shape (rows, B)
        As given, from whatever datum.
    rpm : ndarray, shape (rows,)
    at_usual : ndarray, shape (rows, S)
        How many times as large it would be, had it been converted from its unit at the regime's usual speed.
    """

    vibration: Complexes
    height: Reals
    rpm: Reals
    at_usual: Reals

    def of(self, rows: Counts) -> RowReadings:
        """Return some of the rows, by index."""
        return RowReadings(self.vibration[rows], self.height[rows], self.rpm[rows], self.at_usual[rows])


@dataclass(frozen=True)
class Means:
    """Mean and scatter of the readings of each group of rows.

    Parameters
    ----------
    vibration, vibration_count, vibration_squares : ndarray, shape (groups, S)
    height, height_taken : ndarray, shape (groups, B)
    height_count, height_squares, rpm : ndarray, shape (groups,)
        As in trackbal.runs.run.Run.
    """

    vibration: Complexes
    vibration_count: Counts
    vibration_squares: Reals
    height: Reals
    height_taken: NDArray[np.bool_]
    height_count: Counts
    height_squares: Reals
    rpm: Reals

    def by_run(self, runs: int, regimes: int) -> dict[str, Any]:
        """Return what a History holds of groups that are the regimes of n runs, by name, run by run."""
        names = ("vibration", "vibration_count", "vibration_squares", "height", "height_count", "height_squares")
        found = {name: getattr(self, name) for name in names}
        return {name: values.reshape(runs, regimes, *values.shape[1:]) for name, values in found.items()}


def read_headings(rotor: Rotor, table: CsvTable, leading: Sequence[str]) -> Headings:
    """Sort out the columns of a run sheet (no leading columns) or a history sheet (job, run; see identity.py).

    Raises
    ------
    InputError
        For a column that is unknown, given twice (in two units even), in an unknown unit,
        without its counterpart (amplitude and phase), or missing.
    """
    known = _known_headings(rotor, leading)
    found = Headings({}, {}, {}, {}, {}, {})
    by_kind = {"amplitude": found.amplitude, "phase": found.phase, "height": found.height}
    for position, heading in enumerate(table.headings):
        if heading.startswith("info.") and heading != "info.":
            found.info[heading] = position
            continue
        if leading and heading.startswith(GROUP) and heading != GROUP:
            found.group[heading] = position
            continue
        name, unit = split_unit(heading)
        if name not in known:
            raise table.error(None, position, heading, _expected_columns(leading) + near(name, list(known)))
        meaning = known[name]
        if unit is not None and unit not in meaning.units:
            choices = " or ".join(meaning.units)
            raise table.error(None, position, unit, f"{choices} in the brackets" if choices else "no brackets here")
        if meaning.kind == "plain":
            found.plain[name] = position
            continue
        if meaning.index in by_kind[meaning.kind]:
            raise table.error(None, position, heading, "every reading in one column only")
        by_kind[meaning.kind][meaning.index] = (position, unit or meaning.unit)
    _check_complete(rotor, table, found, leading)
    return found


def _check_complete(rotor: Rotor, table: CsvTable, found: Headings, leading: Sequence[str]) -> None:
    for s, sensor in enumerate(rotor.sensors):
        if s in found.amplitude and s not in found.phase:
            raise table.error(None, found.amplitude[s][0], f"no column {sensor.name}.deg", "the phase beside it")
        if s in found.phase and s not in found.amplitude:
            raise table.error(None, found.phase[s][0], f"no column {sensor.name}.amp", "the amplitude beside it")
    for name in (*leading, "regime"):
        table.position(name, "a history sheet" if leading else "a run sheet")
    if not found.amplitude and not found.height:
        raise table.error(None, None, "no column of readings", _expected_columns(leading))


def _known_headings(rotor: Rotor, leading: Sequence[str]) -> dict[str, Meaning]:
    known = {name: Meaning("plain", i) for i, name in enumerate((*leading, "regime", "rpm", "note"))}
    if leading:
        known |= {name: Meaning("plain", i) for i, name in enumerate(OF_WHOM, len(known))}
    for s, sensor in enumerate(rotor.sensors):
        known[f"{sensor.name}.amp"] = Meaning("amplitude", s, sensor.unit, tuple(VIBRATION_UNITS))
        known[f"{sensor.name}.deg"] = Meaning("phase", s, "deg", ("deg",))
    for b, blade in enumerate(rotor.blades):
        known[f"height.{blade}"] = Meaning("height", b, rotor.height_unit, tuple(HEIGHT_UNITS))
    return known


def _expected_columns(leading: Sequence[str]) -> str:
    whose = (*leading, *OF_WHOM, "group.<name>") if leading else ()
    names = ", ".join((*whose, "regime", "rpm"))
    return f"{names}, <sensor>.amp, <sensor>.deg, height.<blade>, note or info.<anything>"


def split_unit(heading: str) -> tuple[str, str | None]:
    """Split `name [unit]`; the unit is None if there are no brackets."""
    if not heading.endswith("]") or "[" not in heading:
        return heading, None
    name, _, unit = heading[:-1].rpartition("[")
    return name.rstrip(), unit.strip()


def read_rows(rotor: Rotor, table: CsvTable, found: Headings, regime: Counts) -> RowReadings:
    """Return the readings of every row; `regime`, shape (rows,), by index.

    A row without a speed of its own was run at the usual one of its regime.

    Raises
    ------
    InputError
        For a cell that is no such number, or an amplitude without its phase or the reverse.
    """
    given = np.full(table.rows, np.nan)
    if "rpm" in found.plain:
        given = table.numbers(found.plain["rpm"], SPEED)
    usual = rotor.usual_rpm[regime]
    rpm = np.where(np.isnan(given), usual, given)
    at_usual = np.ones((table.rows, len(rotor.sensors)))
    vibration = np.full((table.rows, len(rotor.sensors)), complex(np.nan, np.nan))
    for s, (position, unit) in found.amplitude.items():
        phasor = _read_phasors(rotor, table, position, found.phase[s][0])
        sensor_unit = rotor.sensors[s].unit
        vibration[:, s] = phasor * _row_factors(unit, sensor_unit, rotor.sensors[s].harmonic * rpm / 60.0)
        at_usual[:, s] = (usual / rpm) ** (VIBRATION_UNITS[sensor_unit][0] - VIBRATION_UNITS[unit][0])
    height = np.full((table.rows, len(rotor.blades)), np.nan)
    for b, (position, unit) in found.height.items():
        height[:, b] = table.numbers(position, NUMBER) * (HEIGHT_UNITS[unit] / HEIGHT_UNITS[rotor.height_unit])
    return RowReadings(vibration, height, rpm, at_usual)


def _read_phasors(rotor: Rotor, table: CsvTable, amp_at: int, deg_at: int) -> Complexes:
    amplitude = table.numbers(amp_at, AMPLITUDE)
    degrees = table.numbers(deg_at, PHASE)
    no_phase = np.isnan(degrees) & (amplitude > 0.0)
    if no_phase.any():
        raise table.bad_cell(int(np.argmax(no_phase)), deg_at, f"the phase of {table.headings[amp_at]}")
    no_amplitude = np.isnan(amplitude) & ~np.isnan(degrees)
    if no_amplitude.any():
        raise table.bad_cell(int(np.argmax(no_amplitude)), amp_at, f"the amplitude of {table.headings[deg_at]}")
    degrees[amplitude == 0.0] = 0.0  # an amplitude of nothing has no phase
    return to_phasor(amplitude, degrees, rotor.phase_sense)


def _row_factors(unit: str, wanted: str, hertz: Reals) -> Complexes:
    """Return the factor from one unit to another at the frequency of each row, shape (rows,)."""
    if unit == wanted:
        return np.ones(hertz.shape, dtype=complex)
    power = VIBRATION_UNITS[wanted][0] - VIBRATION_UNITS[unit][0]
    return np.asarray(unit_factor(unit, wanted, 1.0) * hertz**power, dtype=np.complex128)


def average(rotor: Rotor, rows: RowReadings, group: Counts, regime: Counts, groups: int) -> Means:
    """Average repeated readings: phasors as phasors, heights about the mean tip of their row.

    Parameters
    ----------
    rows : RowReadings
    group : ndarray of int, shape (rows,)
        The group, 0 to groups - 1, that each row belongs to.
    regime : ndarray of int, shape (rows,)
        The regime of each row: where it takes no heights, those given are passed over.
    groups : int
    """
    sensors, blades = rows.vibration.shape[1], rows.height.shape[1]
    vibration = np.full((groups, sensors), complex(np.nan, np.nan))
    count = np.zeros((groups, sensors), dtype=int)
    squares = np.zeros((groups, sensors))
    for s in range(sensors):
        vibration[:, s], count[:, s], squares[:, s] = _mean(rows.vibration[:, s], group, groups)
    wanted = np.array([r.heights for r in rotor.regimes])[regime]
    taken = np.zeros((groups, blades), dtype=bool)
    np.logical_or.at(taken, group[wanted], ~np.isnan(rows.height[wanted]))
    tips = rows.height - rows.height.mean(axis=1, keepdims=True)  # nan if any tip is missing
    tips[~wanted] = np.nan
    height = np.full((groups, blades), np.nan)
    height_count = np.zeros(groups, dtype=int)
    height_squares = np.zeros(groups)
    for b in range(blades):
        mean, height_count, tip_squares = _mean(tips[:, b].astype(complex), group, groups)
        height[:, b] = mean.real
        height_squares += tip_squares
    rpm = _mean(rows.rpm.astype(complex), group, groups)[0].real
    return Means(vibration, count, squares, height, taken, height_count, height_squares, rpm)


def singles(rotor: Rotor, rows: RowReadings, regime: Counts, lines: Sequence[int] | None) -> Singles:
    """Return the single readings of a run, regime by regime.

    Parameters
    ----------
    rows : RowReadings
    regime : ndarray of int, shape (rows,)
        The regime of each row.
    lines : sequence of int or None
        The line of the sheet each row stands on, if it stands on one.
    """
    regimes = len(rotor.regimes)
    vibration = np.full((regimes, rows.vibration.shape[1]), np.nan)
    np.fmax.at(vibration, regime, np.abs(rows.vibration))
    at_usual = np.full(vibration.shape, np.nan)
    np.fmax.at(at_usual, regime, np.abs(rows.vibration) * rows.at_usual)
    converted = np.zeros(vibration.shape, dtype=bool)
    np.logical_or.at(converted, regime, ~np.isnan(rows.vibration) & (rows.at_usual != 1.0))
    read = ~np.isnan(rows.height)
    highest = np.where(read, rows.height, -np.inf).max(axis=1)
    lowest = np.where(read, rows.height, np.inf).min(axis=1)
    spread, low, high = (np.full(regimes, np.nan) for _ in range(3))
    tips = np.zeros(regimes, dtype=int)
    np.maximum.at(tips, regime, read.sum(axis=1))
    np.fmax.at(spread, regime, np.where(read.sum(axis=1) >= 2, highest - lowest, np.nan))
    np.fmin.at(low, regime, rows.rpm)
    np.fmax.at(high, regime, rows.rpm)
    off = np.abs(np.log(rows.rpm / rotor.usual_rpm[regime]))
    nearest_first = np.argsort(off, kind="stable")
    line = np.zeros(regimes, dtype=int)
    if lines is not None:
        line[regime[nearest_first]] = np.asarray(lines, dtype=int)[nearest_first]  # the last one assigned stays
    return Singles(vibration, spread, tips, converted, low, high, at_usual, line)


def _mean(values: Complexes, group: Counts, groups: int) -> tuple[Complexes, Counts, Reals]:
    """Return mean, count and sum of |value - mean|^2 of each group, values of nan left out.

    Means are taken about the first value of the group, so that equal repeats give that
    very value and a scatter of exactly nothing.
    """
    read = ~np.isnan(values)
    group, values = group[read], values[read]
    count = np.bincount(group, minlength=groups)
    first = np.full(groups, complex(np.nan, np.nan))
    first[group[::-1]] = values[::-1]  # the last one assigned stays
    apart = values - first[group]
    total = np.zeros(groups, dtype=np.complex128)
    total.real, total.imag = (np.bincount(group, part, groups) for part in (apart.real, apart.imag))
    mean = first + total / np.maximum(count, 1)
    squares = np.asarray(np.bincount(group, np.abs(values - mean[group]) ** 2, groups), dtype=float)
    return mean, count, squares
