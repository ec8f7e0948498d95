"""A fit in words and tables, and as a dict for JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from trackbal.base.json_numbers import finite_or_none
from trackbal.base.text_layout import table, wrap
from trackbal.fitting.fit import Fit
from trackbal.influence.influence_writer import influence_document
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals
from trackbal.runs.words import phase_scale, phase_text, phase_unit


def report(rotor: Rotor, fit: Fit) -> str:
    """Return a fit as readable text.

    Amplitudes are in the sensor's unit per unit of the adjuster, phases in degrees in
    the rotor's phase_sense; ± is one standard deviation for the next aircraft.
    """
    source = fit.influence.source
    blocks = [
        [
            wrap(
                f"Influence coefficients of {rotor.name}: {source.get('runs')} runs of {source.get('jobs')} jobs"
                f"{whose(source)}."
            ),
            f"± is one standard deviation for the next aircraft; phase in {phase_scale(rotor)}.",
        ]
    ]
    for a in range(len(rotor.adjusters)):
        blocks.append(list(_coefficients(rotor, fit, a)))
    blocks += [list(_spread(rotor, fit)), list(_readings(rotor, fit))]
    if fit.suspects:
        blocks.append(["Runs that do not fit"] + [f"  job {s.job} run {s.run}: {s.why}" for s in fit.suspects])
    if fit.set_aside:
        blocks.append(
            ["Not relied upon, and what relying on it would move most (standard errors of the type's mean)"]
            + [f"  job {r.job} run {r.run}: {f'{r.shift:.1f}, {r.where}' if r.where else r.why}" for r in fit.set_aside]
        )
    if fit.cautions:
        blocks.append(["Cautions"] + [f"  - {c}" for c in fit.cautions])
    return "\n\n".join("\n".join(b) for b in blocks) + "\n"


def counted(source: dict[str, Any]) -> str:
    """Return what a coefficient rests on so many of: "aircraft" where a column says whose the jobs are, else "jobs"."""
    return "jobs" if source.get("aircraft") in (None, source.get("jobs")) else "aircraft"


def whose(source: dict[str, Any]) -> str:
    """Return whose jobs they are: each of an aircraft of its own unless a column says otherwise."""
    jobs, aircraft = source.get("jobs"), source.get("aircraft")
    if aircraft is None or not jobs or jobs == 1:
        return ""
    return ", each taken as another aircraft" if aircraft == jobs else f" of {aircraft} aircraft"


def fit_json(rotor: Rotor, fit: Fit) -> dict[str, Any]:
    """Return what `trackbal fit --json` prints: rows written, suspects, cautions, and how good the fit is."""
    document = influence_document(rotor, fit.influence)
    return {
        "rows": len(document["rows"]),
        "suspects": [{"job": s.job, "run": s.run, "why": s.why} for s in fit.suspects],
        "set_aside": [
            {"job": r.job, "run": r.run, "why": r.why, "gain": r.gain, "shift": r.shift, "where": r.where}
            for r in fit.set_aside
        ],
        "cautions": list(fit.cautions),
        "jobs": fit.influence.source.get("jobs"),
        "runs": fit.influence.source.get("runs"),
        "unidentified": document["unidentified"],
        "spread": [
            {
                "adjuster": adjuster.name,
                "vibration": finite_or_none(fit.spread[a]),
                "vibration_square_error": finite_or_none(fit.spread_error[a]),
                "height": finite_or_none(fit.height_spread[a]),
                "height_square_error": finite_or_none(fit.height_spread_error[a]),
            }
            for a, adjuster in enumerate(rotor.adjusters)
        ],
        "fit_quality": fit.influence.source.get("fit_quality"),
        "readings": [
            {
                "regime": regime.name,
                "sensor": sensor.name,
                "noise": finite_or_none(fit.influence.vibration_noise[r, s]),
                "residual": finite_or_none(fit.residual[r, s]),
                "condition": finite_or_none(fit.condition[r, s]),
            }
            for r, regime in enumerate(rotor.regimes)
            for s, sensor in enumerate(rotor.sensors)
        ],
        "heights": [
            {
                "regime": regime.name,
                "noise": finite_or_none(fit.influence.height_noise[r]),
                "residual": finite_or_none(fit.height_residual[r]),
                "condition": finite_or_none(fit.height_condition[r]),
            }
            for r, regime in enumerate(rotor.regimes)
        ],
    }


def _coefficients(rotor: Rotor, fit: Fit, a: int) -> Iterator[str]:
    adjuster, influence = rotor.adjusters[a], fit.influence
    yield f"{adjuster.name}, per {adjuster.unit} on blade {rotor.blades[0]}"
    turn = "± deg" if rotor.phase_shown == "clock" else "±"
    rows = [("regime", "reading", "effect", "±", phase_unit(rotor), turn, counted(influence.source), "runs")]
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            support = (str(fit.jobs[a, r, s]), str(fit.runs[a, r, s]))
            if influence.unknown_vibration[a, r, s]:
                rows.append((regime.name, sensor.name, "unknown", "", "", "", *support))
                continue
            alpha = complex(influence.alpha[a, r, s])
            cov = influence.vibration_cov[r, s, 2 * a : 2 * a + 2, 2 * a : 2 * a + 2]
            along, across = _polar_sd(alpha, cov)
            phase = phase_text(rotor, alpha)
            figures = (f"{abs(alpha):.4g} {sensor.unit}", f"{along:.2g}", phase, f"{across:.0f}")
            rows.append((regime.name, sensor.name, *figures, *support))
        if regime.heights:
            support = (str(fit.height_jobs[a, r]), str(fit.height_runs[a, r]))
            if influence.unknown_height[a, r]:
                rows.append((regime.name, "height", "unknown", "", "", "", *support))
            else:
                sd = math.sqrt(max(float(influence.height_cov[r, a, a]), 0.0))
                effect = f"{influence.tau[a, r]:+.4g} {rotor.height_unit}"
                rows.append((regime.name, "height", effect, f"{sd:.2g}", "", "", *support))
    yield table(rows, left_aligned=2)


def _polar_sd(alpha: complex, cov: Reals) -> tuple[float, float]:
    """Return the standard deviations of amplitude and of phase (degrees, at most 104: any phase at all).

    First-order propagation (JCGM 100:2008, section 5.1); an evenly spread phase has
    180 / sqrt(3) degrees.
    """
    size = abs(alpha)
    if size == 0.0:
        return math.sqrt(max(float(np.trace(cov)) / 2, 0.0)), 180 / math.sqrt(3)
    along = np.array([alpha.real, alpha.imag]) / size
    across = np.array([-along[1], along[0]])
    turn = math.degrees(math.sqrt(max(float(across @ cov @ across), 0.0)) / size)
    return math.sqrt(max(float(along @ cov @ along), 0.0)), min(turn, 180 / math.sqrt(3))


def _spread(rotor: Rotor, fit: Fit) -> Iterator[str]:
    yield "Spread between aircraft, as a part of the coefficient, ± its standard error"
    rows = [("adjuster", "vibration", "heights")]
    for a, adjuster in enumerate(rotor.adjusters):
        rows.append((adjuster.name, *spread_words(fit, a)))
    yield table(rows, left_aligned=2)


def spread_words(fit: Fit, a: int) -> tuple[str, str]:
    """Return the spread of an adjuster between aircraft in words, of vibration and of heights: "12 ± 3 %"."""
    both = ((fit.spread[a], fit.spread_error[a]), (fit.height_spread[a], fit.height_spread_error[a]))
    vibration, heights = (_spread_of(float(kappa), float(error)) for kappa, error in both)
    return vibration, heights


def _spread_of(kappa: float, error: float) -> str:
    """Return a spread; `error`: of its square, of which a normal law holds where it is near nothing."""
    if not math.isfinite(kappa):
        return "cannot be told"
    if kappa**2 <= error:
        return f"cannot be told, up to {100.0 * math.sqrt(kappa**2 + _UPPER * error):.0f} %"
    return f"{100.0 * kappa:.0f} ± {100.0 * error / (2.0 * kappa):.0f} %"


_UPPER = 1.645  # standard errors above: 95 in 100 are below


def _readings(rotor: Rotor, fit: Fit) -> Iterator[str]:
    yield wrap("Readings: noise (sd of one), what the coefficients leave (rms), condition number (1 is best)")
    rows = [("regime", "reading", "unit", "noise", "left", "condition")]
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            noise = _figure(fit.influence.vibration_noise[r, s])
            figures = (_figure(fit.residual[r, s]), _figure(fit.condition[r, s]))
            rows.append((regime.name, sensor.name, sensor.unit, noise, *figures))
        if regime.heights:
            figures = (_figure(fit.height_residual[r]), _figure(fit.height_condition[r]))
            rows.append((regime.name, "height", rotor.height_unit, _figure(fit.influence.height_noise[r]), *figures))
    yield table(rows, left_aligned=2)


def _figure(value: float) -> str:
    return "-" if not math.isfinite(value) else f"{value:.3g}"
