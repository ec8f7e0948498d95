"""A second physics: aircraft of plain linear rotors, written out here, sharing nothing with trackbal/virtual.

Each reading is a sum over blades and adjusters of a coefficient times what that blade differs by, plus a part that no
adjuster explains, plus noise. A type's coefficients are drawn once; an aircraft departs from them by one factor for
the airframe in each regime, one for each sensor, one for each adjuster, and some of each cell's own. What may be
unlike the past: the unexplained part, single blades that answer otherwise than their neighbours, and one adjuster.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trackbal.runs.rotor import Adjuster, Regime, Rotor, Sensor
from trackbal.runs.run import History, Run

A, B, R, S = 3, 4, 3, 3
ROTOR = Rotor(
    name="plain",
    rpm=220.0,
    blades=tuple(str(b + 1) for b in range(B)),
    azimuth_deg=np.arange(B) * 90.0,
    sensors=tuple(Sensor(f"s{s}", "vertical" if s % 2 else "lateral", "ips", 1) for s in range(S)),
    regimes=tuple(Regime(f"r{r}", f"Regime {r}") for r in range(R)),
    adjusters=(
        Adjuster("weight", "weight", "g", 20.0, -1000.0, 1000.0, 1000.0, "add", "remove"),
        Adjuster("link", "pitch_link", "flat", 1.0, -30.0, 30.0, 30.0, "lengthen", "shorten"),
        Adjuster("tab", "tab", "deg", 0.5, -15.0, 15.0, 15.0, "bend up", "bend down"),
    ),
    vibration=0.2,
    height_spread=20.0,
)
STEP = np.array([20.0, 1.0, 0.5])
NOISE, TIP_NOISE = 0.012, 0.7
SPREAD = 0.10  # of each kind of departure
TURN = np.exp(-1j * np.deg2rad(90.0 * np.arange(B)))


@dataclass(frozen=True)
class Odd:
    """What an aircraft has otherwise than those of the past: `rest` times the unexplained part, and so on."""

    rest: float = 1.0
    unlike_blades: float = 0.0
    tab: float = 1.0


@dataclass(frozen=True)
class Craft:
    """An aircraft: coefficients blade by blade (A, R, S, B) and (A, R, B), blade differences (A, B), the rest."""

    alpha: np.ndarray
    tau: np.ndarray
    blades: np.ndarray
    rest: np.ndarray
    rest_height: np.ndarray

    def truth(self, change: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return what it reads without noise after a change, (R, S) and (R, B) about the mean tip."""
        x = self.blades + change
        vibration = np.einsum("arsb,ab,b->rs", self.alpha, x, TURN) + self.rest
        height = np.einsum("arb,ab->rb", self.tau, x) + self.rest_height
        return vibration, height - height.mean(axis=1, keepdims=True)

    def fly(self, change: np.ndarray, rng: np.random.Generator) -> Run:
        """Return a run."""
        vibration, height = self.truth(change)
        vibration = vibration + NOISE * (rng.normal(size=(R, S)) + 1j * rng.normal(size=(R, S)))
        height = height + TIP_NOISE * rng.normal(size=(R, B))
        ones = np.ones((R, S), dtype=int), np.ones(R, dtype=int)
        none = np.zeros((R, S)), np.zeros(R)
        taken, rpm = np.ones((R, B), dtype=bool), np.full(R, ROTOR.rpm)
        return Run(vibration, height - height.mean(axis=1, keepdims=True), *ones, *none, taken, rpm)

    def inside(self, change: np.ndarray) -> bool:
        """Return whether its readings without noise are inside limits."""
        vibration, height = self.truth(change)
        return bool((np.abs(vibration) <= 0.2).all() and (np.ptp(height, axis=1) <= 20.0).all())


@dataclass(frozen=True)
class PlainType:
    """The coefficients of a type."""

    alpha: np.ndarray
    tau: np.ndarray

    @classmethod
    def drawn(cls, seed: int) -> PlainType:
        """Return a type."""
        rng = np.random.default_rng([seed, 1])
        size = np.array([0.02, 0.06, 0.05])[:, None, None] / STEP[:, None, None]
        alpha = size * (1.0 + 0.3 * rng.normal(size=(A, R, S))) * np.exp(2j * np.pi * rng.random((A, R, S)))
        tau = np.array([0.2, 4.0, 2.0])[:, None] / STEP[:, None] * (1.0 + 0.3 * rng.normal(size=(A, R)))
        return cls(alpha, tau)

    def craft(self, rng: np.random.Generator, odd: Odd | None = None) -> Craft:
        """Return an aircraft."""
        odd = odd or Odd()

        def normal(*shape: int) -> np.ndarray:
            return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2.0)

        depart = normal(1, R, 1) + normal(1, 1, S) + normal(A, 1, 1) + normal(A, R, S)
        alpha = (self.alpha * (1.0 + SPREAD * depart))[..., None] * np.ones(B)
        height = 0.5 * SPREAD * (rng.normal(size=(1, R)) + rng.normal(size=(A, 1)) + rng.normal(size=(A, R)))
        tau = (self.tau * (1.0 + height))[..., None] * np.ones(B)
        answer = 1.0 + odd.unlike_blades * rng.normal(size=(A, B))
        answer[2] *= odd.tab
        alpha, tau = alpha * answer[:, None, None], tau * answer[:, None]
        blades = np.array([80.0, 4.0, 2.0])[:, None] * rng.normal(size=(A, B))
        rest = 0.035 * odd.rest * normal(R, S) * np.sqrt(2.0)
        rest_height = 1.0 * odd.rest * rng.normal(size=(R, B))
        return Craft(alpha, tau, blades, rest, rest_height)

    def history(self, seed: int, jobs: int = 12, runs: int = 4, aircraft: int | None = None) -> History:
        """Return past jobs, of as many aircraft as jobs, or of `aircraft` of them in turn."""
        rng = np.random.default_rng([seed, 2])
        bodies = [self.craft(rng) for _ in range(aircraft or jobs)]
        flown, change = [], []
        for j in range(jobs):
            body, new = bodies[j % len(bodies)], self.craft(rng)
            now = replace(body, blades=new.blades)
            total = np.zeros((A, B))
            for k in range(runs):
                if k:
                    for _ in range(3):
                        a = rng.integers(A)
                        total[a, rng.integers(B)] += STEP[a] * rng.integers(-5, 6)
                flown.append(now.fly(total, rng))
                change.append(total.copy())
        names = ("vibration", "vibration_count", "vibration_squares", "height", "height_count", "height_squares")
        return History(
            jobs=tuple(f"job {j + 1}" for j in range(jobs)),
            aircraft=tuple(f"no. {j % len(bodies) + 1}" for j in range(jobs)),
            job=np.repeat(np.arange(jobs), runs),
            run=np.tile(np.arange(1, runs + 1), jobs),
            change=np.array(change),
            **{name: np.array([getattr(run, name) for run in flown]) for name in names},
        )
