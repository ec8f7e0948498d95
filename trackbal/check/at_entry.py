"""What is said of a reading at the moment it is typed: a stop limit reached, or hard to believe.

Every threshold is common practice, no published source, set so that a question is worth its
second. A reading said to be so all the same counts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trackbal.base.phasor import MM_PER_INCH
from trackbal.base.text_layout import times_words
from trackbal.check.comparisons import OwnJump, TipJump, own_jumps, tip_jumps, tips_apart
from trackbal.check.plausibility import TIMES_LIMIT, TIMES_STOP
from trackbal.check.review import is_inside, is_stopped
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run

FINISH = "finish"  # the word that closes a run as it is


def vibration_doubt(rotor: Rotor, r: int, s: int, amplitude: Reals, before: Run | None) -> str:
    """Return why an amplitude is hard to believe, with what it may have been meant for; nothing if it is not.

    Parameters
    ----------
    amplitude : ndarray, shape (R, S)
        What was typed so far, the reading in question among it; nan where nothing was.
    before : Run, optional
        The run before.
    """
    value, limit = float(amplitude[r, s]), float(rotor.vibration_limit[r, s])
    sensor = rotor.sensors[s]
    where = f"{rotor.regimes[r].name}, {sensor.name}: {value:.4g} {sensor.unit}"
    last = "" if before is None else _was(float(abs(before.vibration[r, s])), sensor.unit)
    if value == 0.0:
        return f"{where} means read, and nothing at all; a working pick-up reads some. Enter alone means not read."
    if value > min(TIMES_LIMIT * limit, TIMES_STOP * float(rotor.vibration_stop_limit[r, s])):
        times = times_words(value / limit)
        return f"{where} is {times} times its limit of {limit:g}{last}.{_meant(value, limit, sensor.unit)}"
    earlier = np.full((0, amplitude.shape[1]), np.nan) if before is None else np.abs(before.vibration)
    for jump in own_jumps(np.concatenate([amplitude, earlier]), rotor.vibration_limit):
        if (jump.regime, jump.sensor) == (r, s):
            return f"{where} is {_jump_words(jump)}{last}.{_meant(value, jump.most, sensor.unit)}"
    return ""


def _jump_words(jump: OwnJump) -> str:
    return f"{times_words(jump.times)} times the most this sensor has read elsewhere ({jump.most:.3g})"


def _was(value: float, unit: str) -> str:
    return f"; last run {value:.3g} {unit}" if np.isfinite(value) else ""


def _meant(value: float, usual: float, unit: str) -> str:
    """Return what a reading may have been meant for: a slipped point, another unit, a phase."""
    said = []
    for tenth in (10.0, 100.0):
        if usual / 4.0 < value / tenth < 4.0 * usual:
            said.append(f"a slipped point: {value / tenth:.4g}")
    if unit == "ips" and value / MM_PER_INCH < 4.0 * usual:
        said.append(f'mm/s: type "{value:.4g} mm/s"')
    if value == round(value) and 10.0 <= value < 360.0 and not said:
        said.append("a phase, one reading too early")
    return f" Meant as {' or as '.join(said)}?" if said else ""


def tips_doubt(rotor: Rotor, r: int, tips: Reals, new: Sequence[int], before: Run | None) -> str:
    """Return why heights just typed are hard to believe; nothing if they are not.

    Parameters
    ----------
    tips : ndarray, shape (R, B)
        Heights typed so far, from any common datum, in the rotor's unit; nan where none was.
    new : sequence of int
        The blades just typed, in regime `r`.
    """
    limit, unit = float(rotor.height_limit[r]), rotor.height_unit
    for apart in tips_apart(tips[r], limit):
        if apart.blade in new:
            others = "the other tip typed" if apart.others == 1 else f"the other {apart.others} typed"
            return (
                f"{rotor.regimes[r].name}, blade {rotor.blades[apart.blade]}: {tips[r, apart.blade]:.4g} {unit} is "
                f"{apart.apart:.4g} from {others}, {times_words(apart.apart / limit)} times the limit of the spread. "
                "A misread or slipped number, or a reading that belongs elsewhere?"
            )
    earlier = np.full((0, tips.shape[1]), np.nan) if before is None else before.height
    for jump in tip_jumps(np.concatenate([tips, earlier]), rotor.height_limit):
        if jump.regime == r and jump.blade in new:
            return _tip_words(rotor, jump)
    return ""


def _tip_words(rotor: Rotor, jump: TipJump) -> str:
    return (
        f"{rotor.regimes[jump.regime].name}, blade {rotor.blades[jump.blade]}: {jump.here:+.4g} {rotor.height_unit} "
        f"from the other tips, and {jump.usual:+.4g} where it was read otherwise; the other blades keep their places. "
        "Misread?"
    )


def stop_words(rotor: Rotor, r: int, s: int | None, value: float) -> str:
    """Return what to do where a reading (the spread of the tips if `s` is None) is at its stop or go-on figure.

    A spread of some tips is a lower bound of that of all, so that it may be held against its stop too.
    """
    if s is None:
        stop, go_on, limit = rotor.height_stop_limit[r], rotor.height_go_on[r], rotor.height_limit[r]
        what, unit = "tips", f"{rotor.height_unit} apart"
    else:
        stop, go_on = rotor.vibration_stop_limit[r, s], rotor.vibration_go_on[r, s]
        limit, what, unit = rotor.vibration_limit[r, s], rotor.sensors[s].name, rotor.sensors[s].unit
    here = f"{rotor.regimes[r].name}: {what} {value:.4g} {unit}"
    if is_stopped(value, float(stop)):
        return (
            f"STOP. {here}: at or above the stop limit of {stop:g}. Stop running, find the cause, adjust nothing "
            f'over it. "{FINISH}" closes the run as it is.'
        )
    if not is_inside(value, float(go_on)) and np.isfinite(limit):
        return f"NO FURTHER. {here}: above your go-on figure of {go_on:g}. Do not go on to a further condition."
    return ""
