"""Every record of a history weighed: which are suspect, what probably happened, how strong the evidence is.

For each job the record is weighed against every single mistake (record_mistakes.py), work
nobody wrote down, and readings that are merely wrong (set_aside.py): Bayes' rule with the
probabilities beforehand of PRIORS, those of a kind shared by its members. A record is
suspect if it is LEAST_ODDS times more probable that something is wrong than that nothing is.
The job is then taken as the best account has it, and weighed again for a further mistake.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from trackbal.base.summary import Summarised
from trackbal.influence.coefficients import Influence
from trackbal.records.alternatives import Account, Sizes, Weights, weigh
from trackbal.records.record_mistakes import RecordMistake, record_mistakes
from trackbal.records.set_aside import MOST_OF_JOB, in_words, job_arrays, parted, rows_of_jobs, set_asides, without
from trackbal.runs.repeats import without_odd
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History, OddRepeat, Reals

if TYPE_CHECKING:
    import pandas as pd

#: Kind of mistake -> probability beforehand that a job holds one. Common practice, no published source.
PRIORS = {
    "wrong_sign": 0.01,
    "neighbour": 0.01,
    "not_done": 0.01,
    "unit": 0.01,
    "none_done": 0.005,
    "doubled": 0.005,
    "halved": 0.005,
    "other_blade": 0.005,
    "other_adjuster": 0.005,
    "numbering": 0.005,
    "run_order": 0.005,
    "half_turn": 0.005,
    "phase_sense": 0.005,
    "one_decimal": 0.005,
    "one_step": 0.005,
    "late": 0.005,
}
PRIOR_OF_OTHERS = 0.002
PRIOR_OF_WHOLE_JOB = 1e-5  # of each kind that is in every run: an unusual aircraft looks much the same
LEAST_ODDS = 20.0
ALIKE = 0.1  # explanations at least this part as probable as the best are told too
MOST_OTHERS = 3

#: What is set aside -> kind, as a finding names it.
_UNEXPLAINED = {
    "step": "unrecorded_work",
    "run": "whole_run",
    "column": "readings",
    "column in every run": "readings",
    "reading": "one_reading",
}


@dataclass(frozen=True)
class Explained:
    """One account of what is wrong: kind, words, log-likelihood gain over the record, share of the probability."""

    kind: str
    text: str
    gain: float
    probability: float


@dataclass(frozen=True)
class Finding:
    """A suspect record.

    Parameters
    ----------
    job : str
    run : int
        Number of the run it shows at; of an adjustment, the run after it.
    row : int
        Index of that run in the history.
    best : Explained
    others : tuple of Explained
        Further accounts nearly as probable.
    odds : float
        Logarithm of how many times more probable it is that something is wrong.
    corrected : bool
        Whether the best account says what is right; False: it only sets something aside.
    """

    job: str
    run: int
    row: int
    best: Explained
    others: tuple[Explained, ...]
    odds: float
    corrected: bool


@dataclass(frozen=True, repr=False)
class Audit(Summarised):
    """What an audit found, and the history with the best account of every job.

    Parameters
    ----------
    findings : tuple of Finding
    corrected : History
        Where work between two runs is unknown, the job is parted: the second part is named
        "<job> from run <k>". Readings set aside are not there.
    jobs, runs : int
        Weighed.
    """

    findings: tuple[Finding, ...]
    corrected: History
    jobs: int
    runs: int

    def summary(self) -> dict[str, object]:
        """Return how much was weighed and found."""
        return {"jobs": self.jobs, "runs": self.runs, "findings": len(self.findings)}

    def to_frame(self) -> pd.DataFrame:
        """Return the findings as a table by job and run: kind, text, gain and probability of the best account."""
        import pandas as pd

        rows = [(f.job, f.run, f.best.kind, f.best.text, f.best.gain, f.best.probability) for f in self.findings]
        frame = pd.DataFrame(rows, columns=["job", "run", "kind", "text", "gain", "probability"])
        return frame.set_index(["job", "run"])


def audit(
    rotor: Rotor, history: History, influence: Influence, progress: Callable[[int, int], None] | None = None
) -> Audit:
    """Weigh every record of a history.

    Parameters
    ----------
    influence : Influence
        Of the type, for one more aircraft; from a fit that bad records have not bent (fitting.fit).
    progress : callable, optional
        Called with the jobs done and their number.
    """
    odd, history = history.odd, without_odd(history)
    sizes = Sizes.of(rotor, history)
    findings: list[Finding] = []
    accounts: list[Account] = []
    jobs = list(rows_of_jobs(history))
    for k, rows in enumerate(jobs):
        account = Account.as_recorded(job_arrays(history, rows))
        name, first = history.jobs[history.job[rows[0]]], int(rows[0])
        for _ in range(MOST_OF_JOB if len(rows) > 1 else 0):
            found = _weighed(rotor, account, influence, sizes)
            if found is None:
                break
            account, finding = found
            findings.append(
                replace(finding, job=name, row=first + finding.run, run=int(history.run[first + finding.run]))
            )
        accounts.append(account)
        if progress is not None:
            progress(k + 1, len(jobs))
    findings = [*_odd_findings(history, odd), *findings]
    return Audit(tuple(findings), _corrected(history, jobs, accounts), len(jobs), len(history.run))


def _odd_findings(history: History, odd: Sequence[OddRepeat]) -> list[Finding]:
    """Return findings of repeated readings, which are left out of what is weighed."""
    at = {(history.jobs[j], int(run)): n for n, (j, run) in enumerate(zip(history.job, history.run, strict=True))}
    return [
        Finding(
            one.job, one.run, at[one.job, one.run], Explained(one.kind, one.text, one.gain, 1.0), (), one.gain, False
        )
        for one in odd
        if (one.job, one.run) in at
    ]


def _gains(weights: Weights, now: Account, mistakes: Sequence[RecordMistake], influence: Influence) -> Reals:
    """Return how much more probable every mistake makes the readings of a job, in log-likelihood.

    Where the influence of an adjuster is not known, an account of its amounts neither gains nor loses: with the
    smaller amount that is anything would be the more probable, whatever was read.
    """
    changed = np.array([(m.account.job.change != now.job.change).any(axis=(0, 2)) for m in mistakes])  # (H, A)
    changed = changed.reshape(len(mistakes), len(influence.tau))
    blind = (changed[:, :, None, None] & influence.unknown_vibration).any(axis=1)
    blind_height = (changed[:, :, None] & influence.unknown_height).any(axis=1)
    gain = np.where(blind, 0.0, weights.vibration[1:] - weights.vibration[0]).sum(axis=(1, 2))
    return np.asarray(gain + np.where(blind_height, 0.0, weights.height[1:] - weights.height[0]).sum(axis=1))


def _weighed(rotor: Rotor, now: Account, influence: Influence, sizes: Sizes) -> tuple[Account, Finding] | None:
    """Return the best account of a job and what it says; None if the job is as probable as it stands."""
    mistakes = record_mistakes(rotor, now)
    gains = _gains(weigh(rotor, [now, *(m.account for m in mistakes)], influence, sizes), now, mistakes, influence)
    of_kind = Counter((m.kind, m.whole_job) for m in mistakes)
    priors = [_prior(m) / of_kind[m.kind, m.whole_job] for m in mistakes]
    aside = set_asides(rotor, now, influence, sizes)
    gain = np.array([*gains, *(one.gain for one, _ in aside)])
    odds = np.array([*(gains + np.log(priors)), *(o for _, o in aside)])
    odds[np.isnan(odds)] = -np.inf  # readings that cannot be, tips where a regime has none, explain nothing
    top = float(odds.max())
    if not np.isfinite(top):
        return None
    total = top + math.log(float(np.exp(odds - top).sum()))
    if total < math.log(LEAST_ODDS):
        return None
    order = np.argsort(-odds, kind="stable")

    def described(i: int) -> Explained:
        share = float(np.exp(odds[i] - np.logaddexp(total, 0.0)))
        if i < len(mistakes):
            return Explained(mistakes[i].kind, mistakes[i].text, float(gain[i]), share)
        one = aside[i - len(mistakes)][0]
        return Explained(_UNEXPLAINED[one.kind], in_words(rotor, one, len(now.job)), float(gain[i]), share)

    best = int(order[0])
    alike = [described(int(i)) for i in order[: 4 * MOST_OTHERS] if odds[i] >= top + math.log(ALIKE)]
    best_explained, *others = _once(alike)[: 1 + MOST_OTHERS]
    if best < len(mistakes):
        account, run = mistakes[best].account, mistakes[best].run
    else:
        one = aside[best - len(mistakes)][0]
        account, run = without(now, one), one.run
    return account, Finding("", run, -1, best_explained, tuple(others), total, best < len(mistakes))


def _prior(mistake: RecordMistake) -> float:
    return PRIOR_OF_WHOLE_JOB if mistake.whole_job else PRIORS.get(mistake.kind, PRIOR_OF_OTHERS)


def _once(explained: Sequence[Explained]) -> list[Explained]:
    """Return accounts of the same words as one, their probabilities added up."""
    by_text: dict[str, Explained] = {}
    for one in explained:
        before = by_text.get(one.text)
        by_text[one.text] = one if before is None else replace(before, probability=before.probability + one.probability)
    return list(by_text.values())


def _corrected(history: History, jobs: list[np.ndarray], accounts: list[Account]) -> History:
    vibration, height, change = history.vibration.copy(), history.height.copy(), history.change.copy()
    count, height_count = history.vibration_count.copy(), history.height_count.copy()
    part = np.zeros(len(history.run), dtype=int)
    for rows, account in zip(jobs, accounts, strict=True):
        job = account.job
        vibration[rows], count[rows] = job.vibration, job.vibration_count
        height[rows], height_count[rows] = job.height, job.height_count
        part[rows] = np.cumsum(account.loose > 0)
        change[rows] = job.change
    answer = parted(replace(history, vibration=vibration, height=height, change=change), count, height_count, part)
    first = np.flatnonzero(np.diff(answer.job, prepend=-1))
    names = [history.jobs[history.job[i]] + (f" from run {history.run[i]}" if part[i] else "") for i in first.tolist()]
    start = first[answer.job]
    return replace(
        answer,
        jobs=tuple(names),
        run=np.arange(len(answer.run)) - start + 1,
        change=answer.change - answer.change[start],
    )
