"""What a fit says of each past run, beside what was read: measured, predicted and left over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.estimate.job_statistics import HistoryCells
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Counts, History, Reals


@dataclass(frozen=True)
class Residuals:
    """Changes within each job, about the job's mean, for the n runs of a history.

    A reading taken in a single run of its job changes nothing and is nan, as is one not taken.

    Parameters
    ----------
    jobs : tuple of str
    job, run : ndarray of int, shape (n,)
        As in History.
    vibration_measured, vibration_predicted : ndarray of complex, shape (n, R, S)
        Less the job's mean (weighted by readings averaged), sensor units.
    height_measured, height_predicted : ndarray, shape (n, R, B)
        The same of the tip heights.
    """

    jobs: tuple[str, ...]
    job: Counts
    run: Counts
    vibration_measured: Complexes
    vibration_predicted: Complexes
    height_measured: Reals
    height_predicted: Reals

    @property
    def vibration(self) -> Complexes:
        """Measured less predicted, shape (n, R, S)."""
        return self.vibration_measured - self.vibration_predicted

    @property
    def height(self) -> Reals:
        """Measured less predicted, shape (n, R, B)."""
        return self.height_measured - self.height_predicted

    def by_job(self, rotor: Rotor) -> tuple[Reals, Reals]:
        """Return root mean squares of the residuals over their limits, job by job and regime by regime.

        Returns
        -------
        vibration : ndarray, shape (J, R)
            Of |residual| over the amplitude limit, over runs and sensors; nan where nothing changed.
        height : ndarray, shape (J, R)
            Of a tip's residual over half the spread limit, over runs and blades.
        """
        vibration = np.abs(self.vibration / rotor.vibration_limit) ** 2
        height = (self.height / (rotor.height_limit / 2.0)[:, None]) ** 2
        return self._root_means(vibration), self._root_means(height)

    def _root_means(self, squares: Reals) -> Reals:
        read = ~np.isnan(squares)
        total, count = np.zeros((2, len(self.jobs), squares.shape[1]))
        np.add.at(total, self.job, np.where(read, squares, 0.0).sum(axis=2))
        np.add.at(count, self.job, read.sum(axis=2))
        return np.where(count > 0, np.sqrt(total / np.maximum(count, 1.0)), np.nan)


def residuals(rotor: Rotor, history: History, influence: Influence) -> Residuals:
    """Return the changes a history shows and those the type's coefficients predict.

    The prediction uses the type's mean coefficients, not each aircraft's own, so what is
    left holds noise and the spread between aircraft.
    """
    cells = HistoryCells(rotor, history)
    measured = np.full(history.vibration.shape, complex(np.nan, np.nan))
    predicted = measured.copy()
    for pairs, design in cells.vibration_designs():
        changes = cells.sum_by_job((design.weight > 0).astype(float))[cells.job_of_run] > 1
        shown = changes & (design.weight > 0)
        for r, s in pairs:
            measured[shown, r, s] = cells.vibration_reading(r, s, design)[shown]
            predicted[shown, r, s] = (influence.alpha[:, r, s] @ design.effect)[shown]
    height_measured = np.full(history.height.shape, np.nan)
    height_predicted = height_measured.copy()
    for regimes, design in cells.height_designs():
        changes = cells.sum_by_job((design.weight > 0).astype(float))[cells.job_of_run] > 1
        shown = changes & (design.weight > 0)
        for r in regimes:
            height_measured[shown, r] = cells.height_reading(r, design).T[shown]
            height_predicted[shown, r] = np.einsum("a,abn->nb", influence.tau[:, r], design.effect)[shown]
    return Residuals(history.jobs, history.job, history.run, measured, predicted, height_measured, height_predicted)
