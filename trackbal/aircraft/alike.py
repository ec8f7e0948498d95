"""Adjusters that act upon the airframe in the same way: what the trial of one tells of another.

On a first aircraft nobody knows what the airframe makes of a force at the hub, but it makes the same of the same force.
The coefficients a[adjuster, regime] of one sensor are then alike, each to within a part of its size:

- a weight in one flight regime and in the next: the same pull at the same speed of rotation (on the ground the airframe
  stands on its gear, and answers otherwise);
- two weights, in the ratio of their hub forces m (r + i y) Omega^2 (``runs/hub_force.py``);
- two adjusters of lift, in the ratio of what they do to the tips in that regime, once runs have shown both.

That linear structures answer equal forces equally is elementary mechanics; how nearly blades keep to it is our own
choice, no published source, checked against the virtual types (docs/first_day.md).

All runs are taken at once: least squares over the readings before anything was changed and all coefficients of a
sensor, with an observation "equal, to within that part" for each pair that is alike. How large a part is in units of
the sensor depends on the coefficients themselves, hence a few rounds.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.belief import LEARNED, VAGUE, noise_of
from trackbal.aircraft.job_arrays import JobArrays
from trackbal.aircraft.job_runs import JobRuns
from trackbal.base.covariance import circular_cov, pairs
from trackbal.base.phasor import blade_harmonic
from trackbal.influence.coefficients import Influence
from trackbal.runs.hub_force import hub_force_per_unit
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals, Run

#: Standard deviation of how far coefficients that are alike differ, as a part of their size.
FLIGHT_PART = 0.25  # a weight, from one flight regime to the next
WEIGHT_PART = 0.25  # two weights, beside the ratio of their hub forces
LIFT_PART = 0.4  # two adjusters of lift, beside the ratio of the tips
ROUGH = 0.5  # an adjuster whose coefficients all together are uncertain by less than this part of themselves is known
LEAST_PART = 0.02  # limits per step: what lift may do beside that where the tips hardly move
SAME_SPEED = 0.05  # regimes whose usual speeds differ by less turn at the same speed
_ROUNDS = 4
_NOTHING = 1e-6  # of the precision of a limit: that of a first reading before it is taken


@dataclass(frozen=True)
class Alike:
    """Coefficient `one` is `ratio` times `other`, both (adjuster, regime), for all sensors, to within `part` of it."""

    one: tuple[int, int]
    other: tuple[int, int]
    ratio: complex
    part: float
    least: float = 0.0  # limits per step


def alike_pairs(rotor: Rotor, tau: Reals, shown: NDArray[np.bool_]) -> tuple[Alike, ...]:
    """Return which coefficients are alike; `tau`, shape (A, R), counts where this aircraft's runs have shown it."""
    return (*_weights_in_flight(rotor), *_weights_by_force(rotor), *_lift_by_tips(rotor, tau, shown))


def _of_kind(rotor: Rotor, *kinds: str) -> list[int]:
    return [a for a, adjuster in enumerate(rotor.adjusters) if adjuster.kind in kinds]


def _weights_in_flight(rotor: Rotor) -> Iterator[Alike]:
    flown = [r for r, regime in enumerate(rotor.regimes) if regime.airborne]
    speed = rotor.usual_rpm
    for r, following in pairwise(flown):
        if abs(speed[following] / speed[r] - 1.0) < SAME_SPEED:
            for a in _of_kind(rotor, "weight"):
                yield Alike((a, following), (a, r), 1.0, FLIGHT_PART)


def _weights_by_force(rotor: Rotor) -> Iterator[Alike]:
    force = hub_force_per_unit(rotor)
    weights = [a for a in _of_kind(rotor, "weight") if np.isfinite(force[a]) and force[a] != 0.0]
    for k, a in enumerate(weights):
        for other in weights[:k]:
            for r in range(len(rotor.regimes)):
                yield Alike((a, r), (other, r), complex(force[a] / force[other]), WEIGHT_PART)


def _lift_by_tips(rotor: Rotor, tau: Reals, shown: NDArray[np.bool_]) -> Iterator[Alike]:
    lift = _of_kind(rotor, "pitch_link", "tab")
    for k, a in enumerate(lift):
        for other in lift[:k]:
            for r in np.flatnonzero(shown[a] & shown[other] & (tau[other] != 0.0)).tolist():
                yield Alike((a, r), (other, r), complex(tau[a, r] / tau[other, r]), LIFT_PART, LEAST_PART)


def learn_alike(
    rotor: Rotor, jobs: Sequence[JobRuns], influence: Influence, influence_now: Influence, present: Run
) -> tuple[Influence, Run]:
    """Return an aircraft's influence, and its present readings, with what adjusters that are alike tell of each other.

    Parameters
    ----------
    jobs : sequence of JobRuns
        Of this aircraft, the present one last.
    influence : Influence
        What was known before them.
    influence_now, present : Influence and Run
        What they tell reading by reading (learning.py). Its tip heights stand, but for those of a weight that was never
        moved: between nothing and as much as its pull beside that of another makes likely.
    """
    moved = np.any([job.change.any(axis=(0, 2)) for job in jobs], axis=0)
    heights = np.array([regime.heights for regime in rotor.regimes])
    found = _Regression.of(rotor, jobs, influence)
    alike = alike_pairs(rotor, influence_now.tau, moved[:, None] & heights & ~influence_now.unknown_height)
    alpha = np.where(influence_now.unknown_vibration, 0.0, influence_now.alpha)
    for _ in range(_ROUNDS):
        mean, cov, state, unknown = found.solved(alpha, alike)
        alpha = np.where(unknown, 0.0, mean)
    known = ~np.moveaxis(unknown, 0, -1)  # (R, S, A)
    after = replace(
        influence_now,
        alpha=alpha,
        vibration_cov=circular_cov(cov * pairs(known)),
        unknown_vibration=unknown,
    )
    readings = np.where(present.vibration_read, state, present.vibration)
    return _with_tips_of_weights(rotor, after), replace(present, vibration=readings)


def _with_tips_of_weights(rotor: Rotor, influence: Influence) -> Influence:
    """Return the influence with the tips of weights that were never moved, by the pull of one that was."""
    force = np.abs(hub_force_per_unit(rotor))
    tau, cov, unknown = influence.tau.copy(), influence.height_cov.copy(), influence.unknown_height.copy()
    weights = [a for a in _of_kind(rotor, "weight") if np.isfinite(force[a]) and force[a] > 0.0]
    for a in weights:
        for r in np.flatnonzero(influence.unknown_height[a]):
            known = [
                b for b in weights if not influence.unknown_height[b, r] and not influence.unknown_vibration[a, r].any()
            ]
            if known:
                ratio = float(force[a] / force[known[0]])
                tau[a, r] = ratio * influence.tau[known[0], r] / 2.0
                cov[r, a, a] = tau[a, r] ** 2 + ratio**2 * influence.height_cov[r, known[0], known[0]]
                unknown[a, r] = False
    return replace(influence, tau=tau, height_cov=cov, unknown_height=unknown)


@dataclass(frozen=True)
class _Regression:
    """Least squares of each sensor over the first readings of every job (J, R) and its coefficients (A, R).

    Parameters
    ----------
    precision : ndarray of complex, shape (S, K, K); K = J R + A R
    moment : ndarray of complex, shape (S, K)
    vague : ndarray, shape (A, R, S)
        Standard deviation of one part of a coefficient nothing is known of.
    lever : ndarray of complex, shape (A, S)
        Of the present run.
    """

    rotor: Rotor
    precision: Complexes
    moment: Complexes
    vague: Reals
    lever: Complexes
    jobs: int
    unknown: NDArray[np.bool_]

    @classmethod
    def of(cls, rotor: Rotor, jobs: Sequence[JobRuns], influence: Influence) -> _Regression:
        adjusters, regimes, sensors = influence.alpha.shape
        states = len(jobs) * regimes
        size = states + adjusters * regimes
        noise, _ = noise_of(rotor, influence)
        step = np.array([a.step for a in rotor.adjusters])
        vague = VAGUE * rotor.vibration_limit[None] / step[:, None, None]
        precision = np.zeros((sensors, size, size), dtype=complex)
        moment = np.zeros((sensors, size), dtype=complex)
        index = np.arange(size)
        first = np.tile(_NOTHING / rotor.vibration_limit**2, (len(jobs), 1))  # (J R, S)
        part = np.moveaxis(np.einsum("rsaa->rsa", influence.hermitian_cov()).real, -1, 0)
        variance = np.where(influence.unknown_vibration, 2.0 * vague**2, np.maximum(part, (1e-6 * vague) ** 2))
        prior = np.concatenate([first, 1.0 / variance.reshape(-1, sensors)])
        precision[:, index, index] = prior.T
        moment[:, states:] = (influence.alpha / variance).reshape(-1, sensors).T
        lever = np.zeros((adjusters, sensors), dtype=complex)
        for j, job in enumerate(jobs):
            arrays = JobArrays.of(job.runs, job.change)
            levers = blade_harmonic(job.change, rotor.azimuth_deg, rotor.harmonics)  # (T, A, S)
            lever = levers[-1]
            for t, r, s in np.argwhere(arrays.vibration_count > 0).tolist():
                at = [j * regimes + r, *(states + np.arange(adjusters) * regimes + r)]
                row = np.array([1.0, *levers[t, :, s]])
                weight = arrays.vibration_count[t, r, s] / (2.0 * noise[r, s] ** 2)
                precision[s][np.ix_(at, at)] += weight * np.outer(row.conj(), row)
                moment[s][at] += weight * row.conj() * arrays.vibration[t, r, s]
        return cls(rotor, precision, moment, vague, lever, len(jobs), influence.unknown_vibration)

    def solved(
        self, alpha: Complexes, alike: Sequence[Alike]
    ) -> tuple[Complexes, Complexes, Complexes, NDArray[np.bool_]]:
        """Return coefficients (A, R, S), their covariance (R, S, A, A), present readings (R, S), and what is unknown.

        `alpha`: coefficients known so far, which say how large a part of them is; 0 where not known.
        """
        adjusters, regimes, sensors = alpha.shape
        states = self.jobs * regimes
        precision = self.precision.copy()
        limit, step = self.rotor.vibration_limit, [a.step for a in self.rotor.adjusters]
        for pair in alike:
            (a, r), (b, q) = pair.one, pair.other
            at = [states + a * regimes + r, states + b * regimes + q]
            row = np.array([1.0, -pair.ratio])
            size = np.maximum(np.abs(alpha[a, r]), np.abs(pair.ratio) * np.abs(alpha[b, q]))  # (S,)
            for s in np.flatnonzero(size):
                sd = np.hypot(pair.part * size[s], pair.least * limit[r, s] / step[a])
                precision[s][np.ix_(at, at)] += np.outer(row.conj(), row) / sd**2
        scale = np.concatenate([np.tile(limit, (self.jobs, 1)), self.vague.reshape(-1, sensors) / VAGUE]).T  # (S, K)
        cov = np.linalg.inv(scale[:, :, None] * precision * scale[:, None, :]) * scale[:, :, None] * scale[:, None, :]
        mean = np.einsum("skl,sl->sk", cov, self.moment)
        coefficients = np.moveaxis(mean[:, states:].reshape(sensors, adjusters, regimes), 0, -1)
        blocks = cov[:, states:, states:].reshape(sensors, adjusters, regimes, adjusters, regimes)
        cov_of_each = np.einsum("sarbr->rsab", blocks)
        variance = np.moveaxis(np.einsum("rsaa->rsa", cov_of_each).real, -1, 0) / 2.0
        error, size = variance / limit**2, np.abs(coefficients) ** 2 / limit**2
        roughly = error.sum(axis=(1, 2)) <= ROUGH**2 * size.sum(axis=(1, 2))
        unknown = self.unknown & ~((variance <= (LEARNED * self.vague) ** 2) | roughly[:, None, None])
        start = mean[:, states - regimes : states].T  # (R, S)
        return coefficients, cov_of_each, start + np.einsum("ars,as->rs", coefficients, self.lever), unknown
