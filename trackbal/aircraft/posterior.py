"""What an aircraft's own readings tell: of the blades, of its own influence, and of the next run.

Readings come from blades that differ, in ways that act as adjusters do, through the same
airframe that answers the adjustments:

    y[t] = (alpha + delta)(x + X[t]) + alpha e[t] + v + noise

x (A, B) the blade differences, X[t] what was adjusted before run t, e[t] the errors of setting
it, delta this aircraft's departure from its type, v what no blade difference explains; heights
likewise. Of delta some goes together in all readings, as far as they are alike, and some is each
reading's own: what past noise has made wrong in alpha (_own_part). Beside delta each blade may answer
each adjuster by a part of alpha more or less than the others (Departures.blades_unlike), which acts
on what it has, x + X[t]. In another job of the same aircraft delta is the same; x and v begin anew. All of these
are normal a priori, independent of each other, with the covariances that the influence file gives.

The product delta x is the only term that is not linear. With an estimate x^ of x and the
covariance C of x - x^,

    delta x = delta x^ + delta (x - x^)

where the first part is linear in delta; the second is given the covariance that it has if delta
and x - x^ are independent, cov(delta) times C, and is treated as normal. y is then jointly normal
with x, and conditional on the readings (Kalman's and the krigers' formula; e.g. Rasmussen &
Williams 2006, Gaussian Processes, eq. A.6, from memory) there is a new x^ and a new C, with which
it is done again, from x^ = 0 and C = 0 on. That is a fixed-point iteration of (x^, C). It converges
by a factor of 2 to 30 a round, faster the smaller delta is against alpha; on the demos four
rounds (_ROUNDS) come within 0.4 % of the largest blade difference, 0.5 % of the standard
deviations and 0.005 limits of the expected readings of what forty rounds come to.

Neglected is: that delta and x - x^ are correlated once readings are known; that their product is not
normal, but has longer tails; the product of delta with e; and that the covariances are estimates
(surprise.py allows for that). `tests/test_posterior_oracle.py` holds the rounds against the
same model written out in full.

What the next run will read, how far it may miss that, the chance that it is inside limits, and
whether it was as expected are all `OwnAircraft.predict`.

Readings are handled in units of their limits (half the spread limit for heights), as one
vector: real parts of the vibration cells read, imaginary parts, heights regime by regime.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trackbal.base.covariance import centring, hermitian_part, symmetric_root
from trackbal.base.phasor import blade_harmonic
from trackbal.base.sampling import evenly_spaced
from trackbal.influence.coefficients import Influence
from trackbal.influence.departures import Departures
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import Complexes, Counts, Reals, Run

MOST_ENTRIES = 900  # readings that are weighed together, those of the last run apart; more cost their cube
_ROUNDS = 4
_FACTORS = np.array([0.7, 0.85, 1.0, 1.2, 1.5, 1.9, 2.4, 3.0, 4.0])
_UNLIKE = 0.7
_MOST_JUDGED = 150  # readings of a first run by which it is judged like or unlike the record
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
    own, height_own : ndarray, shape (R, S, 2A) and (R, A)
        Part of the variance of each coordinate that is its cell's own; the rest goes together in all cells, as far as
        they are alike.
    """

    rotor: Rotor
    influence: Influence
    departures: Departures
    root: Reals
    height_root: Reals
    own: Reals
    height_own: Reals

    @classmethod
    def of(cls, rotor: Rotor, influence: Influence, departures: Departures) -> TypeModel:
        """Return the model of a type."""
        turn, turned_mean = _phase_turns(influence.alpha), influence.mean_vibration_cov
        turned = turn @ influence.vibration_cov @ turn.swapaxes(-1, -2)
        root = turn.swapaxes(-1, -2) @ symmetric_root(turned)
        if turned_mean is not None:
            turned_mean = turn @ turned_mean @ turn.swapaxes(-1, -2)
        height_root = symmetric_root(influence.height_cov)
        own = _own_part(turned, turned_mean, influence.aircraft)
        height_own = _own_part(influence.height_cov, influence.mean_height_cov, influence.aircraft)
        return cls(rotor, influence, departures, root, height_root, own, height_own)


def _own_part(cov: Reals, mean_cov: Reals | None, aircraft: float | None) -> Reals:
    """Return the part of each coefficient's variance that is its cell's own, (..., n), from covariances (..., n, n).

    The error of the type's coefficients has two parts: what the aircraft of the record happen to depart by, about the
    spread over their number, goes together from cell to cell as departures do; what comes of the noise of past
    readings does not. 0 where a file does not tell.
    """
    total = np.einsum("...ii->...i", cov)
    if mean_cov is None or aircraft is None:
        return np.zeros_like(total)
    mean = np.minimum(np.einsum("...ii->...i", mean_cov), total)
    own = np.maximum(mean - (total - mean) / max(aircraft, 1.0), 0.0)
    return np.divide(own, total, out=np.zeros_like(total), where=total > 0.0)


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

    @cached_property
    def blades(self) -> int:
        """Tips of a regime; 0 where no heights were read."""
        heights = len(self.height_regime)
        return (self.values.size - 2 * len(self.regime)) // heights if heights else 0

    @cached_property
    def is_height(self) -> NDArray[np.bool_]:
        """Which entries are tip heights, shape (D,)."""
        return np.arange(self.values.size) >= 2 * len(self.regime)

    @cached_property
    def regime_of(self) -> Counts:
        """Regime of each entry, shape (D,)."""
        return np.concatenate([self.regime, self.regime, np.repeat(self.height_regime, self.blades)])

    @cached_property
    def sensor_of(self) -> Counts:
        """Sensor of each entry, shape (D,); 0 for heights."""
        tips = np.zeros(len(self.height_regime) * self.blades, dtype=int)
        return np.concatenate([self.sensor, self.sensor, tips])

    @cached_property
    def part_of(self) -> Counts:
        """Real part 0 or imaginary part 1 of a sensor, or the tip, shape (D,)."""
        cells = np.repeat([0, 1], len(self.regime))
        return np.concatenate([cells, np.tile(np.arange(self.blades), len(self.height_regime))])

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
    return evenly_spaced(count, max(1, int(count * share)))


@dataclass(frozen=True)
class JobRuns:
    """Runs of one job of an aircraft, in their order.

    Parameters
    ----------
    runs : sequence of Run, T of them
    change : ndarray, shape (T, A, B)
        Adjustments made before each run since the first, summed, in the adjusters' units.
    """

    runs: Sequence[Run]
    change: Reals


@dataclass(frozen=True)
class RunEntries:
    """A run as the posterior holds it.

    Parameters
    ----------
    job : int
        Which job, numbered from 0; the present one is the last.
    entries : Entries
    change : ndarray, shape (A, B)
        Adjustments made before it since the job's first run.
    error : ndarray, shape (A B,)
        Variance of what those were set wrong by.
    basis : ndarray, shape (D, 3A, A B)
        What the coordinates of delta make of a unit of each adjuster on each blade.
    """

    job: int
    entries: Entries
    change: Reals
    error: Reals
    basis: Reals


@dataclass(frozen=True)
class OwnAircraft:
    """The posterior of one aircraft after some runs.

    Parameters
    ----------
    model : TypeModel
    runs : tuple of RunEntries
        The runs, job by job.
    blade_differences : ndarray, shape (J, A B)
        Best estimate of x in each job, at which delta times x is taken.
    cov : ndarray, shape (D, D)
        Covariance of all readings, of all runs in turn, before they were taken.
    weighed : ndarray, shape (D,)
        ``cov^-1 (y - expected)``.
    estimate : tuple of ndarray, shape (J A B,) and (J A B, J A B)
        Of x after this, and a root of its covariance.
    unlike : float
        How many times as large as the record's what no adjuster explains was taken to be (unlikeness).
    """

    model: TypeModel
    runs: tuple[RunEntries, ...]
    blade_differences: Reals
    cov: Reals
    weighed: Reals
    estimate: tuple[Reals, Reals]
    unlike: float = 1.0

    @cached_property
    def inverse(self) -> Reals:
        """Inverse of `cov`, shape (D, D)."""
        return np.asarray(np.linalg.inv(self.cov))

    @cached_property
    def noise(self) -> Reals:
        """Variance of the noise of all readings, shape (D,)."""
        return np.concatenate([one.entries.noise for one in self.runs]) + _LEAST

    @cached_property
    def _slices(self) -> list[slice]:
        ends = np.cumsum([0, *(one.entries.values.size for one in self.runs)])
        return [slice(int(a), int(b)) for a, b in pairwise(ends)]

    @cached_property
    def _levers(self) -> list[Levers]:
        """What delta makes of x^ and of a root of C in the readings, run by run."""
        return [_levers_of(self.model, one, self.blade_differences, self.estimate[1]) for one in self.runs]

    def predict(self, entries: Entries, change: Reals) -> tuple[Reals, Reals]:
        """Return what the next run of the present job is to read, mean (E,) and covariance (E, E), its noise apart.

        Parameters
        ----------
        entries : Entries
            The readings wanted; their values are not used.
        change : ndarray, shape (A, B)
            Adjustments between the last run and that one, in the adjusters' units.
        """
        mean, cov, cross = self._predicted(entries, change)
        return mean, hermitian_part(cov - cross @ self.inverse @ cross.T)

    def missed(self, entries: Entries, change: Reals) -> tuple[Reals, Reals, Reals]:
        """Return by how much a run misses what `predict` says, (E,), and the covariance of that, (E, E), in two parts.

        The first is of what aircraft differ by, the second of the noise, of that run's readings and of earlier ones.
        """
        mean, cov, cross = self._predicted(entries, change)
        gain = cross @ self.inverse
        noise = (gain * self.noise) @ gain.T
        rest = cov - gain @ cross.T - noise
        noise[np.diag_indices_from(noise)] += entries.noise
        return entries.values - mean, hermitian_part(rest), hermitian_part(noise)

    def _predicted(self, entries: Entries, change: Reals) -> tuple[Reals, Reals, Reals]:
        """Return the mean (E,), the covariance before anything was read (E, E), and that with all readings (E, D)."""
        last = self.runs[-1]
        model, total = self.model, last.change + change
        error = last.error + _setting_variance(model, change)
        wanted = RunEntries(last.job, entries, total, error, basis_of(model, entries))
        levers = _levers_of(model, wanted, self.blade_differences, self.estimate[1])
        between = entries.effect @ _blade_cov(model)
        cross = np.empty((entries.values.size, len(self.cov)))
        for one, part, other in zip(self.runs, self._slices, self._levers, strict=True):
            block = levers.covariance(other, _alike(model, entries, one.entries), _same_cell(entries, one.entries))
            if one.job == last.job:
                block += (between + entries.effect * one.error) @ one.entries.effect.T
                block += _unexplained(model, entries, one.entries)
            cross[:, part] = block
        cov = levers.covariance(levers, _alike(model, entries, entries), _same_cell(entries, entries))
        cov += (between + entries.effect * error) @ entries.effect.T + _unexplained(model, entries, entries)
        return entries.effect @ total.ravel() + cross @ self.weighed, cov, cross

    def state(self) -> Reals:
        """Return the best estimate of the last run's readings without their noise, shape (D of that run,)."""
        last = self.runs[-1].entries
        return last.values - (last.noise + _LEAST) * self.weighed[self._slices[-1]]

    def influence(self) -> Influence:
        """Return this aircraft's own coefficients with what is left of their covariance."""
        before = self.model.influence
        _, regimes, sensors = before.alpha.shape
        alpha, vibration_cov = before.alpha.copy(), before.vibration_cov.copy()
        tau, height_cov = before.tau.copy(), before.height_cov.copy()
        inverse = self.inverse
        for r in range(regimes):
            for s in range(sensors):
                cross = self._coefficient_cross(r, s)
                moved = cross @ self.weighed
                alpha[:, r, s] += moved[0::2] + 1j * moved[1::2]
                vibration_cov[r, s] -= cross @ inverse @ cross.T
            cross = self._coefficient_cross(r, HEIGHTS)
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

    def _coefficient_cross(self, regime: int, sensor: int) -> Reals:
        """Return the covariance of a cell's coefficients, (2A), or a regime's heights' (A), with all readings."""
        model = self.model
        adjusters = len(model.rotor.adjusters)
        height = sensor == HEIGHTS
        root = model.height_root[regime] if height else model.root[regime, sensor]
        own = model.height_own[regime] if height else model.own[regime, sensor]
        columns = slice(2 * adjusters, None) if height else slice(2 * adjusters)
        blocks = []
        for one in self.runs:
            entries = one.entries
            same = (entries.regime_of == regime) & (entries.is_height == height)
            if height:
                alike = model.departures.heights[regime, entries.regime_of]
            else:
                alike = model.departures.regimes[regime, entries.regime_of]
                alike = alike * model.departures.sensors[sensor, entries.sensor_of]
                same &= entries.sensor_of == sensor
            other = _own_of(model, entries)[:, columns]
            together = np.sqrt((1.0 - own) * (1.0 - other)) * alike[:, None] + np.sqrt(own * other) * same[:, None]
            lever = one.basis @ (self.blade_differences[one.job] + one.change.ravel())
            blocks.append(root @ (lever[:, columns] * together).T)
        return np.concatenate(blocks, axis=1)

    def present(self, last: Run) -> Run:
        """Return the last run with its readings replaced by the best estimate of the present state."""
        entries = self.runs[-1].entries
        mean = self.state()
        cells, rotor = len(entries.regime), self.model.rotor
        vibration, height = last.vibration.copy(), last.height.copy()
        at = entries.regime, entries.sensor
        vibration[at] = (mean[:cells] + 1j * mean[cells : 2 * cells]) * rotor.vibration_limit[at]
        tips = mean[2 * cells :].reshape(len(entries.height_regime), len(rotor.blades))
        height[entries.height_regime] = tips * rotor.height_limit[entries.height_regime, None] / 2.0
        return replace(last, vibration=vibration, height=height)


def own_aircraft(model: TypeModel, jobs: Sequence[JobRuns], *, most: int = MOST_ENTRIES) -> OwnAircraft:
    """Return the posterior of one aircraft from the runs of its jobs, in their order, the present one last.

    Parameters
    ----------
    most : int
        Readings to go by before the last run's, about; more are thinned out evenly, run by run.
    """
    found = runs_of_jobs(model, jobs, most)
    first = next(one for one in found if one.job == len(jobs) - 1)
    factor = unlikeness(model, first)
    return replace(posterior(_rest_times(model, factor), found), unlike=factor)


def runs_of_jobs(model: TypeModel, jobs: Sequence[JobRuns], most: int) -> tuple[RunEntries, ...]:
    """Return runs as the posterior holds them; parameters as in `own_aircraft`."""
    blades, runs = len(model.rotor.blades), sum(len(job.runs) for job in jobs)
    found: list[RunEntries] = []
    for j, job in enumerate(jobs):
        error = np.zeros(job.change[0].size)
        for t, (run, change) in enumerate(zip(job.runs, job.change, strict=True)):
            entries = entries_of(model, run)
            if len(found) + 1 < runs:
                entries = entries.thinned(max(most // (runs - 1), 1), blades)
            if t:
                error = error + _setting_variance(model, change - job.change[t - 1])
            found.append(RunEntries(j, entries, change, error, basis_of(model, entries)))
    return tuple(found)


def unlikeness(model: TypeModel, first: RunEntries) -> float:
    """Return how many times as large as the record's what no adjuster explains is on this aircraft, by a first run.

    A first run is held against what first runs of the type look like given any blade differences. The
    factor is the mean of its logarithm over a few values, weighed by how probable the run is under each and by
    how far aircraft of a type may be thought to differ (a standard deviation of _UNLIKE in the logarithm).
    """
    few = first.entries.thinned(_MOST_JUDGED, len(model.rotor.blades))
    first = replace(first, entries=few, basis=basis_of(model, few))
    logs = np.log(_FACTORS)
    weights = np.empty(len(_FACTORS))
    for i, factor in enumerate(_FACTORS):
        fitted = posterior(_rest_times(model, factor), (first,))
        distance = float(fitted.weighed @ fitted.cov @ fitted.weighed)
        weights[i] = -0.5 * (distance + np.linalg.slogdet(fitted.cov)[1]) - 0.5 * (logs[i] / _UNLIKE) ** 2
    weights = np.exp(weights - weights.max())
    return float(np.exp(weights @ logs / weights.sum()))


def _rest_times(model: TypeModel, factor: float) -> TypeModel:
    departures = model.departures
    rest = replace(
        departures,
        unexplained=factor * departures.unexplained,
        unexplained_height=factor * departures.unexplained_height,
    )
    return replace(model, departures=rest)


def posterior(model: TypeModel, runs: tuple[RunEntries, ...], before: OwnAircraft | None = None) -> OwnAircraft:
    """Return the posterior of one aircraft from readings as vectors; see own_aircraft.

    `before`: what was found with other `departures` of the model, from which a single round goes on.
    """
    jobs, size = runs[-1].job + 1, runs[-1].change.size
    effect = _by_job([one.entries.effect for one in runs], [one.job for one in runs], jobs)
    made = np.concatenate([one.entries.effect @ one.change.ravel() for one in runs])
    misfit = np.concatenate([one.entries.values for one in runs]) - made
    prior = np.kron(np.eye(jobs), _blade_cov(model))
    fixed = effect @ prior @ effect.T + np.block([[_own_to_job(model, a, b) for b in runs] for a in runs])
    fixed[np.diag_indices_from(fixed)] += np.concatenate([one.entries.noise for one in runs]) + _LEAST
    alike = np.block([[_alike(model, a.entries, b.entries) for b in runs] for a in runs])
    same = np.block([[_same_cell(a.entries, b.entries) for b in runs] for a in runs])
    found, root = (np.zeros(jobs * size), np.zeros((jobs * size, 0))) if before is None else before.estimate
    for _ in range(_ROUNDS if before is None else 1):
        estimate, doubt = found.reshape(jobs, size), root  # those that cov is of: others can leave a variance negative
        levers = Levers.of_all([_levers_of(model, one, estimate, doubt) for one in runs])
        cov = fixed + levers.covariance(levers, alike, same)
        pull = np.linalg.solve(cov, np.column_stack([misfit, effect @ prior]))
        found = prior @ (effect.T @ pull[:, 0])
        root = symmetric_root(prior - prior @ effect.T @ pull[:, 1:])
    return OwnAircraft(model, runs, estimate, cov, pull[:, 0], (found, doubt))


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


def _levers_of(model: TypeModel, one: RunEntries, estimate: Reals, doubt: Reals) -> Levers:
    """Return what delta and the blades' own answers make of x^ and of a root of C, n columns, in a run."""
    jobs, size = estimate.shape
    now, root = estimate[one.job] + one.change.ravel(), doubt[one.job * size : (one.job + 1) * size]
    both = np.concatenate([(one.basis @ now)[..., None], one.basis @ root], axis=-1)  # (D, 3A, 1 + n)
    own = _own_of(model, one.entries)[..., None]
    effect = model.departures.blades_unlike * one.entries.effect
    unsure = np.zeros((len(effect), jobs, size))  # of one blade's differences in two jobs nothing goes together
    unsure[:, one.job] = effect * np.sqrt((root**2).sum(axis=1))
    blades = np.concatenate([effect * now, _flat(unsure)], axis=1)
    return Levers(_flat(both * np.sqrt(1.0 - own)), _flat(both * np.sqrt(own)), blades)


def _own_of(model: TypeModel, entries: Entries) -> Reals:
    """Return the part of the variance of each coordinate of delta that is a cell's own, for each entry, (D, 3A)."""
    cells = len(entries.regime)
    vibration = np.tile(model.own[entries.regime, entries.sensor], (2, 1))
    heights = np.repeat(model.height_own[entries.height_regime], entries.blades, axis=0)
    found = np.zeros((entries.values.size, vibration.shape[1] + heights.shape[1]))
    found[: 2 * cells, : vibration.shape[1]] = vibration
    found[2 * cells :, vibration.shape[1] :] = heights
    return found


def _by_job(blocks: list[Reals], job: list[int], jobs: int) -> Reals:
    """Return blocks (D of a run, n) side by side by job, shape (D, J n)."""
    size = blocks[0].shape[1]
    wide = np.zeros((sum(len(b) for b in blocks), jobs * size))
    start = 0
    for block, j in zip(blocks, job, strict=True):
        wide[start : start + len(block), j * size : (j + 1) * size] = block
        start += len(block)
    return wide


def _own_to_job(model: TypeModel, one: RunEntries, other: RunEntries) -> Reals:
    """Return the covariance, (D, D'), of what else belongs to one job: setting errors, the unexplained."""
    if one.job != other.job:
        return np.zeros((one.entries.values.size, other.entries.values.size))
    error = np.minimum(one.error, other.error)  # what both share was set before the earlier of the two
    errors = (one.entries.effect * error) @ other.entries.effect.T
    return errors + _unexplained(model, one.entries, other.entries)


def _setting_variance(model: TypeModel, change: Reals) -> Reals:
    """Return the variance of the setting errors of adjustments, shape (A B,)."""
    return np.where(change != 0.0, model.departures.setting_error[:, None] ** 2, 0.0).ravel()


def _flat(levers: Reals) -> Reals:
    """Return levers (D, ...) as rows (D, K); a run of which every reading was set aside has none."""
    return levers.reshape(len(levers), math.prod(levers.shape[1:]))


def entries_of(model: TypeModel, run: Run) -> Entries:
    """Return the readings of a run as a vector in units of the limits."""
    rotor, influence = model.rotor, model.influence
    blades = len(rotor.blades)
    regime, sensor = np.nonzero(run.vibration_read)
    height_regime = np.flatnonzero(run.height_read)
    limit = rotor.vibration_limit[regime, sensor]
    half_spread = rotor.height_limit[height_regime] / 2.0
    alpha = influence.alpha[:, regime, sensor].T / limit[:, None]
    vibration = np.einsum("ca,cb->cab", alpha, _delays(rotor, sensor)).reshape(
        regime.size, influence.tau.shape[0] * blades
    )
    centred = centring(blades)
    tau = influence.tau[:, height_regime].T / half_spread[:, None]
    heights = np.einsum("ha,cb->hcab", tau, centred).reshape(
        height_regime.size * blades, influence.tau.shape[0] * blades
    )
    value = run.vibration[regime, sensor] / limit
    tips = (run.height[height_regime] / half_spread[:, None]).ravel()
    alone, tips_alone = np.sqrt(model.departures.noise_alone[sensor]), np.sqrt(model.departures.noise_height_alone)
    sd = alone * influence.vibration_noise[regime, sensor] / limit
    tip_sd = tips_alone * np.repeat(influence.height_noise[height_regime] / half_spread, blades)
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


def basis_of(model: TypeModel, entries: Entries) -> Reals:
    """Return what the coordinates of delta make of a unit of each adjuster on each blade, (D, 3A, A B).

    Coordinates are (2A) of vibration, then (A) of heights.
    """
    rotor = model.rotor
    regime, sensor, height_regime = entries.regime, entries.sensor, entries.height_regime
    adjusters, blades, cells = model.height_root.shape[-1], len(rotor.blades), len(regime)
    root = model.root[regime, sensor] / rotor.vibration_limit[regime, sensor][:, None, None]
    moved = np.einsum("cb,caf->cfab", _delays(rotor, sensor), root[:, 0::2] + 1j * root[:, 1::2])
    centred = centring(blades)
    tau = model.height_root[height_regime] / (rotor.height_limit[height_regime] / 2.0)[:, None, None]
    basis = np.zeros((entries.values.size, 3 * adjusters, adjusters * blades))
    basis[: 2 * cells, : 2 * adjusters] = np.concatenate([moved.real, moved.imag]).reshape(
        2 * cells, 2 * adjusters, adjusters * blades
    )
    basis[2 * cells :, 2 * adjusters :] = np.einsum("haf,cb->hcfab", tau, centred).reshape(
        len(height_regime) * blades, adjusters, adjusters * blades
    )
    return basis


def _delays(rotor: Rotor, sensor: Counts) -> Complexes:
    """Return what each blade's own part of a reading is turned by, (C, B), for the sensors (C,) of some cells."""
    return blade_harmonic(np.eye(len(rotor.blades)), rotor.azimuth_deg, rotor.harmonics).T[sensor]


def _alike(model: TypeModel, one: Entries, other: Entries) -> Reals:
    """Return how alike departures are in the entries of two runs, (D, D'); not to be used between the families."""
    departures = model.departures
    regimes = np.ix_(one.regime_of, other.regime_of)
    vibration = departures.regimes[regimes] * departures.sensors[np.ix_(one.sensor_of, other.sensor_of)]
    return np.where(one.is_height[:, None], departures.heights[regimes], vibration)


def _same_cell(one: Entries, other: Entries) -> NDArray[np.bool_]:
    """Return which entries of two runs are of one cell, (D, D'); not to be used between the families."""
    return np.equal.outer(one.regime_of, other.regime_of) & np.equal.outer(one.sensor_of, other.sensor_of)


def _unexplained(model: TypeModel, one: Entries, other: Entries) -> Reals:
    """Return the covariance, (D, D'), of what no blade difference explains: the same in every run of a job.

    Of a reading's part (or a tip's height) some is its own, and some is shared by the regimes.
    """
    departures = model.departures
    same = one.is_height[:, None] == other.is_height
    for name in ("sensor_of", "part_of"):
        same &= np.equal.outer(getattr(one, name), getattr(other, name))
    regimes = np.ix_(one.regime_of, other.regime_of)
    alike = np.where(one.is_height, departures.unexplained_height_alike, departures.unexplained_alike[one.sensor_of])
    between = np.where(one.is_height[:, None], departures.heights[regimes], departures.regimes[regimes])
    shared = np.where(np.equal.outer(one.regime_of, other.regime_of), 1.0, alike[:, None] * between)
    return np.where(same, np.outer(_rest(model, one), _rest(model, other)) * shared, 0.0)


def _rest(model: TypeModel, entries: Entries) -> Reals:
    """Return the root mean square of what no blade difference explains of each entry, shape (D,)."""
    rotor, departures = model.rotor, model.departures
    n = 2 * len(entries.regime)
    vibration = departures.unexplained[entries.sensor_of[:n]]
    limit = rotor.vibration_limit[entries.regime_of[:n], entries.sensor_of[:n]]
    tips = departures.unexplained_height / (rotor.height_limit[entries.regime_of[n:]] / 2.0)
    return np.concatenate([vibration / limit, tips])


def _blade_cov(model: TypeModel) -> Reals:
    """Return the prior covariance of x, (A B, A B): blade differences, the mean apart."""
    blades = len(model.rotor.blades)
    return np.asarray(np.kron(np.diag(model.departures.blade_differences**2), centring(blades)))


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
