"""Every reading beside what all other runs of its job lead to expect of it, without fitting anything again.

In one cell of one job, v being the free start, u the aircraft's departure of covariance D,

    y = v + Z (alpha + u) + noise,   P = V^-1 less what v (and a fitted alpha) takes up,   p = P (y - Z alpha)

and the deletion residual of reading t, its distance from what the others lead to expect, is
``p[t] / P[t, t]`` with variance ``1 / P[t, t]`` (Christensen, Pearson and Johnson 1992,
Technometrics 34, from memory). With the sums M, b of the job and ``G = (sigma2 I + M D)^-1``,

    P = w / sigma2 (centring) - w Z B Z' w,   B = D G / sigma2 + G' K G

K being the error of alpha, or nothing where alpha is taken as known.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from trackbal.base.covariance import Matrix, full_mixed_matrix, residual_sums
from trackbal.estimate.job_statistics import CellStatistics, CentredDesign
from trackbal.runs.run import Counts, Reals


@dataclass(frozen=True)
class JobFit:
    """What one cell says of each of J jobs' own coefficients.

    Parameters
    ----------
    alpha : ndarray, shape (J, A)
        Expected of each job, its own readings included.
    taken : ndarray, shape (J, A, A)
        B.
    inner : ndarray, shape (J, A, A)
        ``sigma2 I + M D``.
    squares : ndarray, shape (J,)
        ``r' P r``, r what the type's coefficients leave; for coefficients that are taken as known.
    sigma2 : float
        Noise variance of one reading.
    """

    alpha: Matrix
    taken: Matrix
    inner: Matrix
    squares: Reals
    sigma2: float

    @classmethod
    def of(
        cls, cell: CellStatistics, alpha: Matrix, between: Matrix, sigma2: float, error: Matrix | None = None
    ) -> JobFit:
        """Return the fit of every job.

        Parameters
        ----------
        alpha : ndarray, shape (A,)
            Coefficients of the type.
        between : ndarray, shape (A, A)
            D.
        sigma2 : float
            Positive.
        error : ndarray, shape (A, A), optional
            K, where the same readings fitted alpha.
        """
        inner = full_mixed_matrix(cell.gram, between, sigma2)
        g = np.linalg.inv(inner)
        remaining, raw = residual_sums(cell.gram, cell.moment, cell.squares, alpha)
        moved = np.einsum("ab,jbc,jc->ja", between, g, remaining, optimize=True)
        taken = between @ g / sigma2
        if error is not None:
            taken = taken + g.conj().swapaxes(-1, -2) @ error @ g
        overlap = np.einsum("ja,ja->j", moved.conj(), remaining).real
        return cls(alpha + moved, taken, inner, (raw - overlap) / sigma2, sigma2)

    @cached_property
    def log_det(self) -> Reals:
        """Log-determinant of ``I + M D / sigma2``, shape (J,)."""
        return np.asarray(np.linalg.slogdet(self.inner)[1] - self.inner.shape[-1] * np.log(self.sigma2))


@dataclass(frozen=True)
class Deletion:
    """The readings of one cell, in n runs.

    Parameters
    ----------
    design : CentredDesign
    y : ndarray, shape (n,) or (B, n)
        Readings less their job's mean.
    fit : JobFit
    job : ndarray of int, shape (n,)
        Place of each run's job in the fit.
    """

    design: CentredDesign
    y: Matrix
    fit: JobFit
    job: Counts

    @cached_property
    def pull(self) -> Matrix:
        """P (y - Z alpha), shape (n,) or (B, n)."""
        fitted = np.einsum("a...n,na->...n", self.design.effect, self.fit.alpha[self.job])
        result: Matrix = self.design.weight / self.fit.sigma2 * (self.y - fitted)
        return result

    @cached_property
    def taken(self) -> Matrix:
        """B of each run's job, shape (n, A, A)."""
        result: Matrix = self.fit.taken[self.job]
        return result

    @cached_property
    def weighted(self) -> Matrix:
        """What each run's changes do to its weighted reading, shape (A, n) or (A, B, n)."""
        result: Matrix = self.design.effect * self.design.weight
        return result

    def share(self, weight: Reals) -> Reals:
        """Return what weights alone, shape (n,), say of a mean of readings of each run's job, shape (n,)."""
        return np.asarray(weight / self.fit.sigma2 * (1.0 - weight / self.design.job_weight[self.job]))

    @cached_property
    def precision(self) -> Reals:
        """P[t, t] of a vibration cell, shape (n,)."""
        return self.share(self.design.weight) - quadratic(self.weighted, self.taken)


def quadratic(effect: Matrix, taken: Matrix) -> Reals:
    """Return ``e' B conj(e)`` of each run, shape (n,); effects e (A, n), B (n, A, A)."""
    columns = effect.T[..., None]
    return np.asarray(np.einsum("nak,nak->n", columns, taken @ columns.conj()).real)


class TipPrecision:
    """P of the tips of every run, ``N = share I - e' B e`` over the blades, for K values of `share`.

    Solved in the columns instead of the blades (matrix inversion lemma). Tips are relative to their
    mean: blade by blade everything sums to 0, and N acts in B - 1 dimensions.
    """

    def __init__(self, share: Reals, effect: Matrix, taken: Matrix) -> None:
        """Take `share` (K, n), `effect` e (A, B, n) and `taken` B (n, A, A)."""
        self.share, self.effect, self.taken = share, effect, taken
        lost = taken @ np.einsum("abn,cbn->nac", effect, effect, optimize=True)
        self.inner = share[..., None, None] * np.eye(len(effect)) - lost

    def drawn(self, pull: Reals) -> tuple[Reals, Reals]:
        """Return d (K, n, A) of ``N^-1 p = (p + e' d) / share``, and ``p' N^-1 p`` (K, n); `pull` p (B, n)."""
        in_columns = np.einsum("abn,bn->na", self.effect, pull)
        drawn = np.linalg.solve(self.inner, self.taken @ in_columns[..., None])[..., 0]
        alone = np.einsum("bn,bn->n", pull, pull)
        return drawn, np.asarray((alone + np.einsum("na,kna->kn", in_columns, drawn)) / self.share)

    def log_det(self) -> Reals:
        """Return the log-determinant of N, shape (K, n)."""
        numbers = self.effect.shape[1] - 1 - len(self.effect)
        return np.asarray(numbers * np.log(self.share) + np.linalg.slogdet(self.inner)[1])
