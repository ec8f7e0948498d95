"""An audit in words, and as a dict for JSON."""

from __future__ import annotations

from typing import Any

from trackbal.base.text_layout import count
from trackbal.records.audit import Audit, Explained, Finding


def report(audit: Audit) -> str:
    """Return an audit as readable text."""
    weighed = f"{audit.runs} runs of {audit.jobs} jobs weighed: "
    if not audit.findings:
        return weighed + "no record stands out.\n"
    lines = [weighed + f"{count(len(audit.findings), 'suspect record')}.", ""]
    for finding in audit.findings:
        lines.append(f"job {finding.job} run {finding.run}")
        lines.append(f"  {finding.best.text}")
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
