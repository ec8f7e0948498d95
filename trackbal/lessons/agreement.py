"""Does a run agree with what was expected after the adjustments made before it?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trackbal.base.covariance import squared_distance
from trackbal.base.phasor import blade_harmonic
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals, Run

SURPRISE = 0.01  # chance, over all readings together, below which a run does not agree


@dataclass(frozen=True)
class Miss:
    """One reading of a run against what was expected of it.

    Parameters
    ----------
    regime : int
        Index into the rotor's regimes.
    sensor, blade : int or None
        Index of the sensor, or of the blade for a tip height; the other is None.
    expected, measured : complex
        Phasors in the sensor's unit (lag), or heights relative to the mean tip.
    deviations : float
        Distance from expected to measured in standard deviations: of influence and of the
        noise of both runs. For a phasor, the Mahalanobis distance of its two parts.
    chance : float
        Probability of at least this distance if everything is as assumed.
    """

    regime: int
    sensor: int | None
    blade: int | None
    expected: complex
    measured: complex
    deviations: float
    chance: float


def expected_run(rotor: Rotor, run: Run, influence: Influence, change: Reals) -> Run:
    """Return a run with its readings as expected after a change, shape (A, B) in the adjusters' units."""
    return replace(
        run,
        vibration=run.vibration + influence.vibration_change(rotor, change),
        height=run.height + influence.height_change(change),
        entered=None,
    )


def misses(rotor: Rotor, before: Run, change: Reals, after: Run, influence: Influence) -> tuple[Miss, ...]:
    """Return how far each reading taken in both runs is from what was expected, the farthest first.

    Left out are readings that cannot be judged: an adjuster was changed whose effect on them
    is unknown, or neither noise nor influence error is known.

    Parameters
    ----------
    change : ndarray, shape (A, B)
        What was done between the two runs, in the adjusters' units.

    Notes
    -----
    The distance d of a phasor follows a chi-square law of 2 degrees of freedom, chance
    exp(-d^2 / 2); that of a height the normal law.
    """
    found = [*_vibration(rotor, before, change, after, influence), *_heights(before, change, after, influence)]
    return tuple(sorted(found, key=lambda d: -d.deviations))


def agrees(found: tuple[Miss, ...]) -> bool:
    """Return whether the least likely reading is believable, given how many were compared."""
    return all(d.chance * len(found) >= SURPRISE for d in found)


def _vibration(rotor: Rotor, before: Run, change: Reals, after: Run, influence: Influence) -> list[Miss]:
    z = blade_harmonic(change, rotor.azimuth_deg, rotor.harmonics)  # (A, S)
    blind = (influence.unknown_vibration & (np.abs(z) > 0.0)[:, None, :]).any(axis=0)
    expected = expected_run(rotor, before, influence, change).vibration
    cov = influence.vibration_change_cov(rotor, change)
    found = []
    for r, s in np.argwhere(before.vibration_read & after.vibration_read & ~blind):
        noise = influence.vibration_noise[r, s] ** 2
        noise *= 1.0 / before.vibration_count[r, s] + 1.0 / after.vibration_count[r, s]
        off = after.vibration[r, s] - expected[r, s]
        both = np.array([off.real, off.imag])
        squared = squared_distance(both, cov[r, s] + noise * np.eye(2))
        if np.isnan(squared):
            continue
        chance = float(np.exp(-squared / 2.0))
        values = (complex(expected[r, s]), complex(after.vibration[r, s]))
        found.append(Miss(int(r), int(s), None, *values, float(np.sqrt(squared)), chance))
    return found


def _heights(before: Run, change: Reals, after: Run, influence: Influence) -> list[Miss]:
    from scipy.special import erfc

    u = change - change.mean(axis=1, keepdims=True)  # (A, B)
    blades = u.shape[1]
    expected = before.height + influence.height_change(change)
    cov = influence.height_change_cov(change)
    blind = (influence.unknown_height & (np.abs(u).max(axis=1) > 0.0)[:, None]).any(axis=0)
    found = []
    for r in np.flatnonzero(before.height_read & after.height_read & ~blind):
        noise = influence.height_noise[r] ** 2 * (1.0 - 1.0 / blades)  # the mean tip is taken out of every row
        noise *= 1.0 / before.height_count[r] + 1.0 / after.height_count[r]
        variance = noise + cov[r].diagonal()
        for b in np.flatnonzero(variance > 0.0):
            away = float(abs(after.height[r, b] - expected[r, b]) / np.sqrt(variance[b]))
            measured = complex(after.height[r, b])
            chance = float(erfc(away / np.sqrt(2.0)))
            found.append(Miss(int(r), None, int(b), complex(expected[r, b]), measured, away, chance))
    return found
