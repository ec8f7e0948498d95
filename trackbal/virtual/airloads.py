"""Strip-theory airloads of one blade in forward flight, integrated over the span.

Velocities of a section at x = r/R as parts of Omega R: in plane ``u_T = x + mu sin psi``, downwards
through the section ``u_P = lambda + (x - e) beta' + mu beta cos psi``; lift per span
``(1/2) rho a c (Omega R)^2 (u_T^2 theta - u_T u_P)`` (W. Johnson, Helicopter Theory (1980), ch. 5; from memory).
Reversed flow, stall, compressibility and unsteady wake are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from trackbal.runs.run import Reals
from trackbal.virtual.grid import PSI
from trackbal.virtual.physics import BladeDesign, Conditions

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)  # exact to degree 15: every integrand is a polynomial
_TWIST_STATION = 0.75  # collective is quoted at three quarters of the radius


@dataclass(frozen=True)
class Airloads:
    """Airloads of the blades of one aircraft in its R conditions."""

    blade: BladeDesign
    conditions: Conditions
    density: float

    @property
    def force(self) -> Reals:
        """Return (1/2) rho a c R (Omega R)^2, N, shape (R,): unit of the lift integrals."""
        b = self.blade
        return 0.5 * self.density * b.lift_slope * b.chord_m * b.radius_m * (self.conditions.omega * b.radius_m) ** 2

    @property
    def flap_unit(self) -> float:
        """Return (1/2) rho a c R^4, kg m^2: unit of the flap moment integrals over Omega^2."""
        b = self.blade
        return 0.5 * self.density * b.lift_slope * b.chord_m * b.radius_m**4

    def _span(self, inner: float, outer: float) -> tuple[Reals, Reals, Reals]:
        """Return stations (G,), integration weights (G,) and u_T (R, K, G)."""
        x = inner + (outer - inner) * (_NODES + 1.0) / 2.0
        weight = _WEIGHTS * (outer - inner) / 2.0
        u_t = x + (self.conditions.advance_ratio[:, None] * np.sin(PSI))[..., None]
        return x, weight, u_t

    @cached_property
    def _whole_span(self) -> tuple[Reals, Reals, Reals]:
        return self._span(self.blade.root_cutout, 1.0)

    def dynamic_pressure(self, inner: float, outer: float, *, arm: bool = False) -> Reals:
        """Return the integral of u_T^2 dx, or with `arm` of (x - e) u_T^2 dx, shape (R, K)."""
        x, weight, u_t = self._span(inner, outer)
        factor = (x - self.blade.hinge_offset) if arm else 1.0
        total: Reals = (u_t**2) @ (weight * factor)
        return total

    @cached_property
    def lift_integrals(self) -> tuple[Reals, Reals, Reals, Reals]:
        """Return lift per pitch, per twist, per inflow and per beta', each (R, K); the last two downwards."""
        return self._integrals(0)

    @cached_property
    def flap_integrals(self) -> tuple[Reals, Reals, Reals, Reals]:
        """Return the flap moments that belong to `lift_integrals`, each (R, K)."""
        return self._integrals(1)

    def _integrals(self, arm_power: int) -> tuple[Reals, Reals, Reals, Reals]:
        x, weight, u_t = self._whole_span
        arm = x - self.blade.hinge_offset
        w = weight * arm**arm_power
        return (u_t**2) @ w, (u_t**2) @ (w * (x - _TWIST_STATION)), u_t @ w, u_t @ (w * arm)

    @cached_property
    def cross_flow(self) -> Reals:
        """Return mu cos psi, shape (R, K): u_P per radian of flap."""
        return self.conditions.advance_ratio[:, None] * np.cos(PSI)

    def drag(self, pitch: Reals, inflow: Reals, beta: Reals, rate: Reals) -> Reals:
        """Return the in-plane force against rotation over `force`, shape (R, B, K).

        Lift leant back by u_P / u_T, and profile drag: ``u_T u_P theta - u_P^2 + (c_d / a) u_T^2``
        (W. Johnson, Helicopter Theory (1980), ch. 5; from memory).

        Parameters
        ----------
        pitch, beta, rate : ndarray, shape (R, B, K)
            Pitch without twist, flap angle and d(beta)/d(psi).
        inflow : ndarray, shape (R,)
        """
        x, weight, u_t = self._whole_span
        arm = x - self.blade.hinge_offset
        still = inflow[:, None, None] + self.cross_flow[:, None, :] * beta  # u_P = still + arm rate
        one, first, second = u_t @ weight, u_t @ (weight * arm), weight @ arm**2
        lean = x - _TWIST_STATION
        twist_one, twist_first = u_t @ (weight * lean), u_t @ (weight * lean * arm)
        square = still**2 * weight.sum() + 2.0 * still * rate * (weight @ arm) + rate**2 * second
        leant = pitch * (still * one[:, None] + rate * first[:, None])
        leant += self.blade.twist * (still * twist_one[:, None] + rate * twist_first[:, None])
        profile = self.blade.profile_drag / self.blade.lift_slope * self.lift_integrals[0]
        result: Reals = leant - square + profile[:, None]
        return result
