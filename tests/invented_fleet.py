"""An invented rotor and an invented fleet's history, drawn from the model the fit assumes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from trackbal.base.phasor import blade_harmonic
from trackbal.runs.rotor import Adjuster, Regime, Rotor, Sensor
from trackbal.runs.run import History

#: Fields of a history with a row for each run.
PER_RUN = [
    field.name
    for field in fields(History)
    if field.name not in ("jobs", "job", "source", "aircraft", "groups", "odd", "resumed")
]


def plain_rotor(
    blades: int = 5,
    regimes: int = 2,
    sensors: int = 2,
    adjusters: int = 3,
    harmonics: Sequence[int] | None = None,
    azimuth_deg: Sequence[float] | None = None,
) -> Rotor:
    azimuth = np.arange(blades) * 360.0 / blades if azimuth_deg is None else np.array(azimuth_deg)
    harmonics = harmonics or (1,) * sensors
    return Rotor(
        name="invented",
        rpm=200.0,
        blades=tuple(str(b + 1) for b in range(blades)),
        azimuth_deg=azimuth,
        sensors=tuple(Sensor(f"sensor{s}", "vertical", "ips", harmonics[s]) for s in range(sensors)),
        regimes=tuple(Regime(f"regime{r}", f"Regime {r}") for r in range(regimes)),
        adjusters=tuple(
            Adjuster(f"adjuster{a}", "weight", "g", 1.0, -1e6, 1e6, 1e6, "add", "remove") for a in range(adjusters)
        ),
        vibration=0.2,
        height_spread=20.0,
    )


@dataclass(frozen=True)
class Truth:
    """What a simulated history was made of."""

    alpha: NDArray[np.complex128]
    tau: NDArray[np.float64]
    kappa: float = 0.15
    height_kappa: float = 0.1
    sd: float = 0.02
    height_sd: float = 1.0

    @classmethod
    def draw(cls, rotor: Rotor, seed: int, **others: float) -> Truth:
        rng = np.random.default_rng(seed)
        shape = (len(rotor.adjusters), len(rotor.regimes), len(rotor.sensors))
        alpha = 0.02 * (rng.normal(size=shape) + 1j * rng.normal(size=shape))
        return cls(alpha, rng.normal(size=shape[:2]), **others)


def circular(rng: np.random.Generator, size: tuple[int, ...]) -> NDArray[np.complex128]:
    """Return circular complex normal numbers with E|u|^2 = 1."""
    return (rng.normal(size=size) + 1j * rng.normal(size=size)) / np.sqrt(2)


def random_changes(rotor: Rotor, jobs: int, runs: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return summed changes, shape (jobs, runs, A, B), none before the first run."""
    size = (jobs, runs, len(rotor.adjusters), len(rotor.blades))
    steps = rng.integers(-10, 11, size=size) * (rng.random(size) < 0.4)
    steps[:, 0] = 0
    return steps.cumsum(axis=1).astype(float)


def simulate(
    rotor: Rotor,
    truth: Truth,
    jobs: int,
    runs: int,
    seed: int = 0,
    repeats: int = 1,
    change: NDArray[np.float64] | None = None,
) -> History:
    """Return a history of `jobs` jobs of `runs` runs, each reading repeated 1 to `repeats` times."""
    rng = np.random.default_rng(seed)
    blades, regimes, sensors = len(rotor.blades), len(rotor.regimes), len(rotor.sensors)
    adjusters, n = len(rotor.adjusters), jobs * runs
    job = np.repeat(np.arange(jobs), runs)
    x = random_changes(rotor, jobs, runs, rng) if change is None else change
    x = x.reshape(n, adjusters, blades)
    own = truth.alpha * (1 + truth.kappa * circular(rng, (jobs, adjusters, regimes, sensors)))
    own_tau = truth.tau * (1 + truth.height_kappa * rng.normal(size=(jobs, adjusters, regimes)))
    count = rng.integers(1, repeats + 1, size=(n, regimes, sensors))
    height_count = rng.integers(1, repeats + 1, size=(n, regimes))

    z = blade_harmonic(x, rotor.azimuth_deg, rotor.harmonics)
    vibration = np.einsum("nars,nas->nrs", own[job], z) + circular(rng, (jobs, regimes, sensors))[job]
    vibration += truth.sd * np.sqrt(2 / count) * circular(rng, vibration.shape)
    u = x - x.mean(axis=-1, keepdims=True)
    height = np.einsum("nar,nab->nrb", own_tau[job], u) + 10 * rng.normal(size=(jobs, regimes, blades))[job]
    height += truth.height_sd / np.sqrt(height_count)[..., None] * rng.normal(size=height.shape)
    height -= height.mean(axis=-1, keepdims=True)
    squares = truth.sd**2 * rng.chisquare(2 * np.maximum(count - 1, 1)) * (count > 1)
    free = (height_count - 1) * (blades - 1)
    height_squares = truth.height_sd**2 * rng.chisquare(np.maximum(free, 1)) * (height_count > 1)
    return History(
        jobs=tuple(f"job{j}" for j in range(jobs)),
        job=job,
        run=np.tile(np.arange(1, runs + 1), jobs),
        vibration=vibration,
        vibration_count=count,
        vibration_squares=squares,
        height=height,
        height_count=height_count,
        height_squares=height_squares,
        change=x,
    )


def jobs_of(history: History, chosen: range) -> History:
    """Return some jobs of a history, one after another, numbered anew."""
    return history.of_jobs(np.array(chosen))
