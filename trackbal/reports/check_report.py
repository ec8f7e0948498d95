"""A review as JSON and as plain text."""

from __future__ import annotations

from typing import Any

from trackbal.base.cautions import general_cautions, no_further
from trackbal.base.text_layout import cut, table, wrap
from trackbal.check.plausibility import Finding
from trackbal.check.review import Reading, Review, held_at
from trackbal.runs.rotor import Rotor

_LONGEST_NAME = 21


def check_json(rotor: Rotor, review: Review) -> dict[str, Any]:
    """Return a review as JSON values; numbers are not rounded, what is not set or not read is None."""
    return {
        "rotor": rotor.name,
        "inside": review.inside,
        "stop": review.stop,
        "no_further": sorted({reading.regime for reading in review.no_further}, key=rotor.regime_index),
        "worst": review.worst_ratio if review.readings else None,
        "readings": [_reading_json(reading) for reading in review.readings],
        "doubts": [_finding_json(finding) for finding in review.doubts],
        "notes": [_finding_json(finding) for finding in review.notes],
        "cautions": general_cautions(),
    }


def _reading_json(reading: Reading) -> dict[str, Any]:
    return {
        "regime": reading.regime,
        "sensor": reading.sensor,
        "value": reading.value,
        "unit": reading.unit,
        "limit": reading.limit,
        "stop": reading.stop,
        "go_on": reading.go_on,
        "ratio": reading.ratio,
        "inside": reading.inside,
    }


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {"kind": finding.kind, "regime": finding.regime, "place": finding.place, "text": finding.text}


def check_text(rotor: Rotor, review: Review) -> str:
    """Return a review as plain text: the verdict, the readings worst first, doubts, notes, cautions.

    No line is longer than 100 characters, however long the names are.
    """
    parts = [wrap(f"{rotor.name}: {_verdict(review)}", "")]
    parts += [wrap(words, "") for words in no_further(held_at(rotor, review))]
    if review.readings:
        parts.append(_table(review))
    for title, findings in (("Doubts", review.doubts), ("Notes", review.notes)):
        if findings:
            parts.append("\n".join([title, *(wrap(f.text, "- ") for f in findings)]))
    parts.append("\n".join(["Cautions", *(wrap(caution, "- ") for caution in general_cautions())]))
    return "\n\n".join(parts) + "\n"


def _verdict(review: Review) -> str:
    if not review.readings:
        return "nothing was read that can be held against a limit."
    worst = review.readings[0]
    at = f"worst {worst.ratio:.2f} of its limit ({worst.regime}, {worst.sensor})"
    outside = sum(not reading.inside for reading in review.readings)
    taken = len(review.readings)
    if review.stop:
        return f"STOP: a reading is at or above its stop limit; {at}."
    if outside:
        return f"outside limits in {outside} of {taken} readings; {at}."
    return f"every reading taken ({taken}) is inside its limit; {at}."


def _table(review: Review) -> str:
    figures = any(reading.go_on is not None for reading in review.readings)
    rows = [("regime", "sensor", "value", "limit", *(["go on"] if figures else []), "stop", "unit", "of limit", "")]
    for reading in review.readings:
        stop = "" if reading.stop is None else f"{reading.stop:.4g}"
        mark = "STOP" if reading.stopped else "" if reading.inside else "outside"
        if not reading.may_go_on and not reading.stopped:
            mark = f"{mark}, no further".removeprefix(", ")
        go_on = "" if reading.go_on is None else f"{reading.go_on:.4g}"
        names = (cut(reading.regime, _LONGEST_NAME), cut(reading.sensor, _LONGEST_NAME))
        numbers = (f"{reading.value:.4g}", f"{reading.limit:.4g}", *([go_on] if figures else []), stop)
        rows.append((*names, *numbers, reading.unit, f"{reading.ratio:.3g}", mark))
    return table(rows, sides="<<>>>><><" if figures else "<<>>><><", lead="", gap=" ")
