"""The chance that every reading is within its limit on the next run."""

from __future__ import annotations

import numpy as np

from trackbal.influence import Influence
from trackbal.own_aircraft import OwnAircraft, TypeModel, entries_of, own_aircraft
from trackbal.phasor import blade_harmonic
from trackbal.rotor import Rotor
from trackbal.run import Complexes, Reals, Run

SAMPLES = 10_000  # the standard error of a chance of 0.9 is 0.003
_BLOCK = 2_000
_SEED = 20_231  # the same readings give the same chance
_MOST_TOLD = 200  # readings that speak of the aircraft's own departures; more add little
_SURE = 6.0  # standard deviations inside its limit at which a reading is not sampled


def chances(rotor: Rotor, run: Run, influence: Influence, changes: Reals, own: OwnAircraft | None = None) -> Reals:
    """Return, for each of P changes, the probability that all readings taken pass next time.

    Influence error and the noise of the next reading are sampled together. Where the
    influence says how departures from the type go together, they are drawn given this run
    (own_aircraft.py); otherwise the error of each row is drawn by itself, adjusters of one
    reading correlated as the covariance says, with the same random numbers for every change.

    Parameters
    ----------
    changes : ndarray, shape (P, A, B)
        In the adjusters' units.
    own : OwnAircraft, optional
        What is known of this aircraft, if more than this run tells.

    Returns
    -------
    ndarray, shape (P,)
    """
    if own is None and influence.departures is not None:
        model = TypeModel.of(rotor, influence, influence.departures)
        own = own_aircraft(model, [run], np.zeros((1, *changes.shape[1:])), most=_MOST_TOLD)
    if own is not None:
        return _chances_of_own(own, run, changes)
    vibration = run.vibration + influence.vibration_change(rotor, changes)
    height = run.height + influence.height_change(changes)
    roots = _vibration_roots(rotor, influence, changes)
    shares = changes - changes.mean(axis=-1, keepdims=True)
    passed = np.zeros(len(changes))
    rng = np.random.default_rng(_SEED)
    height_root = _roots(influence.height_cov)
    for _ in range(SAMPLES // _BLOCK):
        inside = np.ones((len(changes), _BLOCK), dtype=bool)
        _test_vibration(rotor, run, vibration, roots, rng, inside)
        _test_heights(rotor, run, influence, height, height_root, shares, rng, inside)
        passed += inside.sum(axis=1)
    return passed / (SAMPLES // _BLOCK * _BLOCK)


def _chances_of_own(own: OwnAircraft, run: Run, changes: Reals) -> Reals:
    """Return the chances, departures drawn given the readings of this aircraft."""
    entries = entries_of(own.model, run)
    blades = len(own.model.rotor.blades)
    cells = len(entries.regime)
    found = np.zeros(len(changes))
    for p, change in enumerate(changes):
        drift, cov = own.departure(entries, change)
        mean = entries.values + entries.effect @ change.ravel() + drift
        cov[np.diag_indices_from(cov)] += entries.single
        sure = np.abs(mean[:cells] + 1j * mean[cells : 2 * cells])
        sd = np.sqrt(np.diag(cov))
        reach = _SURE * np.hypot(sd[:cells], sd[cells : 2 * cells])
        if (sure - reach > 1.0).any():
            continue
        doubtful = np.flatnonzero(sure + reach > 1.0)
        kept = np.concatenate([doubtful, cells + doubtful, np.arange(2 * cells, mean.size)])
        noise = np.random.default_rng(_SEED).standard_normal((kept.size, SAMPLES))
        drawn = mean[kept, None] + _roots(cov[np.ix_(kept, kept)]) @ noise
        n = doubtful.size
        inside = (drawn[:n] ** 2 + drawn[n : 2 * n] ** 2 <= 1.0).all(axis=0)
        tips = drawn[2 * n :].reshape(len(entries.height_regime), blades, SAMPLES)
        found[p] = np.mean(inside & (np.ptp(tips, axis=1) <= 2.0).all(axis=0))
    return found


def _vibration_roots(rotor: Rotor, influence: Influence, changes: Reals) -> Reals:
    """Return square roots of the covariance of (re, im) of each next reading, shape (P, R, S, 2, 2)."""
    z = blade_harmonic(changes, rotor.azimuth_deg, rotor.harmonics)
    p, a, s = z.shape
    lever = np.empty((p, s, 2, 2 * a))
    moved = np.moveaxis(z, 2, 1)
    lever[:, :, 0, 0::2] = lever[:, :, 1, 1::2] = moved.real
    lever[:, :, 0, 1::2] = -moved.imag
    lever[:, :, 1, 0::2] = moved.imag
    cov = np.einsum("psia,rsac,psjc->prsij", lever, influence.vibration_cov, lever, optimize=True)
    return _roots(cov + influence.vibration_noise[:, :, None, None] ** 2 * np.eye(2))


def _roots(cov: Reals) -> Reals:
    """Return matrices whose product with their transpose is each covariance, singular ones too."""
    values, vectors = np.linalg.eigh(cov)
    return vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]


def _test_vibration(
    rotor: Rotor, run: Run, mean: Complexes, roots: Reals, rng: np.random.Generator, inside: np.ndarray
) -> None:
    """Take from `inside`, shape (P, K), the samples in which a vibration reading exceeds its limit."""
    reach = np.abs(mean) + _SURE * np.linalg.norm(roots, axis=(-2, -1))
    doubtful = reach > rotor.vibration_limit
    for r, s in np.argwhere(run.vibration_read & doubtful.any(axis=0)):
        noise = rng.standard_normal((2, inside.shape[1]))
        for p in np.flatnonzero(doubtful[:, r, s]):
            centre, x = mean[p, r, s], roots[p, r, s] @ noise
            inside[p] &= (centre.real + x[0]) ** 2 + (centre.imag + x[1]) ** 2 <= rotor.vibration_limit[r, s] ** 2


def _test_heights(
    rotor: Rotor,
    run: Run,
    influence: Influence,
    mean: Reals,
    roots: Reals,
    shares: Reals,
    rng: np.random.Generator,
    inside: np.ndarray,
) -> None:
    """Take from `inside`, shape (P, K), the samples in which a tip spread exceeds its limit."""
    samples = inside.shape[1]
    for r in np.flatnonzero(run.height_read):
        error = roots[r] @ rng.standard_normal((roots.shape[-1], samples))
        noise = influence.height_noise[r] * rng.standard_normal((mean.shape[-1], samples))
        for p in range(len(mean)):
            tips = mean[p, r][:, None] + shares[p].T @ error + noise
            inside[p] &= np.ptp(tips, axis=0) <= rotor.height_limit[r]
