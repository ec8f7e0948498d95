"""How an aircraft's departures from its type go together, from reading to reading.

An aircraft whose airframe answers 15 % more than its type's does so in many readings at
once. With e[c, a] the relative departure of coefficient a in cell c = (regime, sensor),
in units of its spread, the model is

    E[e[c, a] conj(e[c', a])] = regimes[r, r'] * sensors[s, s']

two correlation matrices; different adjusters depart independently. They are estimated by
moments. A cell's noise is its own, so that between two cells only the departures go
together: with the scores ``q = conj(d) X'V^-1 r`` of a job (mixed.py) and
``W = conj(d) X'V^-1 X d``, d the size and phase of the departures,

    E[q[c] q[c']^H] = regimes * sensors * W[c] W[c']    for c != c'

Each correlation is the least-squares answer to these equations, all jobs together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.base.covariance import Matrix, hermitian_part, scaled_to_unit
from trackbal.estimate import mixed
from trackbal.estimate.estimate import Estimate, sample_jobs
from trackbal.estimate.job_statistics import CellStatistics
from trackbal.runs.run import Reals

_LARGEST = 0.98  # correlations are estimates too


@dataclass(frozen=True)
class Likeness:
    """Correlation of relative departures: between regimes (R, R) and sensors (S, S); 1 on the diagonals."""

    regimes: Reals
    sensors: Reals


def family_likeness(cells: Sequence[CellStatistics], found: Estimate, grid: tuple[int, int]) -> Likeness:
    """Estimate what goes together in a family of cells, numbered regime by regime, sensor by sensor."""
    identified = found.identification
    data = mixed.stack(sample_jobs(cells), identified.column, identified.null)
    sigma2 = np.maximum(found.sigma2, mixed.noise_floor(data))
    score, information = mixed.scores(
        data, sigma2, found.spread * identified.column**2, found.alpha * identified.column
    )
    departure = np.sqrt(found.spread) * identified.column * np.exp(1j * np.angle(found.alpha))
    if not np.iscomplexobj(found.alpha):
        departure = departure.real
    return find_likeness(score, information, np.where(identified.unknown, 0.0, departure), grid)


def find_likeness(score: Matrix, information: Matrix, departure: Matrix, grid: tuple[int, int]) -> Likeness:
    """Estimate what goes together.

    Parameters
    ----------
    score : ndarray, shape (C, J, A)
        ``X'V^-1 r`` of each cell and job, r what the type's coefficients leave.
    information : ndarray, shape (C, J, A, A)
        ``X'V^-1 X``.
    departure : ndarray, shape (C, A)
        Root-mean-square departure of each coefficient, with the coefficient's phase; 0 where
        it is not known.
    grid : (R, S)
        Cells are numbered regime by regime, sensor by sensor: C = R * S.
    """
    regimes, sensors = grid
    _, jobs, adjusters = score.shape
    q = departure.conj()[:, None] * score * np.sqrt(jobs / max(jobs - 1.0, 1.0))
    w = departure.conj()[:, None, :, None] * information * departure[:, None, None, :]
    q = q.reshape(regimes, sensors, jobs, adjusters)
    w = w.reshape(regimes, sensors, jobs, adjusters, adjusters)
    if jobs < 2:
        return Likeness(np.eye(regimes), np.eye(sensors))
    return Likeness(_between(q, w), _between(q.swapaxes(0, 1), w.swapaxes(0, 1)))


def _between(q: Matrix, w: Matrix) -> Reals:
    """Return the correlation (G, G) along the first axis of q (G, H, J, A), cells paired within the second."""
    fitted, squares = np.zeros((len(q), len(q))), np.zeros((len(q), len(q)))
    for h in range(q.shape[1]):
        turned = np.einsum("gjab,gjb->gja", w[:, h], q[:, h])
        fitted += np.einsum("gja,kja->gk", turned.conj(), turned).real
        gram = w[:, h] @ w[:, h]
        squares += np.einsum("gjab,kjba->gk", gram, gram).real
    return as_correlation(fitted / np.where(squares > 0, squares, 1.0))


def as_correlation(matrix: Reals) -> Reals:
    """Return the nearest simple correlation matrix, (n, n): clipped, positive semidefinite, 1 on the diagonal."""
    clipped = np.clip(hermitian_part(matrix), 0.0, _LARGEST)
    np.fill_diagonal(clipped, 1.0)
    values, vectors = np.linalg.eigh(clipped)
    positive = (vectors * np.maximum(values, 1e-6)) @ vectors.T
    return scaled_to_unit(positive)[0]
