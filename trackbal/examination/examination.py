"""Everything an analyst checks of a fit: the model behind it, what it predicts, its aircraft, what to try next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trackbal.base.summary import Summarised
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.examination.comparisons import Comparison, compare_jobs
from trackbal.examination.job_prediction import Prediction, predict_jobs
from trackbal.examination.model_checks import Check, check_model
from trackbal.examination.next_change import Lesson, lessons
from trackbal.examination.own_coefficients import OwnAnswer, own_answers
from trackbal.examination.trust import Trust, sensor_trust
from trackbal.fitting.fit import kept_records
from trackbal.runs.repeats import without_odd
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, repr=False)
class Examination(Summarised):
    """What an examination of a history found."""

    rotor: Rotor
    jobs: tuple[str, ...]
    checks: tuple[Check, ...]
    comparisons: tuple[Comparison, ...]
    prediction: Prediction
    trust: tuple[Trust, ...]
    own_coefficients: tuple[OwnAnswer, ...]
    lessons: tuple[Lesson, ...]
    set_aside: int

    def summary(self) -> dict[str, object]:
        """Return how much was looked at, and what does not hold."""
        return {
            "jobs": len(self.jobs),
            "model does not hold": sum(c.firm for c in self.checks),
            "not alike": sum(c.found for c in self.comparisons),
            "aircraft unlike their type": sum(o.unlike for o in self.own_coefficients),
            "records set aside": self.set_aside,
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the comparisons as a table by what jobs are compared by, part, and adjuster or sensor.

        One row a level: its value and standard error (parts of the type's, or degrees), jobs, p and adjusted p.
        """
        import pandas as pd

        rows = [
            (c.by, c.part, self._name(c), level.name, level.value, level.error, level.jobs, c.p, c.adjusted)
            for c in self.comparisons
            for level in c.levels
        ]
        names = ["by", "part", "of", "level", "value", "error", "jobs", "p", "adjusted_p"]
        return pd.DataFrame(rows, columns=names).set_index(names[:4])

    def _name(self, c: Comparison) -> str:
        return self.rotor.adjusters[c.index].name if c.part == "amount" else self.rotor.reading_name(c.index)

    @property
    def warns(self) -> bool:
        """Whether the model does not hold, jobs are not alike, or an aircraft is unlike its type."""
        found = [
            *(c.firm for c in self.checks),
            *(c.found for c in self.comparisons),
            *(o.unlike for o in self.own_coefficients),
        ]
        return any(found)


def examine(rotor: Rotor, history: History, by: Sequence[str] = (), *, robust: bool = True) -> Examination:
    """Examine a history and what is fitted to it.

    Parameters
    ----------
    by : sequence of str
        What jobs are compared by beside the date, or their order: "order", "date", "group.<name>".
    robust : bool
        Set records aside first that do not fit, as `fit` does. Jobs are compared with all their
        records: what is not alike in some of them must not be set aside for it.

    Raises
    ------
    InputError
        For a group that the history does not have.
    """
    kept = kept_records(rotor, history, robust=robust)
    cells, estimates = kept.cells, kept.estimates
    recorded = HistoryCells(rotor, without_odd(history) if robust else history)
    prediction = predict_jobs(rotor, cells, estimates)
    return Examination(
        rotor,
        tuple(history.jobs[j] for j in recorded.history.job[recorded.starts].tolist()),
        check_model(cells, estimates),
        compare_jobs(recorded, estimates, by),
        prediction,
        sensor_trust(rotor, estimates, prediction, kept.set_aside),
        own_answers(cells, estimates),
        lessons(cells, estimates),
        len(kept.set_aside),
    )
