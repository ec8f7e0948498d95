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

    def __len__(self) -> int:
        """Return the number of runs."""
        return len(self.change)
