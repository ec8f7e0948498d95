"""Invented rotors of any size, with a run and an influence, for the tests of pages and pictures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Adjuster, Regime, Rotor, Sensor
from trackbal.runs.run import History, Run

LABELS = (
    "Flat pitch, on the ground",
    "Hover",
    "Level flight, 60 kt",
    "Level flight at the highest speed the weather of the day allows, 140 kt",
    "Descent",
    "Climb with the highest continuous power",
    "Unbreakablelabelofasingleverylongwordthatgoesonandon",
    "Turn",
)
UNITS = ("ips", "mm/s", "g", "ips", "mil", "mm/s")


def rotor_of(blades: int = 4, regimes: int = 3, sensors: int = 2, **changes: object) -> Rotor:
    """Return an invented rotor with so many blades, regimes and sensors."""
    return Rotor(
        name="Invented rotor",
        rpm=250.0,
        blades=tuple(str(b + 1) for b in range(blades)),
        azimuth_deg=np.arange(blades) * 360.0 / blades,
        sensors=tuple(
            Sensor(f"pickup_{s + 1}_{'vertical' if s % 2 == 0 else 'lateral'}", "vertical", UNITS[s % 6])
            for s in range(sensors)
        ),
        regimes=tuple(
            Regime(f"regime_{r + 1}", LABELS[r % 8], airborne=r > 0, height_spread=15.0 + 2.0 * r)
            for r in range(regimes)
        ),
        adjusters=(
            Adjuster("tip_weight", "weight", "g", 10.0, 0.0, 600.0, 300.0, "add", "remove"),
            Adjuster("pitch_link", "pitch_link", "flats", 1.0, -12.0, 12.0, 6.0, "lengthen", "shorten"),
            Adjuster("tab", "tab", "deg", 0.5, -6.0, 6.0, 4.0, "bend up", "bend down"),
        ),
        **({"vibration": 0.2, "vibration_stop": 1.6, "height_spread_stop": 200.0} | changes),  # type: ignore[arg-type]
    )


def run_of(rotor: Rotor, seed: int = 1, size: float = 2.0, close: float = 1.0) -> Run:
    """Return a run: readings of about `size` limits; tips `close` times that far apart."""
    rng = np.random.default_rng(seed)
    r, s, b = len(rotor.regimes), len(rotor.sensors), len(rotor.blades)
    phase = np.exp(2j * np.pi * rng.uniform(size=(r, s)))
    vibration = rotor.vibration_limit * size * rng.uniform(0.2, 1.2, (r, s)) * phase
    height = rng.standard_normal((r, b)) * (rotor.height_limit * size * close / 3.0)[:, None]
    height -= height.mean(axis=1, keepdims=True)
    ones, read = np.ones((r, s), dtype=int), np.ones(r, dtype=int)
    return Run(
        vibration=vibration,
        height=height,
        vibration_count=ones,
        height_count=read,
        vibration_squares=np.zeros((r, s)),
        height_squares=np.zeros(r),
        height_taken=np.ones((r, b), dtype=bool),
        rpm=np.full(r, rotor.rpm),
        source="run.csv",
    )


def curable_run(rotor: Rotor, influence: Influence, size: float = 2.0, seed: int = 1) -> Run:
    """Return a run that a tip weight on blade 2 and a pitch link on the last blade but one bring inside limits."""
    change = np.zeros((3, len(rotor.blades)))
    change[0, 1], change[1, -2] = 100.0 * size, -2.0 * size
    calm = run_of(rotor, seed, size=0.15)
    vibration = calm.vibration - influence.vibration_change(rotor, change)
    return replace(calm, vibration=vibration, height=calm.height - influence.height_change(change))


def influence_of(rotor: Rotor, seed: int = 2, sd: float = 0.1, noise: float = 0.05) -> Influence:
    """Return an influence that can bring such runs down; `sd` and `noise` as parts of coefficient and limit."""
    rng = np.random.default_rng(seed)
    a, r, s = len(rotor.adjusters), len(rotor.regimes), len(rotor.sensors)
    span = np.array([v.largest_change for v in rotor.adjusters])
    base = np.exp(2j * np.pi * rng.uniform(size=(a, 1, s))) * rng.uniform(0.7, 1.3, (a, r, s))
    alpha = 2.0 * base * rotor.vibration_limit / span[:, None, None]
    tau = 2.0 * rng.uniform(0.7, 1.3, (a, r)) * np.array([0.05, 1.0, 0.7])[:, None] * rotor.height_limit / span[:, None]
    vibration_cov, height_cov = np.zeros((r, s, 2 * a, 2 * a)), np.zeros((r, a, a))
    for k in range(a):
        for part in (2 * k, 2 * k + 1):
            vibration_cov[:, :, part, part] = (sd * np.abs(alpha[k])) ** 2 / 2.0
        height_cov[:, k, k] = (sd * tau[k]) ** 2
    return Influence(
        rotor_name=rotor.name,
        alpha=alpha,
        tau=tau,
        vibration_cov=vibration_cov,
        height_cov=height_cov,
        vibration_noise=noise * rotor.vibration_limit,
        height_noise=noise * rotor.height_limit,
        unknown_vibration=np.zeros((a, r, s), dtype=bool),
        unknown_height=np.zeros((a, r), dtype=bool),
        source={"jobs": 9, "runs": 31},
    )


def history_of(rotor: Rotor, influence: Influence, jobs: int = 5, runs: int = 4, seed: int = 3) -> History:
    """Return past runs that follow the influence, with its reading noise."""
    rng = np.random.default_rng(seed)
    n, a, b = jobs * runs, len(rotor.adjusters), len(rotor.blades)
    job, run = np.repeat(np.arange(jobs), runs), np.tile(np.arange(runs) + 1, jobs)
    step = np.array([v.step for v in rotor.adjusters])[:, None]
    change = rng.integers(-3, 4, (n, a, b)) * step * np.array([5.0, 1.0, 1.0])[:, None]
    change[run == 1] = 0.0
    for i in range(1, n):
        if run[i] > 1:
            change[i] += change[i - 1]
    start = [run_of(rotor, seed=seed + 10 + j) for j in range(jobs)]
    vibration = np.stack([start[j].vibration for j in job]) + influence.vibration_change(rotor, change)
    height = np.stack([start[j].height for j in job]) + influence.height_change(change)
    noise = rng.standard_normal((2, *vibration.shape)) * influence.vibration_noise
    height = height + rng.standard_normal(height.shape) * influence.height_noise[:, None]
    return History(
        jobs=tuple(f"job {j + 1}" for j in range(jobs)),
        job=job,
        run=run,
        vibration=vibration + noise[0] + 1j * noise[1],
        vibration_count=np.ones(vibration.shape, dtype=int),
        vibration_squares=np.zeros(vibration.shape),
        height=height - height.mean(axis=-1, keepdims=True),
        height_count=np.ones(height.shape[:2], dtype=int),
        height_squares=np.zeros(height.shape[:2]),
        change=change,
    )
