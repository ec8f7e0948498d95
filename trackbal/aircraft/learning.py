"""Learning within a job: this aircraft's present state and own influence, from all its runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.alike import learn_alike
from trackbal.aircraft.belief import LEARNED, Belief, prior_belief, run_by_run
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.posterior import OwnAircraft, own_aircraft
from trackbal.aircraft.type_model import TypeModel
from trackbal.base.covariance import contrasts, from_real_parts, of_both_parts, pairs
from trackbal.influence.binding import Blind
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run


@dataclass(frozen=True)
class Learned:
    """What a job's runs say together.

    Parameters
    ----------
    run : Run
        The last run, its readings replaced by the best estimate of the present state;
        which readings count as taken is as in the last run.
    influence : Influence
        Coefficients of this aircraft with what is left of their covariance.
    belief : Belief or None
        State and coefficients jointly, after the last run; None where `posterior` takes its place.
    posterior : OwnAircraft or None
        The same where the influence says how departures go together (posterior.py): then
        one run already tells of the aircraft's own influence.
    """

    run: Run
    influence: Influence
    belief: Belief | None
    posterior: OwnAircraft | None = None


def posterior_of(
    rotor: Rotor, jobs: Sequence[JobRuns], influence: Influence, made: Reals | None = None
) -> OwnAircraft | None:
    """Return the posterior of one aircraft from the runs of its jobs, the present one last.

    None where the influence does not say how departures go together, or where an adjuster was moved, or will be
    by `made`, shape (A, B), whose influence on a reading taken is not known: then readings are taken one by one.
    """
    if influence.departures is None or any(_moved_unknown(influence, job, made) for job in jobs):
        return None
    return own_aircraft(TypeModel.of(rotor, influence.with_noise(rotor), influence.departures), jobs)


def learn(
    rotor: Rotor, runs: Sequence[Run], change: Reals, influence: Influence, earlier: Sequence[JobRuns] = ()
) -> Learned:
    """Return state and influence of one aircraft from the runs of its job.

    With a single run the answer is that run and the type's influence, unchanged, unless
    the influence says how departures go together.

    Parameters
    ----------
    runs : sequence of Run, n of them, at least one
    change : ndarray, shape (n, A, B)
        Adjustments made since the first run, summed, in the adjusters' units; change[0] is 0.
    influence : Influence
        Of the type: alpha and tau with covariance for one more aircraft, and the noise.
    earlier : sequence of JobRuns
        Earlier jobs of the same aircraft.
    """
    posterior = posterior_of(rotor, [*earlier, JobRuns(runs, change)], influence)
    if posterior is not None:
        return Learned(posterior.present(runs[-1]), posterior.influence(), None, posterior)
    prior = belief = prior_belief(rotor, influence)
    for job in earlier:
        belief = _filtered(rotor, _begun_anew(belief), job)
    belief = _filtered(rotor, _begun_anew(belief), JobRuns(runs, change))
    alone = len(runs) == 1 and not earlier
    # a first run teaches nothing of the coefficients: they are returned without the rounding of a filter
    influence_now = influence if alone else _learned_influence(influence, prior, belief)
    present = runs[-1] if len(runs) == 1 else _present_run(rotor, belief, runs[-1])
    if not alone and influence.source.get("jobs") == 0 and influence.unknown_vibration.any():  # no past jobs at all
        jobs = [*earlier, JobRuns(runs, change)]
        influence_now, present = learn_alike(rotor, jobs, influence, influence_now, present)
    return Learned(present, _no_longer_blind(influence, influence_now), belief)


def _no_longer_blind(influence: Influence, influence_now: Influence) -> Influence:
    """Return what is known now without saying that the file says nothing of readings which the runs have told of."""
    if influence.blind is None:
        return influence_now
    shown = (influence.unknown_vibration & ~influence_now.unknown_vibration).any(axis=0)
    shown_height = (influence.unknown_height & ~influence_now.unknown_height).any(axis=0)
    blind = Blind(influence.blind.vibration & ~shown, influence.blind.height & ~shown_height)
    return replace(influence_now, blind=blind)


def _filtered(rotor: Rotor, belief: Belief, job: JobRuns) -> Belief:
    """Return the belief after the runs of a job."""
    *_, last = run_by_run(rotor, belief, JobArrays.of(job.runs, job.change))
    return last.belief


def _begun_anew(belief: Belief) -> Belief:
    """Return a belief that knows the coefficients, but of no reading."""
    families = (replace(f, started=np.zeros_like(f.started)) for f in (belief.vibration, belief.height))
    return Belief(*families)


def _moved_unknown(influence: Influence, job: JobRuns, made: Reals | None) -> bool:
    """Return whether a reading was taken that an adjuster moved in the job acts on no one knows how."""
    moved = job.change.any(axis=(0, 2))  # (A,)
    if made is not None:
        moved = moved | made.any(axis=1)
    vibration = np.any([run.vibration_read for run in job.runs], axis=0)
    height = np.any([run.height_read for run in job.runs], axis=0)
    unknown = (influence.unknown_vibration & vibration).any(axis=(1, 2)) | (influence.unknown_height & height).any(
        axis=1
    )
    return bool((moved & unknown).any())


def _present_run(rotor: Rotor, belief: Belief, last: Run) -> Run:
    state = belief.vibration.mean
    vibration = np.where(last.vibration_read, from_real_parts(state[..., :2])[..., 0], last.vibration)
    blades = len(rotor.blades)
    tips = belief.height.mean[:, : blades - 1] @ contrasts(blades)
    height = np.where(last.height_read[:, None], tips, last.height)
    return replace(last, vibration=vibration, height=height)


def _learned_influence(influence: Influence, prior: Belief, belief: Belief) -> Influence:
    adjusters = influence.alpha.shape[0]
    free = belief.height.mean.shape[-1] - adjusters
    coefficients = belief.vibration.mean[..., 2:]
    cov, height_cov = belief.vibration.cov[..., 2:, 2:], belief.height.cov[..., free:, free:]
    learned = _learned(cov, prior.vibration.cov[..., 2:, 2:])
    learned = learned[..., 0::2] & learned[..., 1::2]
    unknown = influence.unknown_vibration & ~np.moveaxis(learned, -1, 0)
    unknown_height = influence.unknown_height & ~_learned(height_cov, prior.height.cov[..., free:, free:]).T
    return replace(
        influence,
        alpha=np.where(unknown, 0.0, np.moveaxis(from_real_parts(coefficients), -1, 0)),
        tau=np.where(unknown_height, 0.0, belief.height.mean[:, free:].T),
        vibration_cov=cov * pairs(of_both_parts(~np.moveaxis(unknown, 0, -1))),
        height_cov=height_cov * pairs(~unknown_height.T),
        unknown_vibration=unknown,
        unknown_height=unknown_height,
        mean_vibration_cov=None,
        mean_height_cov=None,
        departures=None,  # of an aircraft not yet read: kept, the same readings would count twice
    )


def _learned(cov: Reals, before: Reals) -> NDArray[np.bool_]:
    """Return which coefficients have shrunk to LEARNED of their former standard deviation."""
    now, then = np.einsum("...ii->...i", cov), np.einsum("...ii->...i", before)
    return np.asarray(now <= LEARNED**2 * then)
