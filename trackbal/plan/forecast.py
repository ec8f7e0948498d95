"""What the next run is likely to read after a change, and how far it may miss that.

Where the influence says how departures go together it is what the model of this aircraft
says (posterior.py), else what the readings taken and the covariance of each row say: in
either case that from which the chance is worked out (chance.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from trackbal.aircraft.entries import entries_of
from trackbal.aircraft.posterior import MOST_ENTRIES, OwnAircraft
from trackbal.base.covariance import centring, symmetric_root
from trackbal.influence.coefficients import Influence
from trackbal.plan.disc import chance_in_axes, normal_quantile, principal_axes
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals, Run

#: Part of the next runs that a likely range, or the ellipse in a picture, holds.
LIKELY = 0.95
#: Standard deviations from the centre to the ellipse that holds LIKELY of a plane normal distribution.
ELLIPSE_RADIUS = float(np.sqrt(-2.0 * np.log(1.0 - LIKELY)))
#: Parts of the next amplitudes below the ends of the likely range, and below the likely one.
_PARTS = (0.5 * (1.0 - LIKELY), 0.5, 0.5 * (1.0 + LIKELY))

_SAMPLES = 8_000  # the ends of a likely range of spreads are then good to about 2 % of a standard deviation
_SEED = 4_057
_REACH = 4.0  # standard deviations beyond which next to no amplitude is
_MOST_STEPS, _NEAR = 40, 1e-5  # towards an amplitude; how near, in standard deviations, is near enough


@dataclass(frozen=True)
class Forecast:
    """The next run's readings; nan where a reading was not taken this time.

    Parameters
    ----------
    vibration : ndarray of complex, shape (R, S)
        Mean of the next phasor, lag convention, sensor units.
    vibration_cov : ndarray, shape (R, S, 2, 2)
        Covariance of its real and imaginary part: influence error and reading noise.
    height : ndarray, shape (R, B)
        Mean of the next heights relative to the mean tip.
    height_sd : ndarray, shape (R, B)
        Its standard deviation.
    amplitude, spread : ndarray, shape (R, S) and (R,)
        The likely next amplitude, and highest minus lowest tip: as many are above as below. A phasor that may fall
        anywhere about 0 has a mean of 0 but no amplitude of 0.
    amplitude_low, amplitude_high : ndarray, shape (R, S)
        Ends of the range that holds LIKELY of the next amplitudes, in the middle.
    spread_low, spread_high : ndarray, shape (R,)
        The same of highest minus lowest tip.
    """

    vibration: Complexes
    vibration_cov: Reals
    height: Reals
    height_sd: Reals
    amplitude: Reals
    amplitude_low: Reals
    amplitude_high: Reals
    spread: Reals
    spread_low: Reals
    spread_high: Reals

    def worst_ratio(self, rotor: Rotor) -> float:
        """Return the largest likely reading over its limit."""
        ratios = np.append(self.amplitude / rotor.vibration_limit, self.spread / rotor.height_limit)
        return float(np.nanmax(ratios, initial=0.0))

    def ranges(self, rotor: Rotor) -> list[dict[str, Any]]:
        """Return the likely reading and its range, amplitudes and then tip spreads, as plain data."""
        names = [r.name for r in rotor.regimes]
        found: list[dict[str, Any]] = [
            {
                "regime": names[r],
                "sensor": rotor.sensors[s].name,
                "likely": float(self.amplitude[r, s]),
                "low": float(self.amplitude_low[r, s]),
                "high": float(self.amplitude_high[r, s]),
            }
            for r, s in np.argwhere(np.isfinite(self.amplitude_low))
        ]
        for r in np.flatnonzero(np.isfinite(self.spread_low)):
            likely, low, high = float(self.spread[r]), float(self.spread_low[r]), float(self.spread_high[r])
            found.append({"regime": names[r], "height": True, "likely": likely, "low": low, "high": high})
        return found


def forecast(
    rotor: Rotor, run: Run, influence: Influence, change: Reals, posterior: OwnAircraft | None = None
) -> Forecast:
    """Return what to expect of the next run after a change, shape (A, B), in adjuster units.

    Parameters
    ----------
    posterior : OwnAircraft, optional
        What is known of this aircraft; `run` is its last run. Without it the readings of `run` are taken as they
        are; influence error and the noise of the next reading make the forecast uncertain.
    """
    if posterior is None:
        vibration = run.vibration + influence.vibration_change(rotor, change)
        height = run.height + influence.height_change(change)
        noise = influence.vibration_noise[..., None, None] ** 2 * np.eye(2)
        tip_noise = influence.height_noise[:, None, None] ** 2 * centring(len(rotor.blades))
        cov, height_cov = influence.vibration_change_cov(rotor, change), influence.height_change_cov(change)
        return _forecast_from(vibration, cov + noise, height, height_cov + tip_noise)
    entries = entries_of(posterior.model, run)
    mean, cov = posterior.predict(entries, change)
    cov[np.diag_indices_from(cov)] += entries.single
    cells, blades, (regimes, sensors) = len(entries.regime), len(rotor.blades), run.vibration.shape
    at = entries.regime, entries.sensor
    limit, half = rotor.vibration_limit[at], rotor.height_limit[entries.height_regime] / 2.0
    vibration = np.full((regimes, sensors), complex(np.nan, np.nan))
    vibration_cov = np.full((regimes, sensors, 2, 2), np.nan)
    vibration[at] = (mean[:cells] + 1j * mean[cells : 2 * cells]) * limit
    pair = np.arange(cells)[:, None] + np.array([0, cells])
    vibration_cov[at] = cov[pair[:, :, None], pair[:, None, :]] * limit[:, None, None] ** 2
    height, height_cov = np.full((regimes, blades), np.nan), np.full((regimes, blades, blades), np.nan)
    height[entries.height_regime] = mean[2 * cells :].reshape(-1, blades) * half[:, None]
    tips = 2 * cells + np.arange(mean.size - 2 * cells).reshape(-1, blades)
    centred = centring(blades)  # heights are told from the mean tip, their noise too
    height_cov[entries.height_regime] = centred @ cov[tips[:, :, None], tips[:, None, :]] @ centred
    height_cov[entries.height_regime] *= half[:, None, None] ** 2
    return _forecast_from(vibration, vibration_cov, height, height_cov)


def elsewhere(
    rotor: Rotor, run: Run, influence: Influence, change: Reals, posterior: OwnAircraft | None
) -> Forecast | None:
    """Return what a whole run would read after a change, shape (A, B), where nothing was read this time.

    Told by the same model of this aircraft, from what it read elsewhere and how much blades of the type differ: the
    ranges are wide. None where the influence has no such model, nothing of it is known there, or a whole run has too
    many readings. A reading of which any adjuster's influence is not known is left out.
    """
    if posterior is None:
        return None
    known = influence.vibration_noise > 0.0, influence.height_noise > 0.0
    vibration = rotor.vibration_wanted & ~run.vibration_read & known[0] & ~influence.unknown_vibration.any(axis=0)
    heights = rotor.height_wanted & ~run.height_read & known[1] & ~influence.unknown_height.any(axis=0)
    heights &= np.isfinite(rotor.height_limit)
    entries = 2 * int(vibration.sum()) + len(rotor.blades) * int(heights.sum())
    if not 0 < entries <= MOST_ENTRIES:
        return None
    imagined = replace(
        run,
        vibration=np.where(vibration, 0.0, complex(np.nan, np.nan)),
        height=np.where(heights[:, None], 0.0, np.full(run.height.shape, np.nan)),
        vibration_count=vibration.astype(int),
        height_count=heights.astype(int),
    )
    return forecast(rotor, imagined, influence, change, posterior)


def _forecast_from(vibration: Complexes, vibration_cov: Reals, height: Reals, height_cov: Reals) -> Forecast:
    low, middle, high = _amplitudes(vibration, vibration_cov)
    spreads = np.full((3, len(height)), np.nan)
    draws = _draws(height.shape[1])
    for r in np.flatnonzero(~np.isnan(height).any(axis=1)):
        tips = height[r][:, None] + symmetric_root(height_cov[r]) @ draws
        spreads[:, r] = np.percentile(np.ptp(tips, axis=0), 100.0 * np.array(_PARTS))
    return Forecast(
        vibration=vibration,
        vibration_cov=vibration_cov,
        height=height,
        height_sd=np.sqrt(np.maximum(np.einsum("rbb->rb", height_cov), 0.0)),
        amplitude=middle,
        amplitude_low=low,
        amplitude_high=high,
        spread=spreads[1],
        spread_low=spreads[0],
        spread_high=spreads[2],
    )


@cache
def _draws(blades: int) -> Reals:
    """Return the standard normal numbers that every spread of tips is drawn with, shape (B, _SAMPLES)."""
    return np.random.default_rng(_SEED).standard_normal((blades, _SAMPLES))


def _amplitudes(vibration: Complexes, cov: Reals) -> Reals:
    """Return the amplitudes below which _PARTS of the next ones are, shape (3, R, S).

    By the false position, the weight of an end that stays halved (the Illinois way: Dowell & Jarratt 1971, BIT 11:168,
    from memory), on the normal quantiles of the chances, as an amplitude far from 0 is all but normal.
    """
    found = np.full((len(_PARTS), *vibration.shape), np.nan)
    read = ~np.isnan(vibration)
    if not read.any():
        return found
    mean = np.tile(vibration[read], len(_PARTS))
    centre, spread = (np.tile(one, (len(_PARTS), 1)) for one in principal_axes(vibration[read], cov[read]))
    sd = np.hypot(spread[:, 0], spread[:, 1])
    aim = np.repeat(normal_quantile(np.array(_PARTS)), mean.size // len(_PARTS))
    low, high = np.maximum(np.abs(mean) - _REACH * sd, 0.0), np.abs(mean) + _REACH * sd
    at_low, at_high = -_REACH - aim, _REACH - aim
    middle, unsettled = high.copy(), np.flatnonzero(sd > 0.0)  # those that are not found yet
    was_below = aim > 0.0
    for _ in range(_MOST_STEPS):
        middle[unsettled] = (high - at_high * (high - low) / (at_high - at_low))[unsettled]
        within = chance_in_axes(centre[unsettled], spread[unsettled], np.maximum(middle[unsettled], 1e-300))
        off = normal_quantile(within) - aim[unsettled]
        below = off < 0.0
        same = below == was_below[unsettled]
        at_low[unsettled] = np.where(below, off, np.where(same, 0.5, 1.0) * at_low[unsettled])
        at_high[unsettled] = np.where(below, np.where(same, 0.5, 1.0) * at_high[unsettled], off)
        low[unsettled], high[unsettled] = (
            np.where(below, middle[unsettled], low[unsettled]),
            np.where(below, high[unsettled], middle[unsettled]),
        )
        was_below[unsettled] = below
        unsettled = unsettled[np.abs(off) > _NEAR]
        if not unsettled.size:
            break
    found[:, read] = middle.reshape(len(_PARTS), -1)
    return found


def ellipse(mean: complex, cov: Reals, points: int = 73) -> Complexes:
    """Return points of the closed curve that holds LIKELY of a reading, as phasors, shape (points,).

    The last is the first, to the last bit, as those who draw it ask.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, points)[:-1]
    x, y = ELLIPSE_RADIUS * symmetric_root(cov) @ np.stack([np.cos(turn), np.sin(turn)])
    around = mean + x + 1j * y
    return np.append(around, around[0])
