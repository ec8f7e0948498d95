"""An earlier influence file as knowledge about the type, and its union with a history.

The prior says of the type's mean: value and error of the mean (`mean_cov` in the file);
and of the next aircraft: the spread (`cov` less `mean_cov`). Where a file gives `cov`
alone, the split is not known: half is taken for each where the history cannot tell a
spread, and all of it for the error of the mean where it can. A coefficient without
variance carries no weight that could be set against the history's: it stays where the
history does not know the adjuster, and gives way where it does.

Normal equations of both are added (Bayes with normal prior; e.g. Gelman et al.,
Bayesian Data Analysis, section 3.5, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.base.covariance import add_to_diagonal, circular_cov, pairs, real_map, real_parts, scaled_to_unit
from trackbal.estimate.cell_coefficients import CellCoefficients, Kind, from_influence
from trackbal.estimate.estimate import Estimate, PriorKnowledge
from trackbal.estimate.identification import identify
from trackbal.estimate.mixed import restricted_inverse
from trackbal.estimate.small_sample import widening
from trackbal.influence.coefficients import Influence
from trackbal.runs.run import Reals


def history_family(found: Estimate) -> CellCoefficients:
    """Return what the history alone says; unknown coefficients are 0 without variance.

    Spreads that rest on few jobs are widened (small_sample.py).
    """
    unknown = found.identification.unknown
    circular = np.iscomplexobj(found.error)
    wider = np.where(np.isfinite(found.kappa), np.sqrt(widening(found.jobs, 2 if circular else 1)), 1.0)
    pair = wider[:, :, None] * wider[:, None, :]
    between = add_to_diagonal(np.zeros_like(found.error), found.spread) * pair
    if circular:
        family = CellCoefficients(real_parts(found.alpha), circular_cov(found.error), circular_cov(between), unknown)
    else:
        family = CellCoefficients(found.alpha.real, found.error.real, between.real, unknown)
    return family.without_unknown()


def prior_knowledge(prior: Influence, kind: Kind, parts_noise: Reals) -> PriorKnowledge:
    """Return what the estimate of a history needs of a prior; `parts_noise` its sigma2, shape (C,)."""
    family = from_influence(prior, kind)
    between = np.einsum("cii->ci", family.spread).reshape(*family.unknown.shape, -1).sum(axis=-1)
    split = (prior.mean_vibration_cov if kind == "vibration" else prior.mean_height_cov) is not None
    return PriorKnowledge(
        np.maximum(between, 0.0), ~family.unknown & (between > 0), split, prior_jobs(prior), parts_noise
    )


def prior_jobs(prior: Influence) -> float:
    """Return the jobs a prior rests on; 2 where it does not say."""
    counts = [prior.source.get(key, 0) for key in ("jobs", "prior_jobs")]
    jobs = sum(float(c) for c in counts if isinstance(c, int | float) and not isinstance(c, bool) and 0 < c < 1e9)
    return jobs or 2.0


def unite(found: Estimate, prior: Influence, kind: Kind) -> CellCoefficients:
    """Return history and prior together.

    A cell without any reading in the history keeps the prior's figures. Where the
    history tells a spread it is pooled with the prior's (see Estimate); else the
    prior's stands.
    """
    history = history_family(found)
    spread_known = ~found.identification.unknown & np.isfinite(found.kappa)
    before = from_influence(prior, kind, spread_known)
    untouched = from_influence(prior, kind)
    if kind == "vibration":
        weight, pull = 2.0 * real_map(found.information), 2.0 * real_parts(found.score)
    else:
        weight, pull = found.information.real, found.score.real
    parts_known = history.of_parts(spread_known)
    spread = np.where(pairs(~parts_known), before.spread, history.spread)
    mean, mean_cov, unknown = np.zeros_like(pull), np.zeros_like(weight), np.zeros_like(spread_known)
    for c in range(len(spread_known)):
        if not found.jobs[c].any():
            mean[c], mean_cov[c], spread[c] = untouched.mean[c], untouched.mean_cov[c], untouched.spread[c]
            unknown[c] = untouched.unknown[c]
            continue
        cell = _Sides(weight[c], pull[c], before.mean[c], before.mean_cov[c])
        mean[c], mean_cov[c], unknown[c] = _unite_cell(cell, history.unknown[c], before.unknown[c])
    return CellCoefficients(mean, mean_cov, spread, unknown).without_unknown()


@dataclass(frozen=True)
class _Sides:
    """Normal equations of the history (`weight @ x = pull`), mean and covariance of the prior; one cell."""

    weight: Reals
    pull: Reals
    mean: Reals
    cov: Reals


def _unite_cell(
    cell: _Sides, history_unknown: NDArray[np.bool_], prior_unknown: NDArray[np.bool_]
) -> tuple[Reals, Reals, NDArray[np.bool_]]:
    """Return mean, its covariance and what neither side knows, of one cell."""
    adjusters = len(history_unknown)
    parts = len(cell.mean) // adjusters
    variance = np.diag(cell.cov).reshape(adjusters, parts).sum(axis=1)
    informed = np.repeat(~prior_unknown & (variance > 0), parts)
    pinned = np.repeat(~prior_unknown & (variance <= 0) & history_unknown, parts)
    known = np.zeros_like(cell.weight)
    if informed.any():
        known[np.ix_(informed, informed)] = _stable_inverse(cell.cov[np.ix_(informed, informed)])
    total = cell.weight + known
    pull = cell.pull + known @ np.where(informed, cell.mean, 0.0) - cell.weight @ np.where(pinned, cell.mean, 0.0)
    total[pinned, :] = total[:, pinned] = 0.0
    pull[pinned] = 0.0
    identified = identify(total[None], np.zeros(len(pull)))
    column, null = identified.column[0], identified.null
    cov = restricted_inverse(total[None] / (column[:, None] * column), null)[0][0] / (column[:, None] * column)
    mean = np.where(pinned, cell.mean, cov @ pull)
    unknown = (identified.unknown[0] & ~pinned).reshape(adjusters, parts).any(axis=1)
    return mean, cov, unknown


def _stable_inverse(cov: Reals) -> Reals:
    """Return the inverse of a covariance; a direction almost without variance counts as 1e-12 of the largest."""
    scaled, size = scaled_to_unit(cov)
    values, vectors = np.linalg.eigh(scaled)
    values = np.maximum(values, 1e-12 * values.max())
    inverse: Reals = (vectors / values) @ vectors.T / (size[:, None] * size)
    return inverse
