"""What the closed loop starts from: past jobs of other aircraft, the fits of them, and the aircraft to be adjusted.

Everything is drawn from the one seed of a measurement and what it is drawn for, so that any
aircraft is the same whichever process flies it, and whatever was flown before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from trackbal.check.review import check_run
from trackbal.estimate.job_statistics import HistoryCells
from trackbal.fitting.fit import estimate_cells, fit
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import History
from trackbal.virtual import VirtualType, type_names
from trackbal.virtual.aircraft import Aircraft
from trackbal.virtual.past_jobs import past_jobs as flown_jobs
from trackbal.virtual.variation import Fault

PAST_JOBS = 12
SEVERITIES = ("0.5", "1.0", "1.5", "mixed")
MIXED = 0.3, 2.0  # range of the severities called mixed, all equally likely
MOST_CHANGES = 4  # adjustments between two runs of a past job
LARGEST_PART = 0.4  # of the way to a bound, in one adjustment of a past job
_HISTORY, _PAST_AIRCRAFT, _AIRCRAFT, _FAULTY, _FLIGHT = range(5)


def stream(*what: int) -> np.random.Generator:
    """Return the random numbers that belong to something, named by whole numbers."""
    return np.random.default_rng(np.random.SeedSequence(what))


def aircraft_seed(*what: int) -> int:
    return int(stream(*what).integers(2**31))


@dataclass(frozen=True)
class Fleet:
    """A type, and what one history of its other aircraft says of it.

    `influence` is trackbal's fit; `plain` the coefficients of least squares within jobs, without covariance.
    """

    kind: VirtualType
    influence: Influence
    plain: Influence


@cache
def fleet(name: str, seed: int, number: int) -> Fleet:
    """Return a type with what its history of that number says."""
    kind = VirtualType.shipped(name)
    history = past_jobs(kind, seed, type_names().index(name), number)
    influence = fit(kind.rotor, history).influence
    return Fleet(kind, influence, _plain(kind.rotor, history, influence))


def past_jobs(kind: VirtualType, seed: int, *which: int) -> History:
    """Return PAST_JOBS jobs of other aircraft, 3 or 4 runs each, adjusted at random."""
    rng = stream(seed, _HISTORY, *which)
    seeds = (aircraft_seed(seed, _PAST_AIRCRAFT, *which, j) for j in range(PAST_JOBS))
    fleet = (kind.aircraft(number, float(rng.uniform(0.5, 1.5))) for number in seeds)
    return flown_jobs(fleet, rng, MOST_CHANGES, LARGEST_PART)


def past_aircraft(kind: VirtualType, seed: int, *which: int) -> tuple[Aircraft, ...]:
    """Return the aircraft of `past_jobs`, but for how unlike their blades are, of which their influence is free."""
    return tuple(kind.aircraft(aircraft_seed(seed, _PAST_AIRCRAFT, *which, j)) for j in range(PAST_JOBS))


def _plain(rotor: Rotor, history: History, fitted: Influence) -> Influence:
    """Return the coefficients of least squares within jobs, all aircraft taken to answer alike."""
    found = estimate_cells(HistoryCells(rotor, history), spread=False)
    adjusters, regimes, sensors = fitted.alpha.shape
    alpha = found.vibration.alpha.reshape(regimes, sensors, adjusters)
    unknown = found.vibration.identification.unknown.reshape(regimes, sensors, adjusters)
    return exact(
        fitted,
        np.moveaxis(np.where(unknown, 0.0, alpha), -1, 0),
        np.where(found.height.identification.unknown, 0.0, found.height.alpha.real).T,
    )


def exact(like: Influence, alpha: np.ndarray, tau: np.ndarray) -> Influence:
    """Return coefficients without covariance, with the noise of another influence."""
    return Influence(
        rotor_name=like.rotor_name,
        alpha=alpha,
        tau=np.nan_to_num(tau),
        vibration_cov=np.zeros_like(like.vibration_cov),
        height_cov=np.zeros_like(like.height_cov),
        vibration_noise=like.vibration_noise,
        height_noise=like.height_noise,
        unknown_vibration=like.unknown_vibration,
        unknown_height=like.unknown_height,
    )


@dataclass(frozen=True)
class Hidden:
    """An aircraft to be adjusted, truly outside its limits, and the noise it will meet.

    Parameters
    ----------
    severity : str
        One of SEVERITIES.
    passed_over : int
        Aircraft drawn before it that were inside without any adjustment.
    place : tuple of int
        Names its noise: the same in every method.
    """

    aircraft: Aircraft
    severity: str
    passed_over: int
    place: tuple[int, ...]

    def reading_noise(self, run: int) -> np.random.Generator:
        return stream(*self.place, run, 0)

    def setting_noise(self, run: int) -> np.random.Generator:
        return stream(*self.place, run, 1)


def hidden(kind: VirtualType, seed: int, type_index: int, number: int, severity: str, fault: Fault | None) -> Hidden:
    """Return the aircraft of that number, with a mechanical fault or none."""
    what = _AIRCRAFT if fault is None else _FAULTY
    for attempt in range(1000):
        rng = stream(seed, what, type_index, number, attempt)
        size = float(rng.uniform(*MIXED)) if severity == "mixed" else float(severity)
        aircraft = kind.aircraft(int(rng.integers(2**31)), size, fault)
        if not truly_inside(aircraft):
            return Hidden(aircraft, severity, attempt, (seed, _FLIGHT, what, type_index, number))
    raise RuntimeError(f"{kind.rotor.name}: no aircraft outside its limits at severity {severity}")


def truly_inside(aircraft: Aircraft) -> bool:
    """Return whether the readings without noise are inside limits."""
    return check_run(aircraft.rotor, aircraft.true_run()).inside
