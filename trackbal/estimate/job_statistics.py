"""What each job of a history says about the coefficients of one reading, boiled down to sums.

A cell is one reading: a regime and a sensor (complex), or the tip heights of a regime
(real). Within a job, readings follow ``y[t] = v + sum_a alpha[a] z[a, t] + noise``,
v being the job's own unknown start. Subtracting the job's weighted mean from y and z
(weight: repeated readings averaged) removes v; what is then known of alpha is in the
sums of a CellStatistics, whatever the number of runs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from trackbal.base.covariance import Matrix
from trackbal.base.phasor import blade_harmonic
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Counts, History, Reals


@dataclass(frozen=True)
class CellStatistics:
    """Sums of one cell, job by job (J jobs, A adjusters); ~ marks "less the job's weighted mean".

    Parameters
    ----------
    gram : ndarray, shape (J, A, A)
        ``sum_t w conj(z~[a]) z~[b]``.
    moment : ndarray, shape (J, A)
        ``sum_t w conj(z~[a]) y~``.
    squares : ndarray, shape (J,)
        ``sum_t w |y~|^2``.
    dof : ndarray, shape (J,)
        Degrees of freedom left by the start: runs - 1, times (blades - 1) for heights;
        complex ones for vibration.
    runs : ndarray of int, shape (J,)
        Runs in which the reading was taken.
    repeat_squares, repeat_dof : float
        Scatter of repeated readings about their run's mean, and its degrees of freedom.
    """

    gram: Matrix
    moment: Matrix
    squares: Reals
    dof: Reals
    runs: Counts
    repeat_squares: float
    repeat_dof: float

    def of_jobs(self, chosen: Counts) -> CellStatistics:
        """Return the statistics of some jobs, by index or mask, shape (J,); the repeats' scatter stays that of all."""
        return CellStatistics(
            self.gram[chosen],
            self.moment[chosen],
            self.squares[chosen],
            self.dof[chosen],
            self.runs[chosen],
            self.repeat_squares,
            self.repeat_dof,
        )


def numbered(aircraft: Sequence[str]) -> Counts:
    """Return the number of the aircraft that each job is of, in the order of their first jobs, shape (J,)."""
    number = {name: i for i, name in enumerate(dict.fromkeys(aircraft))}
    return np.array([number[name] for name in aircraft], dtype=int)


def added_up(values: Matrix, aircraft: Sequence[str]) -> Matrix:
    """Return what is said of each job, shape (J, ...), added up for each aircraft, in the order of `numbered`."""
    which = numbered(aircraft)
    order = np.argsort(which, kind="stable")
    starts = np.flatnonzero(np.diff(which[order], prepend=-1))
    sums: Matrix = np.add.reduceat(values[order], starts, axis=0) if len(starts) else values
    return sums


def by_aircraft(cells: list[CellStatistics], aircraft: Sequence[str]) -> list[CellStatistics]:
    """Return cells with the jobs of each aircraft added up; `aircraft`, J of them: whose each job is.

    Each job has a start of its own, which its sums are free of; the coefficients are the aircraft's in all of its
    jobs. So what its jobs say of them adds up, and aircraft, not jobs, are what departs from the type.
    """
    if len(set(aircraft)) == len(aircraft):
        return cells
    added: dict[int, Matrix] = {}  # cells share arrays: those of the sums are shared too

    def add(values: Matrix) -> Matrix:
        if id(values) not in added:
            added[id(values)] = added_up(values, aircraft)
        return added[id(values)]

    return [
        CellStatistics(
            add(c.gram), add(c.moment), add(c.squares), add(c.dof), add(c.runs), c.repeat_squares, c.repeat_dof
        )
        for c in cells
    ]


class Sums(Protocol):
    """What a fit needs of a history: statistics of all cells, the largest change of each adjuster, (A,), whose jobs."""

    @property
    def rotor(self) -> Rotor: ...  # noqa: D102
    @property
    def vibration_statistics(self) -> list[CellStatistics]: ...  # noqa: D102
    @property
    def height_statistics(self) -> list[CellStatistics]: ...  # noqa: D102
    @property
    def largest_change(self) -> Reals: ...  # noqa: D102
    @property
    def aircraft(self) -> tuple[str, ...]: ...  # noqa: D102


@dataclass(frozen=True)
class CentredDesign:
    """The changes of a history as one cell sees them, less each job's weighted mean.

    Parameters
    ----------
    effect : ndarray, shape (A, n) for vibration, (A, B, n) for heights
        z~ or u~ of every run.
    weight : ndarray, shape (n,)
        Readings averaged; 0 where not read.
    job_weight : ndarray, shape (J,)
        Sum of the weights of each job, 1 where it is 0.
    """

    effect: Matrix
    weight: Reals
    job_weight: Reals


class HistoryCells:
    """A history seen cell by cell.

    Vibration cells come first, regime by regime and sensor by sensor, then the heights
    of each regime. Cells that see the same changes with the same weights share arrays.
    """

    def __init__(self, rotor: Rotor, history: History) -> None:
        """Prepare the changes as each harmonic, and the heights, see them."""
        self.rotor = rotor
        self.history = history
        self.job_of_run: Counts
        self.job_of_run = np.unique(history.job, return_inverse=True)[1]
        self.starts = np.flatnonzero(np.diff(history.job, prepend=-1))
        harmonics = np.unique(rotor.harmonics)
        waves = blade_harmonic(history.change, rotor.azimuth_deg, harmonics)  # (n, A, harmonics)
        self._waves = {int(h): np.ascontiguousarray(waves[:, :, i].T) for i, h in enumerate(harmonics)}
        centred = history.change - history.change.mean(axis=-1, keepdims=True)
        self._uneven = np.ascontiguousarray(centred.transpose(1, 2, 0))  # (A, B, n)
        self.largest_change = np.abs(history.change).max(axis=(0, 2), initial=0.0)

    @property
    def aircraft(self) -> tuple[str, ...]:
        """Whose each job is."""
        return tuple(self.history.aircraft[j] for j in self.history.job[self.starts].tolist())

    def sum_by_job(self, values: Matrix) -> Matrix:
        """Return sums over the runs of each job, along the last axis: shape (..., n) -> (..., J)."""
        if not len(self.starts):
            return np.zeros((*values.shape[:-1], 0), dtype=values.dtype)
        sums: Matrix = np.add.reduceat(values, self.starts, axis=-1)
        return sums

    def centre(self, values: Matrix, weight: Reals, job_weight: Reals) -> Matrix:
        """Return values, shape (..., n), less their job's weighted mean; weights (n,), and their sum by job (J,)."""
        mean = self.sum_by_job(values * weight) / job_weight
        result: Matrix = values - mean[..., self.job_of_run]
        return result

    def gram(self, columns: Matrix, weight: Reals) -> Matrix:
        """Return ``sum_t w conj(z[a]) z[b]`` of each job, shape (J, A, A).

        Parameters
        ----------
        columns : ndarray, shape (A, n) or (A, B, n)
            z; with blades, their products are summed over these.
        weight : ndarray, shape (n,)
        """
        size = len(columns)
        gram = np.zeros((len(self.starts), size, size), dtype=columns.dtype)
        for a in range(size):
            weighted = columns[a].conj() * weight
            for b in range(a, size):
                product = weighted * columns[b]
                gram[:, a, b] = self.sum_by_job(product.sum(axis=0) if product.ndim == 2 else product)
                gram[:, b, a] = gram[:, a, b].conj()
        return gram

    def moment(self, columns: Matrix, weight: Reals, y: Matrix) -> Matrix:
        """Return ``sum_t w conj(z[a]) y`` of each job, shape (J, A); `columns` as in `gram`, y (n,) or (B, n)."""
        product = columns.conj() * (weight * y)
        return self.sum_by_job(product.sum(axis=1) if product.ndim == 3 else product).T

    def _design(self, effect: Matrix, weight: Reals) -> CentredDesign:
        job_weight = self.sum_by_job(weight)
        job_weight = np.where(job_weight > 0, job_weight, 1.0)
        return CentredDesign(self.centre(effect, weight, job_weight), weight, job_weight)

    def vibration_designs(self) -> Iterator[tuple[list[tuple[int, int]], CentredDesign]]:
        """Yield the (regime, sensor) pairs that share a design, and that design."""
        groups: dict[tuple[int, bytes], list[tuple[int, int]]] = {}
        for r in range(len(self.rotor.regimes)):
            for s, sensor in enumerate(self.rotor.sensors):
                key = (sensor.harmonic, np.ascontiguousarray(self.history.vibration_count[:, r, s]).tobytes())
                groups.setdefault(key, []).append((r, s))
        for (harmonic, _), pairs in groups.items():
            weight = self.history.vibration_count[:, pairs[0][0], pairs[0][1]].astype(float)
            yield pairs, self._design(self._waves[harmonic], weight)

    def height_designs(self) -> Iterator[tuple[list[int], CentredDesign]]:
        """Yield the regimes that share a design of the heights, and that design."""
        groups: dict[bytes, list[int]] = {}
        for r in range(len(self.rotor.regimes)):
            groups.setdefault(np.ascontiguousarray(self.history.height_count[:, r]).tobytes(), []).append(r)
        for regimes in groups.values():
            yield regimes, self._design(self._uneven, self.history.height_count[:, regimes[0]].astype(float))

    def vibration_reading(self, r: int, s: int, design: CentredDesign) -> Matrix:
        """Return y~ of a vibration cell, shape (n,); 0 where not read."""
        y = np.where(design.weight > 0, self.history.vibration[:, r, s], 0.0)
        return np.where(design.weight > 0, self.centre(y, design.weight, design.job_weight), 0.0)

    def height_reading(self, r: int, design: CentredDesign) -> Matrix:
        """Return y~ of the heights of a regime, shape (B, n); 0 where not read."""
        y = np.where(design.weight > 0, self.history.height[:, r, :].T, 0.0)
        return np.where(design.weight > 0, self.centre(y, design.weight, design.job_weight), 0.0)

    @cached_property
    def vibration_statistics(self) -> list[CellStatistics]:
        """Statistics of all vibration cells, R * S of them."""
        count, squares = self.history.vibration_count, self.history.vibration_squares
        sensors = len(self.rotor.sensors)
        cells: dict[int, CellStatistics] = {}
        for pairs, design in self.vibration_designs():
            gram, runs = self.gram(design.effect, design.weight), self._runs(design)
            for r, s in pairs:
                y = self.vibration_reading(r, s, design)
                cells[r * sensors + s] = CellStatistics(
                    gram,
                    self.moment(design.effect, design.weight, y),
                    self.sum_by_job(design.weight * np.abs(y) ** 2),
                    np.maximum(runs - 1.0, 0.0),
                    runs,
                    *_repeats(count[:, r, s], squares[:, r, s], 1),
                )
        return [cells[c] for c in range(len(cells))]

    @cached_property
    def height_statistics(self) -> list[CellStatistics]:
        """Statistics of the heights of all regimes, R of them."""
        count, squares = self.history.height_count, self.history.height_squares
        free = len(self.rotor.blades) - 1
        cells: dict[int, CellStatistics] = {}
        for regimes, design in self.height_designs():
            gram, runs = self.gram(design.effect, design.weight), self._runs(design)
            for r in regimes:
                y = self.height_reading(r, design)
                cells[r] = CellStatistics(
                    gram,
                    self.moment(design.effect, design.weight, y),
                    self.sum_by_job(design.weight * np.einsum("bn,bn->n", y, y)),
                    np.maximum(runs - 1.0, 0.0) * free,
                    runs,
                    *_repeats(count[:, r], squares[:, r], free),
                )
        return [cells[c] for c in range(len(cells))]

    def _runs(self, design: CentredDesign) -> Counts:
        return np.asarray(self.sum_by_job((design.weight > 0).astype(float)), dtype=int)


def _repeats(count: Counts, squares: Reals, free: int) -> tuple[float, float]:
    """Return the scatter of repeated readings and its degrees of freedom."""
    repeated = count > 1
    return float(squares[repeated].sum()), float(free * (count[repeated] - 1).sum())
