"""Coefficients cell by cell in real numbers, with their covariance split in two; from and to an Influence.

What an influence file says in (adjuster, regime, sensor) the estimate says cell by cell:
vibration cells regime by regime and sensor by sensor, each with (re, im) of every adjuster in
turn, and the heights of each regime with one number of every adjuster.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from trackbal.base.contracts import check_shape
from trackbal.base.covariance import from_real_parts, pairs, real_parts
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.runs.meaning import meaning
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals

Kind = Literal["vibration", "height"]


@dataclass(frozen=True)
class CellCoefficients:
    """Coefficients of a family of cells in real parts (C cells, A adjusters, p parts: 2 or 1).

    Parameters
    ----------
    mean : ndarray, shape (C, p A)
        (re, im) of each adjuster in turn, or tau.
    mean_cov, spread : ndarray, shape (C, p A, p A)
        Covariance of the error of the type's mean; covariance between aircraft.
    unknown : ndarray of bool, shape (C, A)

    Raises
    ------
    ValueError
        If the shapes do not go together.
    """

    mean: Reals
    mean_cov: Reals
    spread: Reals
    unknown: NDArray[np.bool_]

    def __post_init__(self) -> None:
        """Check the shapes."""
        cells, adjusters = self.unknown.shape
        numbers = self.parts * adjusters
        square = (cells, numbers, numbers)
        check_shape("mean", self.mean, (cells, numbers))
        check_shape("mean_cov", self.mean_cov, square)
        check_shape("spread", self.spread, square)

    @property
    def parts(self) -> int:
        """Numbers of one coefficient: 2 if complex, else 1."""
        return self.mean.shape[1] // max(self.unknown.shape[1], 1)

    def of_parts(self, of_adjusters: NDArray[Any]) -> NDArray[Any]:
        """Return what holds of each adjuster, shape (..., A), for its numbers in turn, shape (..., p A)."""
        return np.repeat(of_adjusters, self.parts, axis=-1)

    def without_unknown(self) -> CellCoefficients:
        """Return the same with 0 and no variance where unknown."""
        known = ~self.of_parts(self.unknown)
        both = pairs(known)
        return CellCoefficients(
            np.where(known, self.mean, 0.0),
            np.where(both, self.mean_cov, 0.0),
            np.where(both, self.spread, 0.0),
            self.unknown,
        )


def from_influence(influence: Influence, kind: Kind, spread_known: NDArray[np.bool_] | None = None) -> CellCoefficients:
    """Return what an influence says of a family of cells.

    Parameters
    ----------
    influence : Influence
    kind : {"vibration", "height"}
    spread_known : ndarray of bool, shape (C, A), optional
        Coefficients whose spread is known from elsewhere. Matters where the influence gives its covariance
        whole: all of it is then taken as error of the mean, elsewhere half of it.
    """
    adjusters, regimes = influence.tau.shape
    if kind == "vibration":
        cells, parts = regimes * influence.alpha.shape[2], 2
        mean = real_parts(influence.alpha.reshape(adjusters, cells).T)
        cov, mean_cov = influence.vibration_cov, influence.mean_vibration_cov
        unknown = influence.unknown_vibration.reshape(adjusters, cells).T
    else:
        cells, parts = regimes, 1
        mean, unknown = influence.tau.T, influence.unknown_height.T
        cov, mean_cov = influence.height_cov, influence.mean_height_cov
    cov = cov.reshape(cells, parts * adjusters, parts * adjusters)
    if mean_cov is not None:
        mean_cov = mean_cov.reshape(cov.shape)
        spread = cov - mean_cov
    else:
        elsewhere = np.zeros_like(unknown) if spread_known is None else spread_known
        elsewhere = np.repeat(elsewhere, parts, axis=1)
        mean_cov = np.where(pairs(elsewhere), cov, 0.5 * cov)
        spread = np.where(pairs(~elsewhere), 0.5 * cov, 0.0)
    return CellCoefficients(mean, mean_cov, spread, unknown).without_unknown()


def to_influence(
    rotor: Rotor,
    vibration: CellCoefficients,
    height: CellCoefficients,
    noise: tuple[Reals, Reals],
    *,
    rotor_name: str,
    departures: Departures | None = None,
    source: dict[str, Any] | None = None,
) -> Influence:
    """Return the influence that coefficients cell by cell are.

    Parameters
    ----------
    noise : (ndarray, ndarray), shapes (R, S) and (R,)
        Standard deviation of one part of a vibration reading, and of one tip.
    """
    regimes, sensors, adjusters = len(rotor.regimes), len(rotor.sensors), len(rotor.adjusters)
    square = (regimes, sensors, 2 * adjusters, 2 * adjusters)
    return Influence(
        rotor_name=rotor_name,
        alpha=by_adjuster(from_real_parts(vibration.mean), regimes, sensors),
        tau=np.ascontiguousarray(height.mean.T),
        vibration_cov=(vibration.mean_cov + vibration.spread).reshape(square),
        height_cov=height.mean_cov + height.spread,
        vibration_noise=noise[0],
        height_noise=noise[1],
        unknown_vibration=by_adjuster(vibration.unknown, regimes, sensors),
        unknown_height=np.ascontiguousarray(height.unknown.T) & [regime.heights for regime in rotor.regimes],
        mean_vibration_cov=vibration.mean_cov.reshape(square),
        mean_height_cov=height.mean_cov,
        departures=departures,
        source=source or {},
        made_for=meaning(rotor),
    )


def by_adjuster(values: NDArray[Any], regimes: int, sensors: int) -> NDArray[Any]:
    """Return values cell by cell, shape (R * S, A), as (A, R, S)."""
    return np.ascontiguousarray(values.reshape(regimes, sensors, -1).transpose(2, 0, 1))
