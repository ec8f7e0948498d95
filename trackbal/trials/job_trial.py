"""The trial within a job: with what its runs, and earlier jobs, have taught of this aircraft already."""

from __future__ import annotations

from collections.abc import Sequence

from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.surprise import Surprise
from trackbal.influence.coefficients import Influence
from trackbal.plan.job_advice import influence_known
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run
from trackbal.trials.trial import Trials, find_trials


def find_trials_in_job(
    rotor: Rotor,
    runs: Sequence[Run],
    change: Reals,
    influence: Influence,
    setting: Reals,
    judged: Sequence[Surprise | None],
    earlier: Sequence[JobRuns] = (),
    *,
    stopped: bool = False,
) -> Trials:
    """Return what to try after the last run of a job, by the influence that advice goes by.

    Parameters as in `advise_in_job`, errors as in `find_trials`; `judged`: of each run, whether it was as expected.
    """
    influence_now = influence_known(rotor, runs, change, influence, judged, earlier)
    return find_trials(rotor, runs[-1], influence_now, setting, stopped=stopped)
