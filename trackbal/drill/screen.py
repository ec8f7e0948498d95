"""What a trainee sees: readings as an instrument shows them, and the debrief; 80 columns."""

from __future__ import annotations

import math

import numpy as np

from trackbal.base.text_layout import across, count, cut, table, wrap
from trackbal.check.review import Reading
from trackbal.drill.debrief import Debrief, Decision, hidden_words, parts_of_limits
from trackbal.drill.past_jobs import influence_of_type
from trackbal.drill.play import MINUTES, Drill
from trackbal.drill.scenario import Scenario
from trackbal.runs.rotor import HEIGHT, Rotor
from trackbal.runs.run import Run
from trackbal.runs.words import adjustment_words, chance_words, phase_text, phase_unit, phase_width


def opening(scenario: Scenario) -> str:
    """Return what a class is told before the first run."""
    level, rotor = scenario.level, scenario.rotor
    said = f"Drill, level {level.number}, seed {scenario.seed}: {rotor.name}, {count(len(rotor.blades), 'blade')}. "
    stages = "; ".join(r.label or r.name for r in rotor.regimes)
    lines = [
        wrap(said + level.story),
        wrap(f"Stages: {stages}. At most {level.most_runs} runs. This aircraft is invented, limits and all."),
    ]
    return "\n".join(lines)


def readings(drill: Drill) -> str:
    """Return the last run as an instrument shows it, with the limits beside."""
    rotor, run = drill.rotor, drill.run
    stage = rotor.regimes[drill.stage]
    head = f"Run {len(drill.flights)}, {stage.label or stage.name} (stage {drill.stage + 1} of {len(rotor.regimes)})"
    reviewed = {(r.regime, r.sensor): r for r in drill.review.readings}
    rows: list[tuple[str, ...]] = [("regime", "reading", "", "", "limit", "part of it")]
    for r in np.flatnonzero(run.regime_read):
        for s, sensor in enumerate(rotor.sensors):
            value = run.vibration[r, s]
            limit = rotor.vibration_limit[r, s]
            digits = max(0, 2 - math.floor(math.log10(limit)))
            part = _part(reviewed[rotor.regimes[r].name, sensor.name])
            amount, unit = f"{abs(value):.{digits}f} {sensor.unit}", f"{phase_text(rotor, value)} {phase_unit(rotor)}"
            rows.append((cut(rotor.regimes[r].name, 14), cut(sensor.name, 18), amount, unit, f"{limit:g}", part))
    lines = [head, table(rows, sides="<<>>>>")]
    tips = _tips(rotor, run)
    if tips:
        lines.append(tips)
        lines += [f"tip spread in {r.regime}: STOP" for r in drill.review.readings if r.sensor == HEIGHT and r.stopped]
    return "\n".join(lines)


def _part(reading: Reading) -> str:
    mark = " STOP" if reading.stopped else " over" if reading.over else "     "
    return f"{reading.ratio:.2f}{mark}"


def _tips(rotor: Rotor, run: Run) -> str:
    """Return the tips as read, relative to the mean, blade by blade."""
    shown = np.flatnonzero(run.height_read)
    if not shown.size:
        return ""
    digits = 1 if rotor.height_unit == "mm" else 2
    rows: list[tuple[str, ...]] = [(f"tips [{rotor.height_unit}]", *rotor.blades, "spread", "limit")]
    for r in shown:
        tips = run.height[r]
        spread = f"{tips.max() - tips.min():.{digits}f}"
        heights = (f"{tip:+.{digits}f}" for tip in tips)
        rows.append((cut(rotor.regimes[r].name, 14), *heights, spread, f"{rotor.height_limit[r]:g}"))
    return table(rows, left_aligned=1)


def planned(drill: Drill) -> str:
    """Return what is on the list; nothing if it is empty."""
    rotor = drill.rotor
    words = [
        adjustment_words(rotor, int(a), int(b), float(drill.planned[a, b])) for b, a in np.argwhere(drill.planned.T)
    ]
    return "\n".join(["On the list:", *(f"  {line}" for line in words)]) if words else ""


def influence_table(drill: Drill, *, every: bool = False) -> str:
    """Return what one unit of each adjuster on blade 1 does, as past aircraft tell; phases in the rotor's sense.

    In the regimes that the last run read, or in `every` one.
    """
    rotor, influence = drill.rotor, influence_of_type(drill.scenario.level.kind)
    rows: list[tuple[str, ...]] = [
        ("one unit on blade " + rotor.blades[0], *(cut(a.name, 14) for a in rotor.adjusters))
    ]
    for r, regime in enumerate(rotor.regimes):
        if not (every or drill.run.regime_read[r]):
            continue
        for s, sensor in enumerate(rotor.sensors):
            cells = (influence.alpha[a, r, s] for a in range(len(rotor.adjusters)))
            shown = (f"{abs(v):.2g} {phase_text(rotor, v):>{phase_width(rotor)}}" for v in cells)
            rows.append((f"{cut(regime.name, 12)} {cut(sensor.name, 16)}", *shown))
        if regime.heights:
            rows.append((f"{cut(regime.name, 12)} own tip", *(f"{v:+.2g}" for v in influence.tau[:, r])))
    units = ", ".join(f"{a.name.replace('_', ' ')} in {a.unit}" for a in rotor.adjusters)
    azimuth = ", ".join(f"{b}: {float(psi):.4g}" for b, psi in zip(rotor.blades, rotor.azimuth_deg, strict=True))
    sign = "+" if rotor.phase_sense == "lag" else "-"
    notes = (
        f"Amplitude and phase in degrees; {units}. On another blade the phase is {sign} its angle, in degrees: "
        f"{azimuth}."
    )
    return "\n".join([table(rows, left_aligned=1), wrap(notes)])


def record_text(drill: Drill) -> str:
    """Return what the crew before wrote down."""
    earlier, rotor = drill.scenario.earlier, drill.rotor
    if earlier is None:
        return "Nothing is on record: this is the first crew."
    lines = ["The crew before read"]
    rows: list[tuple[str, ...]] = [("regime", *(s.name for s in rotor.sensors))]
    for r, regime in enumerate(rotor.regimes):
        cells = (
            f"{abs(v):.3g} {s.unit} {phase_text(rotor, v)} {phase_unit(rotor)}"
            for v, s in zip(earlier.run.vibration[r], rotor.sensors, strict=True)
        )
        rows.append((regime.name, *cells))
    lines.append(across([row[0] for row in rows], list(zip(*(row[1:] for row in rows), strict=True))))
    tips = _tips(rotor, earlier.run)
    lines += [tips] if tips else []
    lines.append("and then did")
    places = np.argwhere(earlier.recorded.T != 0.0)
    lines += [f"  {adjustment_words(rotor, int(a), int(b), float(earlier.recorded[a, b]))}" for b, a in places]
    return "\n".join(lines)


def debrief_text(found: Debrief) -> str:
    """Return the debrief."""
    drill, by_trackbal = found.drill, found.by_trackbal
    best = f"{by_trackbal.state}, {_score(by_trackbal)}"
    said = f"{drill.state.capitalize()}. {_score(drill)}. trackbal itself on this drill: {best}."
    rates = ", ".join(f"{what.replace('_', ' ')} {minutes:g}" for what, minutes in MINUTES.items())
    lines = [wrap(said), wrap(f"Minutes are counted for the score only: {rates}."), "", "What was hidden"]
    lines += [wrap(line, "  - ") for line in hidden_words(drill)]
    lines += ["", "Every reading, as a part of its limit", _parts(drill)]
    if found.decisions:
        lines += ["", "What was decided"]
        lines += [_decision(drill.rotor, decision) for decision in found.decisions]
    left_after = found.left_at
    lines += [
        "",
        "The best path was never left."
        if left_after is None
        else f"The best path was first left after run {left_after}.",
    ]
    return "\n".join(lines)


def _score(drill: Drill) -> str:
    return f"{count(len(drill.flights), 'run')}, {count(drill.adjustments, 'adjustment')}, {drill.minutes:.0f} minutes"


def _parts(drill: Drill) -> str:
    rows, columns = parts_of_limits(drill)
    names = [(regime, "tip spread" if what == HEIGHT else what) for regime, what in rows]
    first = ["", *(f"{cut(regime, 12)} {cut(what, 16)}" for regime, what in names)]
    shown = [
        [str(k + 1), *(f"{v:.2f}" if math.isfinite(v) else "" for v in column)] for k, column in enumerate(columns)
    ]
    return across(first, shown)


def _decision(rotor: Rotor, one: Decision) -> str:
    made = [adjustment_words(rotor, int(a), int(b), float(one.change[a, b])) for b, a in np.argwhere(one.change.T)]
    said = (
        f"After run {one.run}: {'; '.join(made)} (worst {one.before:.2f} to {one.after:.2f} of its limit; chance of "
        f"inside {chance_words(one.chance)}). "
    )
    if one.verdict in ("investigate", "hold", "stop"):
        said += "trackbal would have looked for the cause first."
    elif one.plan is not None:
        plan = [
            adjustment_words(rotor, int(a), int(b), float(one.plan.change[a, b]))
            for b, a in np.argwhere(one.plan.change.T)
        ]
        said += f"The proven plan: {'; '.join(plan) or 'nothing'}; chance {chance_words(one.plan.chance)}."
    return wrap(said, "  - ")
