"""The one reading that no adjustment can cure: which it is, and what it would be if it were misread.

A reading without which all the others could be brought inside limits stands alone. It may be
true, and then has a cause that is no adjuster's business; it may as well be a slip of the pen.
Each slip here is tried on it: common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.base.cautions import Caution
from trackbal.base.phasor import MM_PER_INCH
from trackbal.influence.coefficients import Influence
from trackbal.plan.reach import best_change, ratios, reaches
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Counts, Run
from trackbal.runs.words import phase_text, phase_unit

NONE_ALONE = "No single reading explains it: without any one the rest stays outside."
_MOST_NAMED = 2
_TURNED_DEG = 30.0  # phases farther apart than this are worth naming
_MM_FOR_INCH = (1.0 / MM_PER_INCH, "millimetres read where inches are meant")
_INCH_FOR_MM = (MM_PER_INCH, "inches read where millimetres are meant")
_UNIT = {"ips": _MM_FOR_INCH, "in": _MM_FOR_INCH, "mm/s": _INCH_FOR_MM, "mm": _INCH_FOR_MM}
_POINT = ((0.1, "the decimal point one place to the left"), (10.0, "the decimal point one place to the right"))
_TURNED = (-1.0, "the phase turned by 180 degrees")


@dataclass(frozen=True)
class _Suspect:
    """A reading, or one sensor's in every regime, and its `rows`; `place`: regime, and sensor or blade.

    Only vibration has a phase and only what has a unit of its own, not a tip among others, is scaled.
    """

    name: str
    rows: NDArray[np.bool_]
    place: tuple[int, int] | None = None
    tip: bool = False
    phase: bool = False
    scales: tuple[tuple[float, str], ...] = ()


def misread_words(rotor: Rotor, run: Run, influence: Influence, low: Counts, high: Counts) -> tuple[str, ...]:
    """Return what to say of the readings that stand alone against a cure; NONE_ALONE if there are none.

    Parameters
    ----------
    low, high : ndarray of int, shape (A, B)
        Bounds in steps of the adjusters that may be advised on.

    Returns
    -------
    tuple of str
        Empty where all readings together could be brought inside, were it not for whole steps and counts.
    """
    start, effect = ratios(rotor, run, influence)
    if reaches(start, effect, low, high):
        return ()
    for suspects in (_single(rotor, run), _sensors(rotor, run)):
        alone = [s for s in suspects if not s.rows.all() and reaches(start[~s.rows], effect[~s.rows], low, high)]
        if alone:
            said = [_words(rotor, s, start, effect, low, high) for s in alone]
            said.sort(key=lambda words: "It would fit" not in words)  # stable
            return (*said[:_MOST_NAMED], *_more(len(said) - _MOST_NAMED))
    return (NONE_ALONE,)


def _more(count: int) -> tuple[str, ...]:
    return (f"The same holds of {count} more.",) if count > 0 else ()


def _single(rotor: Rotor, run: Run) -> Iterator[_Suspect]:
    """Yield every reading taken by itself: of a sensor, of a tip, and the spread where there are but two tips."""
    cells, tall = np.argwhere(run.vibration_read), np.flatnonzero(run.height_read)
    one, other = np.triu_indices(len(rotor.blades), 1)
    rows = len(cells) + len(tall) * len(one)
    for k, (r, s) in enumerate(cells.tolist()):
        name, scales = f"{rotor.regimes[r].name}, {rotor.sensors[s].name}", (*_POINT, *_unit(rotor.sensors[s].unit))
        yield _Suspect(name, np.arange(rows) == k, (r, s), phase=True, scales=scales)
    for k, r in enumerate(tall.tolist()):
        first = len(cells) + k * len(one)
        if len(rotor.blades) == 2:
            scales = (*_POINT, *_unit(rotor.height_unit))
            yield _Suspect(f"{rotor.regimes[r].name}, tip spread", np.arange(rows) == first, scales=scales)
            continue
        for b, blade in enumerate(rotor.blades):
            mask = np.zeros(rows, dtype=bool)
            mask[first : first + len(one)] = (one == b) | (other == b)
            yield _Suspect(f"{rotor.regimes[r].name}, height of blade {blade}", mask, (r, b), tip=True)


def _sensors(rotor: Rotor, run: Run) -> Iterator[_Suspect]:
    """Yield every sensor that was read in two regimes or more."""
    cells = np.argwhere(run.vibration_read)
    pairs = len(rotor.blades) * (len(rotor.blades) - 1) // 2
    tips = np.zeros(int(run.height_read.sum()) * pairs, dtype=bool)
    for s, sensor in enumerate(rotor.sensors):
        mine = cells[:, 1] == s
        if mine.sum() > 1:
            rows = np.concatenate([mine, tips])
            yield _Suspect(f"{sensor.name}, in every regime", rows, phase=True, scales=_unit(sensor.unit))


def _unit(unit: str) -> tuple[tuple[float, str], ...]:
    named = unit.removesuffix(" rms")
    return (_UNIT[named],) if named in _UNIT else ()


def _words(rotor: Rotor, suspect: _Suspect, start: Complexes, effect: Complexes, low: Counts, high: Counts) -> str:
    kind = "sensor" if suspect.rows.sum() > 1 and not suspect.tip else "reading"
    rest = best_change(start[~suspect.rows], effect[~suspect.rows], low, high)
    expected = _expected(rotor, suspect, -effect[suspect.rows] @ rest, start[suspect.rows])
    said = f"All but one {kind} could be brought inside: {suspect.name}{expected}."
    again = f"{said}{_slip(suspect, start, effect, low, high)} Read it again"
    return Caution(f"{again}; if it stands, it has a cause of its own.", f"{again}.")


def _expected(rotor: Rotor, suspect: _Suspect, fits: Complexes, now: Complexes) -> str:
    """Return what the others expect of a single reading; `fits`, `now`: in limits, of its rows."""
    if suspect.place is None:
        return ""
    r, c = suspect.place
    if suspect.tip:
        one, other = np.triu_indices(len(rotor.blades), 1)
        mine = (one == c) | (other == c)
        sign = np.where(one[mine] == c, 1.0, -1.0)
        off = float(np.mean((fits - now).real * sign) * rotor.height_limit[r])
        return f" (the others expect that tip about {abs(off):.3g} {rotor.height_unit} {_way(off)} than read)"
    sensor, limit = rotor.sensors[c], float(rotor.vibration_limit[r, c])
    turned, due = phase_text(rotor, now[0]), phase_text(rotor, fits[0])
    read, wanted = abs(now[0]) * limit, abs(fits[0]) * limit
    return f" ({read:.3g} {sensor.unit} at {turned} {phase_unit(rotor)}; the others expect about {wanted:.3g} at {due})"


def _way(off: float) -> str:
    return "higher" if off > 0.0 else "lower"


def _slip(suspect: _Suspect, start: Complexes, effect: Complexes, low: Counts, high: Counts) -> str:
    """Return the likely slips without which the reading would fit the others."""
    rows, found = suspect.rows, []
    for factor, words in (*((_TURNED,) if suspect.phase else ()), *suspect.scales):
        if reaches(np.where(rows, start * factor, start), effect, low, high):
            found.append(words)
    other_way = np.where(rows, start.conj(), start)
    far = np.abs(np.angle(other_way[rows] * start[rows].conj())).max() > np.radians(_TURNED_DEG)
    if suspect.phase and far and reaches(other_way, effect, low, high):
        found.append("the phase counted the other way round")
    return f" It would fit with {' or '.join(found[:_MOST_NAMED])}." if found else ""
