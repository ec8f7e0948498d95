"""What a new aircraft of the type would see: every aircraft's jobs predicted from all the others
(leave-one-out; each job is an aircraft where nobody says whose it is).

At the noise and spread of the fit, leaving aircraft j out takes its information W and score s
away from the sums (K the error of the mean, alpha the coefficients):

    alpha[-j] = alpha - (I - K W)^-1 K (s - W alpha)

(Cook and Weisberg, Residuals and Influence in Regression, 1982, section 2.2, for one job
at a time; from memory.) What is predicted are the changes within the job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.base.covariance import full_mixed_matrix, mixed_sums, residual_sums
from trackbal.estimate.estimate import Estimate, Estimates
from trackbal.estimate.job_statistics import CellStatistics, HistoryCells, by_aircraft
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals


@dataclass(frozen=True)
class Prediction:
    """How well aircraft are predicted by the others, reading by reading.

    Parameters
    ----------
    error, height_error : ndarray, shape (R, S) and (R,)
        Root-mean-square error of a predicted change, of one part of a reading and of one
        tip; nan where fewer than two aircraft tell.
    change, height_change : ndarray
        Root mean square of the changes themselves: the error without any coefficient.
    calibration, height_calibration : ndarray
        Mean square of the errors in units of what the fit expects of them; 1 is right,
        above 1 the fit is too sure.
    """

    error: Reals
    change: Reals
    calibration: Reals
    height_error: Reals
    height_change: Reals
    height_calibration: Reals


def predict_jobs(rotor: Rotor, cells: HistoryCells, estimates: Estimates) -> Prediction:
    """Predict the changes within the jobs of every aircraft from all the other aircraft."""
    of_aircraft = [
        by_aircraft(family, cells.aircraft) for family in (cells.vibration_statistics, cells.height_statistics)
    ]
    grid = (len(rotor.regimes), len(rotor.sensors))
    vibration = _family(of_aircraft[0], estimates.vibration) * [[1 / np.sqrt(2)], [1 / np.sqrt(2)], [1.0]]
    height = _family(of_aircraft[1], estimates.height)
    return Prediction(*(v.reshape(grid) for v in vibration), *height)


def _family(cells: Sequence[CellStatistics], found: Estimate) -> Reals:
    """Return error, change and calibration of each cell, shape (3, C)."""
    return np.array([_cell(cell, found, c) for c, cell in enumerate(cells)]).T.reshape(3, len(cells))


def _cell(cell: CellStatistics, found: Estimate, c: int) -> tuple[float, float, float]:
    sigma2, spread, k = found.sigma2[c], found.spread[c], found.error[c]
    repeated = cell.dof > 0
    if repeated.sum() < 2 or sigma2 <= 0:
        return float("nan"), float("nan"), float("nan")
    gram, moment, squares = cell.gram[repeated], cell.moment[repeated], cell.squares[repeated]
    size = gram.shape[-1]
    w, s = mixed_sums(gram, moment, spread, sigma2)
    loss = s - w @ found.alpha[c]
    share = np.linalg.inv(np.eye(size) - k @ w)
    alpha = found.alpha[c] - np.einsum("jab,bc,jc->ja", share, k, loss)
    remaining, error2 = residual_sums(gram, moment, squares, alpha)
    error2 = np.maximum(error2, 0.0)
    between = share @ k + np.diag(spread)  # of the job's own coefficients about the prediction
    absorbed = between @ np.linalg.solve(full_mixed_matrix(gram, between, sigma2), remaining[..., None])
    scaled = (error2 - np.einsum("ja,ja->j", remaining.conj(), absorbed[..., 0]).real) / sigma2
    dof = cell.dof[repeated].sum()
    return (
        float(np.sqrt(error2.sum() / dof)),
        float(np.sqrt(squares.sum() / dof)),
        float(scaled.sum() / dof),
    )
