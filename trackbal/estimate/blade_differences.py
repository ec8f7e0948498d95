"""How much the blades of a type's aircraft differ before any work, from the first runs of past jobs.

Blades differ as if somebody had adjusted them by amounts nobody knows: the blade differences.
Their root mean square per adjuster, and that of the part of a reading which no blade difference
explains, are the variance components of the model in aircraft/posterior.py. They are found by
the EM algorithm (Dempster, Laird & Rubin 1977, J. R. Stat. Soc. B 39; Laird & Ware 1982,
Biometrics 38:963; from memory): each round takes the posterior of every aircraft at the present
variances, and then the variances that the posteriors' mean squares come to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from trackbal.aircraft.posterior import Entries, OwnAircraft, Seen, TypeModel, basis_of, entries_of, posterior
from trackbal.base.sampling import evenly_spaced
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals, Run

_ROUNDS = 30  # the chance hardly moves after ten
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
    for _ in range(_ROUNDS if jobs else 0):
        model = replace(neutral, departures=now)
        posteriors = [posterior(model, one, before) for one, before in zip(seen, posteriors, strict=True)]
        now = _improved(model, [one for one in posteriors if one is not None])
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
    fault = np.zeros(adjusters)
    if jobs:
        size = np.mean([np.mean(e.values**2) for e in jobs])
        for a in range(adjusters):
            effect = np.mean([np.sum(e.effect[:, a * blades : (a + 1) * blades] ** 2) / len(e.effect) for e in jobs])
            fault[a] = np.sqrt(size / adjusters / effect) if effect > 0 else 0.0
    return replace(
        alike,
        fault=fault,
        unexplained=_START_UNEXPLAINED * rotor.vibration_limit.min(axis=0),
        unexplained_height=_START_UNEXPLAINED * _half_spread(rotor),
    )


def _half_spread(rotor: Rotor) -> float:
    finite = rotor.height_limit[np.isfinite(rotor.height_limit)]
    return float(finite.min() / 2.0) if finite.size else 0.0


def _improved(model: TypeModel, jobs: Sequence[OwnAircraft]) -> Departures:
    """Return the next EM estimate from what the last one gave for each job."""
    rotor, now = model.rotor, model.departures
    adjusters, blades, sensors = len(rotor.adjusters), len(rotor.blades), len(rotor.sensors)
    faults = np.zeros(adjusters)
    rest, taken = np.zeros(sensors + 1), np.zeros(sensors + 1)
    for own in jobs:
        entries, inverse = own.seen[0].entries, own.inverse
        explained = np.sum(entries.effect * (inverse @ entries.effect), axis=0)
        pull = entries.effect.T @ own.weighed
        for a in range(adjusters):
            block = slice(a * blades, (a + 1) * blades)
            centred = pull[block] - pull[block].mean()
            variance = now.fault[a] ** 2
            faults[a] += variance**2 * (centred @ centred - explained[block].sum()) + variance * (blades - 1)
        for i, (rows, scale) in enumerate(_rest_rows(rotor, entries)):
            sd = now.unexplained[i] if i < sensors else now.unexplained_height
            variance = (sd / scale) ** 2
            grown = variance**2 * (own.weighed[rows] ** 2 - np.diag(inverse)[rows]) + variance
            rest[i] += np.sum(grown * scale**2)
            taken[i] += len(rows)
    found = np.sqrt(np.maximum(np.divide(rest, taken, out=np.zeros_like(rest), where=taken > 0), 0.0))
    return replace(
        now,
        fault=np.sqrt(np.maximum(faults, 0.0) / (len(jobs) * (blades - 1))),
        unexplained=found[:sensors],
        unexplained_height=float(found[sensors]),
    )


def _rest_rows(rotor: Rotor, entries: Entries) -> list[tuple[Reals, Reals]]:
    """Return, per sensor and last for heights, the entries and what one unit of them is in reading units."""
    cells, blades = len(entries.regime), len(rotor.blades)
    limit = rotor.vibration_limit[entries.regime, entries.sensor]
    rows = []
    for s in range(len(rotor.sensors)):
        own = np.flatnonzero(entries.sensor == s)
        rows.append((np.concatenate([own, cells + own]), np.tile(limit[own], 2)))
    half = np.repeat(rotor.height_limit[entries.height_regime] / 2.0, blades)
    rows.append((np.arange(2 * cells, entries.values.size), half))
    return rows
