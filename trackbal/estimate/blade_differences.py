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

What is left unexplained has two variances for each sensor, and for the tips: of what a reading has for itself, and of
what regimes share, as far as they are alike (likeness.py): a force that no blade exerts, or a tip that stands high
without flying high, is much the same in every regime. Taken for each regime's own, it would look two or three times
too small, as what regimes share passes for blade differences.

The most likely value of what is left unexplained is often 0 where few jobs tell it, and chances that believe a 0 are
too bold. So the likelihood is multiplied by the standard deviation of the two together, which keeps it off 0 by about
its standard error and moves it little where it is told (Chung, Rabe-Hesketh, Dorie, Gelman & Liu 2013, Psychometrika
78:685, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from trackbal.aircraft.entries import Entries, RunEntries, basis_of, entries_of
from trackbal.aircraft.posterior import OwnAircraft, posterior
from trackbal.aircraft.type_model import TypeModel
from trackbal.base.covariance import contrasts, symmetric_root
from trackbal.estimate import mixed
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run

_MOST_ROUNDS = 40
_SETTLED = 1e-6  # of twice the log-likelihood: a step that promises less is the last
_LEAST_OF_LAST = 0.05  # a variance falls to no less of itself in a round
_MOST_OF_LAST = 10.0
_MOST_ENTRIES = 150  # readings of a job; more are thinned evenly
_START_UNEXPLAINED = 0.2  # of the limit
_START_ALIKE = 0.5


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
    runs = [(RunEntries(0, e, still, np.zeros(still.size), basis_of(neutral, e)),) for e in jobs]
    posteriors: list[OwnAircraft | None] = [None] * len(jobs)
    for _ in range(_MOST_ROUNDS if jobs else 0):
        model = replace(neutral, departures=now)
        posteriors = [posterior(model, one, before) for one, before in zip(runs, posteriors, strict=True)]
        now, promised = _climbed(model, [one for one in posteriors if one is not None])
        if promised < _SETTLED:
            break
    return now


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
        unexplained_alike=np.full(len(rotor.sensors), _START_ALIKE),
        unexplained_height_alike=_START_ALIKE,
    )


def _half_spread(rotor: Rotor) -> float:
    finite = rotor.height_limit[np.isfinite(rotor.height_limit)]
    return float(finite.min() / 2.0) if finite.size else 0.0


def _climbed(model: TypeModel, jobs: Sequence[OwnAircraft]) -> tuple[Departures, float]:
    """Return the variances after a scoring step, as departures, and the gain that the step promises."""
    theta = _variances(model.departures)
    slope, information = np.zeros(theta.size), np.zeros((theta.size, theta.size))
    for aircraft in jobs:
        of_one = _slope(model, aircraft)
        slope += of_one[0]
        information += of_one[1]
    estimable = information.diagonal() > 0.0
    adjusters = model.departures.blade_differences.size
    of_reading = np.arange(adjusters, adjusters + (theta.size - adjusters) // 2)
    for pair in np.column_stack([of_reading, of_reading + of_reading.size]):
        total = theta[pair].sum()
        if estimable[pair].any() and total > 0.0:
            slope[pair] += 1.0 / total
            information[np.ix_(pair, pair)] += 1.0 / total**2
    step, promised = mixed.scoring_step(slope, information, estimable, theta)
    moved = np.clip(theta + step, _LEAST_OF_LAST * theta, _MOST_OF_LAST * theta)
    return _of_variances(model.departures, moved), promised


def _variances(now: Departures) -> Reals:
    """Return the variances to be found: blade differences; of the unexplained its own part, then the shared."""
    rest = np.array([*now.unexplained, now.unexplained_height]) ** 2
    alike = np.array([*now.unexplained_alike, now.unexplained_height_alike])
    return np.concatenate([now.blade_differences**2, rest * (1.0 - alike), rest * alike])


def _of_variances(now: Departures, theta: Reals) -> Departures:
    adjusters = now.blade_differences.size
    alone, shared = theta[adjusters:].reshape(2, -1)
    rest = np.sqrt(alone + shared)
    alike = np.divide(shared, alone + shared, out=np.zeros_like(rest), where=rest > 0.0)
    return replace(
        now,
        blade_differences=np.sqrt(theta[:adjusters]),
        unexplained=rest[:-1],
        unexplained_height=float(rest[-1]),
        unexplained_alike=alike[:-1],
        unexplained_height_alike=float(alike[-1]),
    )


def _slope(model: TypeModel, aircraft: OwnAircraft) -> tuple[Reals, Reals]:
    """Return what one aircraft adds to the slope by each variance, and to the information.

    V'[k] is ``load[k] @ load[k].T``, so that all is in the products of loads with V^-1, squared and summed.
    """
    return mixed.slope_of_loads(_loads(model, aircraft.runs[0].entries), aircraft.inverse, aircraft.weighed)


def _loads(model: TypeModel, entries: Entries) -> list[Reals]:
    """Return a root of V'[k], shape (D, n), for each variance, in the order of `_variances`."""
    rotor, departures = model.rotor, model.departures
    blades = len(rotor.blades)
    centre = contrasts(blades).T
    loads = [entries.effect[:, start : start + blades] @ centre for start in range(0, entries.effect.shape[1], blades)]
    alone = _unexplained_loads(rotor, entries, np.eye(len(rotor.regimes)), np.eye(len(rotor.regimes)))
    shared = _unexplained_loads(rotor, entries, symmetric_root(departures.regimes), symmetric_root(departures.heights))
    return [*loads, *alone, *shared]


def _unexplained_loads(rotor: Rotor, entries: Entries, regimes: Reals, heights: Reals) -> list[Reals]:
    """Return a root of V'[k] of each sensor and of the tips, for roots (R, R) of how regimes are alike."""
    cells, blades, count = len(entries.regime), len(rotor.blades), len(rotor.regimes)
    limit = rotor.vibration_limit[entries.regime, entries.sensor]
    loads = []
    for s in range(len(rotor.sensors)):
        rows = np.flatnonzero(entries.sensor == s)
        load = np.zeros((entries.values.size, 2 * count))
        part = regimes[entries.regime[rows]] / limit[rows, None]
        load[rows, :count] = load[cells + rows, count:] = part
        loads.append(load)
    tips = np.zeros((entries.values.size, count * (blades - 1)))
    half = rotor.height_limit[entries.height_regime] / 2.0
    tips[2 * cells :] = np.kron(heights[entries.height_regime] / half[:, None], contrasts(blades).T)
    return [*loads, tips]
