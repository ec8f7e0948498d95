"""The trial within a job: with what its runs have taught of this aircraft already."""

from __future__ import annotations

from collections.abc import Sequence

from trackbal.aircraft.learning import learn
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run
from trackbal.trials.trial import Trials, find_trials


def find_trials_in_job(
    rotor: Rotor,
    runs: Sequence[Run],
    change: Reals,
    influence: Influence,
    setting: Reals,
    *,
    stopped: bool = False,
) -> Trials:
    """Return what to try after the last run of a job; parameters as in `advise_in_job`, errors as in `find_trials`."""
    influence_now = influence if len(runs) == 1 else learn(rotor, runs, change, influence).influence
    return find_trials(rotor, runs[-1], influence_now, setting, stopped=stopped)
