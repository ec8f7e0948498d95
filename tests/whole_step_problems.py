"""Invented whole-step problems for the tests and benchmarks of the search."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class WholeSteps:
    """``min |design x + target|^2`` over whole x in [low, high]; `group` names the adjuster of each entry."""

    design: np.ndarray
    target: np.ndarray
    low: np.ndarray
    high: np.ndarray
    group: np.ndarray

    @property
    def arguments(self):
        """What search.search takes, but for the largest count."""
        quad = self.design.T @ self.design
        return quad, self.design.T @ self.target, float(self.target @ self.target), self.low, self.high, self.group

    def cost(self, x):
        return float(np.sum((self.design @ x + self.target) ** 2))


#: What a step of each kind does: (vibration per limit, tip height per half spread limit, grows with speed)
_KINDS = {"weight": (0.03, 0.003, 0.0), "link": (0.25, 0.6, 0.1), "tab": (0.15, 0.2, 0.4)}


def invented_rotor_problem(
    seed, blades=7, kinds=("weight", "weight", "link", "tab"), regimes=5, sensors=3, *, tight=False, heights=True
):
    """Return a rotor's problem: random influence, faults and bounds; `tight` leaves little range."""
    rng = np.random.default_rng(seed)
    delay = np.exp(-2j * np.pi * np.arange(blades) / blades)
    centred = np.eye(blades) - 1.0 / blades
    complex_normal = lambda *shape: rng.normal(size=shape) + 1j * rng.normal(size=shape)  # noqa: E731
    vibration_columns, height_columns, spread_columns, low, high, fault = [], [], [], [], [], []
    for kind in kinds:
        per_limit, per_spread, growth = _KINDS[kind]
        grown = 1.0 + growth * np.arange(regimes)[:, None]
        alpha = per_limit * grown * complex_normal(sensors) * (1.0 + 0.2 * complex_normal(regimes, sensors))
        tau = per_spread * grown[:, 0] * (1.0 + 0.2 * rng.normal(size=regimes))
        vibration_columns.append(np.einsum("rs,b->rsb", alpha, delay).reshape(-1, blades))
        height_columns.append(np.einsum("r,cb->rcb", tau, centred).reshape(-1, blades) / np.sqrt(blades))
        spread_columns.append((np.sqrt(np.sum(np.abs(alpha) ** 2)) * delay, np.sqrt(np.sum(tau**2) / blades) * centred))
        if kind == "weight":
            installed = rng.integers(0, 6 if tight else 20, blades)
            low.append(-installed)
            high.append(np.minimum(30, 60 - installed))
            fault.append(30.0 * rng.normal(size=blades))
        else:
            installed = rng.integers(-3, 4, blades)
            reach = 4 if tight else 12
            low.append(-np.maximum(reach + installed, 0))
            high.append(np.maximum(reach - installed, 0))
            fault.append(5.0 * rng.normal(size=blades))
    vibration = np.concatenate(vibration_columns, axis=1)
    rows = [vibration.real, vibration.imag]
    if heights:
        rows.append(np.concatenate(height_columns, axis=1))
    measured = np.concatenate(rows)
    target = measured @ np.concatenate(fault) + 0.3 * rng.normal(size=len(measured))
    spread = _spread_rows(spread_columns, blades, heights=heights)  # 15 % between aircraft, as in the expected cost
    return WholeSteps(
        design=np.concatenate([measured, 0.15 * spread]),
        target=np.concatenate([target, np.zeros(len(spread))]),
        low=np.concatenate(low),
        high=np.concatenate(high),
        group=np.repeat(np.arange(len(kinds)), blades),
    )


def _spread_rows(columns, blades, *, heights):
    rows = []
    for a, (delay, centred) in enumerate(columns):
        part = [delay.real[None], delay.imag[None]] + ([centred] if heights else [])
        row = np.zeros((sum(map(len, part)), blades * len(columns)))
        row[:, a * blades : (a + 1) * blades] = np.concatenate(part)
        rows.append(row)
    return np.concatenate(rows)
