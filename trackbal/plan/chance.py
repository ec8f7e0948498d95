"""The chance that every reading is within its limit on the next run."""

from __future__ import annotations

import numpy as np

from trackbal.aircraft.entries import entries_of
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.learning import posterior_of
from trackbal.aircraft.posterior import OwnAircraft
from trackbal.base.covariance import symmetric_root
from trackbal.influence.coefficients import Influence
from trackbal.plan.disc import chance_within
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run

SAMPLES = 10_000  # the standard error of a chance of 0.9 is 0.003
_SEED = 20_231  # the same readings give the same chance
_SURE = 6.0  # standard deviations inside its limit at which a reading is not sampled


def chances(
    rotor: Rotor,
    run: Run,
    influence: Influence,
    changes: Reals,
    posterior: OwnAircraft | None = None,
    part: float = 1.0,
) -> Reals:
    """Return, for each of P changes, the probability that all readings taken pass next time.

    Influence error and the noise of the next reading are taken together. Where the influence
    says how departures from the type go together, they are sampled given this run
    (posterior.py). Otherwise the rows are independent of each other, adjusters of one
    reading correlated as the covariance says: then the chance is the product of those of
    the vibration readings, integrated (disc.py), and of the tip spreads, sampled with
    the same random numbers for every change.

    Parameters
    ----------
    changes : ndarray, shape (P, A, B)
        In the adjusters' units.
    posterior : OwnAircraft, optional
        What is known of this aircraft, if more than this run tells.
    part : float
        To pass, a reading is at most this part of its limit.

    Returns
    -------
    ndarray, shape (P,)
    """
    if posterior is None:
        posterior = posterior_of(rotor, [JobRuns([run], np.zeros((1, *changes.shape[1:])))], influence)
    if posterior is not None:
        return _chances_of_posterior(posterior, run, changes, part)
    return _vibration_chances(rotor, run, influence, changes, part) * _height_chances(
        rotor, run, influence, changes, part
    )


def _chances_of_posterior(posterior: OwnAircraft, run: Run, changes: Reals, part: float) -> Reals:
    """Return the chances, departures drawn given the readings of this aircraft."""
    entries = entries_of(posterior.model, run)
    blades = len(posterior.model.rotor.blades)
    cells = len(entries.regime)
    found = np.zeros(len(changes))
    for p, change in enumerate(changes):
        mean, cov = posterior.predict(entries, change)
        cov[np.diag_indices_from(cov)] += entries.single
        sure = np.abs(mean[:cells] + 1j * mean[cells : 2 * cells])
        sd = np.sqrt(np.diag(cov))
        reach = _SURE * np.hypot(sd[:cells], sd[cells : 2 * cells])
        if (sure - reach > part).any():
            continue
        doubtful = np.flatnonzero(sure + reach > part)
        kept = np.concatenate([doubtful, cells + doubtful, np.arange(2 * cells, mean.size)])
        noise = np.random.default_rng(_SEED).standard_normal((kept.size, SAMPLES))
        drawn = mean[kept, None] + symmetric_root(cov[np.ix_(kept, kept)]) @ noise
        n = doubtful.size
        inside = (drawn[:n] ** 2 + drawn[n : 2 * n] ** 2 <= part**2).all(axis=0)
        tips = drawn[2 * n :].reshape(len(entries.height_regime), blades, SAMPLES)
        found[p] = np.mean(inside & (np.ptp(tips, axis=1) <= 2.0 * part).all(axis=0))
    return found


def _vibration_chances(rotor: Rotor, run: Run, influence: Influence, changes: Reals, part: float) -> Reals:
    """Return the chance that every vibration reading taken passes, shape (P,)."""
    read = run.vibration_read
    mean = run.vibration + influence.vibration_change(rotor, changes)
    cov = influence.vibration_change_cov(rotor, changes)
    cov += influence.vibration_noise[:, :, None, None] ** 2 * np.eye(2)
    return np.prod(chance_within(mean[:, read], cov[:, read], part * rotor.vibration_limit[read]), axis=1)


def _height_chances(rotor: Rotor, run: Run, influence: Influence, changes: Reals, part: float) -> Reals:
    """Return the chance that every tip spread taken passes, shape (P,)."""
    rng = np.random.default_rng(_SEED)
    mean = run.height + influence.height_change(changes)
    shares = changes - changes.mean(axis=-1, keepdims=True)
    roots = symmetric_root(influence.height_cov)
    found = np.ones(len(changes))
    for r in np.flatnonzero(run.height_read):
        error = roots[r] @ rng.standard_normal((roots.shape[-1], SAMPLES))
        noise = influence.height_noise[r] * rng.standard_normal((mean.shape[-1], SAMPLES))
        for p in range(len(changes)):
            tips = mean[p, r][:, None] + shares[p].T @ error + noise
            found[p] *= np.mean(np.ptp(tips, axis=0) <= part * rotor.height_limit[r])
    return found
