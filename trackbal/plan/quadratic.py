"""The cost of a change as a quadratic over whole steps, nominal and expected.

    Q(x) = sum_r w_r ( sum_s |V|^2 / L^2 + t mean_b(H^2) / (S/2)^2 )

A reading not taken drops its term. The expected cost adds what the covariance of the
influence makes of a change, and what the reading noise adds whatever is done.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trackbal.base.covariance import centring, hermitian_part
from trackbal.base.phasor import blade_delays
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals, Run


@dataclass(frozen=True)
class Quadratic:
    """``x'Gx + 2g'x + c`` over x in steps, flattened as (adjuster, blade), n = A * B entries.

    Parameters
    ----------
    quad : ndarray, shape (n, n)
        G of the nominal cost Q; symmetric, positive semidefinite.
    lin : ndarray, shape (n,)
        g, of either cost.
    constant : float
        c of Q: the cost of changing nothing.
    quad_spread : ndarray, shape (n, n)
        What the influence covariance adds to G in the expected cost.
    noise : float
        What reading noise adds to c in the expected cost.
    """

    quad: Reals
    lin: Reals
    constant: float
    quad_spread: Reals
    noise: float

    def cost(self, x: Reals) -> float:
        """Return Q of x, shape (n,), in steps."""
        return float(self.constant + x @ (self.quad @ x) + 2.0 * (self.lin @ x))

    def expected_cost(self, x: Reals) -> float:
        """Return the expected cost of x, shape (n,), in steps."""
        return self.cost(x) + float(x @ (self.quad_spread @ x)) + self.noise


def build_quadratic(rotor: Rotor, run: Run, influence: Influence) -> Quadratic:
    """Return the cost of any change, given the readings of a run.

    Only readings taken count: vibration read, and regimes with the height of every tip.
    """
    weight = _term_weights(rotor, run)
    rows, start = _vibration_rows(rotor, run, influence, weight.vibration)
    height_rows, height_start = _height_rows(rotor, run, influence, weight.height)
    design = np.concatenate([rows.real, rows.imag, height_rows])
    target = np.concatenate([start.real, start.imag, height_start])
    n_blades = len(rotor.blades)
    noise = 2.0 * (weight.vibration * influence.vibration_noise**2).sum()
    noise += (1.0 - 1.0 / n_blades) * (weight.height * influence.height_noise**2).sum()
    return Quadratic(
        quad=design.T @ design,
        lin=design.T @ target,
        constant=float(target @ target),
        quad_spread=_spread(rotor, influence, weight),
        noise=float(noise),
    )


@dataclass(frozen=True)
class _Weights:
    """What one squared unit of a reading costs: (R, S), and (R,) for the mean square of the tips."""

    vibration: Reals
    height: Reals


def _term_weights(rotor: Rotor, run: Run) -> _Weights:
    regime = rotor.regime_weight
    vibration = np.where(run.vibration_read, regime[:, None] / rotor.vibration_limit**2, 0.0)
    height = np.where(run.height_read, regime * rotor.track_weight / (rotor.height_limit / 2.0) ** 2, 0.0)
    return _Weights(vibration, height)


def _steps(rotor: Rotor) -> Reals:
    return np.array([a.step for a in rotor.adjusters])


def _delays(rotor: Rotor) -> Complexes:
    """Return ``exp(-i h_s psi_b)``, shape (S, B)."""
    return blade_delays(rotor.azimuth_deg, rotor.harmonics).T


def _vibration_rows(rotor: Rotor, run: Run, influence: Influence, weight: Reals) -> tuple[Complexes, Complexes]:
    """Return what each step does to each vibration reading, (R*S, n), and the readings, both weighted."""
    per_step = influence.alpha * _steps(rotor)[:, None, None]
    rows = np.einsum("rs,ars,sb->rsab", np.sqrt(weight), per_step, _delays(rotor))
    start = np.sqrt(weight) * np.where(run.vibration_read, run.vibration, 0.0)
    return rows.reshape(weight.size, -1), start.ravel()


def _height_rows(rotor: Rotor, run: Run, influence: Influence, weight: Reals) -> tuple[Reals, Reals]:
    """Return what each step does to each tip height, (R*B, n), and the heights, both weighted."""
    blades = len(rotor.blades)
    root = np.sqrt(weight / blades)
    rows = np.einsum("r,ar,cb->rcab", root, influence.tau * _steps(rotor)[:, None], centring(blades))
    start = root[:, None] * np.where(run.height_read[:, None], run.height, 0.0)
    return rows.reshape(root.size * blades, -1), start.ravel()


def _spread(rotor: Rotor, influence: Influence, weight: _Weights) -> Reals:
    """Return the quadratic form of the expected squared error of the predicted readings, (n, n)."""
    steps, delays = _steps(rotor), _delays(rotor)
    blades = len(rotor.blades)
    per_sensor = np.einsum("rs,rsac->sac", weight.vibration, influence.hermitian_cov())
    quad = np.einsum("sac,sb,sd->abcd", per_sensor, delays, delays.conj()).real
    heights = np.einsum("r,rac->ac", weight.height, influence.height_cov) / blades
    quad += np.einsum("ac,bd->abcd", heights, centring(blades))
    quad *= steps[:, None, None, None] * steps[:, None]
    n = steps.size * blades
    return hermitian_part(quad.reshape(n, n))
