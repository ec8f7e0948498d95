"""How much of what a whole run has was read: said beside every verdict, as what was not read cannot be inside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trackbal.runs.rotor import HEIGHT, Rotor
from trackbal.runs.run import Run


@dataclass(frozen=True)
class Coverage:
    """What was read of what a whole run of the rotor has.

    Parameters
    ----------
    taken, wanted : int
        Readings: of each sensor in each regime, and of the tips in each regime with heights.
    whole, regimes : int
        Regimes in which nothing is missing, of those in which anything is wanted.
    unread_regimes : tuple of str
        Names of regimes in which nothing counts as read.
    unread : tuple of (regime, place)
        What is missing in the other regimes: a sensor, or HEIGHT.
    """

    taken: int
    wanted: int
    whole: int
    regimes: int
    unread_regimes: tuple[str, ...]
    unread: tuple[tuple[str, str], ...]

    @property
    def complete(self) -> bool:
        """Whether nothing is missing."""
        return self.taken == self.wanted

    @property
    def what_was_read(self) -> str:
        """Return "1 of 4 regimes, 3 of 12 readings"."""
        readings = f"{self.taken} of {self.wanted} readings"
        return f"{self.whole} of {self.regimes} regimes, {readings}" if self.whole else readings

    @property
    def what_was_not(self) -> str:
        """Return "hover; flat_pitch: seat_lateral, tip heights"; empty if nothing is missing."""
        said = [", ".join(self.unread_regimes)] if self.unread_regimes else []
        for regime in dict.fromkeys(regime for regime, _ in self.unread):
            places = [place for where, place in self.unread if where == regime]
            said.append(f"{regime}: {', '.join('tip heights' if p == HEIGHT else p for p in places)}")
        return "; ".join(said)


def coverage(rotor: Rotor, run: Run) -> Coverage:
    """Return what a run has of what a whole run of its rotor has."""
    return coverage_of(rotor, run.vibration_read, run.height_read)


def coverage_of(rotor: Rotor, vibration: NDArray[np.bool_], height: NDArray[np.bool_]) -> Coverage:
    """Return what readings taken, shapes (R, S) and (R,), are of what a whole run has."""
    wanted = np.column_stack([rotor.vibration_wanted, rotor.height_wanted])
    taken = np.column_stack([vibration, height]) & wanted
    places = [*(s.name for s in rotor.sensors), HEIGHT]
    something = wanted.any(axis=1)
    none = np.asarray(something & ~taken.any(axis=1))
    return Coverage(
        taken=int(taken.sum()),
        wanted=int(wanted.sum()),
        whole=int((something & (taken == wanted).all(axis=1)).sum()),
        regimes=int(something.sum()),
        unread_regimes=tuple(rotor.regimes[r].name for r in np.flatnonzero(none)),
        unread=tuple((rotor.regimes[r].name, places[p]) for r, p in np.argwhere(wanted & ~taken) if not none[r]),
    )


def coverage_json(found: Coverage) -> dict[str, Any]:
    """Return coverage as plain data: the keys `read` and `not_read` of an answer."""
    return {
        "read": {
            "complete": found.complete,
            "readings": found.taken,
            "of_readings": found.wanted,
            "regimes": found.whole,
            "of_regimes": found.regimes,
        },
        "not_read": [
            *({"regime": regime, "sensor": None} for regime in found.unread_regimes),
            *({"regime": regime, "sensor": place} for regime, place in found.unread),
        ],
    }
