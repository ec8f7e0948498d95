"""How improbable a miss is where its covariance is partly an estimate from few aircraft.

What aircraft differ by is known as well as so many aircraft of the record can tell it; the noise of a reading, which
every run of the record tells, much better. A miss m of n numbers with the covariance S = N + theta R, theta estimated
with nu degrees of freedom, has a squared distance of nearly Fisher's law,

    m' S^-1 m / n  ~  c F(n, k),    k = nu / share^2,    share = tr(S^-1 theta R) / n

which has the variance that the error of theta gives (Satterthwaite 1946, Biometrics Bull. 2; Kenward & Roger 1997,
Biometrics 53; from memory). The covariance of the model is that of what comes, as the influence file holds spreads
widened for few jobs (estimate/small_sample.py): the squared distance is n on average, and c = (k - 2) / k.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.influence.coefficients import Influence
from trackbal.runs.run import Reals

_AS_GOOD_AS_KNOWN = 1e6  # degrees of freedom
_LEAST_KNOWN = 3.0  # with 2 or fewer the law has no variance
_NEARLY_ONE = 0.99  # a p above does not hide a small one beside it


@dataclass(frozen=True)
class EstimatedLaw:
    """The law of a miss of n numbers.

    Parameters
    ----------
    rest : ndarray, shape (n, n)
        Covariance of what aircraft differ by.
    noise : ndarray, shape (n, n)
        Covariance of what comes of the noise of readings; with `rest` positive definite.
    known : float
        Degrees of freedom with which `rest` is known; inf: exactly.
    """

    rest: Reals
    noise: Reals
    known: float

    def whole(self, miss: Reals) -> float:
        """Return the probability of a miss as far as this one, shape (n,), or farther; 1 without numbers."""
        if not miss.size:
            return 1.0
        solved = np.linalg.solve(self.rest + self.noise, np.column_stack([miss, self.rest]))
        share = float(np.trace(solved[:, 1:])) / miss.size
        return self._tail(float(miss @ solved[:, 0]), miss.size, share)

    def along(self, miss: Reals, effect: Reals) -> list[float]:
        """Return the same of its part along each of K directions, `effect` (n, K); of those that act on it at all."""
        if not (miss.size and effect.size):
            return []
        solved = np.linalg.solve(self.rest + self.noise, effect)
        size = np.einsum("dk,dk->k", effect, solved)
        found = []
        for k in np.flatnonzero(size > 1e-12 * size.max(initial=0.0)):  # on evenly spaced blades some act on nothing
            way = solved[:, k]
            share = float(way @ self.rest @ way / size[k])
            found.append(self._tail(float((way @ miss) ** 2 / size[k]), 1, share))
        return found

    def _tail(self, square: float, count: int, share: float) -> float:
        known = self.known / share**2 if share > 0.0 else math.inf
        if known > _AS_GOOD_AS_KNOWN:
            return tail(square, count)
        from scipy.special import fdtrc

        known = max(known, _LEAST_KNOWN)
        return float(fdtrc(count, known, square / count * known / (known - 2.0)))


def known_by(influence: Influence) -> float:
    """Return the degrees of freedom with which a file knows what aircraft differ by; inf where it does not say."""
    aircraft = influence.aircraft
    return math.inf if aircraft is None else max(aircraft - 1.0, 1.0)


def tail(chi2: float, dof: int) -> float:
    """Return the upper tail probability of chi-square; 1 without degrees of freedom."""
    if dof == 0:
        return 1.0
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi2))


def together(whole: float, parts: Sequence[float]) -> float:
    """Return one p of several that are not independent, half of the weight on the first.

    Cauchy's combination: the mean of ``tan((0.5 - p) pi)`` is of his law, nearly whatever the dependence, where it is
    large (Liu and Xie 2020, J. Am. Stat. Assoc. 115, from memory).
    """
    if not parts:
        return whole
    p = np.clip([whole, *parts], 1e-300, _NEARLY_ONE)
    weight = np.array([0.5, *[0.5 / len(parts)] * len(parts)])
    least = float(p.min())
    if least < 1e-12:  # beyond, the tangent is the inverse to the last digit
        return min(float(1.0 / np.sum(weight / p)), 1.0)
    return float(0.5 - np.arctan(np.sum(weight * np.tan((0.5 - p) * np.pi))) / np.pi)
