"""What is known of one aircraft: its present readings and its own influence, jointly Gaussian.

Cell by cell (a regime and a sensor, or the tips of a regime) the unknowns are the present
state v and the coefficients a of every adjuster,

    y = v + noise,   an adjustment moves v by L a,   L from the change (z of it, or u of it),

so that every run is one step of a Kalman filter without process noise (Kalman 1960, J.
Basic Eng. 82), which is generalised least squares taken run by run. The prior of a is the
type's influence; nothing is known of v before its first reading, which therefore fixes it
to within the noise. Cells are independent of each other, as the rows of an influence are.

Arrays may carry leading axes (...): the same readings under several records side by side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trackbal.aircraft.job_arrays import JobArrays
from trackbal.base.covariance import (
    add_to_diagonal,
    contrasts,
    hermitian_part,
    of_both_parts,
    pairs,
    real_map,
    real_parts,
)
from trackbal.base.phasor import blade_harmonic
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Counts, Reals

LEAST_NOISE = 1e-6  # of the limit: a noise of exactly 0 would make later readings contradict each other
VAGUE = 10.0  # limits that one step of an adjuster of unknown influence may move a reading by
#: An unknown coefficient counts as known once its standard deviation has fallen to this part of where it started.
LEARNED = 0.01


@dataclass(frozen=True)
class Family:
    """The cells of one kind, all (R, S) vibration readings or the tips of all (R,) regimes.

    Parameters
    ----------
    mean : ndarray, shape (..., cells, k + m)
        First the k numbers of the present state (re, im; or the B - 1 contrasts of the
        tips), then the coefficients: m = 2A (re, im of each) or A.
    cov : ndarray, shape (..., cells, k + m, k + m)
    started : ndarray of bool, shape (cells,)
        Cells that have been read at all; the state of the others means nothing.
    noise : ndarray, shape (cells,)
        Standard deviation of one number of one reading.
    """

    mean: Reals
    cov: Reals
    started: NDArray[np.bool_]
    noise: Reals


@dataclass(frozen=True)
class Innovation:
    """How far the readings of a run are from what was expected of them, cell by cell.

    Parameters
    ----------
    chi2 : ndarray, shape (..., cells)
        Squared distance in units of its covariance; 0 where nothing was expected.
    log_likelihood : ndarray, shape (..., cells)
        Of the readings, Gaussian; 0 where nothing was expected.
    dof : ndarray of int, shape (cells,)
        Numbers compared: 2 of a vibration reading, B - 1 of the tips.
    """

    chi2: Reals
    log_likelihood: Reals
    dof: Counts


@dataclass(frozen=True)
class Belief:
    """Both families of cells of one aircraft."""

    vibration: Family
    height: Family


@dataclass(frozen=True)
class Step:
    """One run of a job taken into what is known of the aircraft.

    Parameters
    ----------
    run : int
        Its index.
    expected, belief : Belief
        After what was done before it, and with its readings.
    vibration, height : Innovation
        How far the readings are from what was expected.
    """

    run: int
    expected: Belief
    belief: Belief
    vibration: Innovation
    height: Innovation


def prior_belief(rotor: Rotor, influence: Influence) -> Belief:
    """Return what the type's influence says of an aircraft that has not been read."""
    adjusters, blades = len(rotor.adjusters), len(rotor.blades)
    regimes, sensors = len(rotor.regimes), len(rotor.sensors)
    step = np.array([a.step for a in rotor.adjusters])
    mean = np.zeros((regimes, sensors, 2 + 2 * adjusters))
    mean[..., 2:] = real_parts(np.moveaxis(influence.alpha, 0, -1))
    cov = np.zeros((*mean.shape, mean.shape[-1]))
    cov[..., 2:, 2:] = influence.vibration_cov
    vague = VAGUE * rotor.vibration_limit[:, :, None] / step  # (R, S, A)
    unknown = of_both_parts(np.moveaxis(influence.unknown_vibration, 0, -1))
    _widen(cov[..., 2:, 2:], unknown, np.repeat(vague, 2, axis=-1))
    noise, height_noise = noise_of(rotor, influence)
    vibration = Family(mean, cov, np.zeros((regimes, sensors), dtype=bool), noise)

    free = blades - 1
    limit = np.where(np.isfinite(rotor.height_limit), rotor.height_limit, 1.0)
    mean = np.zeros((regimes, free + adjusters))
    mean[:, free:] = influence.tau.T
    cov = np.zeros((*mean.shape, mean.shape[-1]))
    cov[:, free:, free:] = influence.height_cov
    _widen(cov[:, free:, free:], influence.unknown_height.T, VAGUE * limit[:, None] / step)
    return Belief(vibration, Family(mean, cov, np.zeros(regimes, dtype=bool), height_noise))


def noise_of(rotor: Rotor, influence: Influence) -> tuple[Reals, Reals]:
    """Return the standard deviation of a real or imaginary part, (R, S), and of a tip, (R,); never quite 0.

    In sensor units and the rotor's height unit.
    """
    limit = np.where(np.isfinite(rotor.height_limit), rotor.height_limit, 1.0)
    return (
        np.maximum(influence.vibration_noise, LEAST_NOISE * rotor.vibration_limit),
        np.maximum(influence.height_noise, LEAST_NOISE * limit),
    )


def _widen(cov: Reals, unknown: NDArray[np.bool_], sd: Reals) -> None:
    """Give unknown coefficients a variance that says nothing, and no covariance; in place."""
    cov *= pairs(~unknown)
    add_to_diagonal(cov, np.where(unknown, sd, 0.0) ** 2)


def after_change(rotor: Rotor, belief: Belief, change: Reals) -> Belief:
    """Return the belief after an adjustment, shape (..., A, B) in the adjusters' units."""
    z = blade_harmonic(change, rotor.azimuth_deg, rotor.harmonics)  # (..., A, S)
    z = np.moveaxis(z, -2, -1)[..., None, :, :]  # (..., 1, S, A)
    lever = real_map(z[..., None, :])  # (..., 1, S, 2, 2A)
    u = change @ contrasts(len(rotor.blades)).T  # (..., A, B - 1)
    lift = np.moveaxis(u, -2, -1)[..., None, :, :]
    return Belief(_moved(belief.vibration, lever), _moved(belief.height, lift))


def _moved(family: Family, lever: Reals) -> Family:
    """Return a family whose state was moved by `lever`, shape (..., cells, k, m), times the coefficients."""
    k, size = lever.shape[-2], family.mean.shape[-1]
    turn = np.zeros((*lever.shape[:-2], size, size))
    turn[...] = np.eye(size)
    turn[..., :k, k:] = lever
    mean = np.einsum("...ij,...j->...i", turn, family.mean)
    cov = turn @ family.cov @ np.swapaxes(turn, -1, -2)
    return Family(mean, cov, family.started, family.noise)


def run_by_run(
    rotor: Rotor,
    belief: Belief,
    job: JobArrays,
    runs: Sequence[int] | None = None,
    beside: Callable[[Belief, int], Belief] | None = None,
) -> Iterator[Step]:
    """Take the runs of a job into a belief, one after the other; runs of one job under several records side by side.

    Parameters
    ----------
    belief : Belief
        Before any of these runs.
    job : JobArrays
    runs : sequence of int, optional
        Runs to take, by index, in their order; all if not given.
    beside : function, optional
        What a belief becomes by what else happened before a run than was adjusted, for any run but the first taken.
    """
    taken = range(len(job)) if runs is None else runs
    for k, t in enumerate(taken):
        if k:
            belief = after_change(rotor, belief, job.change[t] - job.change[taken[k - 1]])
            belief = belief if beside is None else beside(belief, t)
        expected = belief
        belief, vibration, height = observe(
            rotor, belief, job.vibration[t], job.vibration_count[t], job.height[t], job.height_count[t]
        )
        yield Step(t, expected, belief, vibration, height)


def observe(
    rotor: Rotor, belief: Belief, vibration: Complexes, count: Counts, height: Reals, height_count: Counts
) -> tuple[Belief, Innovation, Innovation]:
    """Return the belief after a run, and how far its readings were from what was expected.

    Parameters
    ----------
    vibration, height : ndarray, shape (..., R, S) and (..., R, B)
        Mean readings: phasors of lag in sensor units, heights relative to the mean tip; anything where not read.
    count, height_count : ndarray of int, shape (R, S) and (R,)
        Readings averaged; 0 where not read.
    """
    parts = np.stack([vibration.real, vibration.imag], axis=-1)
    tips = height @ contrasts(len(rotor.blades)).T
    after, miss = _observed(belief.vibration, parts, count)
    height_after, miss_height = _observed(belief.height, tips, height_count)
    return Belief(after, height_after), miss, miss_height


def _observed(family: Family, reading: Reals, count: Counts) -> tuple[Family, Innovation]:
    k = reading.shape[-1]
    read = count > 0
    expected, first = read & family.started, read & ~family.started
    reading = np.where(read[..., None], reading, 0.0)
    noise = (family.noise**2 / np.maximum(count, 1))[..., None, None] * np.eye(k)
    miss = np.where(expected[..., None], reading - family.mean[..., :k], 0.0)
    spread = family.cov[..., :k, :k] + noise
    inverse = np.linalg.inv(spread)
    chi2 = np.einsum("...i,...ij,...j->...", miss, inverse, miss)
    log_det = np.linalg.slogdet(spread)[1]
    likelihood = np.where(expected, -0.5 * (chi2 + log_det + k * np.log(2.0 * np.pi)), 0.0)
    gain = np.where(expected[..., None, None], family.cov[..., :, :k] @ inverse, 0.0)
    mean = family.mean + np.einsum("...ik,...k->...i", gain, miss)
    cov = hermitian_part(family.cov - gain @ family.cov[..., :k, :])
    mean, cov = _start(mean, cov, reading, noise, first)
    innovation = Innovation(chi2, likelihood, np.where(expected, k, 0))
    return Family(mean, cov, family.started | read, family.noise), innovation


def _start(mean: Reals, cov: Reals, reading: Reals, noise: Reals, first: NDArray[np.bool_]) -> tuple[Reals, Reals]:
    """Return mean and covariance with the state of cells read for the first time set to the reading."""
    if not first.any():
        return mean, cov
    k = reading.shape[-1]
    shape = np.broadcast_shapes(mean.shape[:-1], reading.shape[:-1])
    mean = np.broadcast_to(mean, (*shape, mean.shape[-1])).copy()
    cov = np.broadcast_to(cov, (*shape, *cov.shape[-2:])).copy()
    mean[..., :k] = np.where(first[..., None], reading, mean[..., :k])
    at = first[..., None, None]
    cov[..., :k, :k] = np.where(at, noise, cov[..., :k, :k])
    cov[..., :k, k:] = np.where(at, 0.0, cov[..., :k, k:])
    cov[..., k:, :k] = np.where(at, 0.0, cov[..., k:, :k])
    return mean, cov
