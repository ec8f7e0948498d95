"""An examination of a fit as text and JSON."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from trackbal.base.json_numbers import finite_or_none
from trackbal.base.text_layout import count, table
from trackbal.examination.comparisons import LEAST_JOBS, LEAST_OF_GROUP, Comparison
from trackbal.examination.examination import Examination
from trackbal.examination.job_prediction import Prediction
from trackbal.examination.model_checks import Question
from trackbal.reports.p_value import p_value_text
from trackbal.runs.rotor import HEIGHTS, Rotor

QUESTION_WORDS: dict[Question, str] = {
    "blades": "one influence for all blades",
    "amounts": "in proportion to the amount",
    "drift": "the same from first job to last",
}


def report(found: Examination) -> str:
    """Return an examination as readable text."""
    blocks = [
        _checks(found),
        _comparisons(found),
        _prediction(found),
        _trust(found),
        _own_coefficients(found),
        _lessons(found),
    ]
    if found.set_aside:
        blocks.append([f"Records set aside first: {found.set_aside}; fit and audit name them."])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def examination_json(found: Examination) -> dict[str, Any]:
    """Return what `trackbal examine --json` prints."""
    rotor, prediction = found.rotor, found.prediction
    return {
        "checks": [
            {
                "question": check.question,
                "adjuster": rotor.adjusters[check.adjuster].name,
                "p": finite_or_none(check.p),
                "holds": not check.firm,
                "readings": [
                    {
                        **rotor.reading_key(a.regime, a.sensor),
                        "size": a.size,
                        "error": a.error,
                        "error_in_limits": a.worth,
                        "p": a.p,
                    }
                    for a in check.answers
                ],
            }
            for check in found.checks
        ],
        "comparisons": [_comparison(rotor, c, found.jobs) for c in found.comparisons],
        "sensors": [
            {
                "sensor": rotor.reading_name(t.sensor),
                "noise": finite_or_none(t.noise),
                "unexplained": finite_or_none(t.unexplained),
                "error": finite_or_none(t.error),
                "calibration": finite_or_none(t.calibration),
                "set_aside": t.set_aside,
            }
            for t in found.trust
        ],
        "prediction": [
            {
                **rotor.reading_key(r, s),
                "error": finite_or_none(part[0][at]),
                "change": finite_or_none(part[1][at]),
                "calibration": finite_or_none(part[2][at]),
            }
            for r, s, part, at in _cells(rotor, prediction)
        ],
        "aircraft": [
            {
                "aircraft": o.aircraft,
                "p": finite_or_none(o.p),
                "unlike": o.unlike,
                "departure": {a.name: finite_or_none(v) for a, v in zip(rotor.adjusters, o.departure, strict=True)},
            }
            for o in found.own_coefficients
        ],
        "next_change": [
            {
                "adjuster": rotor.adjusters[lesson.adjuster].name,
                "amount": lesson.amount,
                "error": lesson.error,
                "saved": lesson.saved,
                "unknown": lesson.unknown,
            }
            for lesson in found.lessons
        ],
        "set_aside": found.set_aside,
    }


def _comparison(rotor: Rotor, c: Comparison, jobs: Sequence[str]) -> dict[str, Any]:
    what = (
        {"adjuster": rotor.adjusters[c.index].name} if c.part == "amount" else {"sensor": rotor.reading_name(c.index)}
    )
    return {
        "by": c.by,
        "part": c.part,
        **what,
        "p": finite_or_none(c.p),
        "adjusted_p": finite_or_none(c.adjusted),
        "alike": not c.found,
        "levels": [{"name": v.name, "value": v.value, "error": v.error, "jobs": v.jobs} for v in c.levels],
        "each_job": [
            {"job": job, "place": finite_or_none(x), "value": finite_or_none(y), "error": finite_or_none(e)}
            for job, x, y, e in zip(jobs, c.place.tolist(), c.value.tolist(), c.error.tolist(), strict=True)
        ],
    }


def comparison_words(rotor: Rotor, c: Comparison) -> tuple[str, str]:
    """Return what is compared, and what its levels come to, each with its standard error."""
    if c.part == "amount":
        what = f"{rotor.adjusters[c.index].name}, what an amount does"
    else:
        what = f"{rotor.reading_name(c.index)}, {'gain' if c.part == 'gain' else 'phase'}"
    unit, times = ("deg", 1.0) if c.part == "turn" else ("%", 100.0)
    if len(c.levels) == 1:
        v = c.levels[0]
        return what, f"{times * v.value:+.0f} ± {times * v.error:.0f} {unit} from first to last"
    return what, ", ".join(f"{v.name} {times * v.value:+.0f} ± {times * v.error:.0f} {unit}" for v in c.levels)


def _comparisons(found: Examination) -> list[str]:
    rows: list[tuple[str, ...]] = [("by", "what", "alike", "chance", "departure from the type's mean")]
    answered = [c for c in found.comparisons if c.levels]
    for c in sorted(answered, key=lambda c: (not c.found, c.by)):
        what, levels = comparison_words(found.rotor, c)
        rows.append((c.by, what, "no" if c.found else "nothing against it", p_value_text(c.adjusted), levels))
    lines = [
        "Are jobs alike over time and from group to group? (chance of so much by accident, all questions allowed for)"
    ]
    if answered:
        lines.append(table(rows, left_aligned=5))
    for by, number in Counter(c.by for c in found.comparisons if not c.levels).items():
        why = f"it takes {LEAST_JOBS} jobs (aircraft, where a column says whose they are) that tell something of it"
        if by not in ("order", "date"):
            why += f", in two groups of {LEAST_OF_GROUP} or more; a job whose runs are of several groups is in none"
        lines.append(f"{by}: {count(number, 'question')} cannot be answered; {why}.")
    return lines


def _trust(found: Examination) -> list[str]:
    rows: list[tuple[str, ...]] = [("sensor", "noise", "unexplained", "error left", "fit expects 1", "set aside")]
    for t in found.trust:
        figures = [f"{v:.3g}" if math.isfinite(v) else "-" for v in (t.noise, t.unexplained, t.error, t.calibration)]
        rows.append((found.rotor.reading_name(t.sensor), *figures, str(t.set_aside)))
    return [
        "Which sensor to trust (rms over the regimes, parts of the limit; records set aside)",
        table(rows, left_aligned=1),
    ]


def _cells(rotor: Rotor, prediction: Prediction) -> Iterator[tuple[int, int, tuple[Any, Any, Any], Any]]:
    """Yield regime, sensor (or HEIGHTS), and where the figures of each reading stand."""
    vibration = (prediction.error, prediction.change, prediction.calibration)
    height = (prediction.height_error, prediction.height_change, prediction.height_calibration)
    for r, regime in enumerate(rotor.regimes):
        for s in range(len(rotor.sensors)):
            yield r, s, vibration, (r, s)
        if regime.heights:
            yield r, HEIGHTS, height, r


def _checks(found: Examination) -> list[str]:
    rows: list[tuple[str, ...]] = [("adjuster", "is it", "answer", "chance", "firmest at", "departure", "(limits)")]
    for check in found.checks:
        adjuster = found.rotor.adjusters[check.adjuster].name
        if not check.answers:
            rows.append((adjuster, QUESTION_WORDS[check.question], "cannot be told", "", "", "", ""))
            continue
        first = check.answers[0]
        size = f"{100 * first.size:.0f} ± {100 * first.error:.0f} %"
        worth = f"{first.worth * first.size / first.error:.2f} ± {first.worth:.2f}"
        answer = "no" if check.firm else "nothing against it"
        where = f"{found.rotor.regimes[first.regime].name} / {found.rotor.reading_name(first.sensor)}"
        rows.append((adjuster, QUESTION_WORDS[check.question], answer, p_value_text(check.p), where, size, worth))
    return [
        "Does the model hold? (chance of so much by accident, all readings allowed for)",
        table(rows, left_aligned=5),
    ]


def _prediction(found: Examination) -> list[str]:
    rotor, prediction = found.rotor, found.prediction
    rows: list[tuple[str, ...]] = [("regime", "reading", "unit", "changes", "error left", "fit expects 1")]
    for r, s, part, at in _cells(rotor, prediction):
        unit = rotor.height_unit if s == HEIGHTS else rotor.sensors[s].unit
        figures = [f"{float(p[at]):.3g}" if math.isfinite(p[at]) else "-" for p in (part[1], part[0], part[2])]
        rows.append((rotor.regimes[r].name, rotor.reading_name(s), unit, *figures))
    return ["Every aircraft predicted from the others (rms; what a new one would see)", table(rows, left_aligned=3)]


def _own_coefficients(found: Examination) -> list[str]:
    names = [a.name for a in found.rotor.adjusters]
    title = (
        "Each aircraft against its type: chance (of one looked at alone), vibration influence as a part of the type's"
    )
    rows: list[tuple[str, ...]] = [("aircraft", "chance", *names, "")]
    for o in found.own_coefficients:
        parts = ["-" if not math.isfinite(v) else f"{100 * v:.0f} %" for v in o.departure]
        rows.append((o.aircraft, p_value_text(o.p), *parts, "unlike its type" if o.unlike else ""))
    return [title, table(rows, left_aligned=1)]


def _lessons(found: Examination) -> list[str]:
    rows = [("adjuster", "amount on one blade", "error now (limits)", "squared error saved")]
    for lesson in found.lessons:
        adjuster = found.rotor.adjusters[lesson.adjuster]
        saved = "not known yet" if lesson.unknown else f"{100 * lesson.saved:.1f} %"
        rows.append((adjuster.name, f"{lesson.amount:g} {adjuster.unit}", f"{lesson.error:.2g}", saved))
    return ["What one more change in the next job would teach, the most first", table(rows, left_aligned=1)]
