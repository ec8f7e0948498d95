"""Do amounts and pick-ups act alike over time, and from group to group? Pooled over all readings.

Job j's departure is one number for each adjuster (a different tab moves more by the same amount
everywhere), and a gain and a turn of phase for each sensor. With the scores q and the
information W of a job in a cell (own_coefficients.py) the number that explains it best, all
cells together, is

    adjusters   t = N^-1 r,  r[a] = sum_c Re(conj(alpha[c, a]) q[c, a]),
                N[a, b] = sum_c Re(conj(alpha[c, a]) W[c, a, b] alpha[c, b])
    sensor      d = sum_c conj(alpha[c])' q[c] / sum_c conj(alpha[c])' W[c] alpha[c],  gain Re d, turn Im d

The readings of one aircraft depart together, so that it is jobs, not readings, that are
counted; where a history says whose its jobs are, aircraft (in each of their groups, where
groups are compared), or with fewer than LEAST_JOBS of them each job against the others of its
aircraft. These numbers are regressed on the date or the group, each weighted by its own
variance and that between jobs (Paule and Mandel 1982, J. Res. NBS 87), with Huber's
weights (1964, Ann. Math. Stat. 35) against jobs with a bad record, and judged by Student's
t, or F, with the degrees of freedom of what is counted. All tests of an examination together
accuse a sound fleet with probability FALSE_ALARM (Holm 1979, Scand. J. Stat. 6). What is found is
allowed for before the rest is looked at, so that a tab of another kind does not accuse every pick-up.
(References from memory.)
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trackbal.base.covariance import Matrix, mixed_sums
from trackbal.base.errors import InputError
from trackbal.estimate.estimate import Estimate, Estimates
from trackbal.estimate.job_statistics import CellStatistics, HistoryCells, numbered
from trackbal.runs.rotor import HEIGHTS
from trackbal.runs.run import Counts, History, Reals

Part = Literal["amount", "gain", "turn"]
FALSE_ALARM = 0.03
LEAST_JOBS = 6  # to tell a trend, or groups apart; aircraft, where a history says whose its jobs are
LEAST_OF_GROUP = 2  # the same, for a group to be compared
HUBER = 2.5  # standard deviations within which a job counts in full
ROUNDS = 30
MOST_FOUND = 6  # allowed for, one after another


@dataclass(frozen=True)
class Level:
    """What one group, or a trend from the first job to the last, comes to, with its standard error.

    `value` is a part of the type's (0.5: half as much again), of a turn degrees (growing phase lag); `jobs` of them
    were counted, or aircraft.
    """

    name: str
    value: float
    error: float
    jobs: int


@dataclass(frozen=True)
class Comparison:
    """One question about one adjuster or sensor.

    Parameters
    ----------
    by : str
        "order", "date", or "group.<name>".
    part : {"amount", "gain", "turn"}
        Amounts of an adjuster; gain or turn of phase of a sensor.
    index : int
        Of the adjuster, or the sensor (HEIGHTS: the tips).
    p : float
        Chance of so much by accident, this question by itself; nan where it cannot be told.
    adjusted : float
        The same, all questions of the examination allowed for.
    levels : tuple of Level
    place, value, error : ndarray, shape (J,)
        Each job's place in the order (-1/2 to 1/2) or its group's number, its departure, and the
        standard error of that; nan where it tells nothing. For the picture.
    """

    by: str
    part: Part
    index: int
    p: float
    adjusted: float
    levels: tuple[Level, ...]
    place: Reals
    value: Reals
    error: Reals

    @property
    def found(self) -> bool:
        """Whether adjusters or sensors are not alike."""
        return self.adjusted < FALSE_ALARM


@dataclass(frozen=True)
class _Factor:
    """What jobs are compared by: place in time or number of the group, (J,), nan left out; names of the groups.

    `aircraft`, (J,): whose each job is, by number.
    """

    by: str
    place: Reals
    names: tuple[str, ...]
    aircraft: Counts

    @property
    def trend(self) -> bool:
        return not self.names


@dataclass(frozen=True)
class _Departures:
    """Departures of each job (J,) and their variances, in the order of the questions."""

    value: Reals
    variance: Reals


def compare_jobs(cells: HistoryCells, estimates: Estimates, by: Sequence[str] = ()) -> tuple[Comparison, ...]:
    """Compare adjusters and sensors over time and, where asked for, from group to group.

    Parameters
    ----------
    by : sequence of str
        "order", "date" or "group.<name>"; a trend over the date, else the order, is always looked at.

    Raises
    ------
    InputError
        For a name that the history does not have.
    """
    history = cells.history
    factors = [_factor(cells, name) for name in dict.fromkeys((usual_trend(history), *by))]
    model = _Model(cells, estimates)
    found: list[Comparison] = []
    for _ in range(MOST_FOUND):
        departures = model.departures()
        open_questions = [
            _asked(factor, part, index, departures[part, index])
            for factor in factors
            for part, index in model.questions
            if (factor.by, part, index) not in {(f.by, f.part, f.index) for f in found}
        ]
        rest = _adjusted(open_questions)
        best = min(rest, key=lambda c: c.adjusted, default=None)
        if best is None or not best.found:
            return (*found, *rest)
        found.append(best)
        model.allow_for(best, next(f for f in factors if f.by == best.by))
    return (*found, *(c for c in rest if c is not best))


def usual_trend(history: History) -> str:
    """Return "date" where every job has one, else "order"."""
    dated = np.unique(history.job[~np.isnat(history.date)])
    return "date" if len(dated) == len(np.unique(history.job)) and len(np.unique(history.date)) > 2 else "order"


def _factor(cells: HistoryCells, name: str) -> _Factor:
    history, starts, aircraft = cells.history, cells.starts, numbered(cells.aircraft)
    if name == "order":
        return _Factor(name, np.arange(len(starts)) / max(len(starts) - 1, 1) - 0.5, (), aircraft)
    if name == "date":
        date = history.date[starts].astype(float)
        date[np.isnat(history.date[starts])] = np.nan
        span = float(np.nanmax(date) - np.nanmin(date)) if np.isfinite(date).any() else 0.0
        place = (date - np.nanmin(date)) / span - 0.5 if span > 0 else np.full(len(starts), np.nan)
        return _Factor(name, place, (), aircraft)
    column = name.removeprefix("group.")
    if not name.startswith("group.") or column not in history.groups:
        known = ", ".join(("order", "date", *(f"group.{g}" for g in history.groups)))
        raise InputError(history.source or "history", name, f"one of {known}", column="--by")
    texts = history.group[:, history.groups.index(column)]
    levels = tuple(sorted(set(texts.tolist()) - {""}))
    place = np.full(len(starts), np.nan)
    for j in range(len(starts)):
        values = set(texts[cells.job_of_run == j].tolist())
        if len(values) == 1 and (text := values.pop()):
            place[j] = levels.index(text)
    return _Factor(name, place, levels, aircraft)


# ------------------------------------------------------------------------------ each job's departures


class _Model:
    """The sums of a history, and each job's departures from the type's coefficients."""

    def __init__(self, cells: HistoryCells, estimates: Estimates) -> None:
        rotor = cells.rotor
        self.adjusters, self.sensors = len(rotor.adjusters), len(rotor.sensors)
        self.families = [
            _Family(cells.vibration_statistics, estimates.vibration, 2.0),
            _Family(cells.height_statistics, estimates.height, 1.0),
        ]
        self.of_sensor = np.tile(np.arange(self.sensors), len(rotor.regimes))
        self.questions: list[tuple[Part, int]] = [("amount", a) for a in range(self.adjusters)]
        self.questions += [(part, s) for part in ("gain", "turn") for s in range(self.sensors)]
        self.questions += [("gain", HEIGHTS)]

    def departures(self) -> dict[tuple[Part, int], _Departures]:
        vibration, height = self.families
        found: dict[tuple[Part, int], _Departures] = {}
        (normal, pull), (of_tips, pull_of_tips) = vibration.by_adjuster(), height.by_adjuster()
        for a, departures in enumerate(_solved(normal + of_tips, pull + pull_of_tips)):
            found["amount", a] = departures
        for s in range(self.sensors):
            normal, pull = vibration.whole(self.of_sensor == s)
            found["gain", s] = _single(normal, pull.real)
            found["turn", s] = _single(normal, -np.asarray(pull.imag) * 180.0 / np.pi, (180.0 / np.pi) ** 2)
        normal, pull = height.whole(np.ones(len(height.alpha), dtype=bool))
        found["gain", HEIGHTS] = _single(normal, pull.real)
        return found

    def allow_for(self, comparison: Comparison, factor: _Factor) -> None:
        """Take what was found into every job's coefficients."""
        if factor.trend:
            amount = comparison.levels[0].value * factor.place
        else:
            by_name = {level.name: level.value for level in comparison.levels}
            amount = np.array([by_name.get(factor.names[int(k)], 0.0) if np.isfinite(k) else 0.0 for k in factor.place])
        amount = np.nan_to_num(amount)
        vibration, height = self.families
        if comparison.part == "amount":
            for family in self.families:
                family.job_alpha[:, :, comparison.index] *= 1.0 + amount
        elif comparison.index == HEIGHTS:
            height.job_alpha *= (1.0 + amount)[:, None]
        else:
            factor_of = 1.0 + amount if comparison.part == "gain" else np.exp(-1j * np.deg2rad(amount))
            vibration.job_alpha[self.of_sensor == comparison.index] *= factor_of[:, None]


class _Family:
    """Cells of one family (C) with J jobs: information W, and scores of what the jobs' own coefficients leave."""

    def __init__(self, cells: Sequence[CellStatistics], found: Estimate, parts: float) -> None:
        known = ~found.identification.unknown
        self.alpha = np.where(known, found.alpha, 0.0)
        self.job_alpha = (
            np.repeat(self.alpha[:, None, :], len(cells[0].dof), axis=1) if cells else self.alpha[:, None, :]
        )
        self.cells, self.found, self.parts = cells, found, parts
        with_noise = (found.sigma2 > 0) & (found.noise_dof >= 2.0)
        self.with_noise = np.flatnonzero(with_noise)

    def scores(self) -> Iterator[tuple[int, Matrix, Matrix]]:
        """Yield cell, information (J, A, A) and score (J, A)."""
        for c in self.with_noise.tolist():
            cell = self.cells[c]
            remaining = cell.moment - np.einsum("jab,jb->ja", cell.gram, self.job_alpha[c])
            information, score = mixed_sums(cell.gram, remaining, self.found.spread[c], float(self.found.sigma2[c]))
            yield c, information, score

    def by_adjuster(self) -> tuple[Reals, Reals]:
        """Return N, shape (J, A, A), and r, shape (J, A)."""
        jobs, size = self.job_alpha.shape[1], self.job_alpha.shape[2]
        normal, pull = np.zeros((jobs, size, size)), np.zeros((jobs, size))
        for c, information, score in self.scores():
            alpha = self.job_alpha[c]
            normal += self.parts * (alpha.conj()[:, :, None] * information * alpha[:, None, :]).real
            pull += self.parts * (alpha.conj() * score).real
        return normal, pull

    def whole(self, chosen: np.ndarray) -> tuple[Reals, Matrix]:
        """Return N and r of all adjusters together, both (J,), over the chosen cells."""
        normal = np.zeros(self.job_alpha.shape[1])
        pull = np.zeros(self.job_alpha.shape[1], dtype=complex)
        for c, information, score in self.scores():
            if chosen[c]:
                alpha = self.job_alpha[c]
                normal += self.parts * np.einsum("ja,jab,jb->j", alpha.conj(), information, alpha).real
                pull += self.parts * np.einsum("ja,ja->j", alpha.conj(), score)
        return normal, pull


def _solved(normal: Reals, pull: Reals) -> Iterator[_Departures]:
    """Yield the departures of each adjuster; infinite variance where a job did not move it apart from the others."""
    jobs, size = pull.shape
    value, variance = np.zeros((jobs, size)), np.full((jobs, size), np.inf)
    for j in range(jobs):
        moved = np.flatnonzero(np.diag(normal[j]) > 0)
        if len(moved):
            information = normal[j][np.ix_(moved, moved)]
            scale = np.sqrt(np.diag(information))
            values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
            if values[0] > 1e-6:
                inverse = (vectors / values) @ vectors.T / np.outer(scale, scale)
                value[j, moved], variance[j, moved] = inverse @ pull[j, moved], np.diag(inverse)
    for a in range(size):
        yield _Departures(value[:, a], variance[:, a])


def _single(normal: Reals, pull: Reals, scale2: float = 1.0) -> _Departures:
    known = normal > 0
    value = np.where(known, pull / np.where(known, normal, 1.0), 0.0)
    return _Departures(value, np.where(known, scale2 / np.where(known, normal, 1.0), np.inf))


# ------------------------------------------------------------------------------ one question


def _asked(factor: _Factor, part: Part, index: int, of: _Departures) -> Comparison:
    """Return the answer to one question, not yet adjusted for the others."""
    most = 90.0 if part == "turn" else 1.0  # a job that tells its own to no better than this tells nothing
    known = np.isfinite(factor.place) & (of.variance < most**2)
    place, value, variance, unit, base = _units(factor, of, known)
    names: tuple[str, ...] = ("",)
    levels: tuple[Level, ...] = ()
    p = float("nan")
    if factor.trend:
        columns = place[:, None] - (place.mean() if len(place) else 0.0)
        whole = len(place) >= LEAST_JOBS and float(np.ptp(place)) > 0
    else:
        count = np.bincount(place.astype(int), minlength=len(factor.names))
        kept = np.flatnonzero(count >= LEAST_OF_GROUP)
        in_kept = np.isin(place, kept)
        known[known] = in_kept[unit]
        place, value, variance, base = place[in_kept], value[in_kept], variance[in_kept], base[in_kept]
        columns = (place[:, None] == kept[1:]).astype(float)
        names = tuple(factor.names[k] for k in kept)
        whole = len(place) >= LEAST_JOBS and len(kept) > 1
    shown_value, shown_error = np.full((2, len(factor.place)), np.nan)
    shown_value[known], shown_error[known] = of.value[known], np.sqrt(of.variance[known])
    if whole:
        p, levels = _regressed(columns, value, variance, factor.trend, names, base[:, base.any(axis=0)])
    return Comparison(factor.by, part, index, p, p, levels, factor.place, shown_value, shown_error)


def _units(factor: _Factor, of: _Departures, known: NDArray[np.bool_]) -> tuple[Reals, Reals, Reals, Counts, Reals]:
    """Return place, departure and its variance of what is counted, n of them, and which each known job went into.

    An aircraft's jobs depart together, so that many of them are one; in each of its groups, where groups are compared.
    Of too few aircraft their jobs are counted, each against the others of its aircraft: the last, shape (n, F), says
    what means are taken off.
    """
    place, value, weight = factor.place[known], of.value[known], 1.0 / of.variance[known]
    whose, aircraft = np.unique(factor.aircraft[known], return_inverse=True)
    if len(whose) < min(LEAST_JOBS, len(place)):
        base = (aircraft.reshape(-1, 1) == np.arange(len(whose))).astype(float)
        return place, value, of.variance[known], np.arange(len(place)), base
    each = np.stack([factor.aircraft[known], np.zeros(len(place)) if factor.trend else place], axis=1)
    _, first, unit = np.unique(each, axis=0, return_index=True, return_inverse=True)
    unit = np.argsort(np.argsort(first))[unit.reshape(-1)]  # in the order of the jobs
    total = np.bincount(unit, weight)
    means = [np.bincount(unit, weight * part) / total for part in (place, value)]
    if not factor.trend:
        means[0] = np.rint(means[0])
    return means[0], means[1], 1.0 / total, unit, np.ones((len(total), 1))


def _regressed(
    columns: Reals, value: Reals, variance: Reals, trend: bool, names: Sequence[str], base: Reals
) -> tuple[float, tuple[Level, ...]]:
    """Return probability and levels of a weighted, robust regression of departures on columns (n, K) beside `base`."""
    from scipy.special import fdtrc

    n, k = columns.shape
    design = np.column_stack([base, columns])
    dof, means = n - design.shape[1], base.shape[1]
    if dof < 1 or np.linalg.matrix_rank(design) < design.shape[1]:
        return float("nan"), ()
    between, soft = 0.0, np.ones(n)
    for _ in range(ROUNDS):
        weight = soft / (variance + between)
        cov = np.linalg.inv(design.T @ (weight[:, None] * design))
        residual = value - design @ (cov @ design.T @ (weight * value))
        excess = _excess(design, value, variance, between, soft)
        apart = np.abs(residual) / np.sqrt(variance + between)
        soft = np.minimum(1.0, HUBER / np.maximum(apart, HUBER))
        if abs(excess - between) <= 1e-9 * (excess + between):
            break
        between = excess
    weight = soft / (variance + between)
    cov = np.linalg.inv(design.T @ (weight[:, None] * design))
    fitted = cov @ design.T @ (weight * value)
    residual = value - design @ fitted
    scale = max(1.0, float(np.sum(weight * residual**2)) / dof)
    cov = cov * scale
    extra, inner = fitted[means:], cov[means:, means:]
    p = float(fdtrc(k, dof, float(extra @ np.linalg.solve(inner, extra)) / k))
    if trend:
        return p, (Level("", float(extra[0]), float(np.sqrt(inner[0, 0])), n),)
    rows = np.eye(k + 1)[:, 1:] - columns.mean(axis=0)  # each level from the mean of all jobs
    count = [int(c) for c in (n - columns.sum(), *columns.sum(axis=0))]
    errors = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, inner, rows), 0.0))
    levels = zip(names, (rows @ extra).tolist(), errors.tolist(), count, strict=True)
    return p, tuple(Level(*level) for level in levels)


def _excess(design: Reals, value: Reals, variance: Reals, start: float, soft: Reals) -> float:
    """Return the variance between jobs at which the weighted squares are what they should be on average."""
    dof = design.shape[0] - design.shape[1]

    def squares(between: float) -> float:
        weight = soft / (variance + between)
        cov = np.linalg.inv(design.T @ (weight[:, None] * design))
        residual = value - design @ (cov @ design.T @ (weight * value))
        return float(np.sum(weight * residual**2)) - dof

    if squares(0.0) <= 0:
        return 0.0
    low, high = 0.0, max(start, float(np.var(value)), float(variance.min()))
    while squares(high) > 0:
        high *= 4.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if squares(middle) > 0 else (low, middle)
    return 0.5 * (low + high)


def _adjusted(asked: Sequence[Comparison]) -> list[Comparison]:
    """Return comparisons with probabilities adjusted for their number, by Holm's steps."""
    from dataclasses import replace

    by_p = sorted((c for c in asked if np.isfinite(c.p)), key=lambda c: c.p)
    done, least = [], 0.0
    for i, comparison in enumerate(by_p):
        least = max(least, min(1.0, comparison.p * (len(by_p) - i)))
        done.append(replace(comparison, adjusted=least))
    return done + [c for c in asked if not np.isfinite(c.p)]
