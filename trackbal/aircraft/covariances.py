"""What the parts of the model of an aircraft (posterior.py) give the readings of two runs in common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.entries import Entries, RunEntries
from trackbal.aircraft.type_model import TypeModel
from trackbal.base.covariance import centring
from trackbal.runs.run import Reals

_ANY_SIZE = 10.0  # limits that a reading of which nothing is known may be


@dataclass(frozen=True)
class Levers:
    """What the coordinates of delta make of blade differences in D readings, each of shape (D, K).

    Parameters
    ----------
    shared : ndarray
        Of the part of delta that goes together in all cells, as far as they are alike.
    own : ndarray
        Of the part that is each cell's own.
    blades : ndarray
        What the blades' own answers make of them, whose departures are the same in every reading.
    """

    shared: Reals
    own: Reals
    blades: Reals

    @classmethod
    def of_all(cls, runs: Sequence[Levers]) -> Levers:
        """Return those of runs in turn."""
        return cls(*(np.concatenate([getattr(one, name) for one in runs]) for name in ("shared", "own", "blades")))

    def covariance(self, other: Levers, alike: Reals, same: NDArray[np.bool_]) -> Reals:
        """Return the covariance of readings, (D, D'), by how alike their cells are and which are one."""
        found = (self.shared @ other.shared.T) * alike
        if self.own.any():
            found += (self.own @ other.own.T) * same
        return np.asarray(found + self.blades @ other.blades.T)


def levers_of(model: TypeModel, one: RunEntries, estimate: Reals, doubt: Reals) -> Levers:
    """Return what delta and the blades' own answers make of x^ and of a root of C, n columns, in a run."""
    jobs, size = estimate.shape
    now, root = estimate[one.job] + one.change.ravel(), doubt[one.job * size : (one.job + 1) * size]
    both = np.concatenate([(one.basis @ now)[..., None], one.basis @ root], axis=-1)  # (D, 3A, 1 + n)
    own = own_of(model, one.entries)[..., None]
    effect = model.departures.blades_unlike * one.entries.effect
    unsure = np.zeros((len(effect), jobs, size))  # of one blade's differences in two jobs nothing goes together
    unsure[:, one.job] = effect * np.sqrt((root**2).sum(axis=1))
    blades = np.concatenate([effect * now, _flat(unsure)], axis=1)
    return Levers(_flat(both * np.sqrt(1.0 - own)), _flat(both * np.sqrt(own)), blades)


def own_of(model: TypeModel, entries: Entries) -> Reals:
    """Return the part of the variance of each coordinate of delta that is a cell's own, for each entry, (D, 3A)."""
    cells = len(entries.regime)
    vibration = np.tile(model.own[entries.regime, entries.sensor], (2, 1))
    heights = np.repeat(model.height_own[entries.height_regime], entries.blades, axis=0)
    found = np.zeros((entries.values.size, vibration.shape[1] + heights.shape[1]))
    found[: 2 * cells, : vibration.shape[1]] = vibration
    found[2 * cells :, vibration.shape[1] :] = heights
    return found


def alike_of(model: TypeModel, one: Entries, other: Entries) -> Reals:
    """Return how alike departures are in the entries of two runs, (D, D'); not to be used between the families."""
    departures = model.departures
    regimes = np.ix_(one.regime_of, other.regime_of)
    vibration = departures.regimes[regimes] * departures.sensors[np.ix_(one.sensor_of, other.sensor_of)]
    return np.where(one.is_height[:, None], departures.heights[regimes], vibration)


def same_cell(one: Entries, other: Entries) -> NDArray[np.bool_]:
    """Return which entries of two runs are of one cell, (D, D'); not to be used between the families."""
    return np.equal.outer(one.regime_of, other.regime_of) & np.equal.outer(one.sensor_of, other.sensor_of)


def own_to_job(model: TypeModel, one: RunEntries, other: RunEntries) -> Reals:
    """Return the covariance, (D, D'), of what else belongs to one job: setting errors, the unexplained."""
    if one.job != other.job:
        return np.zeros((one.entries.values.size, other.entries.values.size))
    error = np.minimum(one.error, other.error)  # what both share was set before the earlier of the two
    errors = (one.entries.effect * error) @ other.entries.effect.T
    return errors + unexplained(model, one.entries, other.entries)


def unexplained(model: TypeModel, one: Entries, other: Entries) -> Reals:
    """Return the covariance, (D, D'), of what no blade difference explains: the same in every run of a job.

    Of a reading's part (or a tip's height) some is its own, and some is shared by the regimes. A reading of which the
    type's coefficients tell nothing may be of any size (_ANY_SIZE), and tells nothing of others.
    """
    departures = model.departures
    same = one.is_height[:, None] == other.is_height
    for name in ("sensor_of", "part_of"):
        same &= np.equal.outer(getattr(one, name), getattr(other, name))
    regimes = np.ix_(one.regime_of, other.regime_of)
    alike = np.where(one.is_height, departures.unexplained_height_alike, departures.unexplained_alike[one.sensor_of])
    between = np.where(one.is_height[:, None], departures.heights[regimes], departures.regimes[regimes])
    shared = np.where(
        np.equal.outer(one.regime_of, other.regime_of), 1.0, alike[:, None] * between * np.outer(one.told, other.told)
    )
    return np.where(same, np.outer(_rest(model, one), _rest(model, other)) * shared, 0.0)


def _rest(model: TypeModel, entries: Entries) -> Reals:
    """Return the root mean square of what no blade difference explains of each entry, shape (D,)."""
    rotor, departures = model.rotor, model.departures
    n = 2 * len(entries.regime)
    vibration = departures.unexplained[entries.sensor_of[:n]]
    limit = rotor.vibration_limit[entries.regime_of[:n], entries.sensor_of[:n]]
    tips = departures.unexplained_height / (rotor.height_limit[entries.regime_of[n:]] / 2.0)
    return np.where(entries.told, np.concatenate([vibration / limit, tips]), _ANY_SIZE)


def blade_cov(model: TypeModel) -> Reals:
    """Return the prior covariance of x, (A B, A B): blade differences, the mean apart."""
    blades = len(model.rotor.blades)
    return np.asarray(np.kron(np.diag(model.departures.blade_differences**2), centring(blades)))


def setting_variance(model: TypeModel, change: Reals) -> Reals:
    """Return the variance of the setting errors of adjustments, shape (A B,)."""
    return np.where(change != 0.0, model.departures.setting_error[:, None] ** 2, 0.0).ravel()


def _flat(levers: Reals) -> Reals:
    """Return levers (D, ...) as rows (D, K); a run of which every reading was set aside has none."""
    return levers.reshape(len(levers), math.prod(levers.shape[1:]))
