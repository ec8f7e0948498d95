"""Random cases in which everything is known and read, for the tests and benchmarks of advice."""

from __future__ import annotations

import itertools

import numpy as np
from plain_reference import Case


def invented_case(seed, *, blades=3, sensors=2, regimes=2, adjusters=2, reach=2, harmonics=(1, 2), size=1.0, **rotor):
    """Return a random case with everything known and read; `size` scales the readings against their limits.

    Every adjuster may go `reach` steps either way; covariances are full, between adjusters too.
    """
    rng = np.random.default_rng(seed)
    names = [f"b{k}" for k in range(1, blades + 1)]
    sensor_list = [
        {"name": f"s{k}", "axis": "vertical", "unit": ["ips", "g", "mm/s", "mil"][k % 4], "harmonic": harmonics[k % 2]}
        for k in range(sensors)
    ]
    regime_list = [{"name": f"r{k}", "weight": float(rng.uniform(0.5, 2))} for k in range(regimes)]
    adjuster_list = []
    for k in range(adjusters):
        step = [10.0, 0.5, 1.0][k % 3]
        kind = ["weight", "pitch_link", "tab"][k % 3]
        adjuster_list.append(
            {
                "name": f"a{k}",
                "kind": kind,
                "unit": "u",
                "step": step,
                "minimum": -reach * step,
                "maximum": reach * step,
            }
        )
    regime_list[0] |= {"vibration": 0.3, "height_spread": 12.0}
    document = {
        "name": "invented",
        "rpm": 240.0,
        "blades": names,
        "track_weight": float(rng.uniform(0.5, 2)),
        "limits": {"vibration": 0.2, "height_spread": 20.0},
        "sensors": sensor_list,
        "regimes": regime_list,
        "adjusters": adjuster_list,
    } | rotor
    pairs = [(r["name"], s["name"]) for r in regime_list for s in sensor_list]
    readings = {p: (float(size * rng.uniform(0.1, 0.6)), float(rng.uniform(0, 360))) for p in pairs}
    heights = {r["name"]: {b: float(size * 8 * rng.normal() + 100.0) for b in names} for r in regime_list}
    influence = {
        "schema": 1,
        "rotor": "invented",
        "blades": blades,
        "rows": invented_rows(rng, adjuster_list, regime_list, sensor_list),
        "noise": [{"regime": r, "sensor": s, "sd": float(rng.uniform(0.005, 0.02))} for r, s in pairs]
        + [{"regime": r["name"], "height": float(rng.uniform(0.3, 1.0))} for r in regime_list],
        "source": {"jobs": 1, "runs": 2, "dates": None, "fit_quality": None},
    }
    return Case(document, readings, heights, influence)


def invented_rows(rng, adjusters, regimes, sensors):
    """Return coefficients with full covariance, own rows and rows of two adjusters."""
    rows = []
    n = len(adjusters)
    for r, s in itertools.product(regimes, sensors):
        root = 0.012 * rng.normal(size=(2 * n, 2 * n))
        scale = np.repeat([1 / a["step"] for a in adjusters], 2)
        cov = scale[:, None] * (root @ root.T) * scale
        for i, a in enumerate(adjusters):
            re, im = 0.12 / a["step"] * rng.normal(size=2)
            row = {"adjuster": a["name"], "regime": r["name"], "sensor": s["name"], "re": float(re), "im": float(im)}
            rows.append(row | {"cov": cov[2 * i : 2 * i + 2, 2 * i : 2 * i + 2].tolist()})
            for j in range(i):
                pair = {"adjusters": [a["name"], adjusters[j]["name"]], "regime": r["name"], "sensor": s["name"]}
                rows.append(pair | {"cov": cov[2 * i : 2 * i + 2, 2 * j : 2 * j + 2].tolist()})
    for r in regimes:
        root = 0.4 * rng.normal(size=(n, n))
        scale = np.array([1 / a["step"] for a in adjusters])
        cov = scale[:, None] * (root @ root.T) * scale
        for i, a in enumerate(adjusters):
            height = float(3.0 / a["step"] * rng.normal())
            rows.append({"adjuster": a["name"], "regime": r["name"], "height": height, "var": float(cov[i, i])})
            for j in range(i):
                pair = [a["name"], adjusters[j]["name"]]
                rows.append({"adjusters": pair, "regime": r["name"], "height": True, "var": float(cov[i, j])})
    return rows


def random_change(case, seed):
    """Return a change of any size on every adjuster and blade."""
    rng = np.random.default_rng(seed)
    return {(a["name"], b): float(a["step"] * 3 * rng.normal()) for a in case.adjusters for b in case.blades}
