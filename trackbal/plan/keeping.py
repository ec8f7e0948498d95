"""What preferences make of the search: narrower bounds, supports that are not used, changes that add up to nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trackbal.check.review import READING_SLACK
from trackbal.plan.quadratic import Quadratic
from trackbal.runs.preferences import EVERY_BLADE, NEARLY_OPPOSITE_DEG, Preferences
from trackbal.runs.rotor import STEP_SLACK, Rotor
from trackbal.runs.run import Counts, Reals, Run
from trackbal.search.whole_steps import Allowed
from trackbal.search.work import Work


def narrowed(
    rotor: Rotor, preferences: Preferences, setting: Reals, low: Counts, high: Counts
) -> tuple[Counts, Counts]:
    """Return the bounds in steps, shape (A, B), with what is held at 0 and tabs and the like kept near neutral."""
    low, high = low.copy(), high.copy()
    held = np.zeros(low.shape, dtype=bool)
    for blade, adjuster in preferences.hold:
        held[rotor.adjuster_index(adjuster), slice(None) if blade == EVERY_BLADE else rotor.blades.index(blade)] = True
    if preferences.reference_blade is not None:
        held[:, rotor.blades.index(preferences.reference_blade)] = True
    low[held] = high[held] = 0
    for adjuster, amount in preferences.near_neutral:
        a = rotor.adjuster_index(adjuster)
        step, far = rotor.adjusters[a].step, np.maximum(amount, np.abs(setting[a]))
        high[a] = np.minimum(high[a], np.floor((far - setting[a]) / step + STEP_SLACK))
        low[a] = np.maximum(low[a], np.ceil((-far - setting[a]) / step - STEP_SLACK))
    return low, high


def tracked_first(rotor: Rotor, preferences: Preferences, run: Run) -> Run | None:
    """Return the ground heights of a run by themselves, if they are to be put right first; None if not.

    They are where track comes before balance, a rotor has pitch links, and the tips are outside in a regime on the
    ground.
    """
    ground = np.array([not regime.airborne for regime in rotor.regimes]) & run.height_read
    outside = ground & (np.nan_to_num(run.spread) > rotor.height_limit * (1.0 + READING_SLACK))
    links = any(adjuster.kind == "pitch_link" for adjuster in rotor.adjusters)
    if not (preferences.track_first and links and outside.any()):
        return None
    return replace(
        run,
        vibration=np.full(run.vibration.shape, complex(np.nan, np.nan)),
        vibration_count=np.zeros_like(run.vibration_count),
        height=np.where(ground[:, None], run.height, np.nan),
        height_count=np.where(ground, run.height_count, 0),
    )


def condition(rotor: Rotor, preferences: Preferences) -> Allowed | None:
    """Return which supports may be used, entries counted as (adjuster, blade); None if all may."""
    if not preferences.no_opposite_weights and not preferences.most_blades:
        return None
    blades = len(rotor.blades)
    kind = np.repeat([a.kind for a in rotor.adjusters], blades)
    blade = np.tile(np.arange(blades), len(rotor.adjusters))
    offset = np.repeat([a.hardware.azimuth_offset_deg for a in rotor.adjusters], blades)
    azimuth = rotor.azimuth_deg[blade] + offset  # of each station: weights on the hub sit between blades
    apart = np.abs((azimuth[:, None] - azimuth + 180.0) % 360.0 - 180.0)
    opposite = apart > 180.0 - NEARLY_OPPOSITE_DEG
    weights = kind == "weight"
    clash = opposite & weights[:, None] & weights if preferences.no_opposite_weights else np.zeros_like(opposite)

    def allowed(support: NDArray[np.int_]) -> NDArray[np.bool_]:
        usable = np.ones(support.shape[1], dtype=bool)
        for i in range(len(support)):
            for j in range(i):
                usable &= ~clash[support[i], support[j]]
        for one, most in preferences.most_blades:
            touched = np.zeros((blades, support.shape[1]), dtype=bool)
            for row in support:
                touched[blade[row], np.arange(row.size)] |= kind[row] == one
            usable &= touched.sum(axis=0) <= most
        return usable

    return allowed


def held_to_nothing(rotor: Rotor, preferences: Preferences, quadratic: Quadratic) -> Reals:
    """Return what is added to G, shape (n, n), so that link changes of a best plan add up to nothing.

    The cost is a sum of squares, and that of no change is its constant c. A price above c for each square
    of the sum, which is whole, makes every plan whose links do not add up dearer than no change: the best
    plan is then the best of those whose links do.
    """
    blades = len(rotor.blades)
    added = np.zeros_like(quadratic.quad)
    if preferences.links_sum_to_zero:
        for a, adjuster in enumerate(rotor.adjusters):
            if adjuster.kind == "pitch_link":
                part = slice(a * blades, (a + 1) * blades)
                added[part, part] = 2.0 * quadratic.constant + 1.0
    return added


def work_of(rotor: Rotor) -> Work | None:
    """Return what plans take in minutes; None where the rotor file gives no minutes."""
    minutes = [a.minutes for a in rotor.adjusters if a.minutes is not None]
    if not minutes:
        return None
    blades = len(rotor.blades)
    return Work(np.repeat(minutes, blades), np.tile(np.arange(blades), len(minutes)), rotor.blade_minutes)
