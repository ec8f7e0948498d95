"""A fit of a fleet of any size: sheet by pieces, sums kept, a month added without the years before it."""

from __future__ import annotations

from collections.abc import Iterable

from trackbal.estimate.estimate import Estimates
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import Fit, concluded, estimate_cells, kept_records, type_influence
from trackbal.fitting.job_sums import JobSums, refuse_known_jobs
from trackbal.influence.coefficients import Influence
from trackbal.records.robust import can_judge, odd_records, records
from trackbal.records.set_aside import sift
from trackbal.runs.repeats import without_odd
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History


def sum_up(
    rotor: Rotor,
    pieces: Iterable[History],
    kept: JobSums | None = None,
    *,
    robust: bool = True,
) -> JobSums:
    """Return the sums of a history read in pieces, with those kept before.

    Parameters
    ----------
    pieces : iterable of History
        Each of whole jobs. What does not fit is set aside by the type's coefficients: those of
        the sums kept, else those of the first piece (make it large).
    kept : JobSums, optional
    robust : bool
        False: every record is relied upon.

    Raises
    ------
    InputError
        If a job stands in the sums already.
    """
    parts = [] if kept is None else [kept]
    held = frozenset() if kept is None else frozenset(kept.jobs)
    known = estimate_cells(kept) if kept is not None and robust else None
    for piece in pieces:
        refuse_known_jobs(held, piece.jobs, piece.source)
        if robust and (known is None or not can_judge(known)):
            known = kept_records(rotor, piece).estimates
        parts.append(_sums(rotor, piece, known, robust))
    return JobSums.joined(parts)


def _sums(rotor: Rotor, piece: History, known: Estimates | None, robust: bool) -> JobSums:
    """Return the sums of a piece, less odd repeats and records that do not fit what is known, if that can tell."""
    odd = odd_records(piece) if robust else ()
    recorded, piece = piece, without_odd(piece) if robust else piece
    if known is None or not can_judge(known):
        return JobSums.of(HistoryCells(rotor, piece), recorded, odd)
    sifted = sift(HistoryCells(rotor, piece), type_influence(rotor, known, None))
    return JobSums.of(HistoryCells(rotor, sifted.history), recorded, odd + records(rotor, piece, sifted, known))


def fit_sums(sums: JobSums, prior: Influence | None = None) -> Fit:
    """Fit the influence coefficients of a type to the sums of its jobs; parameters as in fitting.fit."""
    return concluded(sums, estimate_cells(sums, prior), prior)
