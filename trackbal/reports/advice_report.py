"""Advice in words, as a table for the terminal and as JSON."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Any

import numpy as np

from trackbal.base.cautions import adjuster_cautions
from trackbal.base.phasor import phase_deg
from trackbal.base.text_layout import count, wrap
from trackbal.plan.advice import WORTH_ONE_MORE, Advice, Plan
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.words import adjustment_words, chance_words

ANYWAY = "PLAN SHOWN ON REQUEST (--plan-anyway), against the advice to find the cause first."
CHANCE_MAY_FALL = "Each plan has the least cost of its count, which may bring a lower chance than fewer do."


def plan_adjustments(rotor: Rotor, plan: Plan) -> list[tuple[int, int, float]]:
    """Return (adjuster index, blade index, amount) of a plan, blade by blade."""
    return [(int(a), int(b), float(plan.change[a, b])) for b, a in np.argwhere(plan.change.T != 0.0)]


def advice_json(rotor: Rotor, run: Run, advice: Advice) -> dict[str, Any]:
    """Return the advice as plain data; numbers are not rounded."""
    return {
        "verdict": advice.verdict,
        "recommended": advice.recommended,
        "plans": [_plan_json(rotor, run, advice, plan) for plan in advice.plans],
        "cautions": list(advice.cautions),
        "not_advised": [{"adjuster": rotor.adjusters[a].name, "why": why} for a, why in advice.barred],
        "wanted_chance": advice.wanted_chance,
        "cut_short": advice.cut_short,
    }


def _plan_json(rotor: Rotor, run: Run, advice: Advice, plan: Plan) -> dict[str, Any]:
    adjustments = [
        {
            "blade": rotor.blades[b],
            "adjuster": rotor.adjusters[a].name,
            "amount": amount,
            "words": adjustment_words(rotor, a, b, amount, float(advice.setting[a, b])),
            "unit": rotor.adjusters[a].unit,
            "setting_now": float(advice.setting[a, b]),
            "setting_after": float(advice.setting[a, b]) + amount,
        }
        for a, b, amount in plan_adjustments(rotor, plan)
    ]
    return {
        "count": plan.count,
        "adjustments": adjustments,
        "cost": plan.cost,
        "expected_cost": plan.expected_cost,
        "chance": plan.chance,
        "proven": plan.proven,
        "worst_ratio": plan.worst_ratio,
        "vibration": _vibration_json(rotor, run, plan),
        "heights": _heights_json(rotor, run, plan),
        "not_read": _unread_json(rotor, run, plan),
    }


def _vibration_json(rotor: Rotor, run: Run, plan: Plan) -> list[dict[str, Any]]:
    now_deg = phase_deg(run.vibration, rotor.phase_sense)
    after_deg = phase_deg(plan.vibration, rotor.phase_sense)
    return [
        {
            "regime": rotor.regimes[r].name,
            "sensor": rotor.sensors[s].name,
            "now": float(abs(run.vibration[r, s])),
            "now_deg": float(now_deg[r, s]),
            "after": float(abs(plan.vibration[r, s])),
            "after_deg": float(after_deg[r, s]),
            "limit": float(rotor.vibration_limit[r, s]),
            "unit": rotor.sensors[s].unit,
        }
        for r, s in np.argwhere(run.vibration_read)
    ]


def _heights_json(rotor: Rotor, run: Run, plan: Plan) -> list[dict[str, Any]]:
    return [
        {
            "regime": rotor.regimes[r].name,
            "spread_now": float(run.spread[r]),
            "spread_after": float(np.ptp(plan.height[r])),
            "limit": float(rotor.height_limit[r]),
            "now": dict(zip(rotor.blades, map(float, run.height[r]), strict=True)),
            "after": dict(zip(rotor.blades, map(float, plan.height[r]), strict=True)),
        }
        for r in np.flatnonzero(run.height_read)
    ]


def _unread_json(rotor: Rotor, run: Run, plan: Plan) -> list[dict[str, Any]]:
    """Return the change a plan is expected to make to readings that were not taken."""
    turned = phase_deg(plan.vibration_change, rotor.phase_sense)
    unread: list[dict[str, Any]] = [
        {
            "regime": rotor.regimes[r].name,
            "sensor": rotor.sensors[s].name,
            "change": float(abs(plan.vibration_change[r, s])),
            "change_deg": float(turned[r, s]),
            "limit": float(rotor.vibration_limit[r, s]),
        }
        for r, s in np.argwhere(~run.vibration_read)
    ]
    for r in np.flatnonzero(~run.height_read & np.isfinite(rotor.height_limit)):
        heights = dict(zip(rotor.blades, map(float, plan.height_change[r]), strict=True))
        unread.append({"regime": rotor.regimes[r].name, "heights_change": heights})
    return unread


# ---- for the terminal --------------------------------------------------------------------


def advice_text(rotor: Rotor, run: Run, advice: Advice) -> str:
    """Return the advice as a page for the terminal, at most 100 characters wide."""
    blocks = [_headline(rotor, advice)]
    if advice.verdict == "investigate":
        blocks.append(_cautions(advice))
        if advice.anyway:
            blocks.append(ANYWAY + "\n  Decided by, and why: " + "_" * 60)
        else:
            blocks.append(_readings(rotor, run, None))
    if advice.recommended is not None and (advice.verdict != "investigate" or advice.anyway):
        plan = advice.plans[advice.recommended]
        if plan.count:
            blocks.append(_what_to_do(rotor, advice, plan))
        if advice.verdict == "investigate":
            kinds = [a.kind for a, row in zip(rotor.adjusters, plan.change, strict=True) if row.any()]
            blocks.append(_listed("Before touching the aircraft", adjuster_cautions(kinds)))
        blocks.append(_readings(rotor, run, plan))
        blocks.append(_unread(rotor, run, plan))
        if advice.verdict != "inside":
            blocks.append(_ladder(advice))
    if advice.verdict == "learn" and any(plan.count for plan in advice.plans):
        blocks.append("With what is known alone\n" + _ladder(advice))
    if advice.verdict != "investigate":
        blocks.append(_cautions(advice))
    return "\n\n".join(block for block in blocks if block) + "\n"


def _headline(rotor: Rotor, advice: Advice) -> str:
    worst = advice.review.worst_ratio or 0.0
    if advice.verdict == "stop":
        return f"{rotor.name}: STOP. A reading is at or above its stop limit (worst {worst:.2f} of its limit)."
    if advice.verdict == "inside":
        return f"{rotor.name}: inside limits (worst reading {worst:.2f} of its limit). No adjustment."
    if advice.verdict == "learn":
        return (
            f"{rotor.name}: NOT ENOUGH IS KNOWN to bring this inside limits (worst reading {worst:.2f} of its limit).\n"
            "Make a trial first; no plan is recommended."
        )
    assert advice.recommended is not None
    plan = advice.plans[advice.recommended]
    if advice.verdict == "investigate":
        none = "" if advice.anyway else "; no plan is offered"
        return (
            f"{rotor.name}: INVESTIGATE. Adjusting could at best bring the worst reading to {plan.worst_ratio:.2f} "
            f"of its\nlimit (now {worst:.2f}): find the cause first{none}."
        )
    made = count(plan.count, "adjustment")
    return (
        f"{rotor.name}: {made}, chance {chance_words(plan.chance)} that the next run is inside limits\n"
        f"(worst reading now {worst:.2f} of its limit, expected {plan.worst_ratio:.2f})."
    )


def _what_to_do(rotor: Rotor, advice: Advice, plan: Plan) -> str:
    lines = ["Do"]
    for a, b, amount in plan_adjustments(rotor, plan):
        words = adjustment_words(rotor, a, b, amount, float(advice.setting[a, b]))
        before = advice.setting[a, b]
        lines.append(f"  [ ] {words:<52} (setting {before:.10g} -> {before + amount:.10g})")
    return "\n".join(lines)


def _readings(rotor: Rotor, run: Run, plan: Plan | None) -> str:
    """Return the readings against their limits, with what a plan is expected to make of them."""
    unit_width = max(len(s.unit) for s in rotor.sensors)
    names = max(len(s.name) for s in rotor.sensors)
    regimes = max(len(r.name) for r in rotor.regimes)
    head = (
        f"{'regime':<{regimes}}  {'reading':<{names}}  {'':<{unit_width}}  {'now':>15}  {'expected':>15}  {'limit':>8}"
    )
    if plan is None:
        head = head.replace(f"  {'expected':>15}", "")
    lines = [head]
    now_deg = phase_deg(run.vibration, rotor.phase_sense)
    vibration, height = (plan.vibration, plan.height) if plan else (run.vibration, run.height)
    after_deg = phase_deg(vibration, rotor.phase_sense)
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            if run.vibration_read[r, s]:
                now, after = abs(run.vibration[r, s]), abs(vibration[r, s])
                limit = rotor.vibration_limit[r, s]
                expected = f"{after:>6.3f} {after_deg[r, s]:>4.0f} deg  " if plan else ""
                lines.append(
                    f"{regime.name:<{regimes}}  {sensor.name:<{names}}  {sensor.unit:<{unit_width}}  "
                    f"{now:>7.3f} {now_deg[r, s]:>4.0f} deg  {expected}{limit:>8.3g}{_mark(now, after, limit)}"
                )
        if run.height_read[r]:
            now, after = run.spread[r], np.ptp(height[r])
            limit = rotor.height_limit[r]
            expected = f"{after:>6.4g} {'':>8}  " if plan else ""
            lines.append(
                f"{regime.name:<{regimes}}  {'tip spread':<{names}}  {rotor.height_unit:<{unit_width}}  "
                f"{now:>7.4g} {'':>8}  {expected}{limit:>8.3g}{_mark(now, after, limit)}"
            )
    return "\n".join(line.rstrip() for line in lines)


def _mark(now: float, after: float, limit: float) -> str:
    if after > limit:
        return "  over"
    return "  was over" if now > limit else ""


def _unread(rotor: Rotor, run: Run, plan: Plan) -> str:
    if not plan.count:
        return ""
    lines = []
    turned = phase_deg(plan.vibration_change, rotor.phase_sense)
    for r, regime in enumerate(rotor.regimes):
        parts = [
            f"{sensor.name} {abs(plan.vibration_change[r, s]):.3f} {sensor.unit} at {turned[r, s]:.0f} deg"
            for s, sensor in enumerate(rotor.sensors)
            if not run.vibration_read[r, s]
        ]
        if not run.height_read[r] and np.isfinite(rotor.height_limit[r]):
            heights = plan.height_change[r]
            parts.append(f"tips {heights.min():+.1f} to {heights.max():+.1f} {rotor.height_unit}")
        if parts:
            lines.append(wrap(f"{regime.name}: {'; '.join(parts)}", "  ", hang=4))
    return "\n".join(["Expected change of what was not read", *lines]) if lines else ""


def _ladder(advice: Advice) -> str:
    lines = ["adjustments      chance    worst / limit    expected cost"]
    seen = -1
    for m, plan in enumerate(advice.plans):
        if plan.count == seen:
            continue
        seen = plan.count
        mark = "  <- recommended" if m == advice.recommended else ""
        proven = "" if plan.proven else "  (not proven)"
        numbers = (
            f"{plan.count:>11}  {chance_words(plan.chance):>10}  {plan.worst_ratio:>15.2f}  {plan.expected_cost:>15.4g}"
        )
        lines.append(numbers + mark + proven)
    if any(more.chance < fewer.chance - WORTH_ONE_MORE for fewer, more in pairwise(advice.plans)):
        lines.append("  " + CHANCE_MAY_FALL)
    return "\n".join(["What each further adjustment buys", *lines])


def _cautions(advice: Advice) -> str:
    return _listed("Cautions", advice.cautions)


def _listed(title: str, items: Iterable[str]) -> str:
    return "\n".join([title, *(wrap(item, "  - ") for item in items)])
