"""A lesson in words: blocks of plain text, at most 100 characters wide."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

import numpy as np

from trackbal.aircraft.surprise import Surprise
from trackbal.base import cautions
from trackbal.base.text_layout import across, count, cut, listed, paragraphs, table, wrap
from trackbal.check.review import Reading, Review
from trackbal.lessons.lesson import Lesson, Visit
from trackbal.lessons.lesson_opening import Step, history_step, rotor_step
from trackbal.reports.advice_report import minded
from trackbal.runs.rotor import HEIGHT, Rotor
from trackbal.runs.words import adjustment_words, chance_words, phase_text, phase_unit, phase_width

_NO_WORSE = 0.05  # of a limit, and in chance: how much worse a smaller plan worth naming may be
_NEARLY = 0.98  # of the gain in cost: a smaller plan worth naming
_MOST_LISTED = 5  # notes named one by one


def lesson_steps(lesson: Lesson) -> tuple[Step, ...]:
    """Return the lesson step by step."""
    steps = [rotor_step(lesson), history_step(lesson)]
    for visit in lesson.visits:
        steps += _visit_steps(lesson, visit)
    return (*steps, _summary_step(lesson), _cautions_step(lesson))


# ---- one run --------------------------------------------------------------------------------


def _visit_steps(lesson: Lesson, visit: Visit) -> Iterator[Step]:
    """Yield what was read, what is asked of it, and only then what is concluded; the same of what was done."""
    rotor, n = lesson.rotor, visit.number
    facts = paragraphs([_readings(rotor, visit), _heights(rotor, visit), _remarks(visit)])
    yield Step(f"Run {n}: what was read", facts, run=n)
    yield Step(f"Run {n}: your turn", _plan_questions(visit), "question", n, "plan")
    yield Step(f"Run {n}: what stands out", paragraphs([_stands_out(rotor, visit), _doubts(visit)]), "answer", n)
    if visit.surprise is not None:
        yield Step(f"Run {n}: as expected?", _agreement(rotor, visit), "answer", n)
    yield Step(f"Run {n}: what trackbal says", _advice(lesson, visit), "answer", n, "plan")
    if visit.done is not None:
        yield Step(f"After run {n}: what the crew did", _done(rotor, visit), run=n)
        yield Step(f"After run {n}: your turn", _NEXT_QUESTION, "question", n, "next")
        yield Step(f"After run {n}: what to expect", _expected(visit), "answer", n, "next")


_NEXT_QUESTION = (
    "What do you expect of the next run?\nWhich reading will be the worst, and how large, as a part of its limit?"
)


def _plan_questions(visit: Visit) -> str:
    asked = ["What stands out? Is any reading hard to believe?"]
    if visit.surprise is not None:
        asked.append("Did the run come out as you expected? If not, what may have happened?")
    asked.append("Adjust, look for a cause, or leave it alone?")
    asked.append("If adjust: which blade, which adjuster, how much?")
    return "\n".join(wrap(line, "- ") for line in asked)


def _readings(rotor: Rotor, visit: Visit) -> str:
    """Return vibration as a table, regimes down, sensors across; * marks what is over its limit."""
    run = visit.run
    wide, columns = phase_width(rotor), []
    for s, sensor in enumerate(rotor.sensors):
        cells = []
        for r in range(len(rotor.regimes)):
            if not run.vibration_read[r, s]:
                cells.append("-")
                continue
            size = float(abs(run.vibration[r, s]))
            mark = "*" if size > rotor.vibration_limit[r, s] * (1.0 + 1e-9) else " "
            cells.append(f"{size:.3f} at {phase_text(rotor, run.vibration[r, s]):>{wide}}{mark}")
        columns.append([f"{cut(sensor.name)} ", f"{sensor.unit}, {phase_unit(rotor)} ", *cells])
    table_text = across(["regime", "", *(cut(r.name) for r in rotor.regimes)], columns)
    counts = np.unique(run.vibration_count[run.vibration_read])
    if not len(counts) or counts[-1] == 1:
        return table_text
    return f"{table_text}\n  Each is the mean of {' to '.join(map(str, counts[[0, -1][len(counts) == 1 :]]))} readings."


def _heights(rotor: Rotor, visit: Visit) -> str:
    """Return the tip heights, regimes down, blades across, with spread and limit."""
    run = visit.run
    read = np.flatnonzero(run.height_read)
    if not len(read):
        return ""
    first = [f"tips, {rotor.height_unit}", *(cut(rotor.regimes[r].name) for r in read)]
    spread = ["spread "]
    for r in read:
        over = run.spread[r] > rotor.height_limit[r] * (1.0 + 1e-9)
        spread.append(f"{run.spread[r]:.1f}{'*' if over else ' '}")
    columns = [spread, ["limit", *(f"{rotor.height_limit[r]:g}" for r in read)]]
    columns += [
        [cut(f"blade {blade}", 10), *(f"{run.height[r, b]:+.1f}" for r in read)] for b, blade in enumerate(rotor.blades)
    ]
    return across(first, columns)


def _stands_out(rotor: Rotor, visit: Visit) -> str:
    readings = visit.review.readings
    outside = [r for r in readings if not r.inside]
    if not outside:
        return wrap(f"All {len(readings)} readings are inside. The worst: {_reading_words(readings[0])}.")
    lines = [f"Over the limit (marked *): {len(outside)} of {count(len(readings), 'reading')}. The worst:"]
    lines += [f"  {_reading_words(reading)}" for reading in _worst_by_place(outside)[:3]]
    return "\n".join(lines)


def _worst_by_place(readings: Sequence[Reading]) -> list[Reading]:
    """Return the worst reading of each sensor, worst first, so that one sensor does not fill the list."""
    first: dict[str, Reading] = {}
    for reading in readings:
        first.setdefault(reading.sensor, reading)
    return list(first.values())


def _reading_words(reading: Reading) -> str:
    place = "tip spread" if reading.sensor == HEIGHT else cut(reading.sensor)
    stop = ", at or above its STOP limit" if reading.stopped else ""
    return (
        f"{place} in {cut(reading.regime)}, {reading.value:.3g} {reading.unit}, {reading.ratio:.2f} of its limit{stop}"
    )


def _remarks(visit: Visit) -> str:
    lines = [wrap(f"{regime}: {text}", "  ") for regime, text in visit.run.notes]
    info = dict.fromkeys(f"{heading} {text}" for _, heading, text in visit.run.info)
    if info:
        lines.append(wrap("; ".join(info), "  "))
    return "\n".join(["The crew wrote", *lines]) if lines else ""


def _doubts(visit: Visit) -> str:
    review: Review = visit.review
    lines = [wrap(finding.text, "- ") for finding in review.doubts]
    unread = [finding.text for finding in review.notes]
    if not lines:
        lines = ["Nothing in the readings is hard to believe."]
    else:
        lines = ["Hard to believe, check before anything is adjusted:", *lines]
    lines += [wrap(text, "- ") for text in unread[:_MOST_LISTED]]
    if len(unread) > _MOST_LISTED:
        lines.append(f"- and {len(unread) - _MOST_LISTED} more notes; trackbal check lists them")
    return "\n".join(lines)


# ---- against what was expected ----------------------------------------------------------------


def _agreement(rotor: Rotor, visit: Visit) -> str:
    judged = visit.surprise
    assert judged is not None
    parts = []
    if judged.dof:
        rows = [["regime", "reading", "measured", "expected", "off by"], *_farthest(rotor, visit, judged)]
        first, *rest = zip(*rows, strict=True)
        parts.append(wrap("Held against what the runs before and the work recorded lead to expect. Farthest off:"))
        parts.append(across(first, rest, left_aligned=2))
        hint = " The crew's notes may say what." if visit.run.notes and judged.surprising else ""
        parts.append(wrap(_believable(judged, visit.anew) + hint))
    else:
        parts.append("No reading was taken both times, so nothing can be compared.")
    if visit.unseen:
        names = ", ".join(rotor.regimes[r].name for r in visit.unseen)
        parts.append(wrap(f"Read for the first time, so nothing to compare with: {names}."))
    return "\n".join(parts)


def _believable(judged: Surprise, anew: bool) -> str:
    meaning = "sd: standard deviations of what is known of this aircraft and of the readings' noise together"
    if not judged.surprising:
        return (
            f"{meaning}. All readings together: as expected (chance {chance_words(judged.p)} of being so far off). "
            "Nothing suggests that a sign, a blade or an amount was mixed up."
        )
    if anew:
        return (
            f"{meaning}. All readings together: SURPRISING (chance {chance_words(judged.p)} of being so far off), "
            "though nothing was adjusted. A cause was looked for, as advised: taken to be found and put right, it ends "
            "that job. A new one begins with this run; the runs before it no longer count."
        )
    return (
        f"{meaning}. All readings together: SURPRISING (chance {chance_words(judged.p)} of "
        "being so far off). Something changed that was not written down as an "
        "adjustment, or was made otherwise than written down, or a reading is wrong. Find out which before relying "
        "on the next plan; a logbook offers none until then."
    )


def _farthest(rotor: Rotor, visit: Visit, judged: Surprise) -> list[list[str]]:
    """Return the three readings farthest from what was expected, in words."""
    found: list[tuple[float, list[str]]] = []
    for r, s in np.argwhere(judged.vibration_compared):
        sensor, off = rotor.sensors[s], float(np.sqrt(judged.vibration_chi2[r, s]))
        values = [
            f"{abs(v):.3f} {sensor.unit} at {phase_text(rotor, v):>{phase_width(rotor)}}"
            for v in (visit.run.vibration[r, s], judged.vibration[r, s])
        ]
        found.append((off, [cut(rotor.regimes[r].name), cut(sensor.name), *values]))
    for r in np.flatnonzero(judged.height_compared):
        b = int(np.argmax(np.abs(visit.run.height[r] - judged.height[r])))
        values = [f"{tips[r, b]:+.1f} {rotor.height_unit}" for tips in (visit.run.height, judged.height)]
        off = float(np.sqrt(judged.height_chi2[r]))
        found.append((off, [cut(rotor.regimes[r].name), cut(f"tip of blade {rotor.blades[b]}"), *values]))
    found.sort(key=lambda one: -one[0])
    return [[*words, f"{off:.1f} sd"] for off, words in found[:3]]


# ---- the advice and what was done --------------------------------------------------------------


def _advice(lesson: Lesson, visit: Visit) -> str:
    advice = visit.advice
    worst = advice.review.readings[0].ratio
    if advice.verdict == "inside":
        return wrap(f"Inside limits (worst reading {worst:.2f} of its limit). No adjustment: leave it alone.")
    if advice.verdict == "stop":
        causes = [wrap(c, "- ") for c in cautions.mechanical_causes(lesson.rotor.place)]
        stop = wrap("STOP: a reading is at or above its stop limit. No plan is offered; find the cause first:")
        if not advice.review.stop:
            before = "; ".join(advice.stops)
            stop = wrap(
                f"STOP: a stop limit was reached and not read again since ({before}). No plan is offered; find the "
                "cause first:"
            )
        return "\n".join([stop, *causes])
    if advice.verdict == "hold":
        return wrap(
            "HOLD. A run did not come out as the runs before and the work recorded lead to expect, and nobody has said "
            f"why. No plan is offered until then (worst reading {worst:.2f} of its limit)."
        )
    if advice.verdict == "learn":
        return wrap(
            f"NOT ENOUGH IS KNOWN of the adjusters to bring this inside limits (worst reading {worst:.2f} of its "
            "limit). No plan is recommended: a trial is, one adjustment of known size and the run again."
        )
    parts = []
    if advice.verdict == "investigate":
        assert advice.recommended is not None
        best = advice.plans[advice.recommended].worst_ratio
        parts.append(
            wrap(
                f"INVESTIGATE. Adjusting could at best bring the worst reading to {best:.2f} of its limit "
                f"(now {worst:.2f}). What the adjusters can do does not fit these readings, so something else "
                "makes them. Look for a mechanical cause first:"
            )
        )
        parts.append("\n".join(wrap(c, "- ") for c in cautions.mechanical_causes(lesson.rotor.place)))
        parts.append(wrap("No plan is offered: it would balance over the cause."))
        return paragraphs([*parts, _to_mind(lesson.rotor, visit)])
    plan = visit.plan
    assert plan is not None
    whole = visit.advice.review.coverage.complete
    whose = "that the next run is inside" if whole else "for the regimes read"
    parts.append(
        wrap(
            f"{plan.size_words}. Worst reading now {worst:.2f} of its limit, expected "
            f"{plan.worst_likely:.2f}; chance {whose}: {chance_words(plan.chance)}."
        )
    )
    if visit.found.learned:
        parts.append(
            wrap(
                "What the runs before it showed of this aircraft's own influence counts; the worst reading now is the "
                "best estimate from all of them."
            )
        )
    parts += [
        _plan_table(lesson.rotor, visit),
        _in_pieces(lesson.rotor, visit),
        _not_read(lesson.rotor, visit),
        _ladder(visit),
        _why(visit),
    ]
    barred = [wrap(f"{lesson.rotor.adjusters[a].name} is not advised on: {why}.", "- ") for a, why in advice.barred]
    return paragraphs([*parts, "\n".join(barred), _to_mind(lesson.rotor, visit)])


def _to_mind(rotor: Rotor, visit: Visit) -> str:
    """Return what the advice says is to be minded of this run, beside what is told of it elsewhere."""
    kinds = cautions.in_short(cautions.adjuster_cautions(cautions.KINDS))
    told = [*kinds, *(c for c in minded(rotor, visit.advice, visit.plan) if c.startswith("Not used"))]
    return listed("To be minded", [c for c in minded(rotor, visit.advice, visit.plan) if c not in told])


def _plan_table(rotor: Rotor, visit: Visit) -> str:
    rows = [("do", "installed", "worst reading without it")]
    setting = visit.advice.setting
    for one in visit.left_out:
        before = setting[one.adjuster, one.blade]
        words = adjustment_words(rotor, one.adjuster, one.blade, one.amount)
        where = "tip spread" if one.worst.sensor == HEIGHT else cut(one.worst.sensor)
        rows.append(
            (
                textwrap.shorten(words, 42, placeholder="…"),
                f"{before:g} -> {before + one.amount:g}",
                f"{one.worst.ratio:.2f} ({where}, {cut(one.worst.regime, 14)})",
            )
        )
    first, *rest = zip(*rows, strict=True)
    return across(first, rest, left_aligned=3)


def _in_pieces(rotor: Rotor, visit: Visit) -> str:
    """Return which pieces a plan exchanges, where hardware comes in pieces."""
    lines = []
    for one in visit.left_out:
        if rotor.adjusters[one.adjuster].pieces:
            before = float(visit.advice.setting[one.adjuster, one.blade])
            lines.append(wrap(adjustment_words(rotor, one.adjuster, one.blade, one.amount, before), "- "))
    return "\n".join(["Piece by piece", *lines]) if lines else ""


def _not_read(rotor: Rotor, visit: Visit) -> str:
    """Return what the plan is expected to change where nothing was read this time."""
    plan = visit.plan
    assert plan is not None
    lines = []
    for r in np.flatnonzero(~visit.run.regime_read):
        changes = [
            f"{cut(s.name)} by {abs(plan.vibration_change[r, i]):.2g} {s.unit}"
            + _then(None if plan.elsewhere is None else float(plan.elsewhere.amplitude[r, i]))
            for i, s in enumerate(rotor.sensors)
        ]
        if np.isfinite(rotor.height_limit[r]):
            tips = plan.height_change[r]
            then = _then(None if plan.elsewhere is None else float(plan.elsewhere.spread[r]), "a spread of ")
            changes.append(f"tips by {tips.min():+.1f} to {tips.max():+.1f} {rotor.height_unit}{then}")
        lines.append(wrap(f"{cut(rotor.regimes[r].name)}: {', '.join(changes)}", "- "))
    head = "Not read this time, so not weighed; there the plan is expected to change"
    if plan.elsewhere is not None:
        head += " (likely then, roughly, by what this aircraft read elsewhere)"
    return "\n".join([wrap(head), *lines]) if lines else ""


def _then(likely: float | None, what: str = "") -> str:
    """Return what is likely to be read there after the plan; nothing where that is not known."""
    return "" if likely is None or np.isnan(likely) else f" ({what}{likely:.2g})"


def _ladder(visit: Visit) -> str:
    advice = visit.advice
    timed = advice.plans[0].minutes is not None
    rows = [("minutes" if timed else "adjustments", "worst expected", "chance", "cost", "")]
    for m, plan in advice.rungs:
        mark = "  <- advised" if m == advice.recommended else ""
        cost = f"{plan.expected_cost:.4g}"
        rows.append((f"{plan.size:g}", f"{plan.worst_likely:.2f}", chance_words(plan.chance), cost, mark))
    head = "What each further adjustment buys"
    if visit.number == 1:
        head += " (cost: the squares of all readings over their limits, added up, with what is uncertain)"
    return "\n".join([wrap(head), table(rows, sides=">" * (len(rows[0]) - 1) + "<")])


def _why(visit: Visit) -> str:
    advice, plan = visit.advice, visit.plan
    assert plan is not None
    assert advice.recommended is not None
    fewer = [p for p in advice.plans[: advice.recommended] if p.count and p.size < plan.size]
    more = [p for p in advice.plans[advice.recommended + 1 :] if p.size > plan.size]
    wanted = chance_words(advice.wanted_chance)
    if plan.chance >= advice.wanted_chance:
        why = [f"It is the smallest plan with the wanted chance of {wanted}."]
        if fewer:
            best = fewer[-1]
            why.append(f"Why not fewer: with {best.size_words} the chance is {chance_words(best.chance)}.")
        if more:
            why.append("Why not more: every further one takes time and is one more place to go wrong.")
        return wrap(" ".join(why))
    why = [f"No plan of at most {count(len(advice.plans) - 1, 'adjustment')} reaches the wanted chance of {wanted}."]
    why.append("Advised is the plan with the best chance; of plans within 0.02 of it, the one of fewest adjustments.")
    why += _almost_as_good(visit)
    why.append("Be ready for another round: the next run shows how this aircraft answers.")
    return wrap(" ".join(why))


def _almost_as_good(visit: Visit) -> list[str]:
    """Return what to say of a smaller plan that brings nearly all of the advised plan's gain."""
    plans, plan = visit.advice.plans, visit.plan
    assert plan is not None
    gain = plans[0].expected_cost - plan.expected_cost
    for smaller in plans:
        part = (plans[0].expected_cost - smaller.expected_cost) / gain if gain > 0.0 else 0.0
        no_worse = smaller.worst_likely <= plan.worst_likely + _NO_WORSE and smaller.chance >= plan.chance - _NO_WORSE
        if 0 < smaller.count < plan.count and part >= _NEARLY and no_worse:
            return [
                f"{count(smaller.count, 'adjustment')} would bring nearly all of its gain in cost already: enough if "
                "time on the stand is short."
            ]
    return []


def _done(rotor: Rotor, visit: Visit) -> str:
    assert visit.done is not None
    advised = np.zeros_like(visit.done) if visit.plan is None else visit.plan.change
    if visit.unsaid:
        return wrap("Nobody has said what was done; it is taken that nothing was.")
    if not visit.done.any():
        nothing = "Nothing was adjusted."
        if visit.advice.verdict in ("investigate", "stop"):
            nothing += " The cause was to be looked for instead; what was found, notes may say."
        return wrap(nothing)
    if np.allclose(visit.done, advised, rtol=0.0, atol=1e-9):
        made = [
            wrap(adjustment_words(rotor, int(a), int(b), float(visit.done[a, b])), "- ")
            for b, a in np.argwhere(visit.done.T)
        ]
        return "\n".join([f"Exactly what was advised, {count(len(made), 'adjustment')}:", *made])
    lines = []
    for b, a in np.argwhere((visit.done != advised).T):
        did, said = float(visit.done[a, b]), float(advised[a, b])
        if did == 0.0:
            lines.append(wrap(f"left out: {adjustment_words(rotor, int(a), int(b), said)}", "- "))
        elif said == 0.0:
            lines.append(wrap(f"done though not advised: {adjustment_words(rotor, int(a), int(b), did)}", "- "))
        else:
            unit = rotor.adjusters[a].unit
            words = f"{adjustment_words(rotor, int(a), int(b), did)}, where {said:+g} {unit} was advised"
            lines.append(wrap(words, "- "))
    same = int(np.count_nonzero((visit.done != 0.0) & (visit.done == advised)))
    head = f"Not quite what was advised; {count(same, 'adjustment')} as advised, and"
    return "\n".join([head, *lines])


def _expected(visit: Visit) -> str:
    assert visit.then is not None
    return wrap(f"Expected of that: worst reading {_reading_words(visit.then)}.")


# ---- the end ----------------------------------------------------------------------------------


def _summary_step(lesson: Lesson) -> Step:
    visits = lesson.visits
    rows = [("run", "worst / limit", "verdict", "chance", "adjustments", "")]
    total = 0
    for visit in visits:
        made = 0 if visit.done is None else int(np.count_nonzero(visit.done))
        total += made
        chance = "" if visit.plan is None or visit.advice.verdict != "adjust" else chance_words(visit.plan.chance)
        worst = f"{visit.review.readings[0].ratio:.2f}"
        done = "" if visit.done is None else str(made)
        rows.append((str(visit.number), worst, visit.advice.verdict, chance, done, _how_done(visit)))
    start, end = visits[0].review.readings[0].ratio, visits[-1].review.readings[0].ratio
    state = "inside limits" if visits[-1].advice.verdict == "inside" else "NOT inside limits"
    said = (
        f"{count(len(visits), 'run')}, {count(total, 'adjustment')}: the worst reading went from {start:.2f} to "
        f"{end:.2f} of its limit; the last run is {state}."
    )
    return Step("Summary", paragraphs([table(rows, sides=">" * (len(rows[0]) - 1) + "<"), wrap(said)]), "answer")


def _cautions_step(lesson: Lesson) -> Step:
    adjusters = enumerate(lesson.rotor.adjusters)
    kinds = [a.kind for i, a in adjusters if any(_used(visit, i) for visit in lesson.visits)]
    warned = [*cautions.adjuster_cautions(kinds), *cautions.general_cautions()]
    return Step("Cautions", "\n".join(wrap(caution, "- ") for caution in warned))


def _how_done(visit: Visit) -> str:
    if visit.done is None:
        return ""
    if visit.unsaid:
        return "nobody has said"
    if visit.advice.verdict in ("investigate", "stop"):
        return "none, as advised" if not visit.done.any() else "adjusted all the same"
    if visit.plan is None:
        return ""
    return "as advised" if np.allclose(visit.done, visit.plan.change, rtol=0.0, atol=1e-9) else "not as advised"


def _used(visit: Visit, a: int) -> bool:
    return bool((visit.done is not None and visit.done[a].any()) or (visit.plan and visit.plan.change[a].any()))
