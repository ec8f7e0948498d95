"""What an aircraft's own readings tell: of the blades, of its own influence, and of the next run.

An aircraft's readings come from blades that differ, in ways that act as adjusters do,
through the same airframe that answers the adjustments:

    y[t] = (alpha + delta)(x + X[t]) + v + noise

x (A, B) the faults, X[t] what was adjusted before run t, delta this aircraft's departure
from its type, v what no blade difference explains; heights likewise. So a misfit between
the readings and any faults speaks of delta, and what a plan seems to leave over is often
no more than that. With delta times x taken at the best estimate of x, found again a few
times, everything is jointly normal, and conditional on the readings (Kalman's and the
krigers' formula; e.g. Rasmussen & Williams 2006, Gaussian Processes, eq. A.6, from memory).

Readings are handled in units of their limits (half the spread limit for heights), as one
vector: real parts of the vibration cells read, imaginary parts, heights regime by regime.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from trackbal.departures import Departures
from trackbal.influence import Influence
from trackbal.phasor import blade_harmonic
from trackbal.rotor import Rotor
from trackbal.run import Complexes, Counts, Reals, Run

MOST_ENTRIES = 600  # readings of a job that are weighed together; more add little and cost their cube
_ROUNDS = 4
_LEAST = 1e-9  # variance, in limits squared, that keeps exact readings solvable


@dataclass(frozen=True)
class TypeModel:
    """What is known of the type, ready for any of its aircraft.

    Parameters
    ----------
    root : ndarray, shape (R, S, 2A, 2A)
        ``root @ root.T`` is the covariance of (re, im) of delta; whatever departs in equal
        proportion in two cells has equal coordinates in front of their roots.
    height_root : ndarray, shape (R, A, A)
    """

    rotor: Rotor
    influence: Influence
    departures: Departures
    root: Reals
    height_root: Reals

    @classmethod
    def of(cls, rotor: Rotor, influence: Influence, departures: Departures) -> TypeModel:
        """Return the model of a type."""
        turn = _phase_turns(influence.alpha)
        turned = turn @ influence.vibration_cov @ turn.swapaxes(-1, -2)
        root = turn.swapaxes(-1, -2) @ symmetric_root(turned)
        return cls(rotor, influence, departures, root, symmetric_root(influence.height_cov))


@dataclass(frozen=True)
class Entries:
    """The readings taken in one run, as a vector of D entries in units of the limits.

    Parameters
    ----------
    regime, sensor : ndarray of int, shape (C,)
        Vibration cells read.
    height_regime : ndarray of int, shape (H,)
    values : ndarray, shape (D,), D = 2C + H B
    effect : ndarray, shape (D, A * B)
        What the type's coefficients make of a unit of each adjuster on each blade.
    noise : ndarray, shape (D,)
        Variance of the run's mean reading; `single` that of one reading.
    """

    regime: Counts
    sensor: Counts
    height_regime: Counts
    values: Reals
    effect: Reals
    noise: Reals
    single: Reals

    def thinned(self, most: int, blades: int) -> Entries:
        """Return at most about `most` entries: vibration cells and regimes of heights, evenly spaced."""
        cells, regimes = len(self.regime), len(self.height_regime)
        if self.values.size <= most:
            return self
        share = most / self.values.size
        kept, tips = _evenly(cells, share), _evenly(regimes, share)
        heights = (2 * cells + blades * tips[:, None] + np.arange(blades)).ravel()
        rows = np.concatenate([kept, cells + kept, heights])
        return Entries(
            self.regime[kept],
            self.sensor[kept],
            self.height_regime[tips],
            self.values[rows],
            self.effect[rows],
            self.noise[rows],
            self.single[rows],
        )


def _evenly(count: int, share: float) -> Counts:
    """Return about a share of 0 ... count - 1, evenly spaced, at least one of any."""
    wanted = min(count, max(1, int(count * share)))
    return np.unique(np.linspace(0, max(count - 1, 0), wanted).round().astype(int))


@dataclass(frozen=True)
class OwnAircraft:
    """The posterior of one aircraft after some runs.

    Parameters
    ----------
    model : TypeModel
    runs : tuple of Entries
    change : ndarray, shape (T, A, B)
        Adjustments made before each run, since the first.
    fault : ndarray, shape (A, B)
        Best estimate of x.
    cov : ndarray, shape (D, D)
        Covariance of all readings, of all runs in turn, before they were taken.
    weighed : ndarray, shape (D,)
        ``cov^-1 (y - expected)``.
    """

    model: TypeModel
    runs: tuple[Entries, ...]
    change: Reals
    fault: Reals
    cov: Reals
    weighed: Reals

    @cached_property
    def inverse(self) -> Reals:
        """Inverse of `cov`, shape (D, D)."""
        return np.asarray(np.linalg.inv(self.cov))

    def departure(self, entries: Entries, change: Reals) -> tuple[Reals, Reals]:
        """Return what this aircraft's departure from its type does to a change, mean (E,) and covariance (E, E).

        Parameters
        ----------
        entries : Entries
            The readings wanted; their values are not used.
        change : ndarray, shape (A, B)
            In the adjusters' units.
        """
        lever = _lever(self.model, entries, change)
        cross = np.concatenate(
            [_departure_cov(self.model, entries, lever, e, b) for e, b in zip(self.runs, self._levers, strict=True)],
            axis=1,
        )
        cov = _departure_cov(self.model, entries, lever, entries, lever) - cross @ self.inverse @ cross.T
        return cross @ self.weighed, np.asarray(0.5 * (cov + cov.T))

    @cached_property
    def _levers(self) -> list[_Lever]:
        return [_lever(self.model, e, self.fault + done) for e, done in zip(self.runs, self.change, strict=True)]

    def state(self) -> Reals:
        """Return the best estimate of the last run's readings without their noise, shape (D of that run,)."""
        last = self.runs[-1]
        start = len(self.cov) - last.values.size
        return last.values - (last.noise + _LEAST) * self.weighed[start:]

    def influence(self) -> Influence:
        """Return this aircraft's own coefficients with what is left of their covariance."""
        model, before = self.model, self.model.influence
        _, regimes, sensors = before.alpha.shape
        alpha, vibration_cov = before.alpha.copy(), before.vibration_cov.copy()
        tau, height_cov = before.tau.copy(), before.height_cov.copy()
        inverse, levers = self.inverse, self._levers
        for r in range(regimes):
            for s in range(sensors):
                cross = _coefficient_cross(self.runs, levers, model, r, s)
                moved = cross @ self.weighed
                alpha[:, r, s] += moved[0::2] + 1j * moved[1::2]
                vibration_cov[r, s] -= cross @ inverse @ cross.T
            cross = _height_cross(self.runs, levers, model, r)
            tau[:, r] += cross @ self.weighed
            height_cov[r] -= cross @ inverse @ cross.T
        return replace(
            before,
            alpha=np.where(before.unknown_vibration, 0.0, alpha),
            tau=np.where(before.unknown_height, 0.0, tau),
            vibration_cov=vibration_cov,
            height_cov=height_cov,
            mean_vibration_cov=None,
            mean_height_cov=None,
            departures=None,
        )

    def present(self, last: Run) -> Run:
        """Return the last run with its readings replaced by the best estimate of the present state."""
        entries = self.runs[-1]
        mean = self.state()
        cells, rotor = len(entries.regime), self.model.rotor
        vibration, height = last.vibration.copy(), last.height.copy()
        at = entries.regime, entries.sensor
        vibration[at] = (mean[:cells] + 1j * mean[cells : 2 * cells]) * rotor.vibration_limit[at]
        tips = mean[2 * cells :].reshape(len(entries.height_regime), len(rotor.blades))
        height[entries.height_regime] = tips * rotor.height_limit[entries.height_regime, None] / 2.0
        return replace(last, vibration=vibration, height=height)


def own_aircraft(model: TypeModel, runs: Sequence[Run], change: Reals, *, most: int = MOST_ENTRIES) -> OwnAircraft:
    """Return the posterior of one aircraft from the runs of its job, in their order.

    Parameters
    ----------
    model : TypeModel
    runs : sequence of Run, T of them
    change : ndarray, shape (T, A, B)
        Adjustments made before each run since the first, summed, in the adjusters' units.
    most : int
        Readings to go by, about; more are thinned out evenly, run by run.
    """
    blades = len(model.rotor.blades)
    entries = tuple(entries_of(model, run).thinned(most // len(runs), blades) for run in runs)
    return posterior(model, entries, change)


def posterior(model: TypeModel, runs: tuple[Entries, ...], change: Reals) -> OwnAircraft:
    """Return the posterior of one aircraft from readings as vectors; see own_aircraft."""
    effect = np.concatenate([e.effect for e in runs])
    noise = np.concatenate([e.noise for e in runs])
    expected = np.concatenate([e.effect @ x.ravel() for e, x in zip(runs, change, strict=True)])
    misfit = np.concatenate([e.values for e in runs]) - expected
    prior = _fault_cov(model)
    found = np.zeros(change.shape[1:])
    for _ in range(_ROUNDS):
        fault = found  # the one that cov is of: with another, what is left of a variance can come out negative
        levers = [_lever(model, e, fault + x) for e, x in zip(runs, change, strict=True)]
        cov = np.block(
            [
                [_readings_cov(model, one, a, other, b, prior) for other, b in zip(runs, levers, strict=True)]
                for one, a in zip(runs, levers, strict=True)
            ]
        )
        cov[np.diag_indices_from(cov)] += noise + _LEAST
        weighed = np.linalg.solve(cov, misfit)
        found = (prior @ (effect.T @ weighed)).reshape(fault.shape)
    return OwnAircraft(model, runs, change, fault, cov, weighed)


def entries_of(model: TypeModel, run: Run) -> Entries:
    """Return the readings of a run as a vector in units of the limits."""
    rotor, influence = model.rotor, model.influence
    blades = len(rotor.blades)
    regime, sensor = np.nonzero(run.vibration_read)
    height_regime = np.flatnonzero(run.height_read)
    limit = rotor.vibration_limit[regime, sensor]
    half_spread = rotor.height_limit[height_regime] / 2.0
    delay = np.exp(-1j * np.multiply.outer(rotor.harmonics, np.deg2rad(rotor.azimuth_deg)))
    alpha = influence.alpha[:, regime, sensor].T / limit[:, None]
    vibration = np.einsum("ca,cb->cab", alpha, delay[sensor]).reshape(regime.size, influence.tau.shape[0] * blades)
    centred = np.eye(blades) - 1.0 / blades
    tau = influence.tau[:, height_regime].T / half_spread[:, None]
    heights = np.einsum("ha,cb->hcab", tau, centred).reshape(
        height_regime.size * blades, influence.tau.shape[0] * blades
    )
    value = run.vibration[regime, sensor] / limit
    tips = (run.height[height_regime] / half_spread[:, None]).ravel()
    sd = influence.vibration_noise[regime, sensor] / limit
    tip_sd = np.repeat(influence.height_noise[height_regime] / half_spread, blades)
    single = np.concatenate([sd, sd, tip_sd]) ** 2
    count = run.vibration_count[regime, sensor]
    counts = np.concatenate([count, count, np.repeat(run.height_count[height_regime], blades)])
    return Entries(
        regime,
        sensor,
        height_regime,
        np.concatenate([value.real, value.imag, tips]),
        np.concatenate([vibration.real, vibration.imag, heights]),
        single / np.maximum(counts, 1),
        single,
    )


# ---- covariances -------------------------------------------------------------------------


@dataclass(frozen=True)
class _Lever:
    """What the coordinates of delta make of a state x: (C, 2, 2A) vibration, (H, B, A) heights."""

    vibration: Reals
    height: Reals


def _lever(model: TypeModel, entries: Entries, x: Reals) -> _Lever:
    rotor = model.rotor
    regime, sensor, height_regime = entries.regime, entries.sensor, entries.height_regime
    z = blade_harmonic(x, rotor.azimuth_deg, rotor.harmonics)[:, sensor].T
    parts = np.empty((len(z), 2, 2 * z.shape[1]))
    parts[:, 0, 0::2] = parts[:, 1, 1::2] = z.real
    parts[:, 0, 1::2] = -z.imag
    parts[:, 1, 0::2] = z.imag
    limit = rotor.vibration_limit[regime, sensor]
    share = x - x.mean(axis=1, keepdims=True)
    tips = np.einsum("ab,hac->hbc", share, model.height_root[height_regime])
    return _Lever(
        parts @ model.root[regime, sensor] / limit[:, None, None],
        tips / (rotor.height_limit[height_regime] / 2.0)[:, None, None],
    )


def _readings_cov(model: TypeModel, one: Entries, a: _Lever, other: Entries, b: _Lever, prior: Reals) -> Reals:
    """Return the covariance of two runs' readings by faults, departures and what is unexplained, noise apart."""
    cov = one.effect @ prior @ other.effect.T + _departure_cov(model, one, a, other, b)
    n, k = 2 * len(one.regime), 2 * len(other.regime)
    same = np.equal.outer(one.regime, other.regime) & np.equal.outer(one.sensor, other.sensor)
    rest = (model.departures.unexplained[one.sensor] / model.rotor.vibration_limit[one.regime, one.sensor]) ** 2
    cov[:n, :k] += np.kron(np.eye(2), same * rest[:, None])
    rest = (model.departures.unexplained_height / (model.rotor.height_limit[one.height_regime] / 2.0)) ** 2
    same = np.equal.outer(one.height_regime, other.height_regime)
    cov[n:, k:] += np.kron(same * rest[:, None], np.eye(len(model.rotor.blades)))
    return cov


def _departure_cov(model: TypeModel, one: Entries, a: _Lever, other: Entries, b: _Lever) -> Reals:
    """Return the covariance of what delta makes of two states in the readings of two runs."""
    n, k = 2 * len(one.regime), 2 * len(other.regime)
    blades = len(model.rotor.blades)
    cov = np.zeros((n + len(one.height_regime) * blades, k + len(other.height_regime) * blades))
    alike = model.departures.regimes[np.ix_(one.regime, other.regime)]
    alike = alike * model.departures.sensors[np.ix_(one.sensor, other.sensor)]
    parts_a = a.vibration.swapaxes(0, 1).reshape(
        n, a.vibration.shape[-1]
    )  # real parts of all cells, then imaginary parts
    parts_b = b.vibration.swapaxes(0, 1).reshape(k, b.vibration.shape[-1])
    cov[:n, :k] = (parts_a @ parts_b.T) * np.tile(alike, (2, 2))
    alike = model.departures.heights[np.ix_(one.height_regime, other.height_regime)]
    tips = a.height.reshape(-1, a.height.shape[-1]) @ b.height.reshape(-1, b.height.shape[-1]).T
    cov[n:, k:] = tips * np.repeat(np.repeat(alike, blades, axis=0), blades, axis=1)
    return cov


def _fault_cov(model: TypeModel) -> Reals:
    """Return the prior covariance of x, (A B, A B): blade differences, the mean apart."""
    blades = len(model.rotor.blades)
    return np.asarray(np.kron(np.diag(model.departures.fault**2), np.eye(blades) - 1.0 / blades))


def _coefficient_cross(runs: Sequence[Entries], levers: Sequence[_Lever], model: TypeModel, r: int, s: int) -> Reals:
    """Return the covariance of a cell's coefficients (2A) with all readings, (2A, D)."""
    blocks = []
    for entries, lever in zip(runs, levers, strict=True):
        alike = model.departures.regimes[r, entries.regime] * model.departures.sensors[s, entries.sensor]
        parts = np.einsum("c,cia->aic", alike, lever.vibration).reshape(lever.vibration.shape[-1], -1)
        heights = np.zeros((len(parts), lever.height.shape[0] * lever.height.shape[1]))
        blocks.append(np.concatenate([model.root[r, s] @ parts, heights], axis=1))
    return np.concatenate(blocks, axis=1)


def _height_cross(runs: Sequence[Entries], levers: Sequence[_Lever], model: TypeModel, r: int) -> Reals:
    """Return the covariance of a regime's height coefficients (A) with all readings, (A, D)."""
    blocks = []
    for entries, lever in zip(runs, levers, strict=True):
        alike = model.departures.heights[r, entries.height_regime]
        tips = np.einsum("h,hba->ahb", alike, lever.height).reshape(lever.height.shape[-1], -1)
        vibration = np.zeros((len(tips), 2 * len(entries.regime)))
        blocks.append(np.concatenate([vibration, model.height_root[r] @ tips], axis=1))
    return np.concatenate(blocks, axis=1)


def symmetric_root(cov: Reals) -> Reals:
    """Return the symmetric square roots of covariances, (..., k, k)."""
    values, vectors = np.linalg.eigh(cov)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]) @ vectors.swapaxes(-1, -2))


def _phase_turns(alpha: Complexes) -> Reals:
    """Return the rotations, (R, S, 2A, 2A), that turn each coefficient's phase to 0."""
    adjusters, regimes, sensors = alpha.shape
    unit = np.exp(1j * np.angle(np.moveaxis(alpha, 0, -1)))
    turn = np.zeros((regimes, sensors, 2 * adjusters, 2 * adjusters))
    even, odd = np.arange(0, 2 * adjusters, 2), np.arange(1, 2 * adjusters, 2)
    turn[..., even, even] = turn[..., odd, odd] = unit.real
    turn[..., even, odd] = unit.imag
    turn[..., odd, even] = -unit.imag
    return turn
