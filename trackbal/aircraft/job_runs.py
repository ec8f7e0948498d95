"""Runs of one job of an aircraft, and the adjustments between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trackbal.runs.run import Reals, Run


@dataclass(frozen=True)
class JobRuns:
    """Runs of one job of an aircraft, in their order.

    Parameters
    ----------
    runs : sequence of Run, T of them
    change : ndarray, shape (T, A, B)
        Adjustments made before each run since the first, summed, in the adjusters' units.
    """

    runs: Sequence[Run]
    change: Reals
