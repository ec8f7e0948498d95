"""Readings held against their own kind: a tip against the other tips and against its own place elsewhere,
a sensor against what it has read in other conditions.

Thresholds are common practice, no published source: wide, so that a sound run has no finding.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from trackbal.runs.run import Reals

FAR_OF_LIMIT = 3.0  # a tip this many limits of the spread from the others is questioned whatever they do;
NEAR_OF_LIMIT, TIMES_OTHERS = 1.5, 3.0  # one this near only if the others lie that much closer together
JUMP_OF_LIMIT, TIMES_JUMPS = 1.0, 4.0  # of a tip out of its usual place, beside what the other blades jump
TIMES_OWN = 8.0  # a sensor's reading beside the most it has read elsewhere
FEWEST_OTHERS = 2  # readings elsewhere that say what is usual


@dataclass(frozen=True)
class TipApart:
    """A tip far from the others of its regime: distance from their median, and how many they are."""

    blade: int
    apart: float
    others: int


@dataclass(frozen=True)
class TipJump:
    """A tip out of its usual place: where it is here and elsewhere, from the median of the tips."""

    regime: int
    blade: int
    here: float
    usual: float


@dataclass(frozen=True)
class OwnJump:
    """A reading far above all others of its sensor: times the most of them."""

    regime: int
    sensor: int
    times: float
    most: float


def tips_apart(tips: Reals, limit: float) -> Iterator[TipApart]:
    """Yield the tips of one regime that are far from the others.

    Parameters
    ----------
    tips : ndarray, shape (B,)
        Heights from any common datum; nan where not read.
    limit : float
        Of the spread; inf where heights are not held against any.
    """
    read = np.flatnonzero(np.isfinite(tips))
    for blade in read:
        others = tips[read[read != blade]]
        if not len(others):
            continue
        apart = abs(float(tips[blade] - median(others)))
        close = len(others) > FEWEST_OTHERS and apart > TIMES_OTHERS * np.ptp(others)
        if apart > FAR_OF_LIMIT * limit or (close and apart > NEAR_OF_LIMIT * limit):
            yield TipApart(int(blade), apart, len(others))


def median(values: Reals) -> Reals:
    """Return the median along the last axis of what is not nan; nan where nothing is.

    The same as numpy.nanmedian, which is not used as it imports numpy.ma to begin with: a tenth of a whole check.
    """
    ordered, n = np.sort(values, axis=-1), np.sum(~np.isnan(values), axis=-1, keepdims=True)
    middle = np.concatenate([(n - 1) // 2, n // 2], axis=-1)  # of nothing: the last and the first, both nan
    return np.asarray(np.take_along_axis(ordered, middle, axis=-1).sum(axis=-1) * 0.5)


def tip_jumps(tips: Reals, limit: Reals) -> Iterator[TipJump]:
    """Yield the tips that are out of their usual place in one regime while the other blades keep theirs.

    Parameters
    ----------
    tips : ndarray, shape (n, B)
        Heights from any datum of each row; the first R rows are the regimes in question, further
        ones only say what is usual. Rows with a tip missing do not count.
    limit : ndarray, shape (R,)
    """
    whole = np.flatnonzero(np.isfinite(tips).all(axis=1))
    if len(whole) < FEWEST_OTHERS or tips.shape[1] <= FEWEST_OTHERS:
        return
    place = _places(tips, whole)
    for r in whole[whole < len(limit)]:
        usual = median(place[whole[whole != r]].T)
        jump = np.abs(place[r] - usual)
        blade = int(np.argmax(jump))
        others = float(median(np.delete(jump, blade)))
        if jump[blade] > JUMP_OF_LIMIT * limit[r] and jump[blade] > TIMES_JUMPS * max(others, 0.1 * limit[r]):
            yield TipJump(int(r), blade, float(place[r, blade]), float(usual[blade]))


def _places(tips: Reals, whole: np.ndarray) -> Reals:
    """Return heights above the median tip of their row; nan in rows that are not whole."""
    place = np.full(tips.shape, np.nan)
    place[whole] = tips[whole] - median(tips[whole])[:, None]
    return place


def own_jumps(amplitude: Reals, limit: Reals) -> Iterator[OwnJump]:
    """Yield the readings that are far above their limit and above all else their sensor has read.

    Parameters
    ----------
    amplitude : ndarray, shape (n, S)
        The first R rows are the regimes in question, further ones only say what is usual; nan: not read.
    limit : ndarray, shape (R, S)
    """
    for s in range(amplitude.shape[1]):
        read = np.flatnonzero(np.isfinite(amplitude[:, s]))
        for r in read[read < len(limit)]:
            others = amplitude[read[read != r], s]
            if len(others) < FEWEST_OTHERS or amplitude[r, s] <= FEWEST_OTHERS * limit[r, s]:
                continue
            most = float(others.max())
            if amplitude[r, s] > TIMES_OWN * most > 0.0:
                yield OwnJump(int(r), s, float(amplitude[r, s] / most), most)
