"""The ``departures`` of influence.json, in and out.

Lists and matrices follow the names given beside them: "regimes", "sensors", "adjusters",
in any order. A rotor may have gained some since the file was written: what is not named is like nothing else, no
blade differs by it, and a sensor leaves as much unexplained, for its limit, as any that is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from trackbal.base.checks import Checks
from trackbal.base.covariance import is_positive
from trackbal.influence.departures import BLADES_UNLIKE, Departures
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals

_SET, _ALIKE, _TIPS_ALIKE = "setting_error", "unexplained_alike", "unexplained_height_alike"  # left out: none
_ALONE, _TIPS_ALONE = "noise_alone", "noise_height_alone"  # left out: all of it
_UNLIKE = "blades_unlike"  # left out: BLADES_UNLIKE


def departures_document(rotor: Rotor, departures: Departures) -> dict[str, Any]:
    """Return departures as plain data."""
    return {
        "regimes": [r.name for r in rotor.regimes],
        "sensors": [s.name for s in rotor.sensors],
        "adjusters": [a.name for a in rotor.adjusters],
        "between_regimes": departures.regimes.tolist(),
        "between_sensors": departures.sensors.tolist(),
        "between_regimes_height": departures.heights.tolist(),
        "fault": departures.blade_differences.tolist(),
        "unexplained": departures.unexplained.tolist(),
        "unexplained_height": departures.unexplained_height,
        _SET: departures.setting_error.tolist(),
        _ALIKE: departures.unexplained_alike.tolist(),
        _TIPS_ALIKE: departures.unexplained_height_alike,
        _ALONE: departures.noise_alone.tolist(),
        _TIPS_ALONE: departures.noise_height_alone,
        _UNLIKE: departures.blades_unlike,
    }


def read_departures(checks: Checks, rotor: Rotor, given: Any) -> Departures | None:
    """Return departures from plain data; None if there are none. Raises InputError if they do not fit the rotor."""
    if given is None:
        return None
    if not isinstance(given, dict):
        raise checks.error("departures", given, "an object {...}")
    regimes, sensors, adjusters = (_order(checks, rotor, given, kind) for kind in ("regimes", "sensors", "adjusters"))
    tips = checks.checked_number(given.get("unexplained_height"), "departures.unexplained_height", least=0.0)
    none = {_SET: [0.0] * adjusters.named, _ALIKE: [0.0] * sensors.named, _TIPS_ALIKE: 0.0}
    given = none | {_ALONE: [1.0] * sensors.named, _TIPS_ALONE: 1.0, _UNLIKE: BLADES_UNLIKE} | given
    unexplained = _deviations(checks, given, "unexplained", sensors)
    limit, known = rotor.vibration_limit.min(axis=0), np.array([at is not None for at in sensors.place])
    largest = float((unexplained[known] / limit[known]).max(initial=0.0))
    return Departures(
        regimes=_correlation(checks, given, "between_regimes", regimes),
        sensors=_correlation(checks, given, "between_sensors", sensors),
        heights=_correlation(checks, given, "between_regimes_height", regimes),
        blade_differences=_deviations(checks, given, "fault", adjusters),
        unexplained=np.where(known, unexplained, largest * limit),
        unexplained_height=tips,
        setting_error=_deviations(checks, given, _SET, adjusters),
        unexplained_alike=_shares(checks, given, _ALIKE, sensors),
        unexplained_height_alike=_share(checks, f"departures.{_TIPS_ALIKE}", given[_TIPS_ALIKE]),
        noise_alone=_shares(checks, given, _ALONE, sensors, 1.0),
        noise_height_alone=_share(checks, f"departures.{_TIPS_ALONE}", given[_TIPS_ALONE]),
        blades_unlike=checks.checked_number(given[_UNLIKE], f"departures.{_UNLIKE}", least=0.0),
    )


@dataclass(frozen=True)
class _Order:
    """Where each name of the rotor stands among those that are `named` in the file, how many; None: nowhere."""

    place: list[int | None]
    named: int


def _order(checks: Checks, rotor: Rotor, given: dict[str, Any], kind: str) -> _Order:
    names = [e.name for e in getattr(rotor, kind)]
    listed = given.get(kind)
    if not isinstance(listed, list) or any(n not in names for n in listed) or len(set(listed)) != len(listed):
        raise checks.error(f"departures.{kind}", listed, "a list of some of " + ", ".join(names) + ", each once")
    return _Order([listed.index(name) if name in listed else None for name in names], len(listed))


def _deviations(checks: Checks, given: dict[str, Any], name: str, order: _Order, otherwise: float = 0.0) -> Reals:
    key, values = f"departures.{name}", given.get(name)
    if not isinstance(values, list) or len(values) != order.named:
        raise checks.error(key, values, f"a list of {order.named} numbers")
    found = [checks.checked_number(value, f"{key}[{i}]", least=0.0) for i, value in enumerate(values)]
    return np.array([otherwise if at is None else found[at] for at in order.place])


def _shares(checks: Checks, given: dict[str, Any], name: str, order: _Order, otherwise: float = 0.0) -> Reals:
    found = _deviations(checks, given, name, order, otherwise)
    return np.array([_share(checks, f"departures.{name}", value) for value in found])


def _share(checks: Checks, key: str, value: Any) -> float:
    if checks.checked_number(value, key, least=0.0) > 1.0:
        raise checks.error(key, value, "a part, from 0 to 1")
    return float(value)


def _correlation(checks: Checks, given: dict[str, Any], name: str, order: _Order) -> Reals:
    key, rows, size = f"departures.{name}", given.get(name), order.named
    if not isinstance(rows, list) or [len(row) if isinstance(row, list) else -1 for row in rows] != [size] * size:
        raise checks.error(key, rows, f"{size} rows of {size} numbers")
    numbers = [[checks.checked_number(v, f"{key}[{i}][{j}]") for j, v in enumerate(row)] for i, row in enumerate(rows)]
    matrix = np.array(numbers).reshape(size, size)
    if not (np.allclose(matrix, matrix.T) and np.allclose(np.diag(matrix), 1.0) and is_positive(matrix)):
        raise checks.error(key, rows, "a correlation matrix: symmetric, 1 on the diagonal, positive semidefinite")
    found, known = np.eye(len(order.place)), [i for i, at in enumerate(order.place) if at is not None]
    found[np.ix_(known, known)] = matrix[np.ix_(*[[order.place[i] for i in known]] * 2)]
    return found
