"""How a lesson begins, in words: the rotor, and what past jobs tell of its type."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from trackbal.base.text_layout import across, cut, wrap
from trackbal.lessons.lesson import Lesson
from trackbal.runs.run import Reals
from trackbal.runs.words import phase_scale, phase_text, phase_width

MOST_SUSPECTS = 5  # named one by one


@dataclass(frozen=True)
class Step:
    """One step of a lesson: a heading and what is told under it.

    Parameters
    ----------
    part : {"facts", "question", "answer"}
        What is there to be seen, what the class is asked of it, and what is concluded: always in this order.
    run : int
        Number of the run it belongs to; 0 for none.
    about : {"plan", "next", ""}
        What a question asks, or an answer answers: what to do, or what to expect of the next run.
    """

    title: str
    text: str
    part: Literal["facts", "question", "answer"] = "facts"
    run: int = 0
    about: Literal["plan", "next", ""] = ""


def rotor_step(lesson: Lesson) -> Step:
    """Return what the rotor is: blades, conditions, limits, adjusters."""
    rotor = lesson.rotor
    spacing = "evenly spaced"
    blades = len(rotor.blades)
    if np.abs(rotor.azimuth_deg - 360.0 * np.arange(blades) / blades).max() > 1e-6:
        spacing = "not evenly spaced: at " + ", ".join(f"{a:g}" for a in rotor.azimuth_deg) + " degrees"
    parts = [wrap(f"{blades} blades, {spacing}, at {rotor.rpm:g} rpm. Phases are in the {rotor.phase_sense} sense.")]
    parts.append(wrap("Conditions (regimes): " + "; ".join(f"{r.name} ({r.label})" for r in rotor.regimes) + "."))
    limits = [f"{s.name} {_range(rotor.vibration_limit[:, i])} {s.unit}" for i, s in enumerate(rotor.sensors)]
    spread = rotor.height_limit[np.isfinite(rotor.height_limit)]
    if len(spread):
        limits.append(f"tip spread {_range(spread)} {rotor.height_unit}")
    parts.append(wrap("Limits: " + "; ".join(limits) + "."))
    whole = [f"{a.name} in steps of {a.step:g} {a.unit}" for a in rotor.adjusters]
    places = sum(blades - len(a.fixed_blades) for a in rotor.adjusters)
    parts.append(wrap(f"Can be adjusted: {'; '.join(whole)}. That is {places} places where something can be changed."))
    return Step(f"The rotor: {cut(rotor.name, 60)}", "\n".join(parts))


def _range(limits: Reals) -> str:
    low, high = float(limits.min()), float(limits.max())
    return f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"


def history_step(lesson: Lesson) -> Step:
    """Return what past jobs tell: noise, what a step does and how surely, runs that do not fit."""
    rotor, found, influence = lesson.rotor, lesson.fit, lesson.influence
    source = influence.source
    noise: list[str] = []
    for unit in dict.fromkeys(s.unit for s in rotor.sensors):
        mine = [i for i, s in enumerate(rotor.sensors) if s.unit == unit]
        size = float(np.nanmedian(influence.vibration_noise[:, mine]))
        part = float(np.nanmedian(influence.vibration_noise[:, mine] / rotor.vibration_limit[:, mine]))
        noise.append(f"{size:.2g} {unit} ({100 * part:.0f} % of the limit)")
    tips = influence.height_noise[np.isfinite(rotor.height_limit)]
    if len(tips):
        noise.append(f"{float(np.median(tips)):.2g} {rotor.height_unit} for the height of a tip")
    whence = "What one step of each adjuster does, by the coefficients that were gone by:"
    if found is not None:
        whence = (
            f"{source.get('runs')} past runs of {source.get('jobs')} jobs on other aircraft of the type tell what one "
            "step of each adjuster does. Only the differences between runs of the same job count."
        )
    parts = [
        wrap(whence),
        wrap(f"Reading noise, as a standard deviation: {', '.join(noise)}."),
        _what_a_step_does(lesson),
        wrap(
            f"At: phase of the effect on blade {rotor.blades[0]}, in {phase_scale(rotor)}. ± holds for the NEXT "
            "aircraft: what the history leaves open and how much aircraft differ by, together."
        ),
    ]
    if found is not None:
        for suspect in found.suspects[:MOST_SUSPECTS]:
            parts.append(wrap(f"Does not fit the others: job {suspect.job} run {suspect.run}: {suspect.why}", "- "))
        parts += [wrap(caution, "- ") for caution in found.cautions]
    return Step("What past jobs tell", "\n".join(parts))


def _what_a_step_does(lesson: Lesson) -> str:
    """Return, for each adjuster, its strongest effect, how well that is known, and how aircraft differ."""
    rotor, found, influence = lesson.rotor, lesson.fit, lesson.influence
    jobs = ["" if found is None else str(int(found.jobs[a].max())) for a in range(len(rotor.adjusters))]
    rows = [("one step of", "", "acts most on", "by", "differ by", "tip rises", "jobs")]
    for a, adjuster in enumerate(rotor.adjusters):
        strength = np.where(influence.unknown_vibration[a], -1.0, np.abs(influence.alpha[a]) / rotor.vibration_limit)
        r, s = (int(i) for i in np.unravel_index(int(np.argmax(strength)), strength.shape))
        size = float(abs(influence.alpha[a, r, s]))
        step = f"{adjuster.step:g} {adjuster.unit}"
        if strength[r, s] <= 0.0:
            rows.append((cut(adjuster.name), step, "(not known)", "", "", "", jobs[a]))
            continue
        cov = influence.vibration_cov[r, s, 2 * a : 2 * a + 2, 2 * a : 2 * a + 2]
        turned = f"at {phase_text(rotor, influence.alpha[a, r, s]):>{phase_width(rotor)}}"
        sure = math.sqrt(max(float(np.trace(cov)) / 2.0, 0.0)) / size
        rise = influence.tau[a] * adjuster.step
        known = ~influence.unknown_height[a] & np.isfinite(rotor.height_limit)
        highest = rise[known][np.argmax(np.abs(rise[known]))] if known.any() else math.nan
        rows.append(
            (
                cut(adjuster.name),
                step,
                f"{cut(rotor.sensors[s].name)}, {cut(rotor.regimes[r].name, 14)}",
                f"{size * adjuster.step:.3g} {rotor.sensors[s].unit} ±{100 * sure:.0f} % {turned}",
                "" if found is None else _spread_words(float(found.spread[a])),
                "" if math.isnan(highest) else f"{highest:+.1f} {rotor.height_unit}",
                jobs[a],
            )
        )
    first, *rest = zip(*rows, strict=True)
    columns = [column for column in rest if any(column[1:])]  # without heights no tip rises
    return across(first, columns, left_aligned=3)


def _spread_words(spread: float) -> str:
    return "not known" if math.isnan(spread) else f"{100 * spread:.0f} %"
