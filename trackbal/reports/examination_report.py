"""An examination of a fit as text and JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from trackbal.examination.examination import Examination
from trackbal.examination.job_prediction import Prediction
from trackbal.examination.model_checks import Question
from trackbal.runs.rotor import Rotor

QUESTION_WORDS: dict[Question, str] = {
    "blades": "one influence for all blades",
    "amounts": "in proportion to the amount",
    "drift": "the same from first job to last",
}


def report(found: Examination) -> str:
    """Return an examination as readable text."""
    blocks = [_checks(found), _prediction(found), _own(found), _lessons(found)]
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def examination_json(found: Examination) -> dict[str, Any]:
    """Return what `trackbal examine --json` prints."""
    rotor, seen = found.rotor, found.prediction
    return {
        "checks": [
            {
                "question": check.question,
                "adjuster": rotor.adjusters[check.adjuster].name,
                "p": _number(check.p),
                "holds": not check.firm,
                "readings": [
                    {
                        **_reading(rotor, a.regime, a.sensor),
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
        "prediction": [
            {
                **_reading(rotor, r, s),
                "error": _number(part[0][at]),
                "change": _number(part[1][at]),
                "calibration": _number(part[2][at]),
            }
            for r, s, part, at in _cells(rotor, seen)
        ],
        "aircraft": [
            {"job": o.job, "p": _number(o.p), "unlike": o.unlike, "departure": [_number(v) for v in o.departure]}
            for o in found.own
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
    }


def _cells(rotor: Rotor, seen: Prediction) -> Iterator[tuple[int, int, tuple[Any, Any, Any], Any]]:
    """Yield regime, sensor (-1: heights), and where the figures of each reading stand."""
    vibration = (seen.error, seen.change, seen.calibration)
    height = (seen.height_error, seen.height_change, seen.height_calibration)
    for r, regime in enumerate(rotor.regimes):
        for s in range(len(rotor.sensors)):
            yield r, s, vibration, (r, s)
        if regime.heights:
            yield r, -1, height, r


def _reading(rotor: Rotor, r: int, s: int) -> dict[str, Any]:
    what = {"height": True} if s < 0 else {"sensor": rotor.sensors[s].name}
    return {"regime": rotor.regimes[r].name, **what}


def _name(rotor: Rotor, r: int, s: int) -> str:
    return f"{rotor.regimes[r].name} / {'height' if s < 0 else rotor.sensors[s].name}"


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
        where = _name(found.rotor, first.regime, first.sensor)
        rows.append((adjuster, QUESTION_WORDS[check.question], answer, _chance(check.p), where, size, worth))
    return [
        "Does the model hold? (chance of so much by accident, all readings allowed for)",
        *_table(rows, 5),
    ]


def _prediction(found: Examination) -> list[str]:
    rotor, seen = found.rotor, found.prediction
    rows: list[tuple[str, ...]] = [("regime", "reading", "unit", "changes", "error left", "fit expects 1")]
    for r, s, part, at in _cells(rotor, seen):
        unit = rotor.height_unit if s < 0 else rotor.sensors[s].unit
        figures = [f"{float(p[at]):.3g}" if math.isfinite(p[at]) else "-" for p in (part[1], part[0], part[2])]
        rows.append((rotor.regimes[r].name, "height" if s < 0 else rotor.sensors[s].name, unit, *figures))
    return ["Every job predicted from the others (rms; what a new aircraft would see)", *_table(rows, 3)]


def _own(found: Examination) -> list[str]:
    names = [a.name for a in found.rotor.adjusters]
    title = (
        "Each aircraft against its type: chance (of one looked at alone), vibration influence as a part of the type's"
    )
    rows: list[tuple[str, ...]] = [("job", "chance", *names, "")]
    for o in found.own:
        parts = ["-" if not math.isfinite(v) else f"{100 * v:.0f} %" for v in o.departure]
        rows.append((o.job, _chance(o.p), *parts, "unlike its type" if o.unlike else ""))
    return [title, *_table(rows, 1)]


def _lessons(found: Examination) -> list[str]:
    rows = [("adjuster", "amount on one blade", "error now (limits)", "squared error saved")]
    for lesson in found.lessons:
        adjuster = found.rotor.adjusters[lesson.adjuster]
        saved = "not known yet" if lesson.unknown else f"{100 * lesson.saved:.1f} %"
        rows.append((adjuster.name, f"{lesson.amount:g} {adjuster.unit}", f"{lesson.error:.2g}", saved))
    return ["What one more change in the next job would teach, the most first", *_table(rows, 1)]


def _table(rows: Sequence[tuple[str, ...]], left: int) -> Iterator[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        cells = [c.ljust(w) if i < left else c.rjust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))]
        yield ("  " + "  ".join(cells)).rstrip()


def _chance(p: float) -> str:
    if not math.isfinite(p):
        return "-"
    return "< 0.0001" if p < 1e-4 else f"{p:.2g}"


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
