"""Promised chances against what came: Brier's score, calibration, and how far readings were from the expected.

Brier's score is the mean of ``(p - o)^2``, p the chance and o 1 where the run was inside limits, 0 where not (Brier
1950, Mon. Weather Rev. 78). Its reference is that of always saying the share that passed, ``o(1 - o)``; were chances
right it would be ``mean p (1 - p)`` on average, with variance ``sum p (1 - p) (1 - 2 p)^2 / n^2`` (Spiegelhalter 1986,
Stat. Med. 5). Shares carry Jeffreys' 90 % interval (Brown, Cai and DasGupta 2001, Stat. Sci. 16). From memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.hindsight.past_plans import PastPlan

EDGES = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.0)  # of the chances that are told apart
INTERVAL = 0.9


@dataclass(frozen=True)
class Score:
    """Plans of one group.

    Parameters
    ----------
    what : str
        "all", or "type ...", "adjuster ...", "by ...".
    plans, passed : int
    chance : float
        Mean promised chance.
    brier, reference, expected : float
        Brier's score; that of always saying the share that passed; what it would be on average were the chances right.
    p : float
        Chance of a score this far above or below the expected one by accident; nan where it cannot be told.
    """

    what: str
    plans: int
    passed: int
    chance: float
    brier: float
    reference: float
    expected: float
    p: float


@dataclass(frozen=True)
class Bin:
    """Plans whose promised chance lies between two edges: mean chance, and the share that passed with its interval."""

    low: float
    high: float
    plans: int
    passed: int
    chance: float
    share_low: float
    share_high: float


@dataclass(frozen=True)
class Misses:
    """Readings of a sensor ("height": spreads of the tips) against what was expected.

    `error` is the root mean square of came less expected, `mean` their mean, both as parts of the limit; `inside` of
    `ranged` readings lay in the likely range that was given.
    """

    sensor: str
    readings: int
    error: float
    mean: float
    inside: int
    ranged: int


@dataclass(frozen=True)
class Hindsight:
    """How good past advice was.

    `judged` plans were done as advised and followed by a run that read something again; `left_out` says why others
    are not judged, and how many.
    """

    judged: tuple[PastPlan, ...]
    left_out: dict[str, int]
    scores: tuple[Score, ...]
    bins: tuple[Bin, ...]
    misses: tuple[Misses, ...]


def look_back(plans: Sequence[PastPlan]) -> Hindsight:
    """Return how good past plans were."""
    judged = [p for p in plans if p.as_advised and p.passed is not None]
    left_out = {
        "not done as advised": sum(not p.as_advised for p in plans),
        "no promised reading taken again": sum(p.as_advised and p.passed is None for p in plans),
    }
    groups: dict[str, list[PastPlan]] = {"all": judged}
    for plan in judged:
        names = [
            f"type {plan.rotor}",
            *(f"adjuster {a}" for a in plan.adjusters),
            *([f"by {plan.by}"] if plan.by else []),
        ]
        for name in names:
            groups.setdefault(name, []).append(plan)
    order = sorted(groups, key=lambda name: (name != "all", not name.startswith("type"), name.startswith("by"), name))
    return Hindsight(
        tuple(judged),
        {why: count for why, count in left_out.items() if count},
        tuple(_score(name, groups[name]) for name in order if groups[name]),
        tuple(_bins(judged)),
        tuple(_misses(judged)),
    )


def _score(what: str, plans: Sequence[PastPlan]) -> Score:
    from scipy.special import ndtr

    p = np.array([plan.chance for plan in plans])
    came = np.array([float(bool(plan.passed)) for plan in plans])
    brier, share = float(np.mean((p - came) ** 2)), float(came.mean())
    expected = float(np.mean(p * (1.0 - p)))
    sd = float(np.sqrt(np.sum(p * (1.0 - p) * (1.0 - 2.0 * p) ** 2))) / len(p)
    chance = 2.0 * float(ndtr(-abs(brier - expected) / sd)) if sd > 0 and len(p) > 4 else float("nan")
    return Score(what, len(p), int(came.sum()), float(p.mean()), brier, share * (1.0 - share), expected, chance)


def _bins(plans: Sequence[PastPlan]) -> list[Bin]:
    from scipy.special import betaincinv

    chance = np.array([plan.chance for plan in plans])
    place = np.clip(np.searchsorted(EDGES, chance, side="right") - 1, 0, len(EDGES) - 2)
    found = []
    for i in range(len(EDGES) - 1):
        members = np.flatnonzero(place == i).tolist()
        if not members:
            continue
        n, k = len(members), sum(bool(plans[j].passed) for j in members)
        tail = (1.0 - INTERVAL) / 2.0
        low = 0.0 if k == 0 else float(betaincinv(k + 0.5, n - k + 0.5, tail))
        high = 1.0 if k == n else float(betaincinv(k + 0.5, n - k + 0.5, 1.0 - tail))
        found.append(Bin(EDGES[i], EDGES[i + 1], n, k, float(chance[members].mean()), low, high))
    return found


def _misses(plans: Sequence[PastPlan]) -> list[Misses]:
    by_sensor: dict[str, list[tuple[float, bool | None]]] = {}
    for plan in plans:
        for r in plan.promises:
            if np.isfinite(r.expected):
                held = None if np.isnan(r.low) else r.low <= r.came <= r.high
                by_sensor.setdefault(r.sensor, []).append(((r.came - r.expected) / r.limit, held))
    found = []
    for sensor, its in by_sensor.items():
        error = np.array([e for e, _ in its])
        inside = [h for _, h in its if h is not None]
        found.append(
            Misses(sensor, len(its), float(np.sqrt(np.mean(error**2))), float(error.mean()), sum(inside), len(inside))
        )
    return found
