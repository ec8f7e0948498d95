"""Which sensor to trust: noise, what coefficients leave, prediction, and records set aside, over the whole fleet."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.estimate.estimate import Estimates
from trackbal.examination.job_prediction import Prediction
from trackbal.records.robust import Record
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import Reals


@dataclass(frozen=True)
class Trust:
    """How far to trust a sensor (HEIGHTS: the tips).

    Parameters
    ----------
    noise, unexplained, error : float
        Root mean square over the regimes, of one part of a reading or of one tip, as parts of the
        limit (of tips, half the spread limit): the noise; what the type's coefficients leave; the
        error of an aircraft's changes predicted from the other aircraft. nan where nothing tells it.
    calibration : float
        Mean square of that error in units of what the fit expects; 1 is right.
    set_aside : int
        Records of it that are not relied upon.
    """

    sensor: int
    noise: float
    unexplained: float
    error: float
    calibration: float
    set_aside: int


def sensor_trust(
    rotor: Rotor, estimates: Estimates, prediction: Prediction, set_aside: Sequence[Record]
) -> tuple[Trust, ...]:
    """Return how far to trust each sensor and the tip heights."""
    grid = (len(rotor.regimes), len(rotor.sensors))
    vibration, height = estimates.vibration, estimates.height
    named = Counter(sensor for record in set_aside for sensor in record.sensors)

    def of(sensor: int, noise: Reals, unexplained: Reals, error: Reals, calibration: Reals, limit: Reals) -> Trust:
        shares = [_rms(v / limit) for v in (noise, unexplained, error)]
        return Trust(sensor, shares[0], shares[1], shares[2], _mean(calibration), named[sensor])

    noise, unexplained = (
        np.sqrt(v.reshape(grid) / 2.0)
        for v in (_if_known(vibration.sigma2, vibration.noise_dof), vibration.unexplained)
    )
    parts = (noise, unexplained, prediction.error, prediction.calibration, rotor.vibration_limit)
    rows = [of(s, *(p[:, s] for p in parts)) for s in range(grid[1])]
    if any(regime.heights for regime in rotor.regimes):
        sd = np.sqrt(_if_known(height.sigma2, height.noise_dof))
        error, calibration = prediction.height_error, prediction.height_calibration
        rows.append(of(HEIGHTS, sd, np.sqrt(height.unexplained), error, calibration, rotor.height_limit / 2.0))
    return tuple(rows)


def _if_known(sigma2: Reals, dof: Reals) -> Reals:
    return np.where(dof > 0, sigma2, np.nan)


def _rms(values: Reals) -> float:
    finite = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(finite**2))) if len(finite) else float("nan")


def _mean(values: Reals) -> float:
    finite = values[np.isfinite(values)]
    return float(np.mean(finite)) if len(finite) else float("nan")
