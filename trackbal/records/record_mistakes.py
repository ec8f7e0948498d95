"""Every mistake a history's record may hold, run by run of a job, as another account of it.

Mistakes about a job's last run are listed by entry_mistakes.py; here they are put at every run,
and those added that only a finished job shows: runs exchanged, blades further off, amounts
a decimal place or a step out, adjustments noted a run late or early. Common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.records.alternatives import Account
from trackbal.records.entry_mistakes import Mistake, all_mistakes
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals
from trackbal.runs.words import adjustment_words

_ENDINGS = (" in this run", " in the run before", " in every run")


@dataclass(frozen=True)
class RecordMistake:
    """One thing that may be wrong in the record of a job.

    Parameters
    ----------
    kind : str
        A fixed word for programs, such as "wrong_sign".
    run : int
        Index of the run it shows at; of an adjustment the run after it.
    text : str
        What may have happened, in plain words.
    account : Account
        The job as it would then have been.
    whole_job : bool
        Whether it is in every run: little is then left to tell it from an unusual aircraft.
    """

    kind: str
    run: int
    text: str
    account: Account
    whole_job: bool = False


def record_mistakes(rotor: Rotor, now: Account) -> list[RecordMistake]:
    """Return every single mistake that says what is right, at every run of a job.

    Parameters
    ----------
    now : Account
        The job as it is believed so far; of at least two runs.
    """
    found: list[RecordMistake] = []
    for t in range(1, len(now.job)):
        found += _at_run(rotor, now, t)
        found += _further(rotor, now, t)
    return found


def _at_run(rotor: Rotor, now: Account, t: int) -> Iterator[RecordMistake]:
    """Put the mistakes about run t into the whole job."""
    job = now.job
    upto = job.first(t + 1)
    last = t == len(job) - 1
    for mistake in all_mistakes(rotor, upto):
        if mistake.change is not None:
            total = job.change.copy()
            total[t:] += mistake.job.change[-1] - upto.change[-1]
            account = replace(now, job=replace(job, change=total))
            yield RecordMistake(mistake.kind, t, f"before run {t + 1}: {mistake.text}", account)
            continue
        runs = _runs_changed(upto, mistake)
        # every run is listed again with each run, the run before as this run of the one before
        if len(runs) > 1 and not last:
            continue
        if len(runs) == 1 and runs[0] != t and t > 1:
            continue
        if len(runs):
            where = "in every run" if len(runs) > 1 else f"in run {runs[0] + 1}"
            yield RecordMistake(
                mistake.kind, int(runs[-1]), f"{_stripped(mistake.text)} {where}", _read(now, t, mistake)
            )


def _runs_changed(job: JobArrays, mistake: Mistake) -> NDArray[np.int_]:
    other = mistake.job
    vibration = (job.vibration != other.vibration) & (job.vibration_count > 0)
    height = (job.height != other.height).any(axis=-1) & (job.height_count > 0)
    return np.flatnonzero(vibration.any(axis=(1, 2)) | height.any(axis=1))


def _stripped(text: str) -> str:
    for ending in _ENDINGS:
        text = text.removesuffix(ending)
    return text


def _read(now: Account, t: int, mistake: Mistake) -> Account:
    """Return the account with the readings of runs 0 to t as the mistake puts them right."""
    job = now.job
    vibration, height = job.vibration.copy(), job.height.copy()
    vibration[: t + 1], height[: t + 1] = mistake.job.vibration, mistake.job.height
    scale, rise = now.log_scale.copy(), now.height_log_scale.copy()
    scale[: t + 1] += mistake.log_scale
    rise[: t + 1] += mistake.height_log_scale
    return replace(now, job=replace(job, vibration=vibration, height=height), log_scale=scale, height_log_scale=rise)


def _further(rotor: Rotor, now: Account, t: int) -> Iterator[RecordMistake]:
    job = now.job
    made = job.change[t] - job.change[t - 1]
    blades = len(rotor.blades)
    for b, a in np.argwhere(made.T != 0.0).tolist():
        words = adjustment_words(rotor, a, b, float(made[a, b]))
        for k in range(2, blades - 1):  # neighbours are listed already
            other = made.copy()
            side = (b + k) % blades
            other[a, b], other[a, side] = 0.0, made[a, side] + made[a, b]
            yield _done(now, t, "other_blade", f'"{words}" was done on blade {rotor.blades[side]}', other)
        for factor, what in ((10.0, "ten times over"), (0.1, "by a tenth")):
            other = made.copy()
            other[a, b] *= factor
            yield _done(now, t, "amount_decimal", f'"{words}" was done {what}', other)
    yield from _one_step_off(rotor, now, t, made)
    yield from _other_run(rotor, now, t, made)
    order = np.arange(len(job))
    order[[t - 1, t]] = t, t - 1
    exchanged = JobArrays(
        job.vibration[order], job.vibration_count[order], job.height[order], job.height_count[order], job.change
    )
    account = replace(
        now,
        job=exchanged,
        out=now.out[order],
        out_height=now.out_height[order],
        log_scale=now.log_scale[order],
        height_log_scale=now.height_log_scale[order],
    )
    yield RecordMistake("run_order", t, f"the sheets of runs {t} and {t + 1} exchanged", account)


def _one_step_off(rotor: Rotor, now: Account, t: int, made: Reals) -> Iterator[RecordMistake]:
    """Yield every amount with a step more or less; what is listed as not done, doubled or halved is left out."""
    for b, a in np.argwhere(made.T != 0.0).tolist():
        amount, step = float(made[a, b]), rotor.adjusters[a].step
        for turn, what in ((1.0, "more"), (-1.0, "less")):
            true = amount + np.sign(amount) * turn * step
            if np.isclose(true, [0.0, 2.0 * amount, 0.5 * amount, -amount], rtol=0.0, atol=1e-9 * step).any():
                continue
            other = made.copy()
            other[a, b] = true
            words = adjustment_words(rotor, a, b, amount)
            yield _done(now, t, "one_step", f'"{words}" was done with one step {what}', other)


def _other_run(rotor: Rotor, now: Account, t: int, made: Reals) -> Iterator[RecordMistake]:
    """Yield every adjustment, and all of them together, as done a run earlier or later than noted."""
    items = [(a, b) for b, a in np.argwhere(made.T != 0.0).tolist()]
    groups: list[tuple[str, Reals]] = []
    for a, b in items:
        one = np.zeros_like(made)
        one[a, b] = made[a, b]
        groups.append((f'"{adjustment_words(rotor, a, b, float(made[a, b]))}"', one))
    if len(items) > 1:
        groups.append(("what is recorded there", made))
    for words, moved in groups:
        total = now.job.change.copy()
        if t > 1:
            total[t - 1] = total[t - 1] + moved
            text = f"before run {t + 1}: {words} was done before run {t} already, and noted one run late"
            yield RecordMistake("late", t, text, replace(now, job=replace(now.job, change=total)))
        if t < len(total) - 1:
            total = now.job.change.copy()
            total[t] = total[t] - moved
            text = f"before run {t + 1}: {words} was done only after run {t + 1}, and noted one run early"
            yield RecordMistake("early", t, text, replace(now, job=replace(now.job, change=total)))


def _done(now: Account, t: int, kind: str, text: str, change: Reals) -> RecordMistake:
    total = now.job.change.copy()
    total[t:] += change - (total[t] - total[t - 1])
    return RecordMistake(kind, t, f"before run {t + 1}: {text}", replace(now, job=replace(now.job, change=total)))
