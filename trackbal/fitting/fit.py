"""Influence coefficients of a rotor type, fitted to past runs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from trackbal.base.json_numbers import finite_or_none
from trackbal.base.summary import Summarised
from trackbal.estimate.blade_differences import find_blade_differences
from trackbal.estimate.cell_coefficients import by_adjuster, to_influence
from trackbal.estimate.estimate import Estimate, Estimates, Floor, estimate, noise_at
from trackbal.estimate.job_statistics import CellStatistics, HistoryCells, Sums, by_aircraft
from trackbal.estimate.likeness import family_likeness
from trackbal.estimate.prior import history_family, prior_jobs, prior_knowledge, unite
from trackbal.estimate.setting_errors import find_setting_errors
from trackbal.fitting.fit_cautions import amount_cautions, aside_cautions, cautions, prior_cautions, suspect_cautions
from trackbal.fitting.job_sums import JobSums, spanned
from trackbal.influence.coefficients import Influence
from trackbal.influence.compare import contradicted
from trackbal.influence.departures import Departures
from trackbal.records.misfits import Suspect, breaks, describe, describe_break, judge, pick, without
from trackbal.records.robust import LEAST_DOF, Record, can_judge, odd_records, records, sharing_noise, sift_and_refit
from trackbal.runs.reading_noise import NoiseFloor, noise_floor
from trackbal.runs.repeats import without_odd
from trackbal.runs.resumed import resumed_in_words
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Counts, History, Reals

MOST_SPREAD = 0.3  # of a coefficient, from aircraft to aircraft, where records are judged: common practice, no source
FEW_JOBS = 16  # up to which one wrong reading may hide in the noise it makes (found by trial: 12 show it)
MASKED = 9.0  # times its variance without one job: noise that this job alone makes up; chance makes no such fall
HINT = (
    3.0  # times its variance at the spread there is: what MASKED, with a spread estimated again, is looked for beyond
)
MOST_ROUNDS = 12  # of setting the worst runs aside and fitting again


@dataclass(frozen=True, repr=False)
class Fit(Summarised):
    """Influence coefficients and how far to trust them (axes as in Influence).

    Parameters
    ----------
    influence : Influence
    jobs, runs : ndarray of int, shape (A, R, S)
        Jobs in which an adjuster's effect on a vibration reading was seen, and their runs.
    height_jobs, height_runs : ndarray of int, shape (A, R)
        The same of the tip heights.
    spread, height_spread : ndarray, shape (A,)
        kappa: root-mean-square difference between aircraft, as a part of the
        coefficient; nan where the history cannot tell it (see LEAST_JOBS in estimate).
    spread_error, height_spread_error : ndarray, shape (A,)
        Standard error of its square.
    noise_dof, height_noise_dof : ndarray, shape (R, S) and (R,)
        Degrees of freedom (of real and imaginary part each; of one tip) the noise
        rests on; 0 where it was borrowed or is not known.
    residual, height_residual : ndarray, shape (R, S) and (R,)
        Root mean square that the type's coefficients leave unexplained, of one part
        of a reading and of one tip; nan where no job repeats the reading.
    condition, height_condition : ndarray, shape (R, S) and (R,)
        Condition number of the scaled normal equations; nan where nothing is known.
    alike, height_alike : ndarray, shape (R, S, A, A) and (R, A, A)
        How alike two adjusters were moved: 1 is always together.
    suspects : tuple of Suspect
        Runs that do not fit: those of `set_aside`, and further ones that were NOT left out.
    set_aside : tuple of Record
        What the coefficients do not rely upon.
    cautions : tuple of str
        What a person should know before relying on the coefficients.
    """

    influence: Influence
    jobs: Counts
    runs: Counts
    height_jobs: Counts
    height_runs: Counts
    spread: Reals
    height_spread: Reals
    spread_error: Reals
    height_spread_error: Reals
    noise_dof: Reals
    height_noise_dof: Reals
    residual: Reals
    height_residual: Reals
    condition: Reals
    height_condition: Reals
    alike: Reals
    height_alike: Reals
    suspects: tuple[Suspect, ...] = ()
    set_aside: tuple[Record, ...] = ()
    cautions: tuple[str, ...] = ()

    def summary(self) -> dict[str, object]:
        """Return what it rests on and how well it fits."""
        quality = self.influence.source.get("fit_quality") or {}
        return {
            **self.influence.summary(),
            "left over, of the limit": quality.get("residual_to_limit"),
            "suspects": len(self.suspects),
            "set aside": len(self.set_aside),
            "cautions": len(self.cautions),
        }


def fit(rotor: Rotor, history: History, prior: Influence | None = None, *, robust: bool = True) -> Fit:
    """Fit the influence coefficients of a type to past runs of its aircraft.

    Parameters
    ----------
    rotor : Rotor
    history : History
        Runs of one or many jobs, with the adjustments between them.
    prior : Influence, optional
        What was known before; combined with the history (see trackbal.estimate.prior).
    robust : bool
        Set records aside that do not fit (robust.py), where the history is large enough to tell.

    Returns
    -------
    Fit

    Notes
    -----
    Within a job only differences between its runs count: the start of every aircraft
    is its own. Coefficients of different aircraft differ (mixed.py); covariances in
    the result are for the next aircraft. What the runs cannot tell is marked unknown.
    """
    kept = kept_records(rotor, history, prior, robust=robust)
    named = {record.job for record in kept.set_aside}
    still_in = tuple(s for s in kept.suspects if s.job not in named)
    shift = _largest_shift(kept.plain, kept.without_suspects) if still_in else 0.0
    moved = _largest_shift(kept.estimates, kept.plain) if kept.set_aside else 0.0
    lines = (
        *amount_cautions(rotor, history),
        *resumed_in_words(history.resumed),
        *aside_cautions(len(kept.set_aside), moved),
        *suspect_cautions(len(still_in), shift),
    )
    result = concluded(JobSums.of(kept.cells, history, kept.set_aside), kept.estimates, prior)
    return replace(result, suspects=result.suspects + still_in, cautions=lines + result.cautions)


@dataclass(frozen=True)
class Kept:
    """What of a history is relied upon, and what it says.

    Parameters
    ----------
    cells : HistoryCells
        Without what was set aside.
    estimates : Estimates
        Of these cells.
    plain, without_suspects : Estimates
        Of everything; without the runs that stand out.
    suspects : tuple of Suspect
        Those runs.
    set_aside : tuple of Record
    """

    cells: HistoryCells
    estimates: Estimates
    plain: Estimates
    without_suspects: Estimates
    suspects: tuple[Suspect, ...]
    set_aside: tuple[Record, ...] = ()


def kept_records(rotor: Rotor, history: History, prior: Influence | None = None, *, robust: bool = True) -> Kept:
    """Return what of a history is relied upon; parameters as in `fit`."""
    if robust and history.odd:
        kept = kept_records(rotor, without_odd(history), prior)
        return replace(kept, set_aside=odd_records(history) + kept.set_aside)
    cells, floor = HistoryCells(rotor, history), noise_floor(rotor, history)
    estimates = judged = estimate_cells(cells, prior, floor)
    by = prior
    if prior is not None and can_judge(alone := estimate_cells(cells, floor=floor)):
        judged, by = alone, None  # runs that can are judged by one another: the earlier file may be what is wrong
    suspects, without_them = find_suspects(cells, judged, by)
    everything = Kept(cells, estimates, estimates, without_them, suspects)
    if not (robust and can_judge(sharing_noise(rotor, without_them))):
        return everything

    without_them = judging(sharing_noise(rotor, unmasked(cells, without_them, by, floor)))

    def refit(part: History) -> Influence:
        found = sharing_noise(rotor, estimate_cells(HistoryCells(rotor, part), by, floor))
        return type_influence(rotor, judging(found), by)

    sifted = sift_and_refit(cells, type_influence(rotor, without_them, by), refit)
    if not sifted.found:
        return everything
    cells = HistoryCells(rotor, sifted.history)
    estimates = estimate_cells(cells, prior, floor)
    aside = records(rotor, history, sifted, estimates)
    return replace(everything, cells=cells, estimates=estimates, set_aside=aside)


def judging(found: Estimates) -> Estimates:
    """Return the estimates by which records are judged: no spread between aircraft above MOST_SPREAD.

    Bad records of an adjuster that few jobs moved would else pass as aircraft that answer otherwise.
    """

    def bounded(part: Estimate) -> Estimate:
        over = np.maximum(np.nan_to_num(part.kappa) / MOST_SPREAD, 1.0)
        return replace(part, spread=part.spread / over**2)

    return Estimates(bounded(found.vibration), bounded(found.height))


def unmasked(cells: HistoryCells, found: Estimates, prior: Influence | None, floor: NoiseFloor) -> Estimates:
    """Return estimates in which a reading whose noise one job alone makes up stands as the other jobs tell it.

    One wrong reading of a small history bends its own coefficients and swells its own noise, so that it looks
    usual; each job is left out in turn to see it. In histories of more than FEW_JOBS it stands out by itself.
    All is estimated again only without a job whose leaving, the spread between aircraft as it is, makes a noise fall
    far enough to hint at it.
    """
    history = cells.history
    if len(history.jobs) > FEW_JOBS:
        return found
    vibration, height = found.vibration, found.height
    for job in range(len(history.jobs)):
        rest = HistoryCells(cells.rotor, without(history, np.flatnonzero(history.job == job)))
        if not (
            _falls(rest, rest.vibration_statistics, found.vibration)
            or _falls(rest, rest.height_statistics, found.height)
        ):
            continue
        others = estimate_cells(rest, prior, floor)
        vibration = _quieter(vibration, others.vibration, found.vibration.sigma2 / MASKED)
        height = _quieter(height, others.height, found.height.sigma2 / MASKED)
    return Estimates(vibration, height)


def _falls(rest: HistoryCells, family: list[CellStatistics], found: Estimate) -> bool:
    """Return whether the noise of some cell of a family is HINT times lower on the rest of a history."""
    noise = noise_at(by_aircraft(family, rest.aircraft), rest.largest_change, found.sigma2, found.spread)
    return bool((noise * HINT < found.sigma2).any())


def _quieter(now: Estimate, other: Estimate, most: Reals) -> Estimate:
    """Return `now` with the cells of `other` whose noise is lower, and at most `most`, and that know as much."""
    take = (other.sigma2 > 0) & (other.sigma2 < np.minimum(now.sigma2, most)) & (other.noise_dof >= LEAST_DOF)
    take &= (other.identification.unknown == now.identification.unknown).all(axis=1)
    if not take.any():
        return now
    per_cell = ("alpha", "error", "information", "score", "spread", "sigma2", "noise_dof", "unexplained", "assumed")
    taken = {}
    for name in per_cell:
        values = getattr(now, name).copy()
        values[take] = getattr(other, name)[take]
        taken[name] = values
    return replace(now, **taken)


def concluded(sums: JobSums, estimates: Estimates, prior: Influence | None) -> Fit:
    """Return the fit that estimates from sums come to; cautions about records are the caller's."""
    influence = _with_departures(sums, estimates, type_influence(sums.rotor, estimates, prior), prior)
    influence = replace(influence, source=_source(sums, prior))
    suspects = tuple(Suspect(record.job, record.run, record.why) for record in sums.set_aside)
    result = replace(_diagnosed(sums.rotor, influence, estimates, suspects), set_aside=sums.set_aside)
    lines = cautions(sums.rotor, len(sums.jobs), estimates, influence, prior)
    if prior is not None:
        named = contradicted(sums.rotor, prior, type_influence(sums.rotor, estimates, None))
        lines = (*prior_cautions(sums.rotor.name, prior.rotor_name, named), *lines)
    return replace(result, cautions=lines)


def find_suspects(
    cells: HistoryCells, estimates: Estimates, prior: Influence | None = None
) -> tuple[tuple[Suspect, ...], Estimates]:
    """Return the runs that do not fit, and what the history says without them.

    The most improbable runs are set aside, at most one of each job, and the rest is
    fitted and judged again, so that a bad run does not make its neighbours look bad. A
    job with several such runs that parts into two halves, each sound in itself, is named
    once, at the run where it parts.
    """
    rotor, history = cells.rotor, cells.history
    found: dict[int, Suspect] = {}
    for _ in range(MOST_ROUNDS):
        kept = cells.history
        judgement = judge(cells, estimates)
        picked = pick(judgement, kept.job)
        if not len(picked):
            break
        read = kept.vibration_count.any(axis=(1, 2)) | kept.height_count.any(axis=1)
        runs_read = np.bincount(kept.job[read], minlength=len(kept.jobs))
        for i in picked.tolist():
            found[i] = describe(rotor, kept, judgement, i, bool(runs_read[kept.job[i]] < 3))
        cells = HistoryCells(rotor, without(kept, picked))
        estimates = estimate_cells(cells, prior)
    jobs, times = np.unique(history.job[list(found)], return_counts=True)
    several = jobs[times > 1]
    for job, first in zip(several, breaks(rotor, history, estimates, several), strict=True):
        if first >= 0:
            found = {i: s for i, s in found.items() if history.job[i] != job}
            found[int(first)] = describe_break(history, int(first))
    return tuple(found[i] for i in sorted(found)), estimates


def _largest_shift(full: Estimates, kept: Estimates) -> float:
    """Return the largest change of a coefficient, in standard errors of the type's mean."""
    largest = 0.0
    for one, other in ((full.vibration, kept.vibration), (full.height, kept.height)):
        known = ~(one.identification.unknown | other.identification.unknown)
        variance = np.einsum("caa->ca", one.error).real
        known &= variance > 0
        moved = np.abs(one.alpha - other.alpha) / np.sqrt(np.where(known, variance, 1.0))
        largest = max(largest, float(np.max(moved, where=known, initial=0.0)))
    return largest


def estimate_cells(
    cells: Sums, prior: Influence | None = None, floor: NoiseFloor | None = None, *, spread: bool = True
) -> Estimates:
    """Return what a history says; `spread` False takes all aircraft to answer alike (least squares).

    `floor`: what no noise is taken to be below; that of the rotor, without digits, if not given.
    """
    regimes, sensors = len(cells.rotor.regimes), len(cells.rotor.sensors)
    known = known_height = None
    if prior is not None:
        known = prior_knowledge(prior, "vibration", 2.0 * prior.vibration_noise.reshape(-1) ** 2)
        known_height = prior_knowledge(prior, "height", prior.height_noise**2)
    by_sensor, together = np.tile(np.arange(sensors), regimes), np.zeros(regimes, dtype=int)
    largest = cells.largest_change
    least = noise_floor(cells.rotor) if floor is None else floor
    vibration = Floor(*(2.0 * sd.ravel() ** 2 for sd in (least.vibration, least.stated, least.digit)))
    tips = Floor(least.height**2, least.height_stated**2, np.zeros(regimes))
    both = [by_aircraft(family, cells.aircraft) for family in (cells.vibration_statistics, cells.height_statistics)]
    return Estimates(
        estimate(both[0], largest, by_sensor, vibration, known, spread=spread),
        estimate(both[1], largest, together, tips, known_height, spread=spread),
    )


def type_influence(rotor: Rotor, estimates: Estimates, prior: Influence | None) -> Influence:
    """Return the coefficients of a type with their covariance, without departures and source."""
    if prior is None:
        vibration, height = history_family(estimates.vibration), history_family(estimates.height)
    else:
        vibration = unite(estimates.vibration, prior, "vibration")
        height = unite(estimates.height, prior, "height")
    noise = np.sqrt(estimates.vibration.sigma2 / 2.0).reshape(len(rotor.regimes), len(rotor.sensors))
    tips = np.sqrt(estimates.height.sigma2)
    return to_influence(rotor, vibration, height, (noise, tips), rotor_name=rotor.name)


def _with_departures(sums: JobSums, estimates: Estimates, influence: Influence, prior: Influence | None) -> Influence:
    """Return the influence with how departures go together, and the blade differences of the type's aircraft."""
    rotor = sums.rotor
    regimes, sensors, adjusters = len(rotor.regimes), len(rotor.sensors), len(rotor.adjusters)
    if not np.isfinite(estimates.vibration.kappa).any():  # too few jobs to tell aircraft apart
        return replace(influence, departures=prior.departures if prior is not None else None)
    both = [by_aircraft(family, sums.aircraft) for family in (sums.vibration_statistics, sums.height_statistics)]
    alike = family_likeness(both[0], estimates.vibration, (regimes, sensors))
    alike_height = family_likeness(both[1], estimates.height, (regimes, 1))
    together = Departures(
        regimes=alike.regimes,
        sensors=alike.sensors,
        heights=alike_height.regimes,
        blade_differences=np.zeros(adjusters),
        unexplained=np.zeros(sensors),
        unexplained_height=0.0,
        setting_error=np.zeros(adjusters),
        unexplained_alike=np.zeros(sensors),
        unexplained_height_alike=0.0,
        noise_alone=np.ones(sensors),
        noise_height_alone=1.0,
    )
    starts = [job.runs[0] for job in sums.sample]
    departures = find_blade_differences(rotor, influence, together, starts)
    return replace(influence, departures=find_setting_errors(rotor, influence, departures, sums.sample))


def _source(sums: JobSums, prior: Influence | None) -> dict[str, Any]:
    before: dict[str, Any] = {} if prior is None else prior.source
    dates = spanned([sums.dates, before.get("dates")])
    source: dict[str, Any] = {"jobs": len(sums.jobs), "runs": sums.runs, "dates": dates and list(dates)}
    source["aircraft"] = len(set(sums.aircraft))
    source["job_names"] = sorted({*before.get("job_names", []), *sums.jobs})
    names, known = [a.name for a in sums.rotor.adjusters], before.get("largest_past_change", {})
    made = zip(names, sums.largest_single.tolist(), strict=True)
    largest = {name: max(amount, known.get(name, 0.0)) for name, amount in made}
    source["largest_past_change"] = {name: amount for name, amount in largest.items() if amount}
    return source if prior is None else source | {"prior_jobs": prior_jobs(prior)}


def _diagnosed(rotor: Rotor, influence: Influence, found: Estimates, suspects: tuple[Suspect, ...]) -> Fit:
    regimes, sensors, adjusters = len(rotor.regimes), len(rotor.sensors), len(rotor.adjusters)
    vibration, height = found.vibration, found.height
    grid = (regimes, sensors)
    result = Fit(
        influence=influence,
        jobs=by_adjuster(vibration.jobs, *grid),
        runs=by_adjuster(vibration.runs, *grid),
        height_jobs=np.ascontiguousarray(height.jobs.T),
        height_runs=np.ascontiguousarray(height.runs.T),
        spread=vibration.kappa,
        height_spread=height.kappa,
        spread_error=vibration.kappa2_error,
        height_spread_error=height.kappa2_error,
        noise_dof=vibration.noise_dof.reshape(grid),
        height_noise_dof=height.noise_dof,
        residual=np.sqrt(vibration.unexplained / 2.0).reshape(grid),
        height_residual=np.sqrt(height.unexplained),
        condition=vibration.identification.condition.reshape(grid),
        height_condition=height.identification.condition,
        alike=vibration.identification.alike.reshape(*grid, adjusters, adjusters),
        height_alike=height.identification.alike,
        suspects=suspects,
    )
    source = influence.source | {"fit_quality": _quality(rotor, result)}
    return replace(result, influence=replace(influence, source=source))


def _quality(rotor: Rotor, result: Fit) -> dict[str, Any]:
    """Return the few numbers that travel with the file; None where there is none."""
    names = [a.name for a in rotor.adjusters]
    conditions = [*result.condition.ravel().tolist(), *result.height_condition.tolist()]
    return {
        "residual_to_limit": _root_mean_square(result.residual / rotor.vibration_limit),
        "height_residual_to_limit": _root_mean_square(result.height_residual / rotor.height_limit),
        "largest_condition": max(filter(np.isfinite, conditions), default=None),
        "spread": dict(zip(names, map(finite_or_none, result.spread), strict=True)),
        "height_spread": dict(zip(names, map(finite_or_none, result.height_spread), strict=True)),
        "suspects": len(result.suspects),
    }


def _root_mean_square(values: Reals) -> float | None:
    finite = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(finite**2))) if len(finite) else None
