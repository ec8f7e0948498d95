"""What to expect of the next run's readings after a change, and how far they may miss it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.aircraft.posterior import symmetric_root
from trackbal.base.phasor import blade_harmonic
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals, Run

#: Part of the next runs that a likely range, or the ellipse in a picture, holds.
LIKELY = 0.95
#: Standard deviations from the centre to the ellipse that holds LIKELY of a plane normal distribution.
ELLIPSE_RADIUS = float(np.sqrt(-2.0 * np.log(1.0 - LIKELY)))

_SAMPLES = 8_000  # the ends of a likely range are then good to about 2 % of a standard deviation
_SEED = 4_057


@dataclass(frozen=True)
class Forecast:
    """The next run's readings; nan where a reading was not taken this time.

    Parameters
    ----------
    vibration : ndarray of complex, shape (R, S)
        Expected reading, lag convention, sensor units.
    vibration_cov : ndarray, shape (R, S, 2, 2)
        Covariance of its real and imaginary part: influence error and reading noise.
    height : ndarray, shape (R, B)
        Expected height relative to the mean tip.
    height_sd : ndarray, shape (R, B)
        Its standard deviation.
    amplitude_low, amplitude_high : ndarray, shape (R, S)
        Ends of the range that holds LIKELY of the next amplitudes, in the middle.
    spread_low, spread_high : ndarray, shape (R,)
        The same of highest minus lowest tip.
    """

    vibration: Complexes
    vibration_cov: Reals
    height: Reals
    height_sd: Reals
    amplitude_low: Reals
    amplitude_high: Reals
    spread_low: Reals
    spread_high: Reals


def forecast(rotor: Rotor, run: Run, influence: Influence, change: Reals) -> Forecast:
    """Return what to expect of the next run after a change, shape (A, B), in adjuster units.

    The readings of this run are taken as they are; influence error and the noise of the
    next reading make it uncertain, as in `trackbal.plan.chance`.
    """
    vibration = run.vibration + influence.vibration_change(rotor, change)
    height = run.height + influence.height_change(change)
    vibration_cov = _vibration_cov(rotor, influence, change)
    height_cov = _height_cov(influence, change)
    rng = np.random.default_rng(_SEED)
    tails = [50.0 * (1.0 - LIKELY), 50.0 * (1.0 + LIKELY)]
    draws = rng.standard_normal((2, _SAMPLES))
    parts = symmetric_root(vibration_cov) @ draws
    amplitude = np.hypot(vibration.real[..., None] + parts[..., 0, :], vibration.imag[..., None] + parts[..., 1, :])
    tips = height[..., None] + symmetric_root(height_cov) @ rng.standard_normal((height.shape[1], _SAMPLES))
    amplitude_low, amplitude_high = np.percentile(amplitude, tails, axis=-1)
    spread_low, spread_high = np.percentile(np.ptp(tips, axis=1), tails, axis=-1)
    return Forecast(
        vibration=vibration,
        vibration_cov=vibration_cov,
        height=height,
        height_sd=np.sqrt(np.maximum(np.einsum("rbb->rb", height_cov), 0.0)),
        amplitude_low=amplitude_low,
        amplitude_high=amplitude_high,
        spread_low=spread_low,
        spread_high=spread_high,
    )


def _vibration_cov(rotor: Rotor, influence: Influence, change: Reals) -> Reals:
    """Return the covariance of (re, im) of each next reading, shape (R, S, 2, 2)."""
    z = blade_harmonic(change, rotor.azimuth_deg, rotor.harmonics).T  # (S, A)
    lever = np.empty((len(z), 2, 2 * z.shape[1]))  # (alpha z) as a linear map of (re, im) of every alpha
    lever[:, 0, 0::2] = lever[:, 1, 1::2] = z.real
    lever[:, 0, 1::2] = -z.imag
    lever[:, 1, 0::2] = z.imag
    cov = np.einsum("sia,rsac,sjc->rsij", lever, influence.vibration_cov, lever, optimize=True)
    return cov + influence.vibration_noise[..., None, None] ** 2 * np.eye(2)


def _height_cov(influence: Influence, change: Reals) -> Reals:
    """Return the covariance of the tips about their mean, shape (R, B, B)."""
    blades = change.shape[1]
    share = change - change.mean(axis=1, keepdims=True)
    cov = np.einsum("ab,rac,cd->rbd", share, influence.height_cov, share, optimize=True)
    return cov + influence.height_noise[:, None, None] ** 2 * (np.eye(blades) - 1.0 / blades)


def ellipse(mean: complex, cov: Reals, points: int = 73) -> Complexes:
    """Return points of the closed curve that holds LIKELY of a reading, as phasors, shape (points,).

    The last is the first, to the last bit, as those who draw it ask.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, points)[:-1]
    x, y = ELLIPSE_RADIUS * symmetric_root(cov) @ np.stack([np.cos(turn), np.sin(turn)])
    around = mean + x + 1j * y
    return np.append(around, around[0])
