"""How much the blades of a type's aircraft differ before any work, from the first runs of past jobs.

Blades differ as if somebody had adjusted them by amounts nobody knows: the blade differences.
Their root mean square per adjuster, and that of the part of a reading which no blade difference
explains, are the variance components of the model in aircraft/posterior.py: with the covariance
``V = sum_k theta[k] V'[k] + noise`` of a first run's readings y, of mean 0, the likelihood is climbed by Fisher's
scoring steps (Jennrich and Sampson 1976, Technometrics 18; from memory), no variance below 0,

    slope[k] = y' V^-1 V'[k] V^-1 y - tr V^-1 V'[k],   information[k, l] = tr V^-1 V'[k] V^-1 V'[l]

Each round takes the posterior of every aircraft anew at the present variances, as V holds departures
of the coefficients too, and they are taken at the best estimate of the blade differences. Tip
heights are about their mean, which therefore says nothing: V'[k] of what heights leave unexplained is the
projector on the other B - 1 directions.

The most likely value of what is left unexplained is often 0 where few jobs tell it, and chances that believe a 0 are
too bold. So its likelihood is multiplied by the standard deviation itself, which keeps it off 0 by about its
standard error and moves it little where it is told (Chung, Rabe-Hesketh, Dorie, Gelman & Liu 2013, Psychometrika
78:685, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from trackbal.aircraft.posterior import Entries, OwnAircraft, Seen, TypeModel, basis_of, entries_of, posterior
from trackbal.base.covariance import contrasts
from trackbal.base.sampling import evenly_spaced
from trackbal.estimate.mixed import scoring_step
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals, Run

_MOST_ROUNDS = 40
_SETTLED = 1e-6  # of twice the log-likelihood: a step that promises less is the last
_LEAST_OF_LAST = 0.05  # a variance falls to no less of itself in a round
_MOST_OF_LAST = 10.0
MOST_JOBS = 60
_MOST_ENTRIES = 150  # readings of a job; more are thinned evenly
_START_UNEXPLAINED = 0.2  # of the limit


def find_blade_differences(rotor: Rotor, influence: Influence, alike: Departures, starts: Sequence[Run]) -> Departures:
    """Return `alike` with blade differences and unexplained parts estimated from first runs.

    Parameters
    ----------
    influence : Influence
        Of the type.
    alike : Departures
        Correlations; its other fields are not used.
    starts : sequence of Run
        First runs of past jobs.
    """
    neutral = TypeModel.of(rotor, influence, alike)
    jobs = [entries_of(neutral, start).thinned(_MOST_ENTRIES, len(rotor.blades)) for start in starts]
    jobs = [entries for entries in jobs if entries.values.size]
    now = _first_guess(rotor, alike, jobs)
    still = np.zeros((len(rotor.adjusters), len(rotor.blades)))
    seen = [(Seen(0, e, still, np.zeros(still.size), basis_of(neutral, e)),) for e in jobs]
    posteriors: list[OwnAircraft | None] = [None] * len(jobs)
    for _ in range(_MOST_ROUNDS if jobs else 0):
        model = replace(neutral, departures=now)
        posteriors = [posterior(model, one, before) for one, before in zip(seen, posteriors, strict=True)]
        now, promised = _climbed(model, [one for one in posteriors if one is not None])
        if promised < _SETTLED:
            break
    return now


def first_runs(history: History) -> list[Run]:
    """Return the first run of every job, evenly spaced jobs of many."""
    starts = np.flatnonzero(history.run == 1)
    chosen = starts[evenly_spaced(len(starts), MOST_JOBS)]
    return [
        Run(
            vibration=history.vibration[i],
            height=history.height[i],
            vibration_count=history.vibration_count[i],
            height_count=history.height_count[i],
            vibration_squares=history.vibration_squares[i],
            height_squares=history.height_squares[i],
            height_taken=~np.isnan(history.height[i]),
            rpm=np.full(history.height.shape[1], np.nan),
            source=history.source,
        )
        for i in chosen
    ]


def _first_guess(rotor: Rotor, alike: Departures, jobs: Sequence[Entries]) -> Departures:
    """Return blade differences that would, each adjuster for its part, make readings as large as they are."""
    adjusters, blades = len(rotor.adjusters), len(rotor.blades)
    differences = np.zeros(adjusters)
    if jobs:
        size = np.mean([np.mean(e.values**2) for e in jobs])
        for a in range(adjusters):
            effect = np.mean([np.sum(e.effect[:, a * blades : (a + 1) * blades] ** 2) / len(e.effect) for e in jobs])
            differences[a] = np.sqrt(size / adjusters / effect) if effect > 0 else 0.0
    return replace(
        alike,
        blade_differences=differences,
        unexplained=_START_UNEXPLAINED * rotor.vibration_limit.min(axis=0),
        unexplained_height=_START_UNEXPLAINED * _half_spread(rotor),
    )


def _half_spread(rotor: Rotor) -> float:
    finite = rotor.height_limit[np.isfinite(rotor.height_limit)]
    return float(finite.min() / 2.0) if finite.size else 0.0


def _climbed(model: TypeModel, jobs: Sequence[OwnAircraft]) -> tuple[Departures, float]:
    """Return the variances after a scoring step, as departures, and the gain that the step promises."""
    now = model.departures
    theta = np.concatenate([now.blade_differences, now.unexplained, [now.unexplained_height]]) ** 2
    slope, information = np.zeros(theta.size), np.zeros((theta.size, theta.size))
    for own in jobs:
        of_one = _slope(model.rotor, own)
        slope += of_one[0]
        information += of_one[1]
    estimable = information.diagonal() > 0.0
    unexplained = estimable & (np.arange(theta.size) >= now.blade_differences.size)
    off_zero = np.divide(1.0, theta, out=np.zeros_like(theta), where=unexplained)
    slope += off_zero
    information[np.diag_indices_from(information)] += off_zero**2
    step, promised = scoring_step(slope, information, estimable, theta)
    moved = np.sqrt(np.clip(theta + step, _LEAST_OF_LAST * theta, _MOST_OF_LAST * theta))
    adjusters = now.blade_differences.size
    return replace(
        now,
        blade_differences=moved[:adjusters],
        unexplained=moved[adjusters:-1],
        unexplained_height=float(moved[-1]),
    ), promised


def _slope(rotor: Rotor, own: OwnAircraft) -> tuple[Reals, Reals]:
    """Return what one aircraft adds to the slope by each variance, and to the information.

    V'[k] is ``load[k] @ load[k].T``, so that all is in the products of loads with V^-1, squared and summed.
    """
    loads = _loads(rotor, own.seen[0].entries)
    sizes = [load.shape[1] for load in loads]
    of = np.repeat(np.eye(len(loads)), sizes, axis=0)  # which columns are whose
    together = np.concatenate(loads, axis=1)
    inward = together.T @ own.inverse @ together
    slope = ((together.T @ own.weighed) ** 2 - inward.diagonal()) @ of
    return slope, of.T @ inward**2 @ of


def _loads(rotor: Rotor, entries: Entries) -> list[Reals]:
    """Return a root of V'[k], shape (D, n), for each adjuster, each sensor and the tips, in this order."""
    cells, regimes, blades = len(entries.regime), len(entries.height_regime), len(rotor.blades)
    centre = contrasts(blades).T
    loads = []
    for start in range(0, entries.effect.shape[1], blades):
        loads.append(entries.effect[:, start : start + blades] @ centre)
    limit = np.tile(rotor.vibration_limit[entries.regime, entries.sensor], 2)
    for s in range(len(rotor.sensors)):
        rows = np.flatnonzero(np.tile(entries.sensor == s, 2))
        load = np.zeros((entries.values.size, rows.size))
        load[rows, np.arange(rows.size)] = 1.0 / limit[rows]
        loads.append(load)
    tips = np.zeros((entries.values.size, regimes * (blades - 1)))
    half = rotor.height_limit[entries.height_regime] / 2.0
    tips[2 * cells :] = np.kron(np.diag(1.0 / half), centre)
    loads.append(tips)
    return loads
