"""Repeated readings held against one another, before they are averaged.

A reading repeated in a run should come back to within its noise. How large that is, the
repeats of all runs say together, by the median of their squared differences, which a few bad
ones hardly move. Of three or more the one that lies off is named; of two, that they disagree.
A job in most of whose repeats two rows disagree holds two aircraft, or two jobs, under one
name. What was probably written wrongly is tried: another unit, a decimal place, half a turn,
the other sense, another blade. Thresholds are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trackbal.base.phasor import HEIGHT_UNITS, PEAK_UNITS, VIBRATION_UNITS, unit_factor
from trackbal.runs.readings import RowReadings
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import Counts, History, OddRepeat, Reals, Without

FALSE_ALARM = 1e-3  # for all repeats of a sheet together
LEAST_PAIRS = 8  # with fewer, the repeats do not say how large the noise is:
USUAL_NOISE, LEAST_NOISE = 0.1, 0.02  # it is then taken to be this part of the limit; and never below that
FITS = 0.01  # a mistake put right explains a reading if what is left is this probable
PAIR_DISAGREES = 1e-3
MOST_OF_JOB = 0.3  # of a job's repeats that disagree, in two runs or more: it is not one aircraft's


@dataclass(frozen=True)
class _Column:
    """The repeated readings of one sensor, or of the tips, over their limits; rows sorted by group.

    `index` is the sensor, HEIGHTS for the tips; `value` has shape (rows, parts).
    """

    index: int
    value: Reals
    row: Counts
    group: Counts
    dof: int

    @property
    def pairs(self) -> tuple[Counts, Reals]:
        """Places of readings whose next is a repeat of the same, and the squared differences."""
        first = np.flatnonzero(np.diff(self.group) == 0)
        return first, ((self.value[first + 1] - self.value[first]) ** 2).sum(axis=1)


def odd_repeats(
    rotor: Rotor,
    rows: RowReadings,
    group: Counts,
    regime: Counts,
    names: Sequence[tuple[str, int]],
    lines: Sequence[int] | None = None,
    resumed: NDArray[np.bool_] | None = None,
) -> tuple[OddRepeat, ...]:
    """Return what of repeated readings the others contradict.

    Parameters
    ----------
    rows : RowReadings
    group : ndarray of int, shape (rows,)
        Run times the number of regimes, plus regime.
    regime : ndarray of int, shape (rows,)
    names : sequence of (str, int)
        Job and number of each run; the job is "" for a run by itself.
    lines : sequence of int, optional
        Where each row stands in its sheet.
    resumed : ndarray of bool, shape (rows,), optional
        Rows that go on with a run after a later one had begun.
    """
    columns = [c for c in _columns(rotor, rows, group, regime) if len(c.pairs[0])]
    if not columns:
        return ()
    regimes = len(rotor.regimes)
    strangers = _jobs_of_two(columns, names, regimes)
    strange = np.array([job in strangers for job, _ in names])
    found = [_two_in_job(job, runs) for job, runs in strangers.items()]
    columns = [_part(c, ~strange[c.group // regimes]) for c in columns]
    off: dict[tuple[int, int, str], list[_Off]] = {}
    for one in _contradicted(columns):
        slip = _likely(rotor, rows, one, regime)
        off.setdefault((one.group, one.row, slip), []).append(one)
    for (at, row, slip), its in off.items():
        job, run = names[at // regimes]
        sign = bool(resumed is not None and row >= 0 and resumed[row])
        text = _words(rotor, at % regimes, its, slip, lines, sign)
        without = tuple(_without(rotor, rows, one, at % regimes) for one in its)
        found.append(OddRepeat(job, run, at % regimes, text, max(one.gain for one in its), without, "repeat"))
    return tuple(found)


def without_odd(history: History) -> History:
    """Return the history with odd repeats left out of its means; where it cannot be told which, all of them."""
    if not history.odd:
        return history
    at = {(history.jobs[j], int(run)): n for n, (j, run) in enumerate(zip(history.job, history.run, strict=True))}
    parts = ("vibration", "vibration_count", "vibration_squares", "height", "height_count", "height_squares")
    new = {name: getattr(history, name).copy() for name in parts}
    for odd in history.odd:
        if odd.whole_job:
            rows = history.job == history.jobs.index(odd.job)
            new["vibration_count"][rows], new["height_count"][rows] = 0, 0
            continue
        if (n := at.get((odd.job, odd.run))) is None:
            continue
        for one in odd.without:
            family, place = (
                ("height", (n, odd.regime)) if one.sensor == HEIGHTS else ("vibration", (n, odd.regime, one.sensor))
            )
            new[family][place] = one.mean
            new[f"{family}_count"][place], new[f"{family}_squares"][place] = one.count, one.squares
    return replace(history, odd=(), **new)


# ------------------------------------------------------------------------------ how large the noise is


def _columns(rotor: Rotor, rows: RowReadings, group: Counts, regime: Counts) -> Iterator[_Column]:
    for s in range(len(rotor.sensors)):
        y = rows.vibration[:, s] / rotor.vibration_limit[regime, s]
        yield _column(s, np.stack([y.real, y.imag], axis=-1), group, 2)
    tips = (rows.height - rows.height.mean(axis=1, keepdims=True)) / rotor.height_limit[regime][:, None]
    tips[~np.array([r.heights for r in rotor.regimes])[regime]] = np.nan
    yield _column(HEIGHTS, tips, group, len(rotor.blades) - 1)


def _column(index: int, value: Reals, group: Counts, dof: int) -> _Column:
    row = np.flatnonzero(np.isfinite(value).all(axis=1))
    row = row[np.argsort(group[row], kind="stable")]
    its = group[row]
    many = np.bincount(its)[its] > 1 if len(its) else np.zeros(0, dtype=bool)
    return _Column(index, value[row[many]], row[many], its[many], dof)


def _part(column: _Column, kept: NDArray[np.bool_]) -> _Column:
    return replace(column, value=column.value[kept], row=column.row[kept], group=column.group[kept])


def _noise(squares: Reals, dof: int) -> float:
    """Return the standard deviation of one part of a reading, over its limit, from squared differences of pairs."""
    from scipy.special import chdtri

    if len(squares) < LEAST_PAIRS:
        return USUAL_NOISE
    sd = float(np.sqrt(np.median(squares) / (2.0 * chdtri(dof, 0.5)))) * (1.0 + 2.0 / np.sqrt(len(squares)))
    return max(sd, LEAST_NOISE)


def _jobs_of_two(columns: Sequence[_Column], names: Sequence[tuple[str, int]], regimes: int) -> dict[str, list[int]]:
    """Return the jobs that cannot be one aircraft's, each with the runs in which its repeats disagree."""
    from scipy.special import chdtrc

    job_names = list(dict.fromkeys(job for job, _ in names))
    number = {job: j for j, job in enumerate(job_names)}
    job_of_run = np.array([number[job] for job, _ in names])
    pairs, bad = np.zeros((2, len(job_names)))
    runs: dict[int, set[int]] = {}
    for c in columns:
        first, squares = c.pairs
        run = c.group[first] // regimes
        job = job_of_run[run]
        strict = min(_noise(squares, c.dof), USUAL_NOISE)
        apart = chdtrc(c.dof, squares / (2.0 * strict**2)) < PAIR_DISAGREES
        for j in np.unique(job[apart]).tolist():
            others = _noise(squares[job != j], c.dof)
            disagree = (job == j) & (chdtrc(c.dof, squares / (2.0 * others**2)) < PAIR_DISAGREES)
            bad[j] += disagree.sum()
            runs.setdefault(j, set()).update(run[disagree].tolist())
        pairs += np.bincount(job, minlength=len(job_names))
    wrong = [j for j, its in runs.items() if bad[j] > MOST_OF_JOB * pairs[j] and len(its) > 1]
    return {job_names[j]: sorted(names[i][1] for i in runs[j]) for j in sorted(wrong) if job_names[j]}


def _two_in_job(job: str, runs: Sequence[int]) -> OddRepeat:
    text = (
        f"its repeated rows disagree in runs {', '.join(map(str, runs))}: they cannot be one aircraft's; "
        "two aircraft, or two jobs, may stand under one name"
    )
    return OddRepeat(job, runs[0], -1, text, 0.0, (), "two_in_job")


# ------------------------------------------------------------------------------ which one lies off


@dataclass(frozen=True)
class _Off:
    """A reading that its repeats contradict; `row` is -1 where it cannot be told which."""

    index: int
    group: int
    row: int
    members: Counts
    kept: Counts
    sd: float
    gain: float


def _contradicted(columns: Sequence[_Column]) -> Iterator[_Off]:
    from scipy.special import chdtrc

    readings = sum(len(c.group) for c in columns)
    for c in columns:
        first, squares = c.pairs
        sd = _noise(squares, c.dof)
        rare = FALSE_ALARM / max(readings, 1)
        apart = first[chdtrc(c.dof, squares / (2.0 * sd**2)) < rare]
        for group in np.unique(c.group[apart]).tolist():
            yield from _of_group(c, np.flatnonzero(c.group == group), sd, rare)


def _of_group(c: _Column, members: Counts, sd: float, rare: float) -> Iterator[_Off]:
    """Take the reading farthest from the median away while it is too far off and two others are left."""
    from scipy.special import chdtrc

    remaining, taken = members, []
    while len(remaining) > 2:
        apart = ((c.value[remaining] - np.median(c.value[remaining], axis=0)) ** 2).sum(axis=1)
        worst, others = int(np.argmax(apart)), len(remaining) - 1
        score = float(apart[worst]) / (sd**2 * (1.0 + 1.0 / others))
        if chdtrc(c.dof, score) >= rare:
            break
        taken.append((int(remaining[worst]), score))
        remaining = np.delete(remaining, worst)
    group = int(c.group[members[0]])
    rows = c.row[members]
    if len(remaining) == 2:
        score = float(((c.value[remaining[1]] - c.value[remaining[0]]) ** 2).sum()) / (2.0 * sd**2)
        if chdtrc(c.dof, score) < rare:
            yield _Off(c.index, group, -1, rows, rows[:0], sd, score / 2.0)
            return
    for member, score in taken:
        yield _Off(c.index, group, int(c.row[member]), rows, c.row[remaining], sd, score / 2.0)


def _without(rotor: Rotor, rows: RowReadings, one: _Off, regime: int) -> Without:
    if one.index == HEIGHTS:
        tips = rows.height[one.kept] - rows.height[one.kept].mean(axis=1, keepdims=True)
        nothing: Any = np.full(len(rotor.blades), np.nan)
        mean: Any = tips.mean(axis=0) if len(tips) else nothing
        return Without(HEIGHTS, mean, len(tips), float(((tips - mean) ** 2).sum()) if len(tips) else 0.0)
    values = rows.vibration[one.kept, one.index]
    mean = complex(values.mean()) if len(values) else complex(np.nan, np.nan)
    return Without(one.index, mean, len(values), float((np.abs(values - mean) ** 2).sum()) if len(values) else 0.0)


# ------------------------------------------------------------------------------ what was probably written wrongly


Slip = tuple[str, Callable[[Any], Any]]  # words, and what puts it right


def _vibration_slips(rotor: Rotor, s: int, rpm: float) -> Iterator[Slip]:
    sensor = rotor.sensors[s]
    hertz = sensor.harmonic * rpm / 60.0
    for unit, (order, _) in PEAK_UNITS.items():
        if unit != sensor.unit:
            factor = unit_factor(unit, sensor.unit, hertz)
            yield f"written in {unit}", partial(np.multiply, factor)
            if order != VIBRATION_UNITS[sensor.unit][0]:
                yield f"an amplitude in {unit}", partial(np.multiply, abs(factor))
    yield "a decimal place too large", partial(np.multiply, 0.1)
    yield "a decimal place too small", partial(np.multiply, 10.0)
    yield "a phase off by 180 degrees", np.negative
    yield "a phase in the other sense", np.conj
    for b in range(1, len(rotor.blades)):
        turn = np.exp(-1j * sensor.harmonic * np.deg2rad(rotor.azimuth_deg[b]))
        yield f"a phase counted from blade {rotor.blades[b]}", partial(np.multiply, turn)


def _height_slips(rotor: Rotor) -> Iterator[Slip]:
    for unit, size in HEIGHT_UNITS.items():
        if unit != rotor.height_unit:
            factor = size / HEIGHT_UNITS[rotor.height_unit]
            yield f"heights in {unit}", partial(np.multiply, factor)
    yield "heights with down as positive", np.negative
    yield "heights of the blades in the other order", np.flip
    for b in range(1, len(rotor.blades)):
        yield f"heights listed from blade {rotor.blades[b]} on", partial(np.roll, shift=b)


def _likely(rotor: Rotor, rows: RowReadings, one: _Off, regime: Counts) -> str:
    """Return the mistake that would bring a reading back among its repeats, or "" """
    r = int(regime[one.members[0]])
    if one.index == HEIGHTS:
        tips = rows.height - rows.height.mean(axis=1, keepdims=True)
        read: Callable[[int], Any] = lambda row: tips[row] / rotor.height_limit[r]  # noqa: E731
        slips, dof = list(_height_slips(rotor)), len(rotor.blades) - 1
    else:
        read = lambda row: rows.vibration[row, one.index] / rotor.vibration_limit[r, one.index]  # noqa: E731
        slips, dof = list(_vibration_slips(rotor, one.index, float(rows.rpm[one.members[0]]))), 2
    if one.row >= 0:
        cases = [(read(one.row), np.mean([read(int(row)) for row in one.kept], axis=0), len(one.kept))]
    elif len(one.members) == 2:
        this, other = (read(int(row)) for row in one.members)
        cases = [(this, other, 1), (other, this, 1)]
    else:
        return ""
    return _best_slip(slips, cases, one.sd, dof)


def _best_slip(slips: Sequence[Slip], cases: Sequence[tuple[Any, Any, int]], sd: float, dof: int) -> str:
    from scipy.special import chdtrc

    best, likeliest = FITS, ""
    for words, put_right in slips:
        for value, usual, others in cases:
            squares = float(np.sum(np.abs(put_right(value) - usual) ** 2))
            chance = float(chdtrc(dof, squares / (sd**2 * (1.0 + 1.0 / others))))
            if chance > best:
                best, likeliest = chance, words
    return likeliest


def _words(
    rotor: Rotor, regime: int, its: Sequence[_Off], slip: str, lines: Sequence[int] | None, resumed: bool
) -> str:
    one = its[0]
    names = " and ".join("tip heights" if i.index < 0 else rotor.sensors[i.index].name for i in its)

    def place(row: int) -> str:
        return f"row {lines[row]}" if lines is not None else f"repeat {int(np.searchsorted(one.members, row)) + 1}"

    where = f"{rotor.regimes[regime].name}, {names}"
    if one.row < 0:
        text = (
            f"{where}: {' and '.join(place(int(row)) for row in one.members)} disagree; which is right cannot be told"
        )
        text += f", one is probably {slip}" if slip else ""
    else:
        others = len(one.members) - 1
        text = f"{where}: {place(one.row)} is unlike its {others} repeats"
        text += f", probably {slip}" if slip else ""
    return text + ("; it goes on with a run after a later one had begun" if resumed else "")
