"""A job, its runs and their explanations as text for the terminal and as JSON."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Any

import numpy as np

from trackbal.aircraft.surprise import Surprise
from trackbal.base.cautions import IN_SHORT, MECHANICAL_IN_SHORT, general_cautions, mechanical_causes, no_further
from trackbal.base.text_layout import across, count, cut, listed, number_words, paragraphs, table, times_words, wrap
from trackbal.check.coverage import coverage_json
from trackbal.check.review import Review, check_run, held_at
from trackbal.check.stages import stage_words
from trackbal.logbook.entries import copy_of
from trackbal.logbook.records import Items, JobRecord, RunRecord
from trackbal.logbook.rows import Row, run_of_rows
from trackbal.logbook.run_table import run_table
from trackbal.logbook.standing import Ahead, RunStanding, Standing, StopReached, draft_review
from trackbal.plan.advice import settings_outside
from trackbal.plan.forecast import Forecast
from trackbal.records.explanations import ALIKE, Explanation
from trackbal.runs.identity import date_text, read_date
from trackbal.runs.rotor import Rotor
from trackbal.runs.words import action_words, adjustment_words, done_words

_MOST_SHOWN = 5
_MOST_LIKELY = 3

NEXT = {
    "run": "Next: run, and enter it (trackbal log run).",
    "finish": "Next: go on typing the run (trackbal log run).",
    "advise": "Next: get advice (trackbal log advise).",
    "explain": "HOLD. Next: find out why {runs} surprising; then put the record right (trackbal log correct), "
    "close the job with what was found (trackbal log close --finding), or sign that record and readings were checked "
    "(trackbal log checked).",
    "investigate": "Next: look for a mechanical cause. When one was found and put right, close the job with it "
    "(trackbal log close --finding) and start the next job: what is run then is another rotor to this record. If none "
    "was found, run again and enter it (trackbal log run).",
    "trial": "Next: choose a trial (trackbal log trial).",
    "done": "Next: record what was done (trackbal log done).",
    "read": "Inside limits so far, but not everything was read. Next: run and read the rest (trackbal log run).",
    "close": "Every reading is inside its limit. Next: close the job (trackbal log close), if the manual agrees.",
    "stop": "STOP: a reading is at or above its stop limit. Find the cause before any adjustment; run again only after "
    "that, on the ground first.",
    "closed": "The job is closed.",
}


def items_words(rotor: Rotor, items: Items) -> list[str]:
    """Return items in words, blade by blade."""
    places = [(b, a) for b in range(len(rotor.blades)) for a in range(len(rotor.adjusters))]
    named = [(rotor.blades[b], rotor.adjusters[a].name, a, b) for b, a in places]
    return [
        adjustment_words(rotor, a, b, float(items[blade, adjuster]))
        for blade, adjuster, a, b in named
        if (blade, adjuster) in items
    ]


# ------------------------------------------------------------------------------ JSON


def job_json(record: JobRecord, standing: Standing) -> dict[str, Any]:
    """Return where a job stands as plain data; numbers are not rounded."""
    return {
        "job": record.name,
        "aircraft": record.aircraft,
        "rotor": record.rotor.name,
        "started": record.stamp.at,
        "by": record.stamp.author,
        "outcome": record.outcome,
        "next": standing.next,
        "finished": standing.finished,
        **(coverage_json(standing.coverage) if standing.coverage is not None else {}),
        "runs": [_run_json(record, run, at_run) for run, at_run in zip(record.runs, standing.runs, strict=True)],
        "outside_before": list(standing.left),
        "stops": [
            {
                "run": stop.run,
                "regime": stop.reading.regime,
                "sensor": stop.reading.sensor,
                "value": stop.reading.worst_of_two,
                "stop": stop.reading.stop,
                "unit": stop.reading.unit,
            }
            for stop in standing.stops
        ],
        "typing": None
        if record.draft is None
        else {"rows": len(record.draft.rows), "since": record.draft.stamp.at, "stop": standing.typing_stopped},
        "settings": _items_json(record, record.settings_text(), "setting"),
        "notes": [
            {"text": n.text, "run": _number(record, n.run), "at": n.stamp.at, "by": n.stamp.author}
            for n in record.notes
        ],
        "surprising": standing.surprising,
        "hold": [t + 1 for t in standing.on_hold],
        "checked": [
            {
                "run": _number(record, c.run),
                "reason": c.reason,
                "at": c.stamp.at,
                "by": c.stamp.author,
                "stale": c.stale,
            }
            for c in record.checks
        ],
        "preferences": record.preferences.as_options(),
        "finding": record.finding,
        "explanations": [explanation_json(record.rotor, e) for e in standing.explanations],
        "likely": None
        if standing.ahead is None
        else {"after": standing.ahead.after, **_likely_json(record.rotor, standing.ahead.likely)},
        "cautions": _cautions(record, standing),
    }


def hold_json(record: JobRecord, standing: Standing) -> dict[str, Any]:
    """Return what a job is on hold for as plain data: the runs, how surprising, what may explain it."""
    surprise = standing.runs[standing.on_hold[-1]].surprise
    assert surprise is not None
    return {
        "hold": [t + 1 for t in standing.on_hold],
        "surprise": surprise_json(record.rotor, surprise),
        "explanations": [explanation_json(record.rotor, e) for e in standing.explanations],
    }


def _run_json(record: JobRecord, run: RunRecord, at_run: RunStanding) -> dict[str, Any]:
    advice = record.latest_advice(run)
    done = record.done.get(run.entry)
    return {
        "run": run.number,
        "at": run.stamp.at,
        "by": run.stamp.author,
        "source": run.source,
        "worst": at_run.review.worst_ratio if at_run.review.readings else None,
        "inside": at_run.review.inside,
        "stop": at_run.stopped,
        "finished": at_run.review.finished,
        "no_further": sorted({r.regime for r in at_run.review.no_further}, key=record.rotor.regime_index),
        "doubts": [f.text for f in at_run.review.doubts],
        "surprise": None if at_run.surprise is None else surprise_json(record.rotor, at_run.surprise),
        "likely": None if at_run.likely is None else _likely_json(record.rotor, at_run.likely),
        "advised": None if advice is None else _items_json(record, advice.items, "amount"),
        "verdict": None if advice is None else advice.verdict,
        "done": None if done is None else _items_json(record, done, "amount"),
    }


def _likely_json(rotor: Rotor, likely: Forecast) -> dict[str, Any]:
    """Return what a run was, or is, likely to read as plain data, as `log advise` gives it of its plan."""
    return {"worst": likely.worst_ratio(rotor), "ranges": likely.ranges(rotor)}


def surprise_json(rotor: Rotor, judged: Surprise) -> dict[str, Any]:
    """Return a surprise as plain data, with the readings that are farthest off first."""
    parts = [
        {"regime": rotor.regimes[r].name, "sensor": rotor.sensors[s].name, "chi2": float(judged.vibration_chi2[r, s])}
        for r in range(len(rotor.regimes))
        for s in range(len(rotor.sensors))
        if judged.vibration_compared[r, s]
    ]
    parts += [
        {"regime": rotor.regimes[r].name, "sensor": "height", "chi2": float(judged.height_chi2[r])}
        for r in range(len(rotor.regimes))
        if judged.height_compared[r]
    ]
    parts.sort(key=lambda part: -float(str(part["chi2"])))
    return {"chi2": judged.chi2, "dof": judged.dof, "p": judged.p, "surprising": judged.surprising, "readings": parts}


def explanation_json(rotor: Rotor, found: Explanation) -> dict[str, Any]:
    """Return an explanation as plain data."""
    change = None
    if found.change is not None:
        change = [
            {"blade": blade, "adjuster": adjuster.name, "amount": float(found.change[a, b])}
            for b, blade in enumerate(rotor.blades)
            for a, adjuster in enumerate(rotor.adjusters)
            if found.change[a, b]
        ]
    return {
        "kind": found.kind,
        "text": found.text,
        "gain": found.gain,
        "score": found.score,
        "p": found.p,
        "done": change,
    }


def _items_json(record: JobRecord, items: Items, value: str) -> list[dict[str, str]]:
    listed = record.in_order(items).items()
    return [{"blade": blade, "adjuster": adjuster, value: text} for (blade, adjuster), text in listed]


def _number(record: JobRecord, run: int | None) -> int | None:
    return next((r.number for r in record.runs if r.entry == run), None)


def _cautions(record: JobRecord, standing: Standing) -> list[str]:
    said = []
    if standing.on_hold and not standing.explanations:
        said += mechanical_causes(record.rotor.place)
    return said + general_cautions()


# ------------------------------------------------------------------------------ text


def job_text(record: JobRecord, standing: Standing) -> str:
    """Return where a job stands as text."""
    rotor = record.rotor
    head = f"Job {record.name}: {record.aircraft}, {rotor.name}. Started {record.stamp.at} by {record.stamp.author}."
    blocks = [wrap(head, ""), _runs_text(record, standing), _order_text(record)]
    settings = _settings_text(record)
    if settings:
        blocks.append(settings)
    if standing.ahead is not None:
        blocks.append(_ahead_text(rotor, standing.ahead))
    notes = [f"{n.stamp.at} {n.stamp.author}: {n.text}" for n in record.notes]
    if notes:
        blocks.append("\n".join(["Notes", *(wrap(note, "- ") for note in notes)]))
    blocks += [
        wrap(f"Run {_number(record, c.run)} checked by {c.stamp.author}, {c.stamp.at}: {c.reason}")
        for c in record.checks
        if not c.stale
    ]
    if standing.on_hold:
        blocks.append(hold_text(record, standing))
    if record.finding:
        blocks.append(wrap(f"Found: {record.finding}"))
    if record.draft is not None:
        blocks.append(f"A run is being typed ({count(len(record.draft.rows), 'regime')} so far).")
        typed = draft_review(record, record.draft).readings
        blocks.append(_stop_words([StopReached(0, one) for one in typed if one.stopped], 0))
    for run in record.runs:
        if run.entry in record.answers:
            blocks.append(
                wrap(
                    f"What was done after run {run.number} is answered in part "
                    f"({len(record.answers[run.entry])} so far) and does not count yet: trackbal log done --ask.",
                    "",
                )
            )
    if record.preferences and record.outcome is None:
        kept = "; ".join(words for words, _ in record.preferences.one_by_one())
        blocks.append(wrap(f"Plans of this job keep to: {kept}."))
    if record.outcome is not None:
        blocks.append(wrap(f"Closed: {record.outcome}"))
    if standing.runs:
        blocks.append(stop_text(standing))
        blocks.append(_stage_text(rotor, standing.runs[-1].review))
    blocks.append(next_text(standing))
    return paragraphs(blocks) + "\n"


def corrected_text(standing: Standing, said: str, run: int | None) -> str:
    """Return what was `said` of an entry, what is hard to believe in the run it corrected, and where the job stands."""
    doubts = [] if run is None else [finding.text for finding in standing.runs[run - 1].review.doubts]
    blocks = [said, listed("Doubts", doubts), stop_text(standing), next_text(standing)]
    return paragraphs(blocks) + "\n"


def _stage_text(rotor: Rotor, review: Review) -> str:
    """Return how far a run has come, and from where the user's own figures do not allow to go on."""
    return "\n".join(map(wrap, [stage_words(rotor, review), *no_further(held_at(rotor, review))]))


def next_text(standing: Standing) -> str:
    """Return what comes next, and what of the rotor was not read since it was last changed."""
    held = [str(t + 1) for t in standing.on_hold]
    runs = f"runs {' and '.join(held)} are" if len(held) > 1 else f"run {''.join(held)} is"
    lines = [wrap(NEXT[standing.next].format(runs=runs))]
    if standing.left:
        lead = "Next: read all of it again in one run (trackbal log run). " if standing.next == "read" else ""
        lines = [] if lead else lines
        lines.append(wrap(f"{lead}Outside and not read again since: {'; '.join(standing.left)}."))
    if standing.coverage is not None and not standing.coverage.complete:
        lines.append(wrap(f"Not read since the last change: {standing.coverage.what_was_not}.", ""))
    return "\n".join(lines)


def run_text(record: JobRecord, standing: Standing) -> str:
    """Return how the run just entered looks, as text."""
    last, run = standing.runs[-1], record.runs[-1]
    review = last.review
    head = f"Recorded: job {record.name}, run {run.number}"
    if review.readings:
        worst = review.readings[0]
        whole = "inside limits" if review.coverage.complete else f"inside in {review.coverage.what_was_read} only"
        state = "STOP LIMIT REACHED" if last.stopped else whole if review.inside else "outside limits"
        head += f": {state}; worst {times_words(worst.ratio)} of its limit ({worst.regime}, {worst.what})."
    else:
        head += "."
    blocks = [listed("Doubts", [finding.text for finding in review.doubts]), wrap(head)]
    blocks.append(stop_text(standing))
    blocks.append(_stage_text(record.rotor, review))
    blocks.append(_order_text(record))
    if standing.on_hold:
        blocks.append(hold_text(record, standing))
    elif last.surprise is not None and last.surprise.dof:
        blocks.append(wrap(f"The readings are as the recorded work leads to expect{_rarity_words(last.surprise.p)}."))
    if len(record.runs) > 1 and record.runs[-2].entry not in record.done:
        blocks.append(
            wrap(
                f"Nobody has said what was done after run {record.runs[-2].number}; it is taken that nothing was. "
                f"If something was: trackbal log done --after {record.runs[-2].number}.",
                "",
            )
        )
    blocks.append(next_text(standing))
    return paragraphs(blocks) + "\n"


def _order_text(record: JobRecord) -> str:
    """Return which runs are dated before one entered earlier: runs count in the order in which they were entered."""
    dated: list[tuple[int, np.datetime64]] = []
    for number, run in enumerate(record.runs, 1):
        dates = [read_date(row["date"].text) for row in run.rows if "date" in row]
        if dates and dates[-1] is not None:
            dated.append((number, dates[-1]))
    said = []
    for (number, date), (after, later) in pairwise(dated):
        by_day = any(date_text(d) == date_text(d.astype("datetime64[D]")) for d in (date, later))
        if later.astype("datetime64[D]") < date.astype("datetime64[D]") or (not by_day and later < date):
            said.append(
                f"Run {after} is dated {date_text(later)}, before run {number} ({date_text(date)}), but counts after "
                "it, as it was entered."
            )
    return "\n".join(map(wrap, said))


def typed_text(record: JobRecord, run: RunRecord) -> str:
    """Return a run as it was typed, as tables, with the run before it beside."""
    assert run.number is not None
    before = record.runs[run.number - 2].rows if run.number > 1 else ()
    head = f"Job {record.name}, run {run.number}, {run.stamp.at}, {run.stamp.author}, from {run.source}."
    return paragraphs([wrap(head), run_table(record.rotor, run.rows, before)]) + "\n"


def typed_json(record: JobRecord, run: RunRecord) -> dict[str, Any]:
    """Return a run as it was typed as plain data: for each row its cells, `typed` and `unit` (null: the rotor's)."""
    rows = [{name: {"typed": cell.text, "unit": cell.unit} for name, cell in row.items()} for row in run.rows]
    return {"job": record.name, "run": run.number, "at": run.stamp.at, "by": run.stamp.author, "rows": rows}


def stop_text(standing: Standing) -> str:
    """Return which readings at a stop limit were not read again since, and what to do; nothing if none is."""
    return _stop_words(standing.stops, len(standing.runs))


def _stop_words(stops: Sequence[StopReached], last: int) -> str:
    """Return stops in words, those of runs before the `last` with their run."""
    return "\n".join(
        wrap(
            f"STOP. {'' if stop.run == last else f'Run {stop.run}, '}{stop.reading.regime}, {stop.reading.what}: "
            f"{stop.reading.worst_of_two:.4g} {stop.reading.unit}, stop limit {stop.reading.stop:g}"
            f"{'' if stop.run == last else '; not read again since'}. Stop running and find the cause; "
            "adjust nothing over it."
        )
        for stop in stops
    )


def doubts_of_rows(record: JobRecord, rows: Sequence[Row], source: str) -> list[str]:
    """Return what is hard to believe in a run that is not recorded yet. Raises InputError if it is no run."""
    copied = copy_of(record, rows, source)
    said = [] if copied is None else [f"These are the readings of run {copied} again. Is it the same sheet?"]
    since = max((run.entry for run in record.runs), default=0)
    bent = {
        blade
        for after, items in record.done.items()
        for blade, name in items
        if after >= since and record.rotor.adjusters[record.rotor.adjuster_index(name)].kind == "tab"
    }
    for finding in check_run(record.rotor, run_of_rows(record.rotor, rows, source)).doubts:
        own_tab = finding.kind == "tip_elsewhere" and str(finding.place).removeprefix("height.") in bent
        said.append(finding.text + ("; its tab was changed since, which acts the more the faster it flies" * own_tab))
    return said


def doubts_text(doubts: Sequence[str]) -> str:
    """Return doubts as text."""
    return listed("Hard to believe:", doubts) + "\n"


def done_text(record: JobRecord, run: RunRecord, items: Items) -> str:
    """Return what was recorded as done, as text: the sense in words, and the settings before and after."""
    lines = [f"Recorded as done after run {run.number} of job {record.name}:"]
    advice, settings = record.latest_advice(run), record.settings_text()
    for (blade, name), text in record.in_order(items).items():
        adjuster, after = record.rotor.adjusters[record.rotor.adjuster_index(name)], Decimal(settings[blade, name])
        done = f"blade {blade}, {name.replace('_', ' ')}: {done_words(adjuster, float(text))}"
        if not Decimal(text):
            done = f"blade {blade}, {name.replace('_', ' ')}: not done"
        advised = advice.items.get((blade, name)) if advice else None
        other = ""
        if advised is not None and Decimal(advised) != Decimal(text):
            way = "THE OTHER WAY: advised was" if Decimal(advised) * Decimal(text) < 0 else "advised was"
            other = f"; {way} to {action_words(adjuster, float(advised))}"
        lines.append(wrap(f"{done}, setting {after - Decimal(text):f} to {after:f}{other}", "  "))
    if not items:
        lines.append("  nothing")
    return "\n".join([*lines, ""])


def close_json(record: JobRecord, standing: Standing) -> dict[str, Any]:
    """Return the summary of a closed job as plain data."""
    return job_json(record, standing) | _totals(record)


def close_text(record: JobRecord, standing: Standing) -> str:
    """Return the summary of a closed job as text."""
    totals = _totals(record)
    lines = [
        f"Job {record.name} closed: {count(totals['runs_made'], 'run')}, {count(totals['adjustments'], 'adjustment')}."
    ]
    if standing.runs and standing.runs[-1].review.readings:
        first, last = standing.runs[0].review, standing.runs[-1].review
        state = "inside limits" if standing.finished else "NOT inside limits"
        if standing.inside and standing.coverage is not None and not standing.coverage.complete:
            state = f"inside in {standing.coverage.what_was_read} only"
        lines.append(
            wrap(
                f"Worst reading {times_words(first.worst_ratio)} of its limit at first, "
                f"{times_words(last.worst_ratio)} now: {state}."
            )
        )
    advice = record.latest_advice(record.runs[-1]) if record.runs else None
    if advice is not None and advice.items and advice.run not in record.done:
        open_work = (
            f"Nobody has said what was done after run {len(record.runs)}, where work was advised: the settings are "
            "taken as before it. If any was done: trackbal log correct done."
        )
        lines.append(wrap(open_work))
    lines += ["", job_text(record, standing)]
    return "\n".join(lines) + IN_SHORT + "\n"


def _totals(record: JobRecord) -> dict[str, Any]:
    return {
        "runs_made": len(record.runs),
        "adjustments": sum(len(items) for items in record.done.values()),
    }


def _runs_text(record: JobRecord, standing: Standing) -> str:
    if not record.runs:
        return "No run yet."
    lines = ["run  worst/limit  likely before  as expected?       "]
    for run, at_run in zip(record.runs, standing.runs, strict=True):
        worst = times_words(at_run.review.worst_ratio) if at_run.review.readings else "-"
        state = "STOP" if at_run.stopped else _inside_words(at_run)
        before = "-" if at_run.likely is None else times_words(at_run.likely.worst_ratio(record.rotor))
        lines.append(f"{run.number:>3}  {worst:>11}  {before:>13}  {_expected_words(at_run):<18}  {state}")
        lines += _deeds_lines(record, run)
    return "\n".join(lines)


def _ahead_text(rotor: Rotor, ahead: Ahead) -> str:
    """Return the worst of what the next run is likely to read."""
    rows: list[tuple[float, tuple[str, ...]]] = []
    for one in ahead.likely.ranges(rotor):
        r = next(i for i, regime in enumerate(rotor.regimes) if regime.name == one["regime"])
        if "sensor" in one:
            s = next(i for i, sensor in enumerate(rotor.sensors) if sensor.name == one["sensor"])
            what, limit, unit = cut(one["sensor"], 20), float(rotor.vibration_limit[r, s]), rotor.sensors[s].unit
        else:
            what, limit, unit = "tip spread", float(rotor.height_limit[r]), rotor.height_unit
        if not np.isfinite(limit):
            continue
        likely, low, high = (number_words(one[key], limit) for key in ("likely", "low", "high"))
        cells = (cut(one["regime"], 20), what, likely, f"({low} to {high})", f"limit {limit:g} {unit}")
        rows.append((one["likely"] / limit, cells))
    rows.sort(key=lambda row: -row[0])
    what = "what was done" if ahead.after == "done" else "the plan advised"
    lead = f"Likely in the next run after {what} (95 in 100 between):"
    return wrap(lead, "") + "\n" + table([cells for _, cells in rows[:_MOST_LIKELY]], sides="<<>>>")


def _inside_words(at_run: RunStanding) -> str:
    if not at_run.review.inside:
        return "outside"
    read = at_run.review.coverage
    part = f"{read.whole} of {read.regimes} regimes" if read.whole else f"{read.taken} of {read.wanted} readings"
    return "inside" if read.complete else f"inside in {part}"


def _expected_words(at_run: RunStanding) -> str:
    if at_run.surprise is None or at_run.surprise.dof == 0:
        return "-"
    if at_run.surprise.surprising:
        return "SURPRISING"
    return f"yes{_rarity_words(at_run.surprise.p).replace(', though', ',').replace(' is as far off', '')}"


def _deeds_lines(record: JobRecord, run: RunRecord) -> list[str]:
    rotor, done, advice = record.rotor, record.done.get(run.entry), record.latest_advice(run)
    lead = " " * 7
    lines = []
    if done is not None:
        lines += [f"{lead}done: {words}" for words in items_words(rotor, done)] or [f"{lead}done: nothing"]
        if advice is not None:
            missed = {place: text for place, text in advice.items.items() if float(text) != float(done.get(place, "0"))}
            lines += [f"{lead}advised otherwise: {words}" for words in items_words(rotor, missed)]
    elif advice is not None:
        if advice.stale or (advice.renewed and run is record.runs[-1]):
            lines.append(f"{lead}record, limits or influence changed after this advice: ask again")
        trial = " as a trial" if advice.verdict == "learn" else ""
        lines += [f"{lead}advised{trial}: {words}" for words in items_words(rotor, advice.items)] or [
            f"{lead}advised: {'a trial, as not enough is known' if advice.verdict == 'learn' else advice.verdict}"
        ]
    if done is None and run is not record.runs[-1]:
        lines.append(f"{lead}nobody has said what was done after this run")
    return lines


def _settings_text(record: JobRecord) -> str:
    settings = {place: float(text) for place, text in record.settings_text().items()}
    if not any(settings.values()):
        return ""
    first = ["installed now", *(f"{cut(a.name)} [{a.unit}]" for a in record.rotor.adjusters)]
    columns = [
        [cut(b, 12), *(f"{settings[b, a.name]:.10g}" for a in record.rotor.adjusters)] for b in record.rotor.blades
    ]
    head = f"blade {columns[0][0]}"
    columns[0][0] = head if len(head) <= 12 else columns[0][0]
    wrong = settings_outside(record.rotor, record.setting())
    lines = [wrap(f"{wrong}: that cannot be. See what is really installed; trackbal log correct.")] if wrong else []
    return "\n".join([across(first, columns), *lines])


def hold_text(record: JobRecord, standing: Standing) -> str:
    """Return what is surprising in the last run on hold, and what may explain it."""
    last = standing.runs[standing.on_hold[-1]]
    assert last.surprise is not None
    parts = surprise_json(record.rotor, last.surprise)["readings"][:3]
    where = "; ".join(f"{part['regime']}, {part['sensor']}" for part in parts)
    lines = [
        wrap(
            f"Run {last.number} is SURPRISING: readings as far as these from what the recorded work leads to expect "
            f"come about in {one_in_words(last.surprise.p)}. Farthest off: {where}.",
            "",
        )
    ]
    if not standing.explanations:
        lines.append(
            wrap(
                "None of the single recording mistakes that were tried explains it. Check the record all the same; "
                f"then look for a mechanical cause: {MECHANICAL_IN_SHORT[record.rotor.place]}"
            )
        )
        return "\n".join(lines)
    best = standing.explanations[0].score
    lines.append(wrap("With one thing recorded otherwise it would not be. Likeliest first (how much better it fits):"))
    for i, found in enumerate(standing.explanations[:_MOST_SHOWN]):
        near = "" if i == 0 else " (about as likely)" if best - found.score < ALIKE else ""
        lines.append(wrap(f"{found.text}{near} ({found.gain:.1f})", f"{i + 1}. "))
        if i == 0:
            lines += _commands(record, standing.on_hold[-1], found)
    lines.append(
        wrap(
            "Nothing has been changed. Look at the aircraft and at the paper; put the record right with "
            "trackbal log correct. If neither is wrong, look for a mechanical cause: a changed response is a finding.",
            "",
        )
    )
    return "\n".join(lines)


def no_trial_text(record: JobRecord, standing: Standing) -> str:
    """Return why no trial is said while a job is on hold."""
    head = wrap(f"{record.rotor.name}: HOLD. No trial until somebody has said why.")
    return paragraphs([stop_text(standing), hold_text(record, standing), head]) + "\n"


def one_in_words(p: float) -> str:
    """Return a small chance as people say it: "1 run in 5000", "less than 1 run in a thousand million"."""
    if p < 1e-9:
        return "less than 1 run in a thousand million"
    runs = 1.0 / p
    if runs >= 1e6:
        return f"1 run in {float(f'{runs / 1e6:.1g}'):.0f} million"
    return f"1 run in {float(f'{runs:.1g}'):.0f}"


def _rarity_words(p: float) -> str:
    """Return how seldom a run is as far off that is still as expected; nothing where that is often."""
    return "" if p >= 0.01 else f", though only {one_in_words(p)} is as far off"


def _commands(record: JobRecord, run: int, found: Explanation) -> list[str]:
    """Return the commands that would put the record right, if adjustments are meant."""
    if found.change is None:
        return []
    rotor, before = record.rotor, record.runs[run - 1]
    recorded = record.amounts(record.done.get(before.entry, {}))
    return [
        f"   If so: trackbal log correct done {shlex.quote(record.book)} {before.number} "
        f"{shlex.quote(rotor.blades[b])} {rotor.adjusters[a].name} {found.change[a, b]:.10g}"
        for b, a in np.argwhere((found.change != recorded).T)
    ]
