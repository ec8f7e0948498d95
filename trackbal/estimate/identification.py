"""Which coefficients past runs can tell at all, and how well apart.

The sums over all jobs ``N[a, b] = sum w conj(z~[a]) z~[b]`` are scaled to a unit
diagonal; a direction whose eigenvalue is below NULL_EIGENVALUE is one the runs
cannot tell (its error would be over 10 000 times that of a lone adjuster), and every
adjuster with a part in such a direction is unknown. An adjuster that was never
changed, or only equally on all blades, has a diagonal of rounding errors alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.base.covariance import Matrix
from trackbal.runs.run import Reals

NULL_EIGENVALUE = 1e-8
NULL_PART = 1e-5  # length of an adjuster's part in the unknown directions from which it is unknown itself
DEAD_SQUARE = 1e-14  # of the square of the adjuster's largest change


@dataclass(frozen=True)
class Identification:
    """What the runs can tell in each of C cells.

    Parameters
    ----------
    column : ndarray, shape (C, A)
        Square root of the diagonal of N; 1 where the adjuster does nothing.
    null : ndarray, shape (C, A, A)
        Orthogonal projector on the unknown directions, scaled adjusters.
    unknown : ndarray of bool, shape (C, A)
    condition : ndarray, shape (C,)
        Largest over smallest eigenvalue of the scaled N among the known directions;
        1 is best, nan where nothing is known.
    alike : ndarray, shape (C, A, A)
        ``|N|`` scaled: 1 for two adjusters that always moved together.
    """

    column: Reals
    null: Matrix
    unknown: NDArray[np.bool_]
    condition: Reals
    alike: Reals


def identify(gram: Matrix, largest_change: Reals) -> Identification:
    """Return what sums over all jobs can tell.

    Parameters
    ----------
    gram : ndarray, shape (C, A, A)
        N of each cell.
    largest_change : ndarray, shape (A,)
        Largest change of each adjuster on any blade, its unit.
    """
    diagonal = np.einsum("caa->ca", gram).real
    dead = diagonal <= DEAD_SQUARE * largest_change**2
    column = np.sqrt(np.where(dead, 1.0, diagonal))
    alive = ~dead
    scaled = gram / (column[:, :, None] * column[:, None, :]) * (alive[:, :, None] & alive[:, None, :])
    values, vectors = np.linalg.eigh(scaled)
    lost = values < NULL_EIGENVALUE
    gone = vectors * lost[:, None, :]
    null: Matrix = gone @ gone.conj().swapaxes(-1, -2)
    part = np.einsum("caa->ca", null).real
    smallest = np.min(np.where(lost, np.inf, values), axis=1, initial=np.inf)
    largest = np.max(values, axis=1, initial=0.0)
    condition = np.where(np.isfinite(smallest), largest / smallest, np.nan)
    return Identification(column, null, part > NULL_PART**2, condition, np.abs(scaled))
