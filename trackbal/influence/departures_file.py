"""The ``departures`` of influence.json, in and out.

Lists and matrices follow the names given beside them: "regimes", "sensors", "adjusters",
in any order.
"""

from __future__ import annotations

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
    none = {_SET: [0.0] * len(adjusters), _ALIKE: [0.0] * len(sensors), _TIPS_ALIKE: 0.0}
    given = none | {_ALONE: [1.0] * len(sensors), _TIPS_ALONE: 1.0, _UNLIKE: BLADES_UNLIKE} | given
    return Departures(
        regimes=_correlation(checks, given, "between_regimes", regimes),
        sensors=_correlation(checks, given, "between_sensors", sensors),
        heights=_correlation(checks, given, "between_regimes_height", regimes),
        blade_differences=_deviations(checks, given, "fault", adjusters),
        unexplained=_deviations(checks, given, "unexplained", sensors),
        unexplained_height=tips,
        setting_error=_deviations(checks, given, _SET, adjusters),
        unexplained_alike=_shares(checks, given, _ALIKE, sensors),
        unexplained_height_alike=_share(checks, f"departures.{_TIPS_ALIKE}", given[_TIPS_ALIKE]),
        noise_alone=_shares(checks, given, _ALONE, sensors),
        noise_height_alone=_share(checks, f"departures.{_TIPS_ALONE}", given[_TIPS_ALONE]),
        blades_unlike=checks.checked_number(given[_UNLIKE], f"departures.{_UNLIKE}", least=0.0),
    )


def _order(checks: Checks, rotor: Rotor, given: dict[str, Any], kind: str) -> list[int]:
    """Return where each name of the rotor stands in the list given."""
    names = [e.name for e in getattr(rotor, kind)]
    listed = given.get(kind)
    if not isinstance(listed, list) or len(listed) != len(names) or any(n not in listed for n in names):
        raise checks.error(f"departures.{kind}", listed, "all of " + ", ".join(names))
    return [listed.index(name) for name in names]


def _deviations(checks: Checks, given: dict[str, Any], name: str, order: list[int]) -> Reals:
    key, values = f"departures.{name}", given.get(name)
    if not isinstance(values, list) or len(values) != len(order):
        raise checks.error(key, values, f"a list of {len(order)} numbers")
    return np.array([checks.checked_number(values[i], f"{key}[{i}]", least=0.0) for i in order])


def _shares(checks: Checks, given: dict[str, Any], name: str, order: list[int]) -> Reals:
    return np.array([_share(checks, f"departures.{name}", v) for v in _deviations(checks, given, name, order)])


def _share(checks: Checks, key: str, value: Any) -> float:
    if checks.checked_number(value, key, least=0.0) > 1.0:
        raise checks.error(key, value, "a part, from 0 to 1")
    return float(value)


def _correlation(checks: Checks, given: dict[str, Any], name: str, order: list[int]) -> Reals:
    key, rows, size = f"departures.{name}", given.get(name), len(order)
    if not isinstance(rows, list) or [len(row) if isinstance(row, list) else -1 for row in rows] != [size] * size:
        raise checks.error(key, rows, f"{size} rows of {size} numbers")
    matrix = np.array([[checks.checked_number(rows[i][j], f"{key}[{i}][{j}]") for j in order] for i in order])
    if not (np.allclose(matrix, matrix.T) and np.allclose(np.diag(matrix), 1.0) and is_positive(matrix)):
        raise checks.error(key, rows, "a correlation matrix: symmetric, 1 on the diagonal, positive semidefinite")
    return matrix
