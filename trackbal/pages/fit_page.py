"""The analyst's page of a fit: coefficients, predicted against measured, what is left, and warnings."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np

from trackbal.base.phasor import phase_deg
from trackbal.fitting.fit import Fit
from trackbal.fitting.residuals import Residuals, residuals
from trackbal.pages.card_pictures import row_width
from trackbal.pages.card_readings import phase_words, sensor_words
from trackbal.pages.fit_plots import MOST_POINTS, coefficients, height_changes, residuals_by_job, vibration_changes
from trackbal.pages.html import Html, bullets, join, page, table, tag
from trackbal.pages.svg import picture
from trackbal.reports.fit_report import counted, spread_words, whose
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, Reals

MOST_JOBS = 40  # in the picture and table of residuals: the worst ones
MOST_DIALS = 400  # pictures of coefficients; a fit of dozens of sensors has its numbers in the tables alone
SCATTER_MM = (58.0, 58.0)
SCATTER_MARGINS_MM = (12.0, 2.5, 9.0, 2.0)  # left, right, bottom, top
SQUARES_MARGINS_MM = (24.0, 2.0, 1.0, 7.0)


def fit_page(rotor: Rotor, history: History, fit: Fit) -> str:
    """Return the page of a fit as HTML that needs nothing else. The same input gives the same bytes."""
    residual = residuals(rotor, history, fit.influence)
    source = fit.influence.source
    body = [
        tag("h1", f"Influence coefficients: {rotor.name}"),
        tag("p", f"Fitted to {source.get('runs')} runs of {source.get('jobs')} jobs{whose(source)}."),
        _warnings(fit),
        _quality(rotor, fit),
        _coefficients(rotor, fit),
        _changes(rotor, residual),
        _left_over(rotor, residual),
    ]
    return page(f"Fit: {rotor.name}", body)


def _warnings(fit: Fit) -> Html:
    parts = [tag("h2", "Before relying on these coefficients")]
    if fit.suspects:
        parts.append(tag("h3", "Runs that do not fit"))
        parts.append(bullets(f"Job {s.job}, run {s.run}: {s.why}." for s in fit.suspects))
    if fit.cautions:
        parts.append(bullets(fit.cautions))
    if not fit.suspects and not fit.cautions:
        parts.append(tag("p", "No run stands out and nothing is left unknown."))
    parts.append(tag("p", "Coefficients are statistics of past work, not a release of anything.", cls="note"))
    return join(parts)


def _quality(rotor: Rotor, fit: Fit) -> Html:
    """Return how well each reading is known and explained, and the spread of each adjuster between aircraft."""
    rows: list[Sequence[object]] = []
    noise, height_noise = fit.influence.vibration_noise, fit.influence.height_noise
    for r, regime in enumerate(rotor.regimes):
        name = f"{r + 1}  {regime.label}"
        for s in range(len(rotor.sensors)):
            figures = (noise[r, s], fit.noise_dof[r, s], fit.residual[r, s], fit.condition[r, s])
            of_limit = fit.residual[r, s] / rotor.vibration_limit[r, s]
            rows.append((name, sensor_words(rotor, s), *map(_figure, (*figures[:3], of_limit, figures[3]))))
        if regime.heights:
            reading = f"tip height ({rotor.height_unit})"
            figures = (height_noise[r], fit.height_noise_dof[r], fit.height_residual[r], fit.height_condition[r])
            of_limit = fit.height_residual[r] / (rotor.height_limit[r] / 2.0)
            rows.append((name, reading, *map(_figure, (*figures[:3], of_limit, figures[3]))))
    headings = ("Regime", "Reading", "Noise", "Rests on", "Left over", "Of the limit", "Condition")
    words = (
        "Noise is the standard deviation of one part of a reading, or of one tip, and the degrees of freedom it rests "
        "on (0: borrowed or stated). Left over is what the coefficients leave, noise and the spread between "
        "aircraft in it; of tips as part of half the spread limit. A condition number in the thousands means "
        "adjusters that past jobs moved together."
    )
    spread = [(a.name, *spread_words(fit, i)) for i, a in enumerate(rotor.adjusters)]
    return join(
        [
            tag("h2", "How well readings are known"),
            tag("p", words, cls="note"),
            table(headings, rows, kinds="ttnnnnn", cls="readings"),
            tag("h3", "Spread between aircraft, as a part of the coefficient, ± its standard error"),
            table(("Adjuster", "Vibration", "Tip heights"), spread, kinds="tnn", cls="readings"),
        ]
    )


def _figure(value: float) -> str:
    return f"{value:.3g}" if np.isfinite(value) else "-"


def _coefficients(rotor: Rotor, fit: Fit) -> Html:
    words = (
        "What one unit of the adjuster on the first blade does; ± is a standard deviation (of the real and of the "
        "imaginary part each) for the next aircraft of the type. In the dials × is the coefficient, the dashed outline "
        "holds 95 % of the next aircraft, 0° is at the top and phase grows clockwise. "
    )
    parts = [tag("h2", "Coefficients"), tag("p", words, phase_words(rotor), cls="note")]
    count = len(rotor.adjusters) * len(rotor.sensors) * len(rotor.regimes)
    if count > MOST_DIALS:
        parts.append(tag("p", f"{count} coefficients are too many for pictures; the tables hold them all."))
    for a, adjuster in enumerate(rotor.adjusters):
        parts.append(tag("h3", f"{adjuster.name}, per {adjuster.unit}"))
        parts.append(_coefficient_table(rotor, fit, a))
        if count <= MOST_DIALS:
            parts += [_dials(rotor, fit, a, s) for s in range(len(rotor.sensors))]
    return join(parts)


def _coefficient_table(rotor: Rotor, fit: Fit, a: int) -> Html:
    influence = fit.influence
    rows: list[Sequence[object]] = []
    degrees = phase_deg(influence.alpha, rotor.phase_sense)
    for r, regime in enumerate(rotor.regimes):
        name = f"{r + 1}  {regime.label}"
        for s in range(len(rotor.sensors)):
            if influence.unknown_vibration[a, r, s]:
                rows.append((name, sensor_words(rotor, s), "not known", "", "", str(fit.jobs[a, r, s])))
                continue
            cov = influence.vibration_cov[r, s, 2 * a : 2 * a + 2, 2 * a : 2 * a + 2]
            turn = _phase_error(influence.alpha[a, r, s], cov)
            spread = f"±{np.sqrt(np.trace(cov) / 2.0):.2g}"  # of real and imaginary part each, on average
            size = f"{abs(influence.alpha[a, r, s]):.4g}"
            phase = f"{round(float(degrees[a, r, s])) % 360}° {turn}"
            rows.append((name, sensor_words(rotor, s), size, phase, spread, str(fit.jobs[a, r, s])))
        if regime.heights:
            reading, jobs = f"tip height ({rotor.height_unit})", str(fit.height_jobs[a, r])
            if influence.unknown_height[a, r]:
                rows.append((name, reading, "not known", "", "", jobs))
            else:
                spread = f"±{np.sqrt(max(float(influence.height_cov[r, a, a]), 0.0)):.2g}"
                rows.append((name, reading, f"{influence.tau[a, r]:+.4g}".replace("-", "\u2212"), "", spread, jobs))
    headings = ("Regime", "Reading", "Effect", "Phase, ±", "± each part", counted(influence.source).capitalize())
    return table(headings, rows, kinds="ttnnnn", cls="readings")


def _phase_error(value: complex, cov: Reals) -> str:
    """Return the standard deviation of a phasor's phase in words: of the part across it, over its size."""
    across = np.array([-np.sin(np.angle(value)), np.cos(np.angle(value))])
    error = float(np.degrees(np.sqrt(across @ cov @ across) / abs(value))) if abs(value) > 0 else np.inf
    return f"±{error:.0f}°" if error < 60.0 else "any"


def _dials(rotor: Rotor, fit: Fit, a: int, s: int) -> Html:
    width = row_width(len(rotor.regimes))
    adjuster, sensor = rotor.adjusters[a], rotor.sensors[s]
    dials = [
        picture(
            partial(coefficients, rotor=rotor, fit=fit, adjuster=a, sensor=s, regimes=[r]),
            key=f"coefficient-{a + 1}-{r + 1}-{s + 1}",
            title=f"{adjuster.name} on {sensor.name} in {regime.label}",
            description="Size, phase and uncertainty stand in the table above.",
            size_mm=(width, width + 7.0),
        )
        for r, regime in enumerate(rotor.regimes)
    ]
    return tag("figure", tag("figcaption", f"{adjuster.name} on {sensor.name}"), tag("div", *dials, cls="figures"))


def _changes(rotor: Rotor, residual: Residuals) -> Html:
    figures, rows = [], []
    for s, sensor in enumerate(rotor.sensors):
        measured, rest = residual.vibration_measured[:, :, s], residual.vibration[:, :, s]
        rows.append(_explained(sensor_words(rotor, s), np.abs(measured), np.abs(rest)))
        figures.append(
            _scatter(partial(vibration_changes, rotor=rotor, residual=residual, sensor=s), f"{s + 1}", sensor.name)
        )
    if np.isfinite(residual.height_measured).any():
        rows.append(_explained(f"tip heights ({rotor.height_unit})", residual.height_measured, residual.height))
        figures.append(_scatter(partial(height_changes, rotor=rotor, residual=residual), "heights", "tip heights"))
    words = (
        "Changes within each job about its mean, as part of the limit (heights: of half the spread limit): each mark "
        "is a real or imaginary part of one reading, or one tip. On the heavy line the coefficients are right; the "
        f"dotted lines are a quarter of the limit off. Of more than {MOST_POINTS} marks the worst are kept and the "
        "rest are thinned. "
    )
    markers = "○□◇△▽◁▷✚"
    words += "Marks by regime: "
    words += ", ".join(f"{markers[r % len(markers)]} {regime.label}" for r, regime in enumerate(rotor.regimes)) + "."
    headings = ("Reading", "Changes", "Rms change", "Rms left over", "Explained")
    return join(
        [
            tag("h2", "Predicted against measured"),
            tag("figure", tag("div", *figures, cls="figures"), tag("figcaption", words)),
            table(headings, rows, kinds="tnnnn", cls="readings"),
        ]
    )


def _explained(name: str, measured: Reals, rest: Reals) -> list[object]:
    read = np.isfinite(measured)
    if not read.any():
        return [name, "0", "", "", ""]
    total, remaining = (float(np.sqrt(np.mean(v[read] ** 2))) for v in (measured, rest))
    part = f"{100.0 * (1.0 - (remaining / total) ** 2):.0f} %" if total > 0.0 else ""
    return [name, str(int(read.sum())), f"{total:.4g}", f"{remaining:.4g}", part.replace("-", "\u2212")]


def _scatter(draw: partial[Any], key: str, name: str) -> Html:
    svg = picture(
        draw,
        key=f"changes-{key}",
        title=f"Predicted against measured changes: {name}",
        description="Counts and root mean squares stand in the table below.",
        size_mm=SCATTER_MM,
        margins_mm=SCATTER_MARGINS_MM,
    )
    return tag("div", tag("h3", name), svg)


def _left_over(rotor: Rotor, residual: Residuals) -> Html:
    vibration, height = residual.by_job(rotor)
    worst = np.fmax(np.nanmax(_some(vibration), axis=1), np.nanmax(_some(height), axis=1))
    order = np.sort(np.argsort(-np.nan_to_num(worst, nan=-1.0), kind="stable")[:MOST_JOBS])
    words = (
        "Root mean square of measured less predicted, job by job, as part of the limit (heights: of half the spread "
        "limit). Noise and the spread between aircraft are in it; one job far above the others deserves a second look "
        "at its records. Columns are regimes, by number."
    )
    if len(order) < len(residual.jobs):
        words += f" The worst {len(order)} of {len(residual.jobs)} jobs are shown."
    jobs = [residual.jobs[j] for j in order]
    figures = [_squares(rotor, jobs, vibration[order], "vibration")]
    if np.isfinite(height).any():
        figures.append(_squares(rotor, jobs, height[order], "tip heights"))
    headings = ["Job", *(f"{r + 1} {regime.label}" for r, regime in enumerate(rotor.regimes))]
    kinds = "t" + "b" * len(rotor.regimes)
    pictures = tag("figure", tag("div", *figures, cls="figures"))
    parts = [tag("div", tag("h2", "Left over, by job and regime"), tag("p", words), pictures, cls="together")]
    parts.append(_by_sensor(rotor, residual))
    for caption, values in (("Vibration", vibration), ("Tip heights", height)):
        if np.isfinite(values).any():
            rows = [[residual.jobs[j], *("" if np.isnan(v) else f"{v:.2f}" for v in values[j])] for j in order]
            parts.append(table(headings, rows, kinds=kinds, caption=caption, cls="readings"))
    return join(parts)


def _by_sensor(rotor: Rotor, residual: Residuals) -> Html:
    """Return what is left over sensor by sensor: over all jobs, and in the job where it is most."""
    rows: list[Sequence[object]] = []
    size = np.abs(residual.vibration) / rotor.vibration_limit / np.sqrt(2.0)
    parts = [(sensor_words(rotor, s), size[:, :, s]) for s in range(len(rotor.sensors))]
    tips = np.sqrt(np.mean(residual.height**2, axis=-1)) / (rotor.height_limit / 2.0)
    for name, values in (*parts, (f"tip heights ({rotor.height_unit})", tips)):
        if not np.isfinite(values).any():
            continue
        means = np.array([_rms(values[residual.job == j]) for j in range(len(residual.jobs))])
        worst = int(np.nanargmax(means))
        rows.append((name, f"{_rms(values):.3g}", f"{means[worst]:.3g}", residual.jobs[worst]))
    words = "of one part of a reading or one tip, in its limit (of tips, half the spread limit)"
    headings = ("Reading", "Root mean square", "In the worst job", "Which")
    return join(
        [tag("p", f"Left over by sensor, {words}.", cls="note"), table(headings, rows, kinds="tnnt", cls="readings")]
    )


def _rms(values: Reals) -> float:
    finite = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(finite**2))) if len(finite) else float("nan")


def _some(values: Reals) -> Reals:
    """Return values with 0 in rows that have none."""
    return np.where(np.isnan(values).all(axis=1, keepdims=True), 0.0, values)


def squares_size(regimes: int, jobs: int) -> tuple[float, float]:
    """Return the size in mm of the picture of residuals."""
    return 26.0 + 8.0 * regimes, 8.0 + 5.0 * jobs


def _squares(rotor: Rotor, jobs: Sequence[str], values: Reals, name: str) -> Html:
    top = float(np.nanmax(values)) if np.isfinite(values).any() else 1.0
    svg = picture(
        partial(residuals_by_job, rotor=rotor, jobs=jobs, values=values),
        key=f"left-{name.replace(' ', '-')}",
        title=f"Residuals of {name} by job and regime",
        description="The numbers stand in the table below.",
        size_mm=squares_size(len(rotor.regimes), len(jobs)),
        margins_mm=SQUARES_MARGINS_MM,
    )
    return tag("div", tag("h3", f"{name.capitalize()} (full square: {top:.2f})"), svg)
