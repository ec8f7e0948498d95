"""An audit in words, and as a dict for JSON."""

from __future__ import annotations

from typing import Any

from trackbal.base.text_layout import count
from trackbal.records.audit import Audit, Explained, Finding

_READINGS = "the instrument's own print or file of that run"
_WORK = "the job card and the work order of that step, and what is fitted now"
#: Kind of finding -> what to look up before a record is changed.
LOOK_UP = {
    "wrong_sign": "the words on the job card (add or remove, lengthen or shorten), and what is fitted now",
    "all_signs": "the words on the job card (add or remove, lengthen or shorten), and what is fitted now",
    "neighbour": "the blade number on the job card, and how blades are numbered and marked on the hub",
    "other_blade": "the blade number on the job card, and how blades are numbered and marked on the hub",
    "numbering": "where the tach mark is, and how blades are numbered on the hub",
    "other_adjuster": "the part numbers drawn for that step, and what is fitted now",
    "not_done": "whether that line of the job card is signed",
    "none_done": "whether the job card of that step is signed",
    "doubled": "the parts drawn, and whether two people noted the same step",
    "halved": "the parts drawn, and whether the step was done in two halves",
    "amount_decimal": "the amount on the job card, and what is fitted now",
    "one_step": "the count of flats, washers or weights on the job card, and what is fitted now",
    "late": "the times on the job card against those of the runs",
    "early": "the times on the job card against those of the runs",
    "run_order": "date and time on the sheets of both runs",
    "unit": "the unit the instrument was set to: its print, and the heading of the sheet",
    "one_unit": "the unit the instrument was set to: its print, and the heading of the sheet",
    "half_turn": "which way round that pick-up was fitted, and its cable",
    "one_half_turn": "the phase on the instrument's own print",
    "phase_sense": "whether the instrument gives lag or lead",
    "one_phase_sense": "the phase on the instrument's own print",
    "height_unit": "the unit of the tracker's print",
    "height_sign": "whether the tracker counts up or down as positive",
    "one_decimal": "the amplitude on the instrument's own print",
    "exchanged": "the order of rows, channels or blades on the instrument's own print",
    "repeat": "the rows of that run in the sheet against the instrument's own print",
    "two_in_job": "registration and work order of each row of that job",
    "copied_rows": "where the sheet comes from: exports that overlap, or a block pasted twice",
    "copied_job": "where both jobs come from, and whose they are",
    "unrecorded_work": "the aircraft's log between those runs: work, parts changed, a blade or a pick-up moved",
    "whole_run": "that run's conditions: another regime, loading, wind, speed; then its print",
    "readings": _READINGS,
    "one_reading": _READINGS,
}


def report(audit: Audit) -> str:
    """Return an audit as readable text."""
    weighed = f"{audit.runs} runs of {audit.jobs} jobs weighed: "
    if not audit.findings:
        return weighed + "no record stands out.\n"
    lines = [weighed + f"{count(len(audit.findings), 'suspect record')}.", ""]
    for finding in audit.findings:
        lines.append(f"job {finding.job} run {finding.run}")
        lines.append(f"  {finding.best.text}")
        lines.append(f"  look up: {LOOK_UP.get(finding.best.kind, _WORK)}")
        lines.append(f"  log-likelihood gain {finding.best.gain:.1f}; {_share(finding.best)} of the probability")
        lines += [f"  or: {other.text} ({_share(other)})" for other in finding.others]
    lines += [
        "",
        "What is said is the likeliest single mistake, not what happened: look at the paper before changing a record.",
    ]
    return "\n".join(lines) + "\n"


def audit_json(audit: Audit) -> dict[str, Any]:
    """Return what `trackbal audit --json` prints."""
    return {
        "jobs": audit.jobs,
        "runs": audit.runs,
        "suspects": [_finding(f) for f in audit.findings],
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "job": finding.job,
        "run": finding.run,
        "why": finding.best.text,
        "kind": finding.best.kind,
        "look_up": LOOK_UP.get(finding.best.kind, _WORK),
        "gain": finding.best.gain,
        "probability": finding.best.probability,
        "log_odds": finding.odds,
        "corrected": finding.corrected,
        "others": [
            {"kind": o.kind, "why": o.text, "gain": o.gain, "probability": o.probability} for o in finding.others
        ],
    }


def _share(one: Explained) -> str:
    return "over 99.9 %" if one.probability > 0.999 else f"{100 * one.probability:.3g} %"
