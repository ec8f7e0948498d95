"""Each aircraft's own coefficients, from its jobs alone and its type together; is it unlike its type?

With the sums of its jobs (mixed.py: gram M, moment b, spread D) the aircraft's departure is

    u = D G (b - M alpha),   cov = sigma2 D G  (+ what is not known of alpha)

(best linear unbiased prediction; Henderson 1975, Biometrics 31; Robinson 1991, Stat. Sci. 6;
from memory). Unlike its type: the score q = G (b - M alpha) of a job has covariance
W - W K W, so that ``q' (W - W K W)^-1 q`` of a reading is chi-square if the aircraft is one of
the type; taken as F with the noise's degrees of freedom, and the firmest reading's chance
multiplied by the number of readings, and of aircraft (Bonferroni), as readings of one
aircraft depend on each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.base.covariance import Matrix, hermitian_part, mixed_matrix
from trackbal.estimate.estimate import Estimate, Estimates
from trackbal.estimate.job_statistics import CellStatistics, HistoryCells, by_aircraft
from trackbal.runs.run import Reals

UNLIKE = 0.01  # chance, for all aircraft of the history together, below which one is called unlike its type
_RANK = 1e-8


@dataclass(frozen=True)
class OwnAnswer:
    """One aircraft beside its type.

    Parameters
    ----------
    aircraft : str
        Its name; that of the job where nobody says whose it is.
    p : float
        Chance of a departure this firm in any of its readings; nan if its jobs tell none.
    unlike : bool
        Whether it is beyond what UNLIKE allows.
    departure : tuple of float
        Adjuster by adjuster, its vibration influence along the type's, as a part of it (1: the
        same), mean over the readings by their size; nan where the job says nothing.
    """

    aircraft: str
    p: float
    unlike: bool
    departure: tuple[float, ...]


@dataclass(frozen=True)
class OwnCoefficients:
    """Own coefficients of J aircraft in C cells, and their error.

    Parameters
    ----------
    alpha : ndarray, shape (C, J, A)
    error : ndarray, shape (C, J, A, A)
        ``E[(a - alpha) conj(a - alpha)']``.
    p : ndarray, shape (C, J)
        Chance of a departure from the type as firm as this; nan where the job cannot tell.
    """

    alpha: Matrix
    error: Matrix
    p: Reals


def own_answers(cells: HistoryCells, estimates: Estimates) -> tuple[OwnAnswer, ...]:
    """Return how every aircraft of a history stands to its type."""
    vibration = estimates.vibration
    statistics = by_aircraft(cells.vibration_statistics, cells.aircraft)
    posterior = own_coefficients(statistics, vibration)
    tips = own_coefficients(by_aircraft(cells.height_statistics, cells.aircraft), estimates.height)
    p = np.concatenate([posterior.p, tips.p])
    tellable = np.isfinite(p)
    least = np.min(np.where(tellable, p, np.inf), axis=0)
    judged = tellable.any(axis=0)
    each = np.where(judged, np.minimum(np.where(judged, least, 1.0) * tellable.sum(axis=0), 1.0), np.nan)
    jobs = int(judged.sum())
    size2 = np.where(vibration.identification.unknown, 0.0, np.abs(vibration.alpha) ** 2)
    moved = np.array([np.einsum("jaa->ja", c.gram).real for c in statistics])
    where_moved = np.where(
        moved > 0, posterior.alpha, 0.0
    )  # of what a job never moved its own coefficient may be anything
    along = (vibration.alpha.conj()[:, None] * where_moved).real
    scale = (size2[:, None] * (moved > 0)).sum(axis=0)
    departure = np.where(scale > 0, along.sum(axis=0) / np.where(scale > 0, scale, 1.0), np.nan)
    names = list(dict.fromkeys(cells.aircraft))
    return tuple(
        OwnAnswer(name, float(each[j]), bool(each[j] * jobs < UNLIKE), tuple(departure[j].tolist()))
        for j, name in enumerate(names)
    )


def own_coefficients(cells: Sequence[CellStatistics], found: Estimate) -> OwnCoefficients:
    """Return every aircraft's own coefficients; those of the type where its job says nothing."""
    parts = [_own_cell(cell, found, c) for c, cell in enumerate(cells)]
    return OwnCoefficients(*(np.array(part) for part in zip(*parts, strict=True)))


def _own_cell(cell: CellStatistics, found: Estimate, c: int) -> tuple[Matrix, Matrix, Reals]:
    alpha, sigma2, spread, k = found.alpha[c], float(found.sigma2[c]), found.spread[c], found.error[c]
    jobs, size = cell.moment.shape
    between = np.diag(spread)
    if sigma2 <= 0:
        error = np.broadcast_to(k + between, (jobs, size, size))
        return np.broadcast_to(alpha, (jobs, size)), error, np.full(jobs, np.nan)
    g = np.linalg.inv(mixed_matrix(cell.gram, spread, sigma2))
    q = np.einsum("jab,jb->ja", g, cell.moment - cell.gram @ alpha)
    w = g @ cell.gram
    kept = np.eye(size) - spread[:, None] * w  # what the job leaves of a departure
    error = hermitian_part(sigma2 * spread[:, None] * g) + kept @ k @ kept.conj().swapaxes(-1, -2)
    return alpha + spread * q, error, _chance(q, w, k, float(found.noise_dof[c]))


def _chance(q: Matrix, w: Matrix, k: Matrix, dof: float) -> Reals:
    """Return the chance of each job's score, shape (J,); nan where it has none."""
    from scipy.special import fdtrc

    if dof < 2.0:
        return np.full(len(q), np.nan)
    cov = hermitian_part(w - w @ k @ w)
    size = np.sqrt(np.maximum(np.einsum("jaa->ja", w).real, 0.0))
    live = size > 0
    size = np.where(live, size, 1.0)
    values, vectors = np.linalg.eigh(cov / (size[:, :, None] * size[:, None, :]))
    determined = values > _RANK
    turned = np.einsum("jab,ja->jb", vectors.conj(), np.where(live, q / size, 0.0))
    statistic = np.sum(np.where(determined, np.abs(turned) ** 2 / np.where(determined, values, 1.0), 0.0), axis=1)
    rank = determined.sum(axis=1)
    parts = 2 if np.iscomplexobj(q) else 1
    with np.errstate(invalid="ignore"):
        p = fdtrc(parts * np.maximum(rank, 1), parts * dof, statistic / np.maximum(rank, 1))
    return np.where(rank > 0, p, np.nan)
