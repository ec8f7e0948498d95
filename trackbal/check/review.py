"""A run against its limits: what was read, worst first, and what in it is hard to believe.

Every single reading as entered is held against its limit and its stop; the mean of repeats,
which opposite phases can make small, serves the plan alone. What was not read is never inside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trackbal.check.coverage import Coverage, coverage
from trackbal.check.plausibility import Finding, find_all, speed_far
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import HEIGHT, Rotor
from trackbal.runs.run import Run

#: A reading written as exactly its limit is inside, and one written as exactly its stop has
#: reached it, whatever the conversion to a phasor and from another unit rounds.
READING_SLACK = 1e-9


@dataclass(frozen=True)
class Reading:
    """One reading against its limit.

    Parameters
    ----------
    regime, sensor : str
        `sensor` is "height" for the spread (highest minus lowest tip) of the regime.
    value, limit : float
        In `unit`; amplitudes for vibration. Of repeated readings `value` is that of their mean.
    stop : float or None
        None where no stop limit is set.
    largest : float
        The largest single reading of the repeats; `value` if there is but one.
    count : int
        How many were averaged.
    partial : bool
        The spread of some tips only, the others not being read: no more than a lower bound, which
        may be over a limit and may stop, and never passes.
    questioned : str
        Why the reading cannot be said to be inside, whatever it is; empty if it can.
    go_on : float or None
        The user's own figure above which one does not go on to a further condition; None where none is set.
    at_usual : float or None
        What the largest would be, had it been converted from its unit at the usual speed instead of one far off
        that was typed; None where there is no such doubt.
    """

    regime: str
    sensor: str
    value: float
    unit: str
    limit: float
    stop: float | None
    largest: float
    count: int = 1
    partial: bool = False
    questioned: str = ""
    go_on: float | None = None
    at_usual: float | None = None

    @property
    def what(self) -> str:
        """What was read, as screens name it: the sensor, or "tip spread"."""
        return "tip spread" if self.sensor == "height" else self.sensor

    @property
    def ratio(self) -> float:
        """The largest single reading over the limit."""
        return self.largest / self.limit

    @property
    def over(self) -> bool:
        """Whether a single reading is above its limit."""
        return not is_inside(self.largest, self.limit)

    @property
    def inside(self) -> bool:
        """Whether the reading is whole, beyond question, and not above its limit."""
        return not (self.over or self.partial or self.questioned)

    def __str__(self) -> str:
        """Return where it was taken, and why it is to be taken again if it is."""
        why = self.questioned or ("over its limit although not every tip was read" if self.partial else "")
        place = f"{self.regime}, {'tip spread' if self.sensor == HEIGHT else self.sensor}"
        return f"{place}: {why}" if why else place

    @property
    def worst_of_two(self) -> float:
        """The largest single reading, at the worse of two speeds where one is in doubt: what a stop limit goes by."""
        return max(self.largest, self.at_usual or 0.0)

    @property
    def stopped(self) -> bool:
        """Whether a single reading is at or above its stop limit, at either of two speeds where one is in doubt."""
        return self.stop is not None and is_stopped(self.worst_of_two, self.stop)

    @property
    def stopped_at_usual(self) -> bool:
        """Whether it is so only at the usual speed, not at the one that was typed."""
        return self.stopped and self.stop is not None and not is_stopped(self.largest, self.stop)

    @property
    def may_go_on(self) -> bool:
        """Whether the user's own figure, if there is one, allows to go on to a further condition."""
        return self.go_on is None or is_inside(self.largest, self.go_on)


@dataclass(frozen=True)
class Review:
    """A run's readings against their limits, worst ratio first, findings on them, and what was not read."""

    readings: tuple[Reading, ...]
    findings: tuple[Finding, ...]
    coverage: Coverage

    @property
    def worst_ratio(self) -> float:
        """Largest reading-to-limit ratio; nan if nothing counts as read."""
        return self.readings[0].ratio if self.readings else float("nan")

    @property
    def judged(self) -> bool:
        """Whether there is a whole reading."""
        return any(not reading.partial for reading in self.readings)

    @property
    def inside(self) -> bool:
        """Whether something was read and every reading taken is not above its limit.

        That what was *not* read is inside, nobody can say: see `finished`.
        """
        return self.judged and not any(reading.over or reading.questioned for reading in self.readings)

    @property
    def finished(self) -> bool:
        """Whether every reading that a whole run has was taken, and is inside."""
        return self.inside and self.coverage.complete

    @property
    def unclear(self) -> tuple[Reading, ...]:
        """Readings to be taken again before anything is made of them: contradicting, questioned, or cut short."""
        return tuple(r for r in self.readings if r.questioned or (r.partial and r.over))

    @property
    def stop(self) -> bool:
        """Whether any single reading is at or above its stop limit."""
        return any(reading.stopped for reading in self.readings)

    @property
    def stop_words(self) -> list[str]:
        """Readings at their stop limit, in words."""
        return [
            f"{one.regime}, {one.what} {one.worst_of_two:.4g} {one.unit}"
            f"{' at the usual speed' if one.stopped_at_usual else ''} (stop limit {one.stop:g})"
            for one in self.readings
            if one.stopped
        ]

    @property
    def no_further(self) -> tuple[Reading, ...]:
        """Readings above the user's own figure for going on from their regime, worst first."""
        return tuple(reading for reading in self.readings if not reading.may_go_on)

    @property
    def doubts(self) -> tuple[Finding, ...]:
        """Findings that make a reading hard to believe."""
        return tuple(f for f in self.findings if f.severity == "doubt")

    @property
    def notes(self) -> tuple[Finding, ...]:
        """Findings worth knowing that cast no doubt."""
        return tuple(f for f in self.findings if f.severity == "note")


def is_inside(value: float, limit: float) -> bool:
    """Return whether a reading is not above its limit, to within rounding."""
    return value <= limit * (1.0 + READING_SLACK)


def is_stopped(value: float, stop: float) -> bool:
    """Return whether a reading is at or above its stop limit, to within rounding."""
    return value >= stop * (1.0 - READING_SLACK)


def check_run(rotor: Rotor, run: Run, influence: Influence | None = None) -> Review:
    """Hold a run against its limits and look for readings that are hard to believe.

    Parameters
    ----------
    rotor : Rotor
    run : Run
    influence : Influence, optional
        Its reading noise then judges the scatter of repeats; without it a quarter of the
        limit does.
    """
    findings = tuple(find_all(rotor, run, influence))
    scattered = {(f.regime, f.place) for f in findings if f.kind == "scatter"}
    readings = [*_vibration_readings(rotor, run, scattered), *_height_readings(rotor, run, scattered)]
    readings.sort(key=lambda reading: -reading.ratio)  # stable: equal ratios stay in the rotor's order
    return Review(tuple(readings), findings, coverage(rotor, run))


def held_at(rotor: Rotor, review: Review) -> list[str]:
    """Return the labels of the regimes from which the user's own figures do not allow to go on."""
    names = {reading.regime for reading in review.no_further}
    return [regime.label for regime in rotor.regimes if regime.name in names]


Places = set[tuple[str | None, str | None]]


def _vibration_readings(rotor: Rotor, run: Run, scattered: Places) -> list[Reading]:
    amplitude, single = np.abs(run.vibration), run.single
    far = speed_far(rotor, run)
    found = []
    for r, s in np.argwhere(run.vibration_read):
        regime, sensor = rotor.regimes[r].name, rotor.sensors[s]
        count, limit = int(run.vibration_count[r, s]), float(rotor.vibration_limit[r, s])
        doubted = bool(single.converted[r, s] and far[r])
        usual = f"{float(single.at_usual[r, s]):.4g} {sensor.unit} at the usual one"
        why = f"converted at a rotor speed that is in doubt; {usual}" if doubted else ""
        if (regime, sensor.name) in scattered:
            apart = math.sqrt(float(run.vibration_squares[r, s]) / (count - 1))
            why = why or _contradiction(float(single.vibration[r, s]), apart, limit, count)
        found.append(
            Reading(
                regime,
                sensor.name,
                float(amplitude[r, s]),
                sensor.unit,
                limit,
                _finite(float(rotor.vibration_stop_limit[r, s])),
                float(single.vibration[r, s]),
                count,
                questioned=why,
                go_on=_finite(float(rotor.vibration_go_on[r, s])),
                at_usual=float(single.at_usual[r, s]) if doubted else None,
            )
        )
    return found


def _height_readings(rotor: Rotor, run: Run, scattered: Places) -> list[Reading]:
    """Return the tip spreads of regimes whose every tip was read, and those of some tips only that are over."""
    single, freedom = run.single, len(rotor.blades) - 1
    found = []
    for r in np.flatnonzero(rotor.height_wanted & ~np.isnan(single.spread)):
        whole, count, limit = bool(run.height_read[r]), int(run.height_count[r]), float(rotor.height_limit[r])
        largest, why = float(single.spread[r]), ""
        if not whole and is_inside(largest, limit):
            continue  # the tips not read may be anywhere
        if (rotor.regimes[r].name, HEIGHT) in scattered and count > 1:
            apart = 2.0 * math.sqrt(float(run.height_squares[r]) / (count - 1) / freedom)
            why = _contradiction(largest, apart, limit, count)
        found.append(
            Reading(
                rotor.regimes[r].name,
                HEIGHT,
                float(run.spread[r]) if whole else largest,
                rotor.height_unit,
                limit,
                _finite(float(rotor.height_stop_limit[r])),
                largest,
                max(count, 1),
                partial=not whole,
                questioned=why,
                go_on=_finite(float(rotor.height_go_on[r])),
            )
        )
    return found


def _contradiction(largest: float, apart: float, limit: float, count: int) -> str:
    """Return why repeats that scatter beyond their noise are not inside; nothing if the next one would be all the same.

    Readings far inside their limit may scatter as they like: as far apart again, they are inside still.
    """
    return "" if is_inside(largest + apart, limit) else f"its {count} readings contradict each other"


def _finite(stop: float) -> float | None:
    return None if math.isinf(stop) else stop
