"""Influence files put together, and cut down to some regimes, sensors or adjusters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trackbal.base.covariance import of_both_parts, pairs
from trackbal.estimate.cell_coefficients import CellCoefficients, Kind, from_influence, to_influence
from trackbal.estimate.prior import prior_jobs
from trackbal.fitting.job_sums import spanned
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals


def merge(rotor: Rotor, files: Sequence[Influence]) -> Influence:
    """Return what several influence files say together.

    They must rest on different jobs: a job that stands in two counts twice. The type's mean is
    weighed by the errors of the means (Bayes with normal laws; where a file gives only its whole
    covariance, half of it counts as that error), spread and noise are pooled by jobs. A
    coefficient given without any error stands against all that have one.

    Parameters
    ----------
    files : sequence of Influence, at least one
    """
    merged = files[0]
    for other in files[1:]:
        merged = _two(rotor, merged, other)
    return merged


def _two(rotor: Rotor, first: Influence, second: Influence) -> Influence:
    jobs = prior_jobs(first), prior_jobs(second)
    vibration = _family(first, second, "vibration", jobs)
    height = _family(first, second, "height", jobs)
    runs = [f.source.get("runs") for f in (first, second)]
    dates = spanned([f.source.get("dates") for f in (first, second)])
    source: dict[str, Any] = {
        "jobs": sum(jobs),
        "job_names": sorted({name for f in (first, second) for name in f.source.get("job_names", [])}),
        "runs": sum(runs) if all(isinstance(n, int | float) for n in runs) else None,
        "dates": dates and list(dates),
        "fit_quality": None,
        "merged": [*first.source.get("merged", [_origin(first)]), *second.source.get("merged", [_origin(second)])],
    }
    if largest := _largest_changes(first, second):
        source["largest_past_change"] = largest
    noise = (
        _pooled_sd(first.vibration_noise, second.vibration_noise, jobs),
        _pooled_sd(first.height_noise, second.height_noise, jobs),
    )
    departures = _departures(first.departures, second.departures, jobs)
    merged = to_influence(
        rotor, vibration, height, noise, rotor_name=first.rotor_name, departures=departures, source=source
    )
    blind = None if first.blind is None or second.blind is None else first.blind.and_also(second.blind)
    made_for = None if first.made_for is None or second.made_for is None else merged.made_for
    return replace(merged, blind=blind, made_for=made_for)


def _largest_changes(*influences: Influence) -> dict[str, float]:
    """Return the largest single change that any of the pasts made with each adjuster they name."""
    largest: dict[str, float] = {}
    for influence in influences:
        for name, amount in influence.source.get("largest_past_change", {}).items():
            largest[name] = max(amount, largest.get(name, 0.0))
    return largest


def _origin(influence: Influence) -> dict[str, Any]:
    return {key: influence.source.get(key) for key in ("jobs", "runs", "dates")}


def _pooled_sd(first: Reals, second: Reals, jobs: tuple[float, float]) -> Reals:
    """Return the noise of both, weighed by jobs; where one says 0, the other's."""
    weight = jobs[0] * (first > 0), jobs[1] * (second > 0)
    total = weight[0] + weight[1]
    return np.asarray(np.sqrt((weight[0] * first**2 + weight[1] * second**2) / np.where(total > 0, total, 1.0)))


def _departures(first: Departures | None, second: Departures | None, jobs: tuple[float, float]) -> Departures | None:
    if first is None or second is None:
        return second if first is None else first
    share = jobs[0] / (jobs[0] + jobs[1])

    def mixed(name: str, power: int) -> Any:
        one, other = (np.asarray(getattr(d, name)) ** power for d in (first, second))
        return (share * one + (1 - share) * other) ** (1 / power)

    return Departures(
        regimes=mixed("regimes", 1),
        sensors=mixed("sensors", 1),
        heights=mixed("heights", 1),
        blade_differences=mixed("blade_differences", 2),
        unexplained=mixed("unexplained", 2),
        unexplained_height=float(mixed("unexplained_height", 2)),
        setting_error=mixed("setting_error", 2),
        unexplained_alike=mixed("unexplained_alike", 1),
        unexplained_height_alike=float(mixed("unexplained_height_alike", 1)),
        noise_alone=mixed("noise_alone", 1),
        noise_height_alone=float(mixed("noise_height_alone", 1)),
        blades_unlike=float(mixed("blades_unlike", 2)),
    )


def _family(first: Influence, second: Influence, kind: Kind, jobs: tuple[float, float]) -> CellCoefficients:
    one, other = from_influence(first, kind), from_influence(second, kind)
    mean, mean_cov, spread = np.zeros_like(one.mean), np.zeros_like(one.mean_cov), np.zeros_like(one.spread)
    for c in range(len(mean)):
        known = ~one.of_parts(one.unknown[c]), ~other.of_parts(other.unknown[c])
        mean[c], mean_cov[c] = _cell((one, other), c, known, jobs)
        weight = [max(n - 1.0, 1.0) * np.outer(k, k) for n, k in zip(jobs, known, strict=True)]
        total = weight[0] + weight[1]
        pooled = weight[0] * one.spread[c] + weight[1] * other.spread[c]
        spread[c] = pooled / np.where(total > 0, total, 1.0)
    return CellCoefficients(mean, mean_cov, spread, one.unknown & other.unknown)


def _cell(
    families: tuple[CellCoefficients, CellCoefficients],
    c: int,
    known: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    jobs: tuple[float, float],
) -> tuple[Reals, Reals]:
    """Return mean and its covariance of one cell."""
    exact = [k & (np.diag(f.mean_cov[c]) <= 0) for f, k in zip(families, known, strict=True)]
    settled = exact[0] | exact[1]
    weight = [np.where(e, n, 0.0) for e, n in zip(exact, jobs, strict=True)]
    total = weight[0] + weight[1]
    mean = np.where(settled, sum(w * f.mean[c] for w, f in zip(weight, families, strict=True)), 0.0)
    mean = mean / np.where(total > 0, total, 1.0)
    size = len(mean)
    information, pull = np.zeros((size, size)), np.zeros(size)
    for family, k in zip(families, known, strict=True):
        live = np.flatnonzero(k & ~settled)
        if len(live):
            inverse = np.linalg.pinv(family.mean_cov[c][np.ix_(live, live)], rcond=1e-12, hermitian=True)
            information[np.ix_(live, live)] += inverse
            pull[live] += inverse @ family.mean[c][live]
    live = np.flatnonzero((known[0] | known[1]) & ~settled)
    cov = np.zeros((size, size))
    if len(live):
        cov[np.ix_(live, live)] = np.linalg.inv(information[np.ix_(live, live)])
        mean[live] = cov[np.ix_(live, live)] @ pull[live]
    return mean, cov


def restrict(
    rotor: Rotor,
    influence: Influence,
    regimes: Sequence[str] = (),
    sensors: Sequence[str] = (),
    adjusters: Sequence[str] = (),
) -> Influence:
    """Return an influence that knows only some regimes, sensors and adjusters; empty means all.

    What is left out becomes unknown, so that it cannot be advised on where it is read. Height
    coefficients stay in the regimes kept, whatever the sensors.
    """
    keep_regime = np.array([not regimes or r.name in regimes for r in rotor.regimes])
    keep_sensor = np.array([not sensors or s.name in sensors for s in rotor.sensors])
    keep_adjuster = np.array([not adjusters or a.name in adjusters for a in rotor.adjusters])
    vibration = keep_adjuster[:, None, None] & keep_regime[:, None] & keep_sensor  # (A, R, S)
    height = keep_adjuster[:, None] & keep_regime
    height_regime = np.array([r.heights for r in rotor.regimes])
    pair, height_pair = pairs(of_both_parts(np.moveaxis(vibration, 0, -1))), pairs(height.T)

    def cut(cov: Reals | None, kept: NDArray[np.bool_]) -> Reals | None:
        return None if cov is None else np.where(kept, cov, 0.0)

    kept_noise = keep_regime[:, None] & keep_sensor
    return replace(
        influence,
        alpha=np.where(vibration, influence.alpha, 0.0),
        tau=np.where(height, influence.tau, 0.0),
        vibration_cov=np.where(pair, influence.vibration_cov, 0.0),
        height_cov=np.where(height_pair, influence.height_cov, 0.0),
        vibration_noise=np.where(kept_noise, influence.vibration_noise, 0.0),
        height_noise=np.where(keep_regime, influence.height_noise, 0.0),
        unknown_vibration=influence.unknown_vibration | ~vibration,
        unknown_height=(influence.unknown_height | ~height) & height_regime,
        mean_vibration_cov=cut(influence.mean_vibration_cov, pair),
        mean_height_cov=cut(influence.mean_height_cov, height_pair),
    )
