"""Influence from amplitudes alone, for a pick-up whose tach does not work: as found, and three trials.

A reading after a change with blade harmonic z is ``|v + alpha z|``. Turning v and alpha together
changes no amplitude, so the phase of v is taken as 0 and phases count from the reading as found;
what a correction depends on is how alpha lies to v, which the amplitudes of trials in different
places tell. With changes in one place alone (or opposite), an answer and its mirror image fit
equally well: a trial in a third direction tells them apart. Known in the trade as balancing
without phase, or by four runs (D. Shreve, Balancing Without Phase, magazine article, n. d.).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from trackbal.base.errors import InputError
from trackbal.base.phasor import blade_harmonic
from trackbal.influence.coefficients import Influence
from trackbal.runs.meaning import meaning
from trackbal.runs.reading_noise import noise_floor
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, History, Reals, Run

_STARTS = 24  # directions from which the best fit is looked for
_SAME_PLACE = 1e-6  # answers closer than this part of the coefficient are one
#: Another answer is not ruled out while its readings are missed by less than this many noises more (chi-square).
_TOLD_APART = 9.0


@dataclass(frozen=True)
class AmplitudeFit:
    """What the amplitudes of one pick-up say.

    Parameters
    ----------
    as_found : float
        Best estimate of the amplitude without any change.
    alpha : complex
        Coefficient, lag convention, phases counted from the reading as found.
    cov : ndarray, shape (2, 2)
        Of its real and imaginary part, for readings of the noise given.
    misfit : float
        Root mean square of what is left of the amplitudes, per degree of freedom; nan without any.
    other : complex or None
        Another coefficient that fits as well as can be told.
    """

    as_found: float
    alpha: complex
    cov: Reals
    misfit: float
    other: complex | None


def fit_amplitudes(amplitude: Reals, z: Complexes, sd: float) -> AmplitudeFit:
    """Return the coefficient that least squares finds in amplitudes.

    Parameters
    ----------
    amplitude : ndarray, shape (T,)
        At least three, in the sensor's unit.
    z : ndarray of complex, shape (T,)
        Blade harmonic of what was changed against as found, adjuster units.
    sd : float
        Noise of one amplitude.

    Raises
    ------
    ValueError
        With fewer than three amplitudes or without a change.
    """
    from scipy.optimize import least_squares

    if len(amplitude) < 3 or not np.abs(z).any():
        raise ValueError("at least three amplitudes, with a change among them")
    found = []
    reach = float(np.abs(z).max())
    size = float(np.sqrt(max(float(np.mean(amplitude**2)), 1e-300))) / reach
    start = float(amplitude[np.argmin(np.abs(z))])
    for turn in np.exp(2j * np.pi * np.arange(_STARTS) / _STARTS):
        guess = size * turn
        result = least_squares(
            partial(_miss, amplitude=amplitude, z=z * size),
            [start, turn.real, turn.imag],
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
            x_scale=[max(start, 1e-6 * reach * abs(guess)), 1.0, 1.0],
        )
        v, real, imag = result.x
        alpha = size * complex(real, imag) * (1.0 if v >= 0 else -1.0)
        found.append((2.0 * float(result.cost), abs(float(v)), alpha, np.asarray(result.jac, dtype=float)))
    found.sort(key=lambda f: f[0])
    squares, size_found, alpha, jac = found[0]
    free = len(amplitude) - 3
    scaled = jac / np.array([1.0, size, size])
    cov = np.asarray(sd**2 * np.linalg.pinv(scaled.T @ scaled)[1:, 1:])
    near = squares + _TOLD_APART * sd**2
    others = [o for o in found if o[0] <= near and abs(o[2] - alpha) > max(_SAME_PLACE, 1e-3) * abs(alpha)]
    misfit = float(np.sqrt(squares / free)) if free else float("nan")
    return AmplitudeFit(size_found, alpha, cov, misfit, others[0][2] if others else None)


def _miss(x: Reals, amplitude: Reals, z: Complexes) -> Reals:
    return np.asarray(np.abs(x[0] + complex(x[1], x[2]) * z) - amplitude)


def influence_from_amplitudes(rotor: Rotor, history: History) -> tuple[Run, Influence]:
    """Return the run as found, phases taken as 0, and the influence that the amplitudes of one job tell.

    Parameters
    ----------
    history : History
        One job in which one adjuster was changed; phases are not looked at. Tip heights are passed over.

    Raises
    ------
    InputError
        If there is more than one job or adjuster, too few trials, or trials that leave two answers.
    """
    moved = np.flatnonzero(np.abs(history.change).any(axis=(0, 2)))
    if len(history.jobs) != 1 or len(moved) != 1:
        raise InputError(history.source, _found(rotor, history, moved.tolist()), "one job with trials of one adjuster")
    a = int(moved[0])
    z = blade_harmonic(history.change, rotor.azimuth_deg, rotor.harmonics)[:, a]
    shape = (len(rotor.adjusters), len(rotor.regimes), len(rotor.sensors))
    alpha = np.zeros(shape, dtype=complex)
    unknown = np.ones(shape, dtype=bool)
    cov = np.zeros((shape[1], shape[2], 2 * shape[0], 2 * shape[0]))
    floor = noise_floor(rotor, history)
    noise = floor.vibration.copy()
    as_found = np.full(shape[1:], complex(np.nan, np.nan))
    for r, s in np.argwhere((history.vibration_count > 0).any(axis=0)).tolist():
        read = history.vibration_count[:, r, s] > 0
        place = f"{rotor.regimes[r].name} / {rotor.sensors[s].name}"
        if read.sum() < 4 or not read[0]:
            raise InputError(
                history.source, f"{int(read.sum())} amplitudes of {place}", "one as found and at least three trials"
            )
        sd = float(noise[r, s])
        found = fit_amplitudes(np.abs(history.vibration[read, r, s]), z[read, s], sd)
        if found.other is not None:
            raise InputError(
                history.source, f"two answers that fit {place} alike", "a further trial on a blade in another direction"
            )
        sd = float(np.nanmax([sd, found.misfit]))
        alpha[a, r, s], unknown[a, r, s], noise[r, s] = found.alpha, False, sd
        cov[r, s, 2 * a : 2 * a + 2, 2 * a : 2 * a + 2] = found.cov * (sd / float(floor.vibration[r, s])) ** 2
        as_found[r, s] = found.as_found
    count = (~unknown[a]).astype(int)
    regimes, blades = shape[1], len(rotor.blades)
    run = Run(
        vibration=as_found,
        height=np.full((regimes, blades), np.nan),
        vibration_count=count,
        height_count=np.zeros(regimes, dtype=int),
        vibration_squares=np.zeros(count.shape),
        height_squares=np.zeros(regimes),
        height_taken=np.zeros((regimes, blades), dtype=bool),
        rpm=np.where(count.any(axis=1), rotor.usual_rpm, np.nan),
        source=history.source,
    )
    influence = Influence(
        rotor_name=rotor.name,
        alpha=alpha,
        tau=np.zeros(shape[:2]),
        vibration_cov=cov,
        height_cov=np.zeros((regimes, shape[0], shape[0])),
        vibration_noise=noise,
        height_noise=floor.height,
        unknown_vibration=unknown,
        unknown_height=np.tile([regime.heights for regime in rotor.regimes], (shape[0], 1)),
        source={"jobs": 1, "runs": len(history.run), "dates": None, "fit_quality": None},
        made_for=meaning(rotor),
    )
    return run, influence


def _found(rotor: Rotor, history: History, moved: list[int]) -> str:
    names = ", ".join(rotor.adjusters[a].name for a in moved) or "no adjuster"
    return f"{len(history.jobs)} job{'s' if len(history.jobs) != 1 else ''} with changes of {names}"
