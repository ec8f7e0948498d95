"""Everything an analyst checks of a fit: the model behind it, what it predicts, its aircraft, what to try next."""

from __future__ import annotations

from dataclasses import dataclass

from trackbal.estimate.estimate import Estimates
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.examination.job_prediction import Prediction, predict_jobs
from trackbal.examination.model_checks import Check, check_model
from trackbal.examination.next_change import Lesson, lessons
from trackbal.examination.own_coefficients import OwnAnswer, own_answers
from trackbal.runs.rotor import Rotor


@dataclass(frozen=True)
class Examination:
    """What an examination of a history found."""

    rotor: Rotor
    checks: tuple[Check, ...]
    prediction: Prediction
    own: tuple[OwnAnswer, ...]
    lessons: tuple[Lesson, ...]

    @property
    def warns(self) -> bool:
        """Whether the model does not hold, or an aircraft is unlike its type."""
        return any(c.firm for c in self.checks) or any(o.unlike for o in self.own)


def examine(cells: HistoryCells, estimates: Estimates) -> Examination:
    """Examine what was fitted to a history."""
    rotor = cells.rotor
    return Examination(
        rotor,
        check_model(cells, estimates),
        predict_jobs(rotor, cells, estimates),
        own_answers(cells, estimates),
        lessons(cells, estimates),
    )
