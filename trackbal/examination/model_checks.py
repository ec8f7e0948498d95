"""Does the model a fit rests on hold: one influence for all blades, in proportion to the amount, the same over time?

Each question is a column (or one per blade) added to the changes z of mixed.py that the
coefficients should not need:

    blades   x[a, b] exp(-i h psi_b) of one blade, beside their sum z[a]
    amounts  the same sum over d |d| / X, d each single change, X the largest made
    drift    z[a] times the job's place in order, from -1/2 (first) to 1/2 (last)

and a Wald test of its coefficient at the noise and spread of the fit, F with the noise's
degrees of freedom (Wald 1943, Trans. Am. Math. Soc. 54; Searle, Casella and McCulloch,
Variance Components, 1992, from memory). Probabilities of the readings of one question
are adjusted as Bonferroni's inequality has it, which holds however readings depend on each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from trackbal.base.covariance import Matrix, hermitian_part, mixed_matrix
from trackbal.base.phasor import blade_harmonic
from trackbal.estimate.estimate import Estimate, Estimates
from trackbal.estimate.job_statistics import HistoryCells, added_up
from trackbal.runs.rotor import HEIGHTS
from trackbal.runs.run import Reals

Question = Literal["blades", "amounts", "drift"]
QUESTIONS: tuple[Question, ...] = ("blades", "amounts", "drift")
FIRM = 0.01  # adjusted probability below which the model is said not to hold
LEAST_DOF = 2.0  # of the noise
_RANK = 1e-8  # of the largest eigenvalue: directions the history cannot tell


@dataclass(frozen=True)
class CellAnswer:
    """The answer of one reading.

    Parameters
    ----------
    regime, sensor : int
        Sensor HEIGHTS: the tip heights.
    size, error : float
        Root-mean-square departure and its standard error, as parts of the coefficient: between
        blades; at the largest amount made; from the first job to the last.
    worth : float
        What one standard error is at the largest amount made, in limits (half the spread limit for tips).
    p : float
        Probability of a departure this large by chance.
    """

    regime: int
    sensor: int
    size: float
    error: float
    worth: float
    p: float


@dataclass(frozen=True)
class Check:
    """One question about one adjuster: every reading's answer, the firmest first.

    `p` is the firmest reading's, adjusted for the number of readings and adjusters; nan where no reading can tell.
    """

    question: Question
    adjuster: int
    p: float
    answers: tuple[CellAnswer, ...]

    @property
    def firm(self) -> bool:
        """Whether the model does not hold."""
        return self.p < FIRM


def check_model(cells: HistoryCells, estimates: Estimates) -> tuple[Check, ...]:
    """Return the answers to every question for every adjuster."""
    checks = []
    for question in QUESTIONS:
        of_adjuster = [
            sorted(_answers(cells, estimates, question, a), key=lambda answer: answer.p)
            for a in range(len(cells.rotor.adjusters))
        ]
        tests = sum(map(len, of_adjuster))
        for a, answers in enumerate(of_adjuster):
            p = min(1.0, answers[0].p * tests) if answers else float("nan")
            checks.append(Check(question, a, p, tuple(answers)))
    return tuple(checks)


def _answers(cells: HistoryCells, estimates: Estimates, question: Question, a: int) -> Iterator[CellAnswer]:
    rotor = cells.rotor
    columns = extra_columns(cells, question, a)  # (P, n, B)
    vibration, height = estimates.vibration, estimates.height
    sensors = len(rotor.sensors)
    for pairs, design in cells.vibration_designs():
        waves = blade_harmonic(columns, rotor.azimuth_deg, rotor.harmonics[pairs[0][1]])
        extra = cells.centre(waves, design.weight, design.job_weight)
        sums = _sums(cells, design.effect, extra, design.weight)
        for r, s in pairs:
            c = r * sensors + s
            y = cells.vibration_reading(r, s, design)
            answer = _answer(cells, sums, y, design.weight, vibration, c, a)
            if answer is not None:
                yield _cell_answer(answer, r, s, a, cells, float(rotor.vibration_limit[r, s]))
    uneven = (columns - columns.mean(axis=-1, keepdims=True)).transpose(0, 2, 1)  # (P, B, n)
    for regimes, height_design in cells.height_designs():
        extra = cells.centre(uneven, height_design.weight, height_design.job_weight)
        sums = _sums(cells, height_design.effect, extra, height_design.weight)
        for r in regimes:
            tips = cells.height_reading(r, height_design)
            answer = _answer(cells, sums, tips, height_design.weight, height, r, a)
            if answer is not None:
                yield _cell_answer(answer, r, HEIGHTS, a, cells, float(rotor.height_limit[r]) / 2.0)


def _cell_answer(
    answer: tuple[float, float, float, float], r: int, s: int, a: int, cells: HistoryCells, limit: float
) -> CellAnswer:
    size, error, scale, p = answer
    return CellAnswer(r, s, size, error, error * scale * float(cells.largest_change[a]) / limit, p)


def extra_columns(cells: HistoryCells, question: Question, a: int) -> Reals:
    """Return the added columns as changes blade by blade, shape (P, n, B), in the adjuster's unit."""
    history = cells.history
    change = history.change[:, a]
    if question == "blades":
        kept = np.flatnonzero(np.abs(change).max(axis=0, initial=0.0) > 0)[1:]
        each = np.zeros((len(kept), *change.shape))
        each[np.arange(len(kept)), :, kept] = change[:, kept].T
        return each
    if question == "amounts":
        single = np.diff(change, axis=0, prepend=0.0)
        single[np.diff(history.job, prepend=-1) != 0] = 0.0
        curved = single * np.abs(single) / max(float(np.abs(single).max(initial=0.0)), np.finfo(float).tiny)
        total = curved.cumsum(axis=0)
        start = total[cells.starts] if len(cells.starts) else total[:0]
        return (total - start[cells.job_of_run])[None]
    jobs = max(len(cells.starts) - 1, 1)
    place = cells.job_of_run / jobs - 0.5
    return (change * place[:, None])[None]


@dataclass(frozen=True)
class _Sums:
    """Sums of base and extra columns over each aircraft's jobs, and the columns themselves (A + P, ..., n)."""

    gram: Matrix
    columns: Matrix
    base: int


def _sums(cells: HistoryCells, effect: Matrix, extra: Matrix, weight: Reals) -> _Sums:
    columns = np.concatenate([effect, extra.astype(effect.dtype)])
    return _Sums(added_up(cells.gram(columns, weight), cells.aircraft), columns, len(effect))


def _answer(
    cells: HistoryCells, sums: _Sums, y: Matrix, weight: Reals, found: Estimate, c: int, a: int
) -> tuple[float, float, float, float] | None:
    """Return size, error, the coefficient they are parts of, and probability; None if the cell cannot tell."""
    from scipy.special import fdtrc

    sigma2, dof = float(found.sigma2[c]), float(found.noise_dof[c])
    if dof < LEAST_DOF or sigma2 <= 0 or found.identification.unknown[c, a]:
        return None
    moment = added_up(cells.moment(sums.columns, weight, y), cells.aircraft)
    score, information = _absorbed(sums, moment, found.spread[c], sigma2)
    value, cov = _solved(score, information, sums.base, a)
    units = np.sqrt(np.maximum(np.diag(cov).real, np.finfo(float).tiny))
    values, vectors = np.linalg.eigh(cov / np.outer(units, units))
    determined = values > _RANK * float(values.max(initial=0.0))  # rounding leaves what cannot be told just off 0
    rank = int(determined.sum())
    scale = abs(found.alpha[c, a])
    if rank == 0 or scale == 0:
        return None
    turned = vectors[:, determined].conj().T @ (value / units)
    statistic = float(np.sum(np.abs(turned) ** 2 / values[determined]))
    parts = 2 if np.iscomplexobj(value) else 1
    p = float(fdtrc(parts * rank, parts * dof, statistic / rank))
    size = float(np.sqrt(np.mean(np.abs(value) ** 2)) / scale)
    error = float(np.sqrt(np.mean(np.diag(cov).real)) / scale)
    return size, error, float(scale), p


def _absorbed(sums: _Sums, moment: Matrix, spread: Reals, sigma2: float) -> tuple[Matrix, Matrix]:
    """Return score and information of all columns, the spread between aircraft taken into the noise."""
    a = sums.base
    inner = mixed_matrix(sums.gram[:, :a, :a], spread, sigma2)
    both = np.concatenate([sums.gram[:, :a], moment[:, :a, None]], axis=-1)
    taken = spread[:, None] * np.linalg.solve(inner, both)
    cross = sums.gram[:, :, :a] @ taken
    information = (sums.gram - cross[..., :-1]).sum(axis=0) / sigma2
    score = (moment - cross[..., -1]).sum(axis=0) / sigma2
    return score, hermitian_part(information)


def _solved(score: Matrix, information: Matrix, base: int, a: int) -> tuple[Matrix, Matrix]:
    """Return the coefficients of the columns added for adjuster `a` and their covariance; 0 in what cannot be told.

    The base is eliminated first (Frisch and Waugh), so that an added column that is a sum
    of base columns has no information left. Nor has one that never changes within a job, as where a blade was changed
    only between runs that did not both take the reading: rounding leaves it just off 0, in the unit of column `a`.
    """
    of_base, cross = information[:base, :base], information[:base, base:]
    size = np.sqrt(np.maximum(np.diag(information).real, np.finfo(float).tiny))
    projected = np.linalg.pinv(of_base / (size[:base, None] * size[:base]), rcond=_RANK, hermitian=True)
    projected = projected / (size[:base, None] * size[:base])
    of_extra = information[base:, base:] - cross.conj().T @ projected @ cross
    pull = score[base:] - cross.conj().T @ projected @ score[:base]
    scale = np.maximum(size[base:], _RANK * size[a])
    values, vectors = np.linalg.eigh(of_extra / (scale[:, None] * scale))
    determined = values > _RANK * max(1.0, float(values.max(initial=0.0)))
    inverse = np.where(determined, 1.0 / np.where(determined, values, 1.0), 0.0)
    cov = (vectors * inverse) @ vectors.conj().T / (scale[:, None] * scale)
    return cov @ pull, cov
