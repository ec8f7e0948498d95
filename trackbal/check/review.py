"""A run against its limits: what was read, worst first, and what in it is hard to believe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.check.plausibility import Finding, find_all
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run

#: A reading written as exactly its limit is inside, and one written as exactly its stop has
#: reached it, whatever the conversion to a phasor and from another unit rounds.
READING_SLACK = 1e-9

HEIGHT = "height"  # stands in a sensor's place for the spread of the tips


@dataclass(frozen=True)
class Reading:
    """One reading against its limit.

    Parameters
    ----------
    regime, sensor : str
        `sensor` is "height" for the spread (highest minus lowest tip) of the regime.
    value, limit : float
        In `unit`; amplitudes for vibration.
    stop : float or None
        None where no stop limit is set.
    ratio : float
        value / limit.
    go_on : float or None
        The user's own figure above which one does not go on to a further condition; None where none is set.
    """

    regime: str
    sensor: str
    value: float
    unit: str
    limit: float
    stop: float | None
    ratio: float
    go_on: float | None = None

    @property
    def inside(self) -> bool:
        """Whether the reading is not above its limit."""
        return is_inside(self.value, self.limit)

    @property
    def stopped(self) -> bool:
        """Whether the reading is at or above its stop limit."""
        return self.stop is not None and is_stopped(self.value, self.stop)

    @property
    def may_go_on(self) -> bool:
        """Whether the user's own figure, if there is one, allows to go on to a further condition."""
        return self.go_on is None or is_inside(self.value, self.go_on)


@dataclass(frozen=True)
class Review:
    """A run's readings against their limits, worst ratio first, and findings on them."""

    readings: tuple[Reading, ...]
    findings: tuple[Finding, ...]

    @property
    def worst_ratio(self) -> float:
        """Largest reading-to-limit ratio; nan if nothing counts as read."""
        return self.readings[0].ratio if self.readings else float("nan")

    @property
    def inside(self) -> bool:
        """Whether something was read and every reading taken is not above its limit."""
        return bool(self.readings) and all(reading.inside for reading in self.readings)

    @property
    def stop(self) -> bool:
        """Whether any reading is at or above its stop limit."""
        return any(reading.stopped for reading in self.readings)

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
    readings = [*_vibration_readings(rotor, run), *_height_readings(rotor, run)]
    readings.sort(key=lambda reading: -reading.ratio)  # stable: equal ratios stay in the rotor's order
    return Review(tuple(readings), tuple(find_all(rotor, run, influence)))


def held_at(rotor: Rotor, review: Review) -> list[str]:
    """Return the labels of the regimes from which the user's own figures do not allow to go on."""
    names = {reading.regime for reading in review.no_further}
    return [regime.label for regime in rotor.regimes if regime.name in names]


def _vibration_readings(rotor: Rotor, run: Run) -> list[Reading]:
    amplitude = np.abs(run.vibration)
    return [
        _reading(
            rotor.regimes[r].name,
            rotor.sensors[s].name,
            rotor.sensors[s].unit,
            float(amplitude[r, s]),
            (rotor.vibration_limit[r, s], rotor.vibration_stop_limit[r, s], rotor.vibration_go_on[r, s]),
        )
        for r, s in np.argwhere(run.vibration_read)
    ]


def _height_readings(rotor: Rotor, run: Run) -> list[Reading]:
    return [
        _reading(
            rotor.regimes[r].name,
            HEIGHT,
            rotor.height_unit,
            float(run.spread[r]),
            (rotor.height_limit[r], rotor.height_stop_limit[r], rotor.height_go_on[r]),
        )
        for r in np.flatnonzero(run.height_read)
    ]


def _reading(regime: str, sensor: str, unit: str, value: float, bounds: tuple[float, float, float]) -> Reading:
    """Return a reading held against (limit, stop, go-on figure), the last two inf where none is set."""
    limit, stop, go_on = (None if np.isinf(bound) else float(bound) for bound in bounds)
    assert limit is not None
    return Reading(regime, sensor, value, unit, limit, stop, value / limit, go_on)
