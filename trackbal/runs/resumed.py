"""Rows of a history sheet that go on with a run after a later run of the job had begun.

Such a row may be in its place: a reading written down late. It may as well be another run's, typed with the wrong
number, and is then averaged in silence. So it is always named.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from trackbal.base.text_layout import count
from trackbal.runs.run import Counts, ResumedRow

MOST_JOBS = 0.2  # of the jobs (of five at least); in more, the sheet is sorted in another way, which says nothing
MOST_NAMED = 6


def resumed(job: Counts, run_of_row: Counts) -> NDArray[np.bool_]:
    """Return which rows go on with a run after a later run of the job had begun, shape (rows,).

    Parameters
    ----------
    job : ndarray of int, shape (runs,)
    run_of_row : ndarray of int, shape (rows,)
        Index of each row's run.
    """
    latest: dict[int, int] = {}
    late = np.zeros(len(run_of_row), dtype=bool)
    for row, (j, n) in enumerate(zip(job[run_of_row].tolist(), run_of_row.tolist(), strict=True)):
        if n < latest.setdefault(j, n):
            late[row] = True
        latest[j] = max(latest[j], n)
    if len(np.unique(job[run_of_row[late]])) > MOST_JOBS * max(len(latest), 5):
        late[:] = False
    return late


def resumed_in_words(rows: Sequence[ResumedRow]) -> tuple[str, ...]:
    """Return one line that names the rows, or none."""
    if not rows:
        return ()
    named = [f"row {one.row} (job {one.job} run {one.run})" for one in rows[:MOST_NAMED]]
    more = f" and {len(rows) - MOST_NAMED} more" if len(rows) > MOST_NAMED else ""
    goes, it = ("goes", "it belongs") if len(rows) == 1 else ("go", "they belong")
    return (
        f"{count(len(rows), 'row')} of the sheet {goes} on with a run after a later one had begun: "
        f"{', '.join(named)}{more}. Check that {it} to that run.",
    )
