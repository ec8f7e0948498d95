"""The tables of a closed loop, and the page they stand in."""

from __future__ import annotations

import os
import platform
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from loop_fleet import SEVERITIES
from loop_jobs import Flown
from loop_statistics import (
    LEAST_IN_BIN,
    Calibration,
    Outcome,
    faults_found,
    gap_closed,
    outcome,
    rounds_of,
    wrong_verdicts,
)

BEGIN, END = "<!-- measured: begin -->", "<!-- measured: end -->"
OURS = ("trackbal", "trackbal in job")
A, B, C = "(a) rounded", "(b) greedy", "(c) ceiling"
READS, TRUE = "reads_inside", "inside"


def into_page(page: Path, text: str) -> None:
    """Put text between the two marks of a page, whole or not at all; what else stands there stays."""
    before, begin, rest = page.read_text(encoding="utf-8").partition(BEGIN) if page.exists() else ("", "", "")
    _, end, after = rest.partition(END)
    if page.exists() and not (begin and end):
        raise SystemExit(f"{page}: expected the lines {BEGIN} and {END}, for the tables to stand between")
    part = page.with_name(page.name + ".part")
    part.write_text(f"{before}{BEGIN}\n{text}\n{END}{after or chr(10)}", encoding="utf-8")
    os.replace(part, page)


def report(flown: Sequence[Flown], methods: Sequence[str], seed: int, histories: int) -> str:
    """Return all tables as Markdown."""
    sound = [f for f in flown if f.fault is None]
    faulty = [f for f in flown if f.fault is not None]
    kinds = list(dict.fromkeys(f.kind for f in sound))
    each = [(kind, [f for f in sound if f.kind == kind]) for kind in kinds]
    parts = [_measured(sound, faulty, each, seed, histories)]
    complete = all(m in methods for m in (*OURS, A, B, C))
    if complete:
        parts.append(_aims(sound, each))
    parts += [_inside(sound, each, methods), _severities(sound, methods)]
    parts += [_chances(sound, each, m) for m in methods if m in OURS]
    if complete:
        parts += [_verdicts(sound, methods), _causes(each)]
    if faulty:
        parts.append(_faults(faulty, kinds))
    parts.append(_speed(each, methods))
    return "\n\n".join(parts)


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a Markdown table; all columns but the first to the right."""
    lines = ["| " + " | ".join(heads) + " |", "|---|" + "---:|" * (len(heads) - 1)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def _measured(
    sound: Sequence[Flown], faulty: Sequence[Flown], each: Sequence[tuple[str, list[Flown]]], seed: int, histories: int
) -> str:
    over = sum(f.passed_over for f in sound)
    return (
        f"Measured with seed {seed}, {histories} histories of each type: {len(sound)} aircraft without a mechanical "
        f"fault ({', '.join(f'{kind} {len(f)}' for kind, f in each)}) and {len(faulty)} with one. {over} more were "
        f"drawn that were inside limits as found, and were passed over. Python {platform.python_version()}, numpy "
        f"{np.__version__}."
    )


# ---- aims ----------------------------------------------------------------------------------


def _aims(sound: Sequence[Flown], each: Sequence[tuple[str, list[Flown]]]) -> str:
    rows = [_aim_row("all", sound, m) for m in OURS]
    rows += [_aim_row(kind, f, m) for kind, f in each for m in OURS]
    heads = [
        "aircraft",
        "method",
        "1 round >= 0.85",
        "2 rounds >= 0.99",
        "rounds below (a)",
        "adjustments at or below (b)",
    ]
    heads += ["gap (b) to (c) closed >= 0.5", "worst bin <= 0.07", "Brier / base < 0.5"]
    note = (
        "A miss is in **bold**, with what it misses by in brackets. The gap is that of the share inside after one "
        "round; - where (c) is not above (b). Chances: all plans made, against the next run's readings."
    )
    return "\n\n".join(["### Aims", note, table(heads, rows)])


def _aim_row(name: str, flown: Sequence[Flown], method: str) -> list[str]:
    ours, a, b, c = (outcome(flown, m) for m in (method, A, B, C))
    said = Calibration.of(rounds_of(flown, method), READS)
    gap = gap_closed(ours.after[0], b.after[0], c.after[0])
    return [
        name,
        method,
        _least(ours.after[0], 0.85),
        _least(ours.after[1], 0.99),
        _most(ours.rounds, a.rounds, f"{ours.rounds:.2f} to {a.rounds:.2f}", strictly=True),
        _most(ours.adjustments, b.adjustments, f"{ours.adjustments:.2f} to {b.adjustments:.2f}"),
        _least(gap, 0.5),
        _most(said.worst_bin(), 0.07, f"{said.worst_bin():.3f}"),
        _most(said.brier / said.base_brier if said.base_brier else float("nan"), 0.5, "", strictly=True),
    ]


def _least(value: float, aim: float) -> str:
    if np.isnan(value):
        return "-"
    return f"{value:.3f}" if value >= aim else f"**{value:.3f}** ({aim - value:.3f})"


def _most(value: float, aim: float, words: str, strictly: bool = False) -> str:
    if np.isnan(value):
        return "-"
    words = words or f"{value:.2f}"
    met = value < aim if strictly else value <= aim
    return words if met else f"**{words}** ({value - aim:.2f})"


# ---- rounds and adjustments ----------------------------------------------------------------


def _outcome_cells(found: Outcome) -> list[str]:
    return [
        *(f"{share:.3f}" for share in found.after),
        f"{found.rounds:.2f}",
        f"{found.adjustments:.2f}",
        str(found.never),
    ]


def _inside(sound: Sequence[Flown], each: Sequence[tuple[str, list[Flown]]], methods: Sequence[str]) -> str:
    heads = ["aircraft", "method", "inside after 1", "after 2", "after 3", "mean rounds", "adjustments", "not after 6"]
    rows = [[name, m, *_outcome_cells(outcome(f, m))] for name, f in [("all", sound), *each] for m in methods]
    share = outcome(sound, methods[0]).after[0]
    wide = 1.96 * np.sqrt(share * (1.0 - share))
    few = min(len(f) for _, f in each)
    note = (
        f"Shares of aircraft whose readings without noise are inside limits. Aircraft not inside count with 6 rounds. "
        f"By chance alone a share near {share:.2f} may be off by {wide / np.sqrt(len(sound)):.3f} over all, by "
        f"{wide / np.sqrt(few):.3f} over one type (95 in 100); methods met the same aircraft and noise, so that their "
        "differences are surer than that."
    )
    return "\n\n".join(["### Rounds and adjustments", note, table(heads, rows)])


def _severities(sound: Sequence[Flown], methods: Sequence[str]) -> str:
    heads = ["severity", "aircraft", *(f"{m}: 1 / 2 rounds" for m in methods)]
    rows = []
    for severity in SEVERITIES:
        some = [f for f in sound if f.severity == severity]
        if some:
            found = [outcome(some, m).after for m in methods]
            rows.append([severity, str(len(some)), *(f"{one:.2f} / {two:.2f}" for one, two, _ in found)])
    return "\n\n".join(
        ["### By severity", "All types; share inside after one and after two rounds.", table(heads, rows)]
    )


# ---- chances -------------------------------------------------------------------------------


def _chances(sound: Sequence[Flown], each: Sequence[tuple[str, list[Flown]]], method: str) -> str:
    rounds = rounds_of(sound, method)
    read, true = Calibration.of(rounds, READS), Calibration.of(rounds, TRUE)
    if not len(read.said):
        return f"### Chances: {method}\n\nNo plan was made."
    rows = [
        [
            f"{low:.1f} to {low + 0.1:.1f}",
            str(count),
            f"{said:.3f}",
            f"{share:.3f}",
            f"{truth:.3f}",
            _miss(count, share - said),
        ]
        for (low, count, said, share), (_, _, _, truth) in zip(read.bins(), true.bins(), strict=True)
    ]
    bins = table(["chance said", "plans", "mean said", "next readings inside", "truly inside", "miss"], rows)
    heads = [
        "aircraft",
        "plans",
        "mean said",
        "next readings inside",
        "truly inside",
        "Brier",
        "base rate's",
        "worst bin",
    ]
    heads += ["Brier, truly", "base rate's, truly"]
    by_type = [_calibration_row(name, rounds_of(f, method)) for name, f in [("all", sound), *each]]
    by_type += [
        _calibration_row("first rounds", rounds_of(sound, method, first_only=True)),
        _calibration_row("later rounds", [r for f in sound for r in f.jobs[method].rounds[1:]]),
    ]
    kept = [row for row in by_type if row]
    note = f"Every plan made. The worst bin is that of {LEAST_IN_BIN} plans or more with the largest miss."
    return "\n\n".join([f"### Chances: {method}", note, bins, table(heads, kept)])


def _miss(count: int, miss: float) -> str:
    return f"**{miss:+.3f}**" if count >= LEAST_IN_BIN and abs(miss) > 0.07 else f"{miss:+.3f}"


def _calibration_row(name: str, rounds: Sequence[object]) -> list[str]:
    read = Calibration.of(rounds, READS)  # type: ignore[arg-type]
    true = Calibration.of(rounds, TRUE)  # type: ignore[arg-type]
    if not len(read.said):
        return []
    worst = read.worst_bin()
    return [
        name,
        str(len(read.said)),
        *(
            f"{v:.3f}"
            for v in (read.said.mean(), read.happened.mean(), true.happened.mean(), read.brier, read.base_brier)
        ),
        "-" if np.isnan(worst) else f"{worst:.3f}",
        f"{true.brier:.3f}",
        f"{true.base_brier:.3f}",
    ]


# ---- verdicts, causes, faults, speed -------------------------------------------------------


def _verdicts(sound: Sequence[Flown], methods: Sequence[str]) -> str:
    heads = [
        "method",
        "runs",
        '"inside" wrongly',
        '"investigate" wrongly',
        "rightly",
        '"stop" wrongly',
        "called surprising",
    ]
    rows = []
    for method in methods:
        w = wrong_verdicts(sound, method)
        rows.append([method, *map(str, (w.rounds, w.inside, w.investigate, w.investigate_right, w.stop, w.surprising))])
    note = (
        '"inside": runs on which it was said of an aircraft truly outside. "investigate" and "stop": aircraft without '
        "a mechanical fault of which it was said, wrongly if method (c) brings them inside within two rounds. Stop was "
        "overridden. Surprising: runs of which it was said, though nothing was recorded wrongly. (a) and (b) say "
        '"inside" and "stop" by the same readings, and never "investigate".'
    )
    return "\n\n".join(["### Wrong verdicts, no mechanical fault", note, table(heads, rows)])


def _causes(each: Sequence[tuple[str, list[Flown]]]) -> str:
    failed = [(kind, [f for f in flown if f.causes]) for kind, flown in each]
    everything = [f for _, flown in failed for f in flown]
    names = list(everything[0].causes) if everything else []
    rows = [
        [kind, str(len(f)), *(_count(sum(x.causes[n] for x in f), len(f)) for n in names)]
        for kind, f in [("all", everything), *failed]
    ]
    note = (
        'First rounds of "trackbal in job" after which the aircraft was truly outside: how many would have been '
        "inside, noise and setting errors being the same, had one thing been otherwise (the last two: readings and "
        "settings without error and the aircraft's own influence, with six adjustments at most, and with any number)."
    )
    return "\n\n".join(["### What first rounds are lost to", note, table(["type", "lost", *names], rows)])


def _count(part: int, whole: int) -> str:
    return f"{part} ({part / whole:.2f})" if whole else "-"


def _faults(faulty: Sequence[Flown], kinds: Sequence[str]) -> str:
    heads = ["type", "fault", "method", "aircraft", "investigate: round 1", "2", "3", "later", "balanced over"]
    heads += ["neither", "stop in round 1"]
    rows = []
    for kind in ["all", *kinds]:
        for fault in dict.fromkeys(str(f.fault) for f in faulty):
            some = [f for f in faulty if f.fault == fault and kind in ("all", f.kind)]
            for method in OURS:
                jobs = [f.jobs[method] for f in some if method in f.jobs]
                if jobs:
                    f = faults_found(jobs)
                    counts = (f.aircraft, *f.investigate, f.inside, f.neither, f.stop)
                    rows.append([kind, fault, method, *map(str, counts)])
    note = (
        'The round in which "investigate" was first said; the job ends there. Balanced over: brought truly inside '
        "without its being said. Neither: not inside after six rounds, and it was never said."
    )
    return "\n\n".join(["### Aircraft with a mechanical fault", note, table(heads, rows)])


def _speed(each: Sequence[tuple[str, list[Flown]]], methods: Sequence[str]) -> str:
    heads = ["type", *methods]
    rows = [
        [kind, *(f"{200 * np.mean([f.jobs[m].processor_s for f in flown]):.0f}" for m in methods)]
        for kind, flown in each
    ]
    note = (
        "Processor seconds for 200 aircraft of one type through the whole loop, flying included, fits apart; two "
        "processes on two free cores take half of it."
    )
    return "\n\n".join(["### Speed", note, table(heads, rows)])
