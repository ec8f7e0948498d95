"""A review as JSON and as plain text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from trackbal.base.cautions import IN_SHORT, general_cautions, no_further
from trackbal.base.text_layout import count, listed, number_words, paragraphs, table, times_words, wrap
from trackbal.check.coverage import coverage_json
from trackbal.check.plausibility import Finding
from trackbal.check.review import Reading, Review, held_at
from trackbal.runs.rotor import Rotor

_MOST_READINGS = 8  # on one screen


def check_json(rotor: Rotor, review: Review) -> dict[str, Any]:
    """Return a review as JSON values; numbers are not rounded, what is not set or not read is None."""
    return {
        "rotor": rotor.name,
        "inside": review.inside,
        "stop": review.stop,
        "finished": review.finished,
        "no_further": sorted({reading.regime for reading in review.no_further}, key=rotor.regime_index),
        **coverage_json(review.coverage),
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
        "largest": reading.largest,
        "count": reading.count,
        "partial": reading.partial,
        "questioned": reading.questioned or None,
    }


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {"kind": finding.kind, "regime": finding.regime, "place": finding.place, "text": finding.text}


def check_text(rotor: Rotor, review: Review, *, everything: bool = False) -> str:
    """Return a review for the terminal: doubts, the worst readings, and the verdict last.

    With `everything` all readings, notes one by one and all cautions are given.
    """
    shown = review.readings if everything else review.readings[:_MOST_READINGS]
    hidden = len(review.readings) - len(shown)
    notes = [finding.text for finding in review.notes]
    if not everything:
        notes = [f.text for f in review.notes if f.kind != "not_read"]  # the verdict names what was not read
    parts_of_page = [
        listed("Doubts", [finding.text for finding in review.doubts]),
        listed("Notes", notes),
        "\n".join(filter(None, [_table(shown), _repeated(shown)])) if shown else "",
        wrap(f"{count(hidden, 'more reading')}: --all") if hidden else "",
        wrap(f"{rotor.name}: {_verdict(review)}"),
        "\n".join(map(wrap, no_further(held_at(rotor, review)))),
        listed("Cautions", general_cautions()) if everything else wrap(IN_SHORT),
    ]
    return paragraphs(parts_of_page) + "\n"


def _repeated(readings: Sequence[Reading]) -> str:
    """Return which readings were taken more than once, of which the largest counts; nothing where none was."""
    named = [f"{r.regime}, {r.what} (of {r.count})" for r in readings if r.count > 1 and not r.partial]
    return wrap(f"The largest is shown, and counts, of: {'; '.join(named)}.") if named else ""


def _verdict(review: Review) -> str:
    if not review.readings:
        return "nothing was read that can be held against a limit."
    worst, coverage = review.readings[0], review.coverage
    at = f"worst {times_words(worst.ratio)} of its limit ({worst.regime}, {worst.what})"
    outside = sum(reading.over for reading in review.readings)
    unread = "" if coverage.complete else f" Not read: {coverage.what_was_not}."
    if review.stop:
        return f"STOP: a reading is at or above its stop limit; {at}.{unread}"
    if outside:
        return f"outside limits in {outside} of {len(review.readings)} readings; {at}.{unread}"
    if not review.inside:
        again = "; ".join(map(str, review.unclear)) or "no reading is whole"
        return f"NOT inside limits for certain. Read again: {again}; {at}.{unread}"
    if not coverage.complete:
        return f"inside limits in {coverage.what_was_read} only; {at}.{unread}"
    return f"every reading taken ({len(review.readings)}) is inside its limit; {at}."


def _table(readings: Sequence[Reading]) -> str:
    figures = any(reading.go_on is not None for reading in readings)
    rows = [("regime", "sensor", "value", "limit", *(["go on"] if figures else []), "stop", "unit", "of limit", "")]
    for reading in readings:
        stop = "" if reading.stop is None else f"{reading.stop:.4g}"
        mark = "STOP" if reading.stopped else "outside" if reading.over else "" if reading.inside else "read again"
        if reading.stopped_at_usual:
            mark += " at the usual speed"
        if reading.partial:
            mark += ", of some tips"
        if not reading.may_go_on and not reading.stopped:
            mark = f"{mark}, no further".removeprefix(", ")
        go_on = "" if reading.go_on is None else f"{reading.go_on:.4g}"
        value = number_words(reading.largest, reading.limit)
        numbers = (value, f"{reading.limit:.4g}", *([go_on] if figures else []), stop)
        rows.append((reading.regime, reading.what, *numbers, reading.unit, times_words(reading.ratio), mark.strip()))
    return table(rows, sides="<<>>>><><" if figures else "<<>>><><", lead="", gap=" ", names=2)
