"""The job card: one page to print, carry to the aircraft, mark and file."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from trackbal.base import cautions
from trackbal.base.cautions import without_options
from trackbal.influence.coefficients import Influence
from trackbal.pages.card_pictures import buys_section, pictures_section
from trackbal.pages.card_readings import limits_section, readings_section, unread_section
from trackbal.pages.html import Html, blank_lines, bullets, check_boxes, join, page, table, tag
from trackbal.plan.advice import Advice, Plan
from trackbal.plan.forecast import Forecast
from trackbal.reports.advice_report import plan_adjustments
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.words import action_words, chance_words, many, past_words

#: Kinds of adjuster that are flight controls (common practice, no published source).
FLIGHT_CONTROLS = ("pitch_link", "sweep")


@dataclass(frozen=True)
class CardLabels:
    """What identifies a card; empty: a line to write on is left.

    Parameters
    ----------
    aircraft, run_label : str
        As the crew name them.
    limits_from : str
        Who set the limits, and from which manual and revision.
    influence_file, settings_file : str
        Where coefficients and installed settings came from; no settings file: all were taken as 0.
    """

    aircraft: str = ""
    run_label: str = ""
    limits_from: str = ""
    influence_file: str = ""
    settings_file: str = ""


def card(
    rotor: Rotor,
    run: Run,
    influence: Influence,
    advice: Advice,
    labels: CardLabels | None = None,
    look_at: Sequence[str] = (),
) -> str:
    """Return the job card of an advice as one HTML page that needs nothing else.

    The same input gives the same bytes.

    Parameters
    ----------
    look_at : sequence of str
        What may be recorded wrongly, for the check list that the card of a job on hold is.
    """
    labels = labels or CardLabels()
    plan = advice.to_write
    expected = None
    if plan is not None and plan.count:
        expected = plan.likely
    body = [_head(rotor, run, labels), _verdict(rotor, advice, plan), _own_cautions(rotor, advice)]
    body += [_what_to_do(rotor, advice, plan, labels, look_at)]
    body += [
        readings_section(
            rotor, run, expected, again=advice.verdict != "inside", new_page=plan is not None and plan.count > 0
        ),
        Html("") if advice.offered is None or _short(rotor, advice.offered) else _signs(rotor, advice.offered),
        limits_section(rotor, labels.limits_from),
        unread_section(rotor, run, plan),
        _next_run(rotor, run, advice, expected),
        tag("div", _cautions(rotor, advice), cls="together"),
        tag("div", _sources(run, influence, labels), cls="together"),
        pictures_section(rotor, run, expected),
        buys_section(advice),
    ]
    named = [f"Job card: {rotor.name}", labels.aircraft, labels.run_label]
    return page(named[0], body, running=", ".join(filter(None, named)))


def _head(rotor: Rotor, run: Run, labels: CardLabels) -> Html:
    facts = [("Rotor", rotor.name), ("Aircraft", labels.aircraft), ("Run", labels.run_label)]
    given = [Html(f"{join([name])}: {tag('strong', value)}") for name, value in facts if value]
    missing = [f"{name}:" for name, value in facts if not value]
    lines = blank_lines([*missing, "Date of run:", "Date of work:", "Job or work order:"])
    return join([tag("h1", "Rotor track and balance: job card"), tag("p", join(given, " · ")), lines])


def _verdict(rotor: Rotor, advice: Advice, plan: Plan | None) -> Html:
    worst, coverage = advice.review.readings[0], advice.review.coverage
    unread = "" if coverage.complete else f" Not read: {coverage.what_was_not}."
    where = f"{_label(rotor, worst.regime)}, {worst.what}"
    now = f"Worst reading now: {worst.ratio:.2f} of its limit ({where})."
    if advice.verdict == "stop":
        text = "STOP. Do not run and do not adjust until the cause is found."
        when = "is at or above its stop limit" if advice.review.stop else "reached its stop limit before, and stands"
        detail = f"A reading {when}. {now}"
    elif advice.verdict == "inside" and not coverage.complete:
        text = f"INSIDE IN {coverage.what_was_read} ONLY. Adjust nothing from these; read the rest."
        detail = f"Every reading taken is inside its limit. {now}"
    elif advice.verdict == "inside":
        text = "INSIDE LIMITS. Adjust nothing."
        detail = f"Every reading of the rotor was taken and is inside its limit. {now}"
    elif advice.read_again:
        text = "READ AGAIN. The readings contradict each other; adjust nothing from them."
        detail = f"{'; '.join(map(str, advice.review.unclear))}. {now}"
    elif advice.verdict == "investigate":
        assert advice.recommended is not None
        best = advice.plans[advice.recommended].worst_ratio
        text = "INVESTIGATE. Find the mechanical cause; adjust nothing."
        detail = f"{now} Adjusting could at best bring it to {best:.2f} of its limit: that does not cure the cause."
    elif advice.verdict == "hold":
        text = "HOLD. Find out why the run is not as expected; adjust nothing."
        detail = f"{now} It is not what the recorded work leads to expect, and nobody has said why."
    elif advice.verdict == "learn":
        text = "NOT ENOUGH IS KNOWN. Make a trial before adjusting."
        detail = f"{now} What is known of the adjusters cannot bring it inside; what is not known might."
    else:
        assert plan is not None
        whose = "that the next run is inside limits" if coverage.complete else "for the regimes read"
        likely = (
            "how likely it is to pass is not known" if advice.blind else f"chance {chance_words(plan.chance)} {whose}"
        )
        text = f"ADJUST. {plan.size_words}; {likely}."
        detail = f"{now} Likely after the work: {plan.worst_likely:.2f} of its limit."
    parts: list[object] = [text, tag("p", detail + unread)]
    if advice.overridden:
        parts.append(blank_lines(["Stop limit overridden by, reason, date:"], wide=True))
    return tag("div", *parts, cls="verdict")


def _own_cautions(rotor: Rotor, advice: Advice) -> Html:
    """Return what is said of this run alone; the standing cautions stand elsewhere on the card."""
    standing = {
        *cautions.general_cautions(),
        *cautions.mechanical_causes(rotor.place),
        *cautions.adjuster_cautions(cautions.KINDS),
    }
    particular = [without_options(caution) for caution in advice.cautions if caution not in standing]
    return tag("div", tag("h3", "Mind first"), bullets(particular), cls="together") if particular else Html("")


def _label(rotor: Rotor, regime: str) -> str:
    return rotor.regimes[rotor.regime_index(regime)].label


def _what_to_do(rotor: Rotor, advice: Advice, plan: Plan | None, labels: CardLabels, look_at: Sequence[str]) -> Html:
    parts: list[Html] = []
    if advice.verdict == "hold":
        parts += [tag("h2", "Look at the record first"), check_boxes([*look_at, *_RECORD])]
        parts.append(tag("p", "If an entry is wrong: trackbal log correct. Nothing is corrected by itself."))
    if advice.verdict in ("stop", "investigate", "hold") and not advice.read_again:
        parts += [tag("h2", "Look for the cause"), check_boxes(cautions.mechanical_causes(rotor.place))]
        parts.append(tag("p", "Tick what was looked at, and write down what was found:"))
        parts.append(blank_lines(["Found:", "Found:", "Looked at by, date:", "Decided by, date:"], wide=True))
    if advice.verdict == "investigate" and plan is not None and plan.count:
        parts += [
            tag("h2", "Plan shown on request, against the advice to find the cause first"),
            tag("p", f"Chance {chance_words(plan.chance)} that the next run is inside limits."),
            blank_lines(["Decided by, and why, date:"], wide=True),
            _checklist(rotor, advice, plan, labels),
        ]
    elif advice.verdict == "adjust" and plan is not None:
        parts += [tag("h2", "Do, walking from blade to blade"), _checklist(rotor, advice, plan, labels)]
    elif advice.verdict == "inside" and advice.review.coverage.complete:
        parts.append(tag("p", "Nothing is to be done for track and balance. The release is the licensed person's."))
        parts.append(_sign_off(["Read by", "Checked by", _RECORDED]))
    return join(parts)


def _checklist(rotor: Rotor, advice: Advice, plan: Plan, labels: CardLabels) -> Html:
    rows: list[Sequence[object]] = []
    box = Html('<span class="box"></span>')
    done = plan_adjustments(rotor, plan)
    for a, b, amount in done:
        adjuster, before = rotor.adjusters[a], float(advice.setting[a, b])
        signed = adjuster.minimum < 0.0
        settings = [f"{_setting(v, signed)} {adjuster.unit}" for v in (before, before + amount)]
        what = action_words(adjuster, amount, before)
        verb = past_words(adjuster.positive if amount > 0 else adjuster.negative)
        unit = adjuster.unit if adjuster.pieces else f"{many(adjuster.unit)} {verb}"
        rows.append((f"Blade {rotor.blades[b]}", what, *settings, box, tag("span", unit, cls="sense"), ""))
    headings = ("Blade", "Do", "Installed before", "Installed after", "Done", "Actual amount", "Initials")
    moved = {b for _, b, _ in done}
    idle = [blade for b, blade in enumerate(rotor.blades) if b not in moved]
    kinds = [a.kind for a, row in zip(rotor.adjusters, plan.change, strict=True) if row.any()]
    assumed = [] if labels.settings_file else [_ASSUMED]
    parts = [
        tag("div", box, " ", tag("strong", _COMPARE), *assumed, cls="first"),
        tag("div", bullets(cautions.in_short(cautions.adjuster_cautions(kinds))), cls="first"),
        table(headings, rows, kinds="tdbbtff", cls="todo"),
    ]
    if idle:
        parts.append(tag("p", f"Nothing to do on blade{'s' if len(idle) > 1 else ''} {', '.join(idle)}."))
    if _short(rotor, plan):
        parts.append(_signs(rotor, plan))
    controls = [
        f"Independent inspection, flight control: blade {rotor.blades[b]}, {rotor.adjusters[a].name.replace('_', ' ')}"
        for a, b, _ in done
        if rotor.adjusters[a].kind in FLIGHT_CONTROLS
    ]
    parts.append(_sign_off(["Work done by", *controls, "Checked by", "Tools and parts counted by", _RECORDED]))
    return join(parts)


def _short(rotor: Rotor, plan: Plan) -> bool:
    """Return whether a plan leaves room on its sheet for more than the work list and who signs for it."""
    controls = sum(rotor.adjusters[a].kind in FLIGHT_CONTROLS for a, _, _ in plan_adjustments(rotor, plan))
    return plan.count + controls <= _SHORT


_SHORT = 8  # rows
_RECORD = (
    "Every adjustment done: blade, adjuster, direction, amount, against the aircraft",
    "Adjustments made or undone that nobody wrote down",
    "Readings as written: sensor, unit, phase, regime, blade numbering",
    "Sensors, cables and tach as they were for the run before",
)
_REMOVED = "the cause was found and removed"
_RECORDED = "Entered in the aircraft's records, reference"
_COMPARE = (
    "'Installed before' agrees with what is on the aircraft, blade by blade. If it differs, do not start: plan again."
)
_ASSUMED = " No settings were given: 0 was taken as installed on every blade."


def _setting(value: float, signed: bool) -> str:
    text = f"{value:+.10g}" if signed and value else f"{value:.10g}"
    return text.replace("-", "\u2212")


def _signs(rotor: Rotor, plan: Plan) -> Html:
    """Return in a line which way each adjuster's setting goes."""
    words = [
        f"{adjuster.name.replace('_', ' ')}, “{adjuster.positive}” up, “{adjuster.negative}” down ({adjuster.unit}, "
        f"steps of {adjuster.step:g})"
        for adjuster, row in zip(rotor.adjusters, plan.change, strict=True)
        if row.any()
    ]
    return tag("p", f"Which way the setting goes: {'; '.join(words)}.", cls="note")


def _sign_off(people: Sequence[str]) -> Html:
    """Return lines to sign."""
    rows = [(who, "", "", "") for who in people]
    headings = ("Signatures", "Name, licence", "Signature", "Date")
    return tag("div", table(headings, rows, kinds="tfff", cls="sign"), cls="together")


def _next_run(rotor: Rotor, run: Run, advice: Advice, expected: Forecast | None) -> Html:
    if advice.verdict == "inside" and advice.review.coverage.complete:
        return Html("")
    parts = [tag("h2", "Next run")]
    if advice.verdict in ("stop", "investigate", "hold") and advice.offered is None and not advice.read_again:
        when = "somebody has said why this run is not as expected" if advice.verdict == "hold" else _REMOVED
        text = (
            f"Only after {when} and a licensed person allows it. Begin on the ground, read again what was read this "
            "time, and break off at a stop limit."
        )
        return join([*parts, tag("p", text)])
    again = [r.label for r, read in zip(rotor.regimes, run.regime_read, strict=True) if read]
    unread = [r.label for r, read in zip(rotor.regimes, run.regime_read, strict=True) if not read]
    items = [
        f"Read again, in this order and in the same configuration: {'; '.join(again)}.",
        "Write the readings into the column 'next run' above, or into a blank run sheet, and record what was truly "
        "done if it differs from this card.",
    ]
    if unread:
        why = "" if expected is None else ", as the plan changes them"
        items.append(f"Read too{why}: {'; '.join(unread)}.")
    if expected is not None:
        items.append(
            "A reading outside its 95 % range is a surprise: check blade, direction and amount of what was done, "
            "and the readings, before adjusting further."
        )
    items.append(cautions.BEFORE_START[rotor.place])
    items.append(
        "Begin on the ground. Go on to the next condition only if the manual's figure for it is met and the pilot "
        "agrees; break off at a stop limit."
    )
    return join([*parts, bullets(items)])


def _cautions(rotor: Rotor, advice: Advice) -> Html:
    notes = [note.text for note in advice.review.notes]
    plan = advice.to_write
    kinds = [a.kind for a, row in zip(rotor.adjusters, plan.change, strict=True) if row.any()] if plan else []
    parts = [tag("h2", "Cautions"), bullets([*cautions.general_cautions(), *cautions.adjuster_cautions(kinds)])]
    if notes:
        parts += [tag("h3", "Notes on the readings"), bullets(notes)]
    return join(parts)


def _sources(run: Run, influence: Influence, labels: CardLabels) -> Html:
    files = [
        f"Readings: {os.path.basename(run.source) or 'not from a file'}",
        f"Influence: {os.path.basename(labels.influence_file) or 'not from a file'}",
        f"Settings: {os.path.basename(labels.settings_file) or 'none given'}",
    ]
    jobs, runs = influence.source.get("jobs"), influence.source.get("runs")
    if jobs and runs:
        files[1] += f" ({runs} runs of {jobs} jobs)"
    said = [f"{regime}: {text}" for regime, text in run.notes] + [f"{r}, {h}: {t}" for r, h, t in run.info]
    parts = [tag("h2", "Where this card comes from"), tag("p", "; ".join(files) + ".", cls="note")]
    if said:
        parts.append(tag("p", "Written on the run sheet: " + "; ".join(said) + ".", cls="note"))
    parts.append(
        tag(
            "p",
            "trackbal advises from numbers; it never releases an aircraft. File this card with the job.",
            cls="note",
        )
    )
    return join(parts)
