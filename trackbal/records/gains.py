"""Which jobs of a history are worth judging record by record.

For every job the gain of setting each single record aside (set_aside.py) is worked out in
closed form, all jobs side by side, instead of weighing each account run by run. A reading's
own gain follows from its deletion residual (deletion.py, p and P as there); unknown work before
run t, of variance T2, makes the readings more probable by a factor whose logarithm is (complex numbers)

    |q|^2 T2 / (1 + T2 Q) - log(1 + T2 Q),   q = sum of p from run t on,   Q = sum of P over these runs.

Both take the type's covariance as circular: a reading does not scatter more in one direction.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import chain

import numpy as np

from trackbal.aircraft.belief import noise_of
from trackbal.base.covariance import Matrix, complex_cov
from trackbal.estimate.job_statistics import CentredDesign, HistoryCells
from trackbal.influence.coefficients import Influence
from trackbal.records.alternatives import Sizes, anything, bounded
from trackbal.records.deletion import Deletion, JobFit, TipPrecision, quadratic
from trackbal.runs.run import Counts, Reals


@dataclass(frozen=True)
class Gains:
    """Log-likelihood gained by not relying on single records of n runs in J jobs.

    Parameters
    ----------
    run : ndarray, shape (n,)
        A whole run.
    column : ndarray, shape (S + 1, n)
        One sensor of a run; last the tips.
    reading : ndarray, shape (n,)
        Of the run's readings the one whose gain is the largest; -inf if there is none.
    every : ndarray, shape (J,)
        One sensor, or the tips, in every run of a job: the largest gain.
    step : ndarray, shape (H, n)
        What was recorded before the run, for each size of a step that unknown work may have been; -inf before a
        job's first run and where it cannot reach what was asked for.
    """

    run: Reals
    column: Reals
    reading: Reals
    every: Reals
    step: Reals


def gains(
    cells: HistoryCells, influence: Influence, sizes: Sizes, step_sizes: Sequence[float], least_step: float = -np.inf
) -> Gains:
    """Return the gain of every single record.

    Parameters
    ----------
    cells : HistoryCells
    influence : Influence
        Of the type, for one more aircraft.
    sizes : Sizes
        What readings and steps usually are.
    step_sizes : sequence of float, H of them
        In usual sizes of a step.
    least_step : float
        Gains of a step that cannot reach this need not be worked out.
    """
    n, jobs, sensors = len(cells.history.run), len(cells.starts), len(cells.rotor.sensors)
    influence, wide = bounded(cells.rotor, influence, sizes), np.array(step_sizes)
    column, reading = np.zeros((sensors + 1, n)), np.full(n, -np.inf)
    every, step = np.zeros((sensors + 1, jobs)), np.zeros((len(wide), n))
    tips: list[_Tips] = []
    columns: Iterator[tuple[int, _Vibration | _Tips]]
    columns = chain(_vibration_cells(cells, influence, sizes), _height_cells(cells, influence, sizes))
    for s, cell in columns:
        gain = cell.readings()
        column[s] += np.where(np.isfinite(gain), gain, 0.0)
        reading = np.maximum(reading, gain)
        every[s] += cell.whole()
        if isinstance(cell, _Tips):
            tips.append(cell)
        else:
            step += cell.steps(wide)
    at_most = step + sum(t.most_of_steps(wide) for t in tips)
    at_most[:, cells.starts] = -np.inf
    most = at_most.max(axis=0)
    promising = np.flatnonzero((most > -np.inf) & (most >= least_step))
    exact = step[:, promising] + sum(t.steps(wide, promising) for t in tips)
    step = np.full(step.shape, -np.inf)
    step[:, promising] = exact
    return Gains(column.sum(axis=0), column, reading, every.max(axis=0), step)


def _vibration_cells(cells: HistoryCells, influence: Influence, sizes: Sizes) -> Iterator[tuple[int, _Vibration]]:
    """Yield the column of each vibration cell, and the cell."""
    rotor, sensors = cells.rotor, len(cells.rotor.sensors)
    noise, _ = noise_of(rotor, influence)
    statistics = cells.vibration_statistics
    for pairs, design in cells.vibration_designs():
        for r, s in pairs:
            cov = complex_cov(influence.vibration_cov[r, s])
            fit = JobFit.of(statistics[r * sensors + s], influence.alpha[:, r, s], cov, 2.0 * noise[r, s] ** 2)
            size = np.maximum(np.abs(cells.history.vibration[:, r, s]) / np.sqrt(2.0), sizes.vibration[r, s])
            y, usual = cells.vibration_reading(r, s, design), float(sizes.vibration_step[r, s])
            yield s, _Vibration(design, y, fit, cells.job_of_run, cells, anything(size, 2), usual)


def _height_cells(cells: HistoryCells, influence: Influence, sizes: Sizes) -> Iterator[tuple[int, _Tips]]:
    """Yield the same for the heights of each regime, whose column is the last."""
    rotor = cells.rotor
    _, noise = noise_of(rotor, influence)
    statistics = cells.height_statistics
    for regimes, design in cells.height_designs():
        for r in regimes:
            fit = JobFit.of(statistics[r], influence.tau[:, r], influence.height_cov[r], noise[r] ** 2)
            rms = np.sqrt(np.mean(cells.history.height[:, r] ** 2, axis=-1))
            loose = anything(np.maximum(rms, sizes.height[r]), len(rotor.blades) - 1)
            y, usual = cells.height_reading(r, design), float(sizes.height_step[r])
            yield len(rotor.sensors), _Tips(design, y, fit, cells.job_of_run, cells, loose, usual)


def _log_likelihood(cells: HistoryCells, design: CentredDesign, fit: JobFit, numbers: int, circular: bool) -> Reals:
    """Return the log-density of the readings of each job after the first, shape (J,)."""
    weight = design.weight
    readings = cells.sum_by_job((weight > 0).astype(float))
    scale = np.maximum(readings - 1.0, 0.0) * math.log((1.0 if circular else 2.0) * math.pi * fit.sigma2)
    scale = scale - cells.sum_by_job(np.log(np.where(weight > 0, weight, 1.0))) + np.log(design.job_weight)
    if circular:
        return np.asarray(-fit.squares - fit.log_det - scale)
    return np.asarray(-0.5 * (fit.squares + fit.log_det + numbers * scale))


@dataclass(frozen=True)
class _Cell(Deletion):
    """One cell of a history of n runs.

    `loose` (n,): log-density of each reading if it were anything; `usual`: size of a step.
    """

    cells: HistoryCells
    loose: Reals
    usual: float

    @cached_property
    def tail_share(self) -> Reals:
        """What the weights of all readings from each run on say of their mean, (n,)."""
        return self.share(_tail(self.cells, self.design.weight))

    def _whole(self, log_likelihood: Reals) -> Reals:
        """Return the gain of relying on no reading of each job; the first, which fixes its start, has no density."""
        read, starts = self.design.weight > 0, self.cells.starts
        order = np.cumsum(read.astype(int))
        before = order[starts] - read[starts]
        first = read & (order == before[self.cells.job_of_run] + 1)
        return np.asarray(self.cells.sum_by_job(np.where(read & ~first, self.loose, 0.0)) - log_likelihood)


class _Vibration(_Cell):
    def readings(self) -> Reals:
        """Return the gain of setting each reading aside, shape (n,); -inf where there is none."""
        judged = self.precision > 0
        safe = np.where(judged, self.precision, 1.0)
        gain = self.loose + np.abs(self.pull) ** 2 / safe + np.log(np.pi / safe)
        return np.where(judged, gain, -np.inf)

    def whole(self) -> Reals:
        """Return the gain of relying on no reading of each job, shape (J,)."""
        return self._whole(_log_likelihood(self.cells, self.design, self.fit, 2, circular=True))

    def steps(self, wide: Reals) -> Reals:
        """Return the gain of unknown work before each run, (H, n), of sizes `wide` (H,)."""
        tail = _tail(self.cells, self.pull)
        held = np.maximum(self.tail_share - quadratic(_tail(self.cells, self.weighted), self.taken), 0.0)
        variance = 2.0 * (wide[:, None] * self.usual) ** 2
        return np.asarray(np.abs(tail) ** 2 * (variance / (1.0 + variance * held)) - np.log1p(variance * held))


class _Tips(_Cell):
    @property
    def numbers(self) -> int:
        """Numbers of one reading, B - 1: its mean is 0."""
        return int(self.design.effect.shape[1]) - 1

    def readings(self) -> Reals:
        """Return the gain of setting each reading aside, shape (n,); -inf where there is none."""
        share = self.share(self.design.weight)
        judged = share > 0
        precision = TipPrecision(np.where(judged, share, 1.0)[None], self.weighted, self.taken)
        _, (squares,) = precision.drawn(self.pull)
        (log_det,) = precision.log_det()
        gain = self.loose + 0.5 * (squares - log_det + self.numbers * math.log(2.0 * math.pi))
        return np.where(judged, gain, -np.inf)

    def whole(self) -> Reals:
        """Return the gain of relying on no reading of each job, shape (J,)."""
        return self._whole(_log_likelihood(self.cells, self.design, self.fit, self.numbers, circular=False))

    def most_of_steps(self, wide: Reals) -> Reals:
        """Return what `steps` cannot exceed, (H, n): its squares are part of the job's, what B takes off has rank A."""
        dimensions = max(self.numbers - len(self.design.effect), 0)
        variance = (wide[:, None] * self.usual) ** 2
        return np.asarray(
            0.5 * self.fit.squares[self.cells.job_of_run] - 0.5 * dimensions * np.log1p(variance * self.tail_share)
        )

    def steps(self, wide: Reals, runs: Counts) -> Reals:
        """Return the gain of unknown work before some runs, (H, len(runs)), of sizes `wide` (H,)."""
        variance = (wide[:, None] * self.usual) ** 2
        effect = _tail(self.cells, self.weighted)[..., runs]
        precision = TipPrecision(self.tail_share[runs] + 1.0 / variance, effect, self.taken[runs])
        _, squares = precision.drawn(_tail(self.cells, self.pull)[..., runs])
        return np.asarray(0.5 * (squares - precision.log_det() - self.numbers * np.log(variance)))


def _tail(cells: HistoryCells, values: Matrix) -> Matrix:
    """Return sums from each run to the last of its job, along the last axis."""
    before = np.cumsum(values, axis=-1)
    last = np.append(cells.starts[1:], values.shape[-1]) - 1
    result: Matrix = before[..., last[cells.job_of_run]] - before + values
    return result
