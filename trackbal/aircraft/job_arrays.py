"""The runs of one job side by side, with what was changed before each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from trackbal.runs.run import Complexes, Counts, Reals, Run


@dataclass(frozen=True)
class JobArrays:
    """The runs of one job side by side (n runs).

    Parameters
    ----------
    vibration, vibration_count : ndarray, shape (n, R, S)
    height, height_count : ndarray, shape (n, R, B) and (n, R)
        As in Run.
    change : ndarray, shape (n, A, B)
        Adjustments made since the first run, summed, in the adjusters' units; change[0] is 0.
    """

    vibration: Complexes
    vibration_count: Counts
    height: Reals
    height_count: Counts
    change: Reals

    @classmethod
    def of(cls, runs: Sequence[Run], change: Reals) -> JobArrays:
        """Return the arrays of runs with the adjustments before each, shape (n, A, B), summed."""
        return cls(
            np.array([run.vibration for run in runs]),
            np.array([run.vibration_count for run in runs]),
            np.array([run.height for run in runs]),
            np.array([run.height_count for run in runs]),
            change,
        )

    def first(self, runs: int) -> JobArrays:
        """Return the job as it was after some runs."""
        return JobArrays(*(getattr(self, field.name)[:runs] for field in fields(self)))

    def chosen(self, runs: Sequence[int]) -> JobArrays:
        """Return some runs of the job, by index; changes still count from the job's first run."""
        return JobArrays(*(getattr(self, field.name)[list(runs)] for field in fields(self)))

    def run(self, t: int) -> Run:
        """Return the readings of one run, without what else was written of it."""
        regimes, sensors = self.vibration_count.shape[1:]
        return Run(
            vibration=self.vibration[t],
            height=self.height[t],
            vibration_count=self.vibration_count[t],
            height_count=self.height_count[t],
            vibration_squares=np.zeros((regimes, sensors)),
            height_squares=np.zeros(regimes),
            height_taken=~np.isnan(self.height[t]),
            rpm=np.full(regimes, np.nan),
        )

    def __len__(self) -> int:
        """Return the number of runs."""
        return len(self.change)
