"""Advice in words, as a table for the terminal and as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from trackbal.base.cautions import (
    IN_SHORT,
    MECHANICAL_IN_A_LINE,
    MECHANICAL_IN_SHORT,
    NO_CURE,
    adjuster_cautions,
    general_cautions,
    in_fewest_lines,
    in_short,
    mechanical_causes,
)
from trackbal.base.phasor import phase_deg
from trackbal.base.text_layout import cut, listed, number_words, paragraphs, table, times_words, width, wrap
from trackbal.check.coverage import coverage_json
from trackbal.check.review import is_inside
from trackbal.plan.advice import WORTH_ONE_MORE, Advice, Plan
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.words import adjustment_words, chance_words, phase_text, phase_unit, phase_width

AT_BEST = "at best"  # what the headline says of a plan that is not offered
MORE = "More: add --all."
ANYWAY_IN_SHORT = "PLAN SHOWN ON REQUEST, against this advice."
ANYWAY = "PLAN SHOWN ON REQUEST (--plan-anyway), against the advice to find the cause first."
CHANCE_MAY_FALL = "Each plan has the least cost of its count, which may bring a lower chance than fewer do."
ONE_SCREEN = 23  # of 24 lines, one is the prompt's
_APART, _FAR_APART = 0.1, 0.5  # of a limit
_MUCH = 0.5  # of the limit: so large a change of what was not read is put beside the limit


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
        "without_influence": list(advice.blind),
        "finished": advice.review.finished,
        **coverage_json(advice.review.coverage),
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
        **({} if plan.minutes is None else {"minutes": plan.minutes}),
        "adjustments": adjustments,
        "cost": plan.cost,
        "expected_cost": plan.expected_cost,
        "chance": plan.chance,
        **({} if plan.chance_of_aim is None else {"chance_of_aim": plan.chance_of_aim}),
        "proven": plan.proven,
        "worst_ratio": plan.worst_ratio,
        "worst_likely": plan.worst_likely,
        "vibration": _vibration_json(rotor, run, plan),
        "heights": _heights_json(rotor, run, plan),
        "not_read": _unread_json(rotor, run, plan),
    }


def _vibration_json(rotor: Rotor, run: Run, plan: Plan) -> list[dict[str, Any]]:
    now_deg = phase_deg(run.vibration, rotor.phase_sense)
    after_deg = phase_deg(plan.vibration, rotor.phase_sense)
    likely_deg = phase_deg(plan.likely.vibration, rotor.phase_sense)
    return [
        {
            "regime": rotor.regimes[r].name,
            "sensor": rotor.sensors[s].name,
            "now": float(abs(run.vibration[r, s])),
            "now_deg": float(now_deg[r, s]),
            "after": float(abs(plan.vibration[r, s])),
            "after_deg": float(after_deg[r, s]),
            "likely": float(plan.likely.amplitude[r, s]),
            "likely_deg": float(likely_deg[r, s]),
            "low": float(plan.likely.amplitude_low[r, s]),
            "high": float(plan.likely.amplitude_high[r, s]),
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
            "spread_likely": float(plan.likely.spread[r]),
            "spread_low": float(plan.likely.spread_low[r]),
            "spread_high": float(plan.likely.spread_high[r]),
            "limit": float(rotor.height_limit[r]),
            "now": dict(zip(rotor.blades, map(float, run.height[r]), strict=True)),
            "after": dict(zip(rotor.blades, map(float, plan.height[r]), strict=True)),
            "likely": dict(zip(rotor.blades, map(float, plan.likely.height[r]), strict=True)),
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
            **_likely_there(plan, int(r), int(s)),
        }
        for r, s in np.argwhere(~run.vibration_read)
    ]
    for r in np.flatnonzero(~run.height_read & np.isfinite(rotor.height_limit)):
        heights = dict(zip(rotor.blades, map(float, plan.height_change[r]), strict=True))
        there = _likely_there(plan, int(r), None)
        unread.append({"regime": rotor.regimes[r].name, "heights_change": heights, **there})
    return unread


def _likely_there(plan: Plan, r: int, s: int | None) -> dict[str, float]:
    """Return what a reading not taken, or a tip spread, is likely to be after a plan; nothing where not known."""
    there = plan.elsewhere
    if there is None:
        return {}
    names, at = ("likely", "low", "high"), (r, s)
    values = [there.amplitude[at], there.amplitude_low[at], there.amplitude_high[at]]
    if s is None:
        names = ("spread_likely", "spread_low", "spread_high")
        values = [there.spread[r], there.spread_low[r], there.spread_high[r]]
    return dict(zip(names, map(float, values), strict=True)) if np.isfinite(values[0]) else {}


# ---- for the terminal --------------------------------------------------------------------


def advice_text(
    rotor: Rotor,
    run: Run,
    advice: Advice,
    *,
    everything: bool = False,
    notices: Sequence[str] = (),
    above: int = 0,
) -> str:
    """Return the advice for the terminal: one screen of 80 by 24, or everything.

    What to mind comes first and the plan after it, so that the plan is on the screen when the
    command ends. Where that would not fit, what to mind is said shorter, and then only the gravest of
    it. With `everything` all readings, further adjustments and cautions are given.

    Parameters
    ----------
    notices : sequence of str
        Lines to end with, such as where the card was written.
    above : int
        Lines that the screen already holds.
    """
    plan = None if advice.recommended is None else advice.plans[advice.recommended]
    offered = plan if advice.verdict != "investigate" or advice.anyway else None
    if everything:
        mind = _what_to_mind(rotor, advice, offered)
        answer = _answer_lines(rotor, advice, offered)
        ending = _ending(_next_run(rotor, run, advice), *notices)
        return paragraphs([*mind, *_all_readings(rotor, run, advice, offered), answer, ending]) + "\n"
    room = ONE_SCREEN - above
    for tight in (False, True):
        text = (
            paragraphs(
                [
                    *_mind_in_short(rotor, advice, offered, tight=tight),
                    *_short_answer(rotor, run, advice, plan, offered, notices, tight=tight),
                ]
            )
            + "\n"
        )
        if _rows(text) <= room:
            return text
    answer = paragraphs(_short_answer(rotor, run, advice, plan, offered, notices, tight=True)) + "\n"
    return paragraphs([_gravest(rotor, advice, offered, room - _rows(answer) - 1), answer])


def _rows(text: str) -> int:
    """Return how many lines of the terminal a text takes; a name longer than a line takes several."""
    return sum(max(1, math.ceil(len(line) / width())) for line in text.splitlines())


def _ending(*lines: str) -> str:
    return "\n".join(wrap(line) for line in lines if line)


def _answer_lines(rotor: Rotor, advice: Advice, offered: Plan | None, *, tight: bool = False) -> str:
    """Return the headline, and what to do where a plan is offered."""
    answer = [wrap(_headline(rotor, advice))]
    if advice.verdict == "investigate" and offered is not None:
        sign = "Decided by, and why: " + "_" * 12
        answer += [wrap(f"{ANYWAY_IN_SHORT} {sign}")] if tight else [wrap(ANYWAY), f"  {sign}{'_' * 28}"]
    if offered is not None and offered.count:
        answer.append(_what_to_do(rotor, advice, offered))
    return "\n".join(answer)


def _short_answer(
    rotor: Rotor,
    run: Run,
    advice: Advice,
    plan: Plan | None,
    offered: Plan | None,
    notices: Sequence[str],
    *,
    tight: bool,
) -> list[str]:
    """Return the answer on one screen, in blocks: headline and plan, worst readings, what is next."""
    answer = _answer_lines(rotor, advice, offered, tight=tight)
    worst = "" if plan is None else _worst(rotor, run, plan, "likely" if offered else AT_BEST)
    after = _next_run(rotor, run, advice, tight=tight)
    if not tight:
        return [answer, worst, _ending(after, " ".join([*notices, MORE]), IN_SHORT)]
    ending = _ending(" ".join(filter(None, [after, *notices, MORE])), IN_SHORT)
    return ["\n".join(filter(None, [answer, worst, ending]))]


def _looks_first(advice: Advice) -> bool:
    return advice.verdict in ("stop", "investigate", "hold") and not advice.read_again


def _own_cautions(rotor: Rotor, advice: Advice, offered: Plan | None) -> list[str]:
    """Return the cautions of this advice, the gravest first, without the general ones and the causes."""
    causes = mechanical_causes(rotor.place)
    particular = [
        caution for caution in advice.cautions if caution not in (*general_cautions(), *causes, *advice.misread)
    ]
    if advice.verdict == "investigate" and offered is not None:
        kinds = [a.kind for a, row in zip(rotor.adjusters, offered.change, strict=True) if row.any()]
        particular += adjuster_cautions(kinds)
    return particular


def minded(rotor: Rotor, advice: Advice, offered: Plan | None) -> list[str]:
    """Return the cautions of this advice in short, the gravest first, without the standing ones."""
    said = (*advice.misread[:1], *_own_cautions(rotor, advice, offered))
    return in_short((caution for caution in said if caution != NO_CURE), shortest=True)


def _what_to_mind(rotor: Rotor, advice: Advice, offered: Plan | None) -> Iterable[str]:
    """Yield the causes to look for, and all cautions, in full."""
    yield "\n".join(wrap(words) for words in advice.misread)
    if _looks_first(advice):
        yield listed("Look for the cause first", mechanical_causes(rotor.place))
    yield listed("Cautions", [*_own_cautions(rotor, advice, offered), *general_cautions()])


def _mind_in_short(rotor: Rotor, advice: Advice, offered: Plan | None, *, tight: bool) -> Iterable[str]:
    """Yield the same for one screen: the first misreading, causes in a sentence, the cautions of this advice."""
    yield "\n".join(wrap(words) for words in in_short(advice.misread[:1], shortest=tight))
    if _looks_first(advice) and advice.verdict != "hold":  # what is said of the run on hold names them
        yield wrap(f"Look for the cause first: {MECHANICAL_IN_SHORT[rotor.place]}")
    # on one screen the headline says that no adjustment cures it
    particular = (caution for caution in _own_cautions(rotor, advice, offered) if caution != NO_CURE)
    yield listed("Cautions", in_short(particular, shortest=tight))


def _gravest(rotor: Rotor, advice: Advice, offered: Plan | None, room: int) -> str:
    """Return of what to mind as much as `room` lines hold, the gravest first, and how much more there is."""
    particular = (caution for caution in _own_cautions(rotor, advice, offered) if caution != NO_CURE)
    said = in_short(advice.misread[:1], shortest=True)
    if _looks_first(advice):
        said.append(f"Look for the cause first: {MECHANICAL_IN_A_LINE[rotor.place]}")
    said += in_fewest_lines(particular)
    packed: list[str] = []
    for words in said:
        together = f"{packed[-1]} {words}" if packed else words
        if packed and len(together) <= width() - 2:
            packed[-1] = together
        else:
            packed.append(words)
    items = [wrap(words, "- ") for words in packed]
    for kept in range(len(items), -1, -1):
        hidden = len(items) - kept
        more = [f"- {hidden} more to mind: add --all."] if hidden else []
        text = "\n".join(["Cautions", *items[:kept], *more])
        if _rows(text) <= room:
            return text
    return ""


def _all_readings(rotor: Rotor, run: Run, advice: Advice, offered: Plan | None) -> Iterable[str]:
    """Yield every reading now and as expected, what was not read, and what each further adjustment buys."""
    if offered is not None or advice.verdict == "investigate":
        yield _readings(rotor, run, offered)
    if offered is not None:
        yield _by_file_alone(rotor, run, offered)
        yield _unread(rotor, run, offered)
        yield "" if advice.verdict == "inside" else _ladder(advice)
    if advice.verdict == "learn" and any(plan.count for plan in advice.plans):
        yield "With what is known alone\n" + _ladder(advice)


def _next_run(rotor: Rotor, run: Run, advice: Advice, *, tight: bool = False) -> str:
    """Return what to run next, in the order in which it is flown."""
    if advice.read_again:
        return "Next run: the same again, in steadier conditions."
    if advice.verdict == "hold":
        return "Next run: only after somebody has said why."
    if advice.verdict in ("stop", "investigate"):
        return "Next run: only after the cause was looked for, on the ground first."
    if advice.verdict == "inside":
        return "" if advice.review.coverage.complete else "Next run: read what was not read."
    read = [regime.name for regime, taken in zip(rotor.regimes, run.regime_read, strict=True) if taken]
    unread = [regime.name for regime, taken in zip(rotor.regimes, run.regime_read, strict=True) if not taken]
    more = f"; changed by the plan and not read this time: {', '.join(unread)}" if unread else ""
    more = "; then what was not read" if more and tight else more  # the headline names it
    return f"Next run: {', '.join(read)} again{more}. Break off at a stop limit."


def _worst(rotor: Rotor, run: Run, plan: Plan, then: str) -> str:
    """Return the worst reading now and the worst one `then` ("likely" or "at best"), each now and then."""
    rows = _reading_rows(rotor, run, plan, by_file=then == AT_BEST)
    if not rows:
        return ""
    now, after = max(rows, key=lambda row: row.now / row.limit), max(rows, key=lambda row: row.after / row.limit)
    titled = [("worst now", now), (f"worst {then}", after)]
    if after is now:
        titled = [(f"worst now and {then}", now)]
    lines = [["", "", "now", then, "limit", ""]]
    for title, row in titled:
        lines.append([title, f"{cut(row.regime, 20)} {cut(row.reading, 20)}", *_numbers(row), row.unit])
    laid_out = table(lines, sides="<<>>><")
    if after is now and max(map(len, laid_out.splitlines())) > width():
        lines[1][0] = "worst"
        laid_out = table(lines, sides="<<>>><")
    return laid_out


@dataclass(frozen=True)
class _Row:
    """A reading now and as is likely after a plan, with the ends of its range; phases None for a spread."""

    regime: str
    reading: str
    unit: str
    now: float
    after: float
    limit: float
    ends: tuple[float, float] | None
    now_phase: str | None = None
    after_phase: str | None = None


def _reading_rows(rotor: Rotor, run: Run, plan: Plan | None, *, by_file: bool = False) -> list[_Row]:
    """Return the readings taken, in the rotor's order; without a plan they stay as they are.

    `by_file`: after the plan as the influence file alone has it, as "at best" is meant; else as is likely.
    """
    likely = plan.likely if plan else None
    amplitude, spread = (likely.amplitude, likely.spread) if likely else (np.abs(run.vibration), run.spread)
    if plan and by_file:
        amplitude, spread = np.abs(plan.vibration), np.ptp(plan.height, axis=1)
    turned = likely.vibration if likely else run.vibration
    rows = []
    for r, regime in enumerate(rotor.regimes):
        rows += [
            _Row(
                regime.name,
                rotor.sensors[s].name,
                rotor.sensors[s].unit,
                float(abs(run.vibration[r, s])),
                float(amplitude[r, s]),
                float(rotor.vibration_limit[r, s]),
                (float(likely.amplitude_low[r, s]), float(likely.amplitude_high[r, s])) if likely else None,
                phase_text(rotor, run.vibration[r, s]),
                phase_text(rotor, turned[r, s]),
            )
            for s in np.flatnonzero(run.vibration_read[r])
        ]
        if run.height_read[r]:
            limit = float(rotor.height_limit[r])
            ends = (float(likely.spread_low[r]), float(likely.spread_high[r])) if likely else None
            now, after = float(run.spread[r]), float(spread[r])
            rows.append(_Row(regime.name, "tip spread", rotor.height_unit, now, after, limit, ends))
    return rows


def _numbers(row: _Row) -> list[str]:
    return [number_words(row.now, row.limit), number_words(row.after, row.limit), f"{row.limit:.6g}"]


def _headline(rotor: Rotor, advice: Advice) -> str:
    """Return what the answer is, what of the rotor it is about, and what was not read, in a sentence or two."""
    worst, coverage = advice.review.worst_ratio or 0.0, advice.review.coverage
    unread = "" if coverage.complete else f" Not read: {coverage.what_was_not}."
    lead = f"{rotor.name}: {'STOP LIMIT OVERRIDDEN. ' if advice.overridden else ''}{_answer(advice, worst)}"
    if advice.verdict == "adjust" and not coverage.complete:
        unread = f" Chance for the regimes read alone ({coverage.what_was_read}); not read: {coverage.what_was_not}."
    return lead + unread


def _likely(advice: Advice, plan: Plan) -> str:
    if advice.blind:
        return f"how likely the next run is to be inside limits not known (no influence for {'; '.join(advice.blind)})"
    return f"chance {chance_words(plan.chance)} that the next run is inside limits"


def _answer(advice: Advice, worst: float) -> str:
    coverage = advice.review.coverage
    if advice.verdict == "stop" and not advice.review.stop:
        return (
            f"STOP. A stop limit was reached and not read again since (worst of the last run {times_words(worst)} of "
            "its limit)."
        )
    if advice.verdict == "stop":
        return f"STOP. A reading is at or above its stop limit (worst {times_words(worst)} of its limit)."
    if advice.verdict == "inside":
        if coverage.complete:
            return f"inside limits (worst reading {times_words(worst)} of its limit). No adjustment."
        where = f"in {coverage.what_was_read} only (worst {times_words(worst)} of its limit)"
        return f"inside {where}. No adjustment from these."
    if advice.verdict == "hold":
        return (
            "HOLD. A run is not as expected, and nobody has said why: no chance, no plan (worst reading now "
            f"{times_words(worst)} of its limit)."
        )
    if advice.verdict == "learn":
        return (
            f"NOT ENOUGH IS KNOWN to bring this inside limits (worst reading {times_words(worst)} of "
            "its limit). Make a trial first; no plan is recommended."
        )
    assert advice.recommended is not None
    plan = advice.plans[advice.recommended]
    if advice.read_again:
        return f"READ AGAIN. {'; '.join(map(str, advice.review.unclear))} (worst {times_words(worst)} of its limit)."
    if advice.verdict == "investigate":
        none = "" if advice.anyway else "; no plan is offered"
        return (
            f"INVESTIGATE. Adjusting could at best bring the worst reading to {times_words(plan.worst_ratio)} of its "
            f"limit (now {times_words(worst)}): find the cause first{none}."
        )
    return (
        f"{plan.size_words}, {_likely(advice, plan)} "
        f"(worst reading now {times_words(worst)} of its limit, likely {times_words(plan.worst_likely)})."
    )


def _what_to_do(rotor: Rotor, advice: Advice, plan: Plan) -> str:
    rows = []
    for a, b, amount in plan_adjustments(rotor, plan):
        before = advice.setting[a, b]
        words = f"[ ] {adjustment_words(rotor, a, b, amount, float(before))}"
        rows.append((words, f"(setting {before:.10g} -> {before + amount:.10g})"))
    lines = table(rows, left_aligned=2)
    if max(map(len, lines.splitlines())) > width():
        lines = "\n".join(wrap(" ".join(row), "  ") for row in rows)
    return "Do\n" + lines


def _readings(rotor: Rotor, run: Run, plan: Plan | None) -> str:
    """Return the readings against their limits, with what a plan is expected to make of them."""
    rows, wide = [("regime", "reading", "now", "likely", "95 % range", "limit", "unit", "")], phase_width(rotor)
    for row in _reading_rows(rotor, run, plan):
        now, after, limit = _numbers(row)
        if row.now_phase is not None and row.after_phase is not None:
            now, after = f"{now} at {row.now_phase:>{wide}}", f"{after} at {row.after_phase:>{wide}}"
        else:
            blank = " " * (4 + wide)
            now, after = now + blank, after + blank
        ends = " to ".join(number_words(end, row.limit) for end in row.ends or ())
        rows.append((row.regime, row.reading, now, after, ends, limit, row.unit, _mark(row.now, row.after, row.limit)))
    return table(
        [r if plan else (*r[:3], *r[5:]) for r in rows], sides="<<>>>><<" if plan else "<<>><<", lead="", names=2
    )


def _mark(now: float, after: float, limit: float) -> str:
    if not is_inside(after, limit):
        return "over"
    return "" if is_inside(now, limit) else "was over"


def _by_file_alone(rotor: Rotor, run: Run, plan: Plan) -> str:
    """Return which likely readings differ much from what the influence file alone would say."""
    likely, lines = plan.likely, []
    for r, s in np.argwhere(run.vibration_read):
        limit, nominal = float(rotor.vibration_limit[r, s]), float(abs(plan.vibration[r, s]))
        if _differ(nominal, float(likely.amplitude[r, s]), limit):
            sensor, number = rotor.sensors[s], number_words(nominal, limit)
            lines.append(f"{rotor.regimes[r].name}, {sensor.name} {number} {sensor.unit}{_over(nominal, limit)}")
    for r in np.flatnonzero(run.height_read):
        limit, nominal = float(rotor.height_limit[r]), float(np.ptp(plan.height[r]))
        if _differ(nominal, float(likely.spread[r]), limit):
            number = f"{number_words(nominal, limit)} {rotor.height_unit}"
            lines.append(f"{rotor.regimes[r].name}, tip spread {number}{_over(nominal, limit)}")
    if not lines or not plan.count:
        return ""
    said = "By the influence file alone, without what this aircraft's own readings tell of it: "
    return wrap(said + "; ".join(lines) + ".")


def _differ(nominal: float, likely: float, limit: float) -> bool:
    """Return whether two forecasts are on different sides of a limit and not near each other, or far apart."""
    apart = abs(nominal - likely) / limit
    return apart > _FAR_APART or (apart > _APART and (nominal > limit) != (likely > limit))


def _over(value: float, limit: float) -> str:
    return " (over)" if value > limit else ""


def _unread(rotor: Rotor, run: Run, plan: Plan) -> str:
    if not plan.count:
        return ""
    lines = []
    unit = phase_unit(rotor)
    for r, regime in enumerate(rotor.regimes):
        parts = [
            f"{sensor.name} {abs(change):.3f} {sensor.unit} at {phase_text(rotor, change)} {unit}"
            + _part(float(abs(change)), float(rotor.vibration_limit[r, s]))
            + _then(_likely_there(plan, r, s), float(rotor.vibration_limit[r, s]))
            for s, (sensor, change) in enumerate(zip(rotor.sensors, plan.vibration_change[r], strict=True))
            if not run.vibration_read[r, s]
        ]
        if not run.height_read[r] and np.isfinite(rotor.height_limit[r]):
            heights = plan.height_change[r]
            tips = f"tips {heights.min():+.1f} to {heights.max():+.1f} {rotor.height_unit}"
            limit = float(rotor.height_limit[r])
            parts.append(tips + _part(float(np.ptp(heights)), limit) + _then(_likely_there(plan, r, None), limit))
        if parts:
            lines.append(wrap(f"{regime.name}: {'; '.join(parts)}", "  ", hang=4))
    return "\n".join(["Expected change of what was not read", *lines]) if lines else ""


def _then(likely: dict[str, float], limit: float) -> str:
    """Return what is likely to be read there."""
    if not likely:
        return ""
    value, low, high = (number_words(v, limit) for v in likely.values())
    return f", likely then {value} ({low} to {high})"


def _part(change: float, limit: float) -> str:
    """Return a change as a part of the limit, where it may decide whether that reading passes."""
    return f" ({change / limit:.1f} of its limit)" if change >= _MUCH * limit else ""


def _ladder(advice: Advice) -> str:
    timed = advice.plans[0].minutes is not None
    rows = [(*(["minutes"] if timed else []), "adjustments", "chance", "worst / limit", "expected cost", "")]
    for m, plan in advice.rungs:
        mark = "<- recommended" if m == advice.recommended else ""
        proven = "" if plan.proven else " (not proven)"
        numbers = (chance_words(plan.chance), times_words(plan.worst_likely), f"{plan.expected_cost:.4g}")
        minutes = [f"{plan.minutes:g}"] if timed else []
        rows.append((*minutes, str(plan.count), *numbers, (mark + proven).strip()))
    title = "What more minutes buy" if timed else "What each further adjustment buys"
    lines = [title, table(rows, sides=">" * (len(rows[0]) - 1) + "<")]
    if any(more.chance < fewer.chance - WORTH_ONE_MORE for fewer, more in pairwise(advice.plans)):
        lines.append(wrap(CHANCE_MAY_FALL, "  "))
    return "\n".join(lines)
