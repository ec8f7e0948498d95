"""How good past advice was, as text and JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from trackbal.base.json_numbers import finite_or_none
from trackbal.base.text_layout import table
from trackbal.hindsight.scores import Hindsight
from trackbal.reports.p_value import p_value_text

NOT_RIGHT = 0.01  # p of all plans below which the chances promised are said not to have been right
SCORE_HEADINGS = ("plans", "number", "inside", "chance promised", "Brier", "reference", "expected", "p")
BIN_HEADINGS = ("chance promised", "plans", "mean", "came inside", "90 % interval")
MISS_HEADINGS = ("sensor", "readings", "rms error", "mean error", "in the likely range")


def score_rows(found: Hindsight) -> list[tuple[str, ...]]:
    """Return the scores as cells under SCORE_HEADINGS."""
    return [
        (
            s.what,
            str(s.plans),
            f"{100 * s.passed / s.plans:.0f} %",
            f"{s.chance:.2f}",
            f"{s.brier:.3f}",
            f"{s.reference:.3f}",
            f"{s.expected:.3f}",
            p_value_text(s.p),
        )
        for s in found.scores
    ]


def bin_rows(found: Hindsight) -> list[tuple[str, ...]]:
    """Return the calibration as cells under BIN_HEADINGS."""
    return [
        (
            f"{b.low:g} to {b.high:g}",
            str(b.plans),
            f"{b.chance:.2f}",
            f"{b.passed / b.plans:.2f}",
            f"{b.share_low:.2f} to {b.share_high:.2f}",
        )
        for b in found.bins
    ]


def miss_rows(found: Hindsight) -> list[tuple[str, ...]]:
    """Return errors of the expected readings, in limits, as cells under MISS_HEADINGS."""
    return [
        (
            m.sensor,
            str(m.readings),
            f"{m.error:.2f}",
            f"{m.mean:+.2f}",
            f"{m.inside} of {m.ranged}" if m.ranged else "not recorded",
        )
        for m in found.misses
    ]


def report(found: Hindsight) -> str:
    """Return how good past advice was as readable text."""
    not_judged = "".join(f"\nNot judged: {count}, {why}." for why, count in found.left_out.items())
    blocks = [f"{len(found.judged)} plans judged: done as advised, and the next run read.{not_judged}"]
    if found.judged:
        blocks.append(
            "Chances promised against runs inside limits\n"
            + table([SCORE_HEADINGS, *score_rows(found)], left_aligned=1)
        )
        blocks.append("Calibration\n" + table([BIN_HEADINGS, *bin_rows(found)], left_aligned=1))
    if found.misses:
        title = "Readings against what was expected (parts of the limit)\n"
        blocks.append(title + table([MISS_HEADINGS, *miss_rows(found)], left_aligned=1))
    return "\n\n".join(blocks) + "\n"


def hindsight_json(found: Hindsight) -> dict[str, Any]:
    """Return what `trackbal hindsight --json` prints."""
    return {
        "judged": len(found.judged),
        "left_out": found.left_out,
        "scores": [{**asdict(s), "p": finite_or_none(s.p)} for s in found.scores],
        "calibration": [asdict(b) for b in found.bins],
        "readings": [asdict(m) for m in found.misses],
        "plans": [
            {
                "rotor": p.rotor,
                "aircraft": p.aircraft,
                "job": p.job,
                "after_run": p.after_run,
                "by": p.by,
                "chance": p.chance,
                "adjusters": list(p.adjusters),
                "passed": p.passed,
                "readings": [
                    {k: finite_or_none(v) if isinstance(v, float) else v for k, v in asdict(r).items()}
                    for r in p.promises
                ],
            }
            for p in found.judged
        ],
    }
