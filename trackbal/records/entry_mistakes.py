"""What a surprising run may be made of: every single recording mistake as another record.

Each mistake is the job with something else written down: other adjustments before the last
run, or readings of the last run (of all runs, for what is wrong all along; of the run
before) as they would have been without the mistake. Lists of the mistakes and sizes that
occur are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.base.phasor import MM_PER_INCH, PEAK_UNITS, VIBRATION_UNITS, blade_delays, unit_factor
from trackbal.runs.rotor import STEP_SLACK, Rotor
from trackbal.runs.run import Complexes, Reals
from trackbal.runs.words import adjustment_words

Scope = Literal["this run", "the run before", "every run"]
_SCOPES: tuple[Scope, ...] = ("this run", "the run before", "every run")


@dataclass(frozen=True)
class Mistake:
    """One thing that may have been recorded wrongly, and the job as it would be without.

    Parameters
    ----------
    kind : str
        A fixed word for programs, such as "wrong_sign".
    text : str
        What may have happened, in plain words.
    job : JobArrays
        The job as it would then have been recorded.
    log_scale : ndarray, shape (n, R, S)
        Logarithm of how many times larger than written each vibration reading would be.
    height_log_scale : ndarray, shape (n, R)
        The same of the tips.
    change : ndarray, shape (A, B), or None
        What would then have been done before the last run; None if the readings are meant.
    """

    kind: str
    text: str
    job: JobArrays
    log_scale: Reals
    height_log_scale: Reals
    change: Reals | None = None


def all_mistakes(
    rotor: Rotor, job: JobArrays, advised: Reals | None = None, setting: Reals | None = None
) -> list[Mistake]:
    """Return every single mistake that may explain the last run of a job of two or more.

    Parameters
    ----------
    advised : ndarray, shape (A, B), optional
        What was advised before the last run.
    setting : ndarray, shape (A, B), optional
        What was installed before the last run's adjustments; adjustments that would have
        left an adjuster's range are then not considered.
    """
    found = list(_adjustment_mistakes(rotor, job, advised))
    if setting is not None:
        found = [m for m in found if m.change is not None and _possible(rotor, setting + m.change, m.change)]
    found += _sensor_mistakes(rotor, job)
    found += _numbering_mistakes(rotor, job)
    found += _height_mistakes(rotor, job)
    found += _single_reading_mistakes(rotor, job)
    found += _exchanged(rotor, job)
    return found


def _possible(rotor: Rotor, setting: Reals, change: Reals) -> bool:
    step = np.array([a.step for a in rotor.adjusters])[:, None]
    low = np.array([a.minimum for a in rotor.adjusters])[:, None] - STEP_SLACK * step
    high = np.array([a.maximum for a in rotor.adjusters])[:, None] + STEP_SLACK * step
    return bool(((change == 0.0) | ((setting >= low) & (setting <= high))).all())


# ------------------------------------------------------------------------------ adjustments


def _adjustment_mistakes(rotor: Rotor, job: JobArrays, advised: Reals | None) -> Iterator[Mistake]:
    made = job.change[-1] - job.change[-2]
    if advised is not None and (advised != made).any():
        yield _otherwise(rotor, job, "as_advised", "the adjustments were done as advised, not as recorded", advised)
    items = [(int(a), int(b)) for b, a in np.argwhere(made.T != 0.0)]
    for a, b in items:
        yield from _one_item_mistakes(rotor, job, made, a, b)
    if len(items) > 1:
        yield _otherwise(rotor, job, "none_done", "none of the recorded adjustments was done", np.zeros_like(made))
        yield _otherwise(rotor, job, "all_signs", "every recorded adjustment was done the other way", -made)
    blades = len(rotor.blades)
    if items:
        for k in range(1, blades):
            if len(items) > 1 or k not in (1, blades - 1):  # one item on the neighbour is listed already
                text = f"the adjustments were done with the blades numbered from blade {rotor.blades[k]}"
                yield _otherwise(rotor, job, "numbering", text, np.roll(made, k, axis=1))
        mirror = (-np.arange(blades)) % blades
        if (made[:, mirror] != made).any():
            text = "the adjustments were done with the blades counted the other way round"
            yield _otherwise(rotor, job, "numbering", text, made[:, mirror])


def _one_item_mistakes(rotor: Rotor, job: JobArrays, made: Reals, a: int, b: int) -> Iterator[Mistake]:
    amount = float(made[a, b])
    words = adjustment_words(rotor, a, b, amount)
    for kind, times, what in (
        ("wrong_sign", -1.0, "was done the other way"),
        ("not_done", 0.0, "was not done"),
        ("doubled", 2.0, "was done twice"),
        ("halved", 0.5, "was done by half"),
    ):
        other = made.copy()
        other[a, b] = times * amount
        yield _otherwise(rotor, job, kind, f'"{words}" {what}', other)
    for side in dict.fromkeys(((b + 1) % len(rotor.blades), (b - 1) % len(rotor.blades))):
        other = made.copy()
        other[a, b] = 0.0
        other[a, side] += amount
        yield _otherwise(rotor, job, "neighbour", f'"{words}" was done on blade {rotor.blades[side]}', other)
    for c, adjuster in enumerate(rotor.adjusters):
        if c != a:
            other = made.copy()
            other[a, b] = 0.0
            other[c, b] += amount / rotor.adjusters[a].step * adjuster.step
            text = f'"{words}" was done on {adjuster.name}, as many steps'
            yield _otherwise(rotor, job, "other_adjuster", text, other)


def _otherwise(rotor: Rotor, job: JobArrays, kind: str, text: str, change: Reals) -> Mistake:
    total = job.change.copy()
    total[-1] = total[-2] + change
    return _mistake(kind, text, replace(job, change=total), change=change)


def _mistake(
    kind: str,
    text: str,
    job: JobArrays,
    log_scale: Reals | None = None,
    height_log_scale: Reals | None = None,
    change: Reals | None = None,
) -> Mistake:
    none = np.zeros(job.vibration.shape) if log_scale is None else log_scale
    none_height = np.zeros(job.height.shape[:2]) if height_log_scale is None else height_log_scale
    return Mistake(kind, text, job, none, none_height, change)


# ------------------------------------------------------------------------------ readings


def _runs_of(job: JobArrays, scope: Scope) -> slice:
    n = len(job)
    return {"this run": slice(n - 1, n), "the run before": slice(n - 2, n - 1), "every run": slice(0, n)}[scope]


def _scopes(job: JobArrays) -> tuple[Scope, ...]:
    return _SCOPES if len(job) > 1 else _SCOPES[:1]


def _changed(job: JobArrays, kind: str, text: str, runs: slice, factor: Complexes) -> Mistake:
    """Return the mistake put right by multiplying the vibration of some runs by `factor`, shape (R, S)."""
    vibration = job.vibration.copy()
    vibration[runs] = vibration[runs] * factor
    log_scale = np.zeros(vibration.shape)
    log_scale[runs] = np.log(np.abs(factor))
    return _mistake(kind, text, replace(job, vibration=vibration), log_scale)


def _sensor_mistakes(rotor: Rotor, job: JobArrays) -> Iterator[Mistake]:
    regimes, sensors = len(rotor.regimes), len(rotor.sensors)
    groups = [([s], f"{sensor.name}") for s, sensor in enumerate(rotor.sensors)]
    if sensors > 1:
        groups.append((list(range(sensors)), "all sensors"))
    for scope in _scopes(job):
        runs = _runs_of(job, scope)
        for members, name in groups:
            if not job.vibration_count[runs][:, :, members].any():
                continue
            factor = np.ones((regimes, sensors), dtype=complex)
            factor[:, members] = -1.0
            yield _changed(job, "half_turn", f"{name}: phase off by 180 degrees in {scope}", runs, factor)
            vibration = job.vibration.copy()
            vibration[runs, :, members] = vibration[runs, :, members].conj()
            text = f"{name}: phase counted in the other sense in {scope}"
            yield _mistake("phase_sense", text, replace(job, vibration=vibration))
            if len(members) == 1:
                for value, what in _unit_slips(rotor, members[0]):
                    factor = np.ones((regimes, sensors), dtype=complex)
                    factor[:, members[0]] = value
                    yield _changed(job, "unit", f"{name}: {what} in {scope}", runs, factor)


def _unit_slips(rotor: Rotor, s: int) -> Iterator[tuple[Complexes, str]]:
    """Return what a sensor's readings, written in another unit or measure, must be multiplied by, shape (R,)."""
    sensor = rotor.sensors[s]
    hertz = sensor.harmonic * rotor.usual_rpm / 60.0
    for unit, (order, _) in PEAK_UNITS.items():
        if sensor.unit in (unit, f"{unit} rms"):
            continue
        factor = np.array([unit_factor(unit, sensor.unit, frequency) for frequency in hertz])
        if order != VIBRATION_UNITS[sensor.unit][0]:
            yield factor, f"read in {unit}, phase and all, and written as {sensor.unit}"
            yield np.abs(factor).astype(complex), f"amplitudes read in {unit} and written as {sensor.unit}"
        else:
            yield factor, f"read in {unit} and written as {sensor.unit}"
    same: Complexes = np.ones(len(hertz), dtype=np.complex128)
    if sensor.unit not in PEAK_UNITS:
        yield same / np.sqrt(2.0), "peak values written as rms"
        yield same / np.sqrt(8.0), "peak-to-peak values written as rms"
        return
    yield same / 2.0, "peak-to-peak values written as peak"
    yield same * 2.0, "peak values written as peak-to-peak"
    yield same * np.sqrt(2.0), "rms values written as peak"


def _numbering_mistakes(rotor: Rotor, job: JobArrays) -> Iterator[Mistake]:
    for scope in _scopes(job):
        runs = _runs_of(job, scope)
        for k in range(1, len(rotor.blades)):
            turned = job.vibration.copy()
            # a pulse from blade k comes psi_k later: every lag is read shorter by h psi_k
            turned[runs] = turned[runs] * blade_delays(rotor.azimuth_deg[k], rotor.harmonics)
            rolled = job.height.copy()
            rolled[runs] = np.roll(rolled[runs], k, axis=-1)
            blade = rotor.blades[k]
            yield _mistake("numbering", f"phases counted from blade {blade} in {scope}", replace(job, vibration=turned))
            if job.height_count[runs].any():
                yield _mistake(
                    "numbering",
                    f"heights listed from blade {blade} on in {scope}",
                    replace(job, height=rolled),
                )
                yield _mistake(
                    "numbering",
                    f"phases and heights counted from blade {blade} in {scope}",
                    replace(job, vibration=turned, height=rolled),
                )


def _height_mistakes(rotor: Rotor, job: JobArrays) -> Iterator[Mistake]:
    inch = rotor.height_unit == "in"
    other, factor = ("mm", 1.0 / MM_PER_INCH) if inch else ("in", MM_PER_INCH)
    for scope in _scopes(job):
        runs = _runs_of(job, scope)
        if not job.height_count[runs].any():
            continue
        for kind, value, what in (
            ("height_unit", factor, f"heights read in {other} and written as {rotor.height_unit}"),
            ("height_sign", -1.0, "heights written with down as positive"),
        ):
            height = job.height.copy()
            height[runs] *= value
            scale = np.zeros(height.shape[:2])
            scale[runs] = np.log(abs(value))
            yield _mistake(kind, f"{what} in {scope}", replace(job, height=height), None, scale)


def _single_reading_mistakes(rotor: Rotor, job: JobArrays) -> Iterator[Mistake]:
    runs = _runs_of(job, "this run")
    shape = (len(rotor.regimes), len(rotor.sensors))
    for r, s in np.argwhere(job.vibration_count[-1] > 0):
        name = f"{rotor.regimes[r].name}, {rotor.sensors[s].name}"
        slips: list[tuple[complex, str, str]] = [(-1.0, "one_half_turn", "phase off by 180 degrees")]
        slips += [(10.0, "one_decimal", "decimal point one place too far left")]
        slips += [(0.1, "one_decimal", "decimal point one place too far right")]
        slips += [(complex(value[r]), "one_unit", what) for value, what in _unit_slips(rotor, int(s))]
        for value, kind, what in slips:
            factor = np.ones(shape, dtype=complex)
            factor[r, s] = value
            yield _changed(job, kind, f"{name}: {what} in this run", runs, factor)
        vibration = job.vibration.copy()
        vibration[-1, r, s] = vibration[-1, r, s].conj()
        text = f"{name}: phase counted in the other sense in this run"
        yield _mistake("one_phase_sense", text, replace(job, vibration=vibration))


def _exchanged(rotor: Rotor, job: JobArrays) -> Iterator[Mistake]:
    """Return mistakes by which two columns or rows of the last run changed places."""
    read = job.vibration_count[-1] > 0
    for s, q in combinations(range(len(rotor.sensors)), 2):
        if rotor.sensors[s].unit == rotor.sensors[q].unit and (read[:, s] == read[:, q]).all():
            vibration = job.vibration.copy()
            vibration[-1][:, [s, q]] = vibration[-1][:, [q, s]]
            text = f"{rotor.sensors[s].name} and {rotor.sensors[q].name} exchanged in this run"
            yield _mistake("exchanged", text, replace(job, vibration=vibration))
    for r, q in combinations(range(len(rotor.regimes)), 2):
        if (read[r] == read[q]).all() and read[r].any() and job.height_count[-1, r] == job.height_count[-1, q]:
            vibration, height = job.vibration.copy(), job.height.copy()
            vibration[-1][[r, q]] = vibration[-1][[q, r]]
            height[-1][[r, q]] = height[-1][[q, r]]
            text = f"the rows {rotor.regimes[r].name} and {rotor.regimes[q].name} exchanged in this run"
            yield _mistake("exchanged", text, replace(job, vibration=vibration, height=height))
    for b, c in combinations(range(len(rotor.blades)), 2):
        if (job.height_count[-1] > 0).any():
            height = job.height.copy()
            height[-1][:, [b, c]] = height[-1][:, [c, b]]
            text = f"heights of blades {rotor.blades[b]} and {rotor.blades[c]} exchanged in this run"
            yield _mistake("exchanged", text, replace(job, height=height))
