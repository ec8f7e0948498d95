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

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from trackbal.aircraft.covariances import (
    Levers,
    alike_of,
    blade_cov,
    levers_of,
    own_of,
    own_to_job,
    same_cell,
    setting_variance,
    unexplained,
)
from trackbal.aircraft.entries import Entries, RunEntries, basis_of, entries_of
from trackbal.aircraft.job_runs import JobRuns
from trackbal.aircraft.type_model import TypeModel
from trackbal.base.covariance import hermitian_part, symmetric_root
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import HEIGHTS
from trackbal.runs.run import Reals, Run

MOST_ENTRIES = 900  # readings that are weighed together, those of the last run apart; more cost their cube
_ROUNDS = 4
_FACTORS = np.array([0.7, 0.85, 1.0, 1.2, 1.5, 1.9, 2.4, 3.0, 4.0])
_UNLIKE = 0.7
_MOST_JUDGED = 150  # readings of a first run by which it is judged like or unlike the record
_LEAST = 1e-9  # variance, in limits squared, that keeps exact readings solvable


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
        return [levers_of(self.model, one, self.blade_differences, self.estimate[1]) for one in self.runs]

    @cached_property
    def _sure_levers(self) -> list[tuple[Reals, Reals]]:
        """What the coordinates of delta make of x^, and the part of each that is a cell's own; (D of a run, 3A)."""
        return [
            (one.basis @ (self.blade_differences[one.job] + one.change.ravel()), own_of(self.model, one.entries))
            for one in self.runs
        ]

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
        error = last.error + setting_variance(model, change)
        wanted = RunEntries(last.job, entries, total, error, basis_of(model, entries))
        levers = levers_of(model, wanted, self.blade_differences, self.estimate[1])
        between = entries.effect @ blade_cov(model)
        cross = np.empty((entries.values.size, len(self.cov)))
        for one, part, other in zip(self.runs, self._slices, self._levers, strict=True):
            block = levers.covariance(other, alike_of(model, entries, one.entries), same_cell(entries, one.entries))
            if one.job == last.job:
                block += (between + entries.effect * one.error) @ one.entries.effect.T
                block += unexplained(model, entries, one.entries)
            cross[:, part] = block
        cov = levers.covariance(levers, alike_of(model, entries, entries), same_cell(entries, entries))
        cov += (between + entries.effect * error) @ entries.effect.T + unexplained(model, entries, entries)
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
        for one, (lever, own_parts) in zip(self.runs, self._sure_levers, strict=True):
            entries = one.entries
            same = (entries.regime_of == regime) & (entries.is_height == height)
            if height:
                alike = model.departures.heights[regime, entries.regime_of]
            else:
                alike = model.departures.regimes[regime, entries.regime_of]
                alike = alike * model.departures.sensors[sensor, entries.sensor_of]
                same &= entries.sensor_of == sensor
            other = own_parts[:, columns]
            together = np.sqrt((1.0 - own) * (1.0 - other)) * alike[:, None] + np.sqrt(own * other) * same[:, None]
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
                error = error + setting_variance(model, change - job.change[t - 1])
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
    prior = np.kron(np.eye(jobs), blade_cov(model))
    fixed = effect @ prior @ effect.T + np.block([[own_to_job(model, a, b) for b in runs] for a in runs])
    fixed[np.diag_indices_from(fixed)] += np.concatenate([one.entries.noise for one in runs]) + _LEAST
    alike = np.block([[alike_of(model, a.entries, b.entries) for b in runs] for a in runs])
    same = np.block([[same_cell(a.entries, b.entries) for b in runs] for a in runs])
    found, root = (np.zeros(jobs * size), np.zeros((jobs * size, 0))) if before is None else before.estimate
    for _ in range(_ROUNDS if before is None else 1):
        estimate, doubt = found.reshape(jobs, size), root  # those that cov is of: others can leave a variance negative
        levers = Levers.of_all([levers_of(model, one, estimate, doubt) for one in runs])
        cov = fixed + levers.covariance(levers, alike, same)
        pull = np.linalg.solve(cov, np.column_stack([misfit, effect @ prior]))
        found = prior @ (effect.T @ pull[:, 0])
        root = symmetric_root(prior - prior @ effect.T @ pull[:, 1:])
    return OwnAircraft(model, runs, estimate, cov, pull[:, 0], (found, doubt))


def _by_job(blocks: list[Reals], job: list[int], jobs: int) -> Reals:
    """Return blocks (D of a run, n) side by side by job, shape (D, J n)."""
    size = blocks[0].shape[1]
    wide = np.zeros((sum(len(b) for b in blocks), jobs * size))
    start = 0
    for block, j in zip(blocks, job, strict=True):
        wide[start : start + len(block), j * size : (j + 1) * size] = block
        start += len(block)
    return wide
