"""The contract's sums in plain loops over dicts: an independent reference for the tests of advice.

Nothing here uses trackbal. A Case holds what the files hold, in the files' own terms, and
can be written as those files. A change is a dict (adjuster, blade) -> amount in the
adjuster's unit; amounts may be arrays of many changes at once.
"""

from __future__ import annotations

import cmath
import csv
import itertools
import json
import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

G = 9.80665  # m/s^2
SI_PEAK = {"ips": 0.0254, "mm/s": 0.001, "g": G, "mil": 0.0254e-3 / 2}  # mil is peak to peak
DERIVATIVE = {"mil": 0, "ips": 1, "mm/s": 1, "g": 2}


@dataclass(frozen=True)
class Case:
    """A rotor, one run, its influence file and the settings.

    `readings`: (regime, sensor) -> (amplitude, degrees) in `columns[sensor]`, else in the
    sensor's own unit; `heights`: regime -> {blade: height}; what was not read is left out.
    """

    rotor: dict[str, Any]
    readings: dict[tuple[str, str], tuple[float, float]]
    heights: dict[str, dict[str, float]]
    influence: dict[str, Any]
    settings: dict[tuple[str, str], float] = field(default_factory=dict)
    columns: dict[str, str] = field(default_factory=dict)
    rpm: dict[str, float] = field(default_factory=dict)

    # ---- names and limits --------------------------------------------------------------

    @property
    def blades(self):
        return self.rotor["blades"]

    @property
    def sensors(self):
        return self.rotor["sensors"]

    @property
    def regimes(self):
        return self.rotor["regimes"]

    @property
    def adjusters(self):
        return self.rotor["adjusters"]

    def psi(self, blade):
        """Return the azimuth of a blade in radians."""
        b, n = self.blades.index(blade), len(self.blades)
        return math.radians(self.rotor["azimuth_deg"][b] if "azimuth_deg" in self.rotor else 360.0 * b / n)

    def limit(self, regime, sensor):
        own = [v for v in (regime.get("vibration"), sensor.get("limit")) if v is not None]
        return min(own) if own else self.rotor["limits"]["vibration"]

    def stop(self, regime, sensor):
        own = [v for v in (regime.get("vibration_stop"), sensor.get("stop")) if v is not None]
        return min(own) if own else self.rotor["limits"].get("vibration_stop", math.inf)

    def spread_limit(self, regime):
        return regime.get("height_spread", self.rotor["limits"].get("height_spread"))

    # ---- readings ----------------------------------------------------------------------

    def phasor(self, regime, sensor):
        """Return today's reading in the sensor's unit, lag convention; None if not read."""
        if (regime["name"], sensor["name"]) not in self.readings:
            return None
        amplitude, degrees = self.readings[regime["name"], sensor["name"]]
        phi = math.radians(degrees) * (-1.0 if self.rotor.get("phase_sense") == "lead" else 1.0)
        value = amplitude * cmath.exp(-1j * phi)
        unit = self.columns.get(sensor["name"], sensor["unit"])
        omega = 2 * math.pi * sensor.get("harmonic", 1) * self.rpm.get(regime["name"], self.rotor["rpm"]) / 60.0
        turns = DERIVATIVE[sensor["unit"]] - DERIVATIVE[unit]
        return value * SI_PEAK[unit] / SI_PEAK[sensor["unit"]] * (1j * omega) ** turns

    def tips(self, regime):
        """Return today's heights about their mean; None unless every tip counts."""
        given = self.heights.get(regime["name"], {})
        if not regime.get("heights", True) or any(b not in given for b in self.blades):
            return None
        mean = sum(given[b] for b in self.blades) / len(self.blades)
        return {b: given[b] - mean for b in self.blades}

    def read(self):
        """Return the vibration readings and the regimes with heights that count, as pairs and names."""
        pairs = [(r, s) for r in self.regimes for s in self.sensors if self.phasor(r, s) is not None]
        return pairs, [r for r in self.regimes if self.tips(r) is not None]

    # ---- influence ---------------------------------------------------------------------

    def row(self, adjuster, regime, sensor=None):
        for row in self.influence["rows"]:
            if row.get("adjuster") == adjuster and row["regime"] == regime:
                if sensor is not None and row.get("sensor") == sensor:
                    return row
                if sensor is None and "height" in row:
                    return row
        return None

    def cov(self, first, second, regime, sensor=None):
        """Return the covariance of (re, im) of two adjusters' coefficients, 2 x 2; of heights a number."""
        zero = 0.0 if sensor is None else np.zeros((2, 2))
        if first == second:
            row = self.row(first, regime, sensor)
            if row is None:
                return zero
            return row["var"] if sensor is None else np.array(row["cov"], dtype=float)
        for row in self.influence["rows"]:
            if "adjusters" not in row or row["regime"] != regime or set(row["adjusters"]) != {first, second}:
                continue
            if sensor is None and "height" in row:
                return row["var"]
            if sensor is not None and row.get("sensor") == sensor:
                block = np.array(row["cov"], dtype=float)
                return block if row["adjusters"][0] == first else block.T
        return zero

    def sd(self, regime, sensor=None):
        for row in self.influence["noise"]:
            if row["regime"] == regime and sensor is not None and row.get("sensor") == sensor:
                return row["sd"]
            if row["regime"] == regime and sensor is None and "height" in row:
                return row["height"]
        return 0.0

    def z(self, change, adjuster, harmonic):
        return sum(change[adjuster, b] * cmath.exp(-1j * harmonic * self.psi(b)) for b in self.blades)

    def u(self, change, adjuster):
        mean = sum(change[adjuster, b] for b in self.blades) / len(self.blades)
        return {b: change[adjuster, b] - mean for b in self.blades}

    def vibration_change(self, change, regime, sensor):
        """Return what a change does to a reading."""
        total = 0.0
        for adjuster in self.adjusters:
            row = self.row(adjuster["name"], regime["name"], sensor["name"])
            if row is not None:
                total = total + complex(row["re"], row["im"]) * self.z(
                    change, adjuster["name"], sensor.get("harmonic", 1)
                )
        return total

    def height_change(self, change, regime):
        total = dict.fromkeys(self.blades, 0.0)
        for adjuster in self.adjusters:
            row, u = self.row(adjuster["name"], regime["name"]), self.u(change, adjuster["name"])
            if row is not None:
                total = {b: total[b] + row["height"] * u[b] for b in self.blades}
        return total

    # ---- the sums of the contract ------------------------------------------------------

    def cost(self, change):
        """Return Q."""
        total, t = 0.0, self.rotor.get("track_weight", 1.0)
        pairs, with_heights = self.read()
        for regime, sensor in pairs:
            after = self.phasor(regime, sensor) + self.vibration_change(change, regime, sensor)
            total = total + regime.get("weight", 1.0) * abs(after) ** 2 / self.limit(regime, sensor) ** 2
        for regime in with_heights:
            tips, moved = self.tips(regime), self.height_change(change, regime)
            mean_square = sum((tips[b] + moved[b]) ** 2 for b in self.blades) / len(self.blades)
            total = total + regime.get("weight", 1.0) * t * mean_square / (self.spread_limit(regime) / 2) ** 2
        return total

    def noise_constant(self):
        """Return what the reading noise adds to the expected cost, whatever is done."""
        total, n = 0.0, len(self.blades)
        pairs, with_heights = self.read()
        for regime, sensor in pairs:
            sd = self.sd(regime["name"], sensor["name"])
            total += regime.get("weight", 1.0) * 2 * sd**2 / self.limit(regime, sensor) ** 2
        for regime in with_heights:
            share = (1 - 1 / n) * self.sd(regime["name"]) ** 2 / (self.spread_limit(regime) / 2) ** 2
            total += regime.get("weight", 1.0) * self.rotor.get("track_weight", 1.0) * share
        return total

    def expected_cost(self, change):
        """Return E Q; the covariance between two adjusters enters as E |sum_a delta_a z_a|^2 says."""
        total, t = self.cost(change) + self.noise_constant(), self.rotor.get("track_weight", 1.0)
        names = [a["name"] for a in self.adjusters]
        pairs, with_heights = self.read()
        for regime, sensor in pairs:
            z = {a: self.z(change, a, sensor.get("harmonic", 1)) for a in names}
            spread = 0.0
            for a, c in itertools.product(names, names):
                cov = self.cov(a, c, regime["name"], sensor["name"])
                joint = cov[0][0] + cov[1][1] + 1j * (cov[1][0] - cov[0][1])
                spread = spread + (joint * z[a] * np.conj(z[c])).real
            total = total + regime.get("weight", 1.0) * spread / self.limit(regime, sensor) ** 2
        for regime in with_heights:
            u = {a: self.u(change, a) for a in names}
            mean = 0.0
            for b, a, c in itertools.product(self.blades, names, names):
                mean = mean + self.cov(a, c, regime["name"]) * u[a][b] * u[c][b] / len(self.blades)
            total = total + regime.get("weight", 1.0) * t * mean / (self.spread_limit(regime) / 2) ** 2
        return total

    def worst_ratio(self, change):
        """Return the largest expected reading over its limit."""
        pairs, with_heights = self.read()
        ratios = []
        for regime, sensor in pairs:
            after = self.phasor(regime, sensor) + self.vibration_change(change, regime, sensor)
            ratios.append(abs(after) / self.limit(regime, sensor))
        for regime in with_heights:
            tips, moved = self.tips(regime), self.height_change(change, regime)
            after = [tips[b] + moved[b] for b in self.blades]
            ratios.append((max(after) - min(after)) / self.spread_limit(regime))
        return max(ratios)

    def chance(self, change, samples=40_000, seed=0):
        """Return the part of `samples` next runs in which every reading taken is within its limit."""
        rng = np.random.default_rng(seed)
        names = [a["name"] for a in self.adjusters]
        inside = np.ones(samples, dtype=bool)
        pairs, with_heights = self.read()
        for regime, sensor in pairs:
            cov = np.block([[self.cov(a, c, regime["name"], sensor["name"]) for c in names] for a in names])
            parts = rng.multivariate_normal(np.zeros(len(cov)), cov, samples, method="svd")
            after = self.phasor(regime, sensor) + self.vibration_change(change, regime, sensor)
            for i, a in enumerate(names):
                after = after + (parts[:, 2 * i] + 1j * parts[:, 2 * i + 1]) * self.z(
                    change, a, sensor.get("harmonic", 1)
                )
            sd = self.sd(regime["name"], sensor["name"])
            after = after + sd * (rng.normal(size=samples) + 1j * rng.normal(size=samples))
            inside &= abs(after) <= self.limit(regime, sensor)
        for regime in with_heights:
            cov = np.array([[self.cov(a, c, regime["name"]) for c in names] for a in names])
            parts = rng.multivariate_normal(np.zeros(len(cov)), cov, samples, method="svd")
            tips, moved = self.tips(regime), self.height_change(change, regime)
            u = {a: self.u(change, a) for a in names}
            after = [
                tips[b]
                + moved[b]
                + sum(parts[:, i] * u[a][b] for i, a in enumerate(names))
                + self.sd(regime["name"]) * rng.normal(size=samples)
                for b in self.blades
            ]
            inside &= np.ptp(after, axis=0) <= self.spread_limit(regime)
        return float(inside.mean())

    # ---- what may be done --------------------------------------------------------------

    def step_ranges(self):
        """Return (adjuster, blade) -> whole steps it may be changed by."""
        ranges = {}
        read = {r["name"] for pair in [self.read()] for r in [*(p[0] for p in pair[0]), *pair[1]]}
        for a in self.adjusters:
            rows = [row for row in self.influence["rows"] if row.get("adjuster") == a["name"]]
            unknown = [e for e in self.influence.get("unidentified", []) if e["adjuster"] == a["name"]]
            barred = not rows or any("regime" not in e or e["regime"] in read for e in unknown)
            barred = barred or ("needs" in a and not read & set(a["needs"]))
            for b in self.blades:
                now = self.settings.get((a["name"], b), 0.0)
                largest = a.get("largest_change", math.inf)
                span = int((a["maximum"] - a["minimum"]) / a["step"]) + 2
                ranges[a["name"], b] = [
                    k
                    for k in range(-span, span + 1)
                    if k == 0
                    or (
                        not (barred or b in a.get("fixed_blades", []))
                        and now + k * a["step"] - a["maximum"] < 1e-9 * a["step"]
                        and a["minimum"] - now - k * a["step"] < 1e-9 * a["step"]
                        and abs(k) * a["step"] - largest < 1e-9 * a["step"]
                    )
                ]
        return ranges

    def brute_force(self, most, expected=True):
        """Return, for each count 0 ... most, the least cost and the least (entries, mean change, steps) of equals.

        The mean change is summed over the adjusters, in steps, of one blade.
        """
        ranges = self.step_ranges()
        keys = list(ranges)
        grid = np.array(list(itertools.product(*ranges.values())))
        step = {a["name"]: a["step"] for a in self.adjusters}
        change = {k: grid[:, i] * step[k[0]] for i, k in enumerate(keys)}
        costs = np.real(self.expected_cost(change) if expected else self.cost(change))
        entries = np.count_nonzero(grid, axis=1)
        mean = sum(
            abs(sum(grid[:, i] for i, k in enumerate(keys) if k[0] == name)) for name in step
        )  # times the number of blades
        total = np.abs(grid).sum(axis=1)
        answers = []
        for m in range(most + 1):
            allowed = np.flatnonzero(entries <= m)
            least = costs[allowed].min()
            same = allowed[costs[allowed] <= least + 1e-9 * (1 + abs(least))]
            answers.append((float(least), min((int(entries[k]), int(mean[k]), int(total[k])) for k in same)))
        return answers

    # ---- files -------------------------------------------------------------------------

    def write(self, folder):
        """Write rotor.toml, run.csv, influence.json and settings.csv; return trackbal's options for them."""
        folder = Path(folder)
        (folder / "rotor.toml").write_text(toml_text(self.rotor))
        (folder / "influence.json").write_text(json.dumps(self.influence))
        head = ["regime", "rpm"]
        for s in self.sensors:
            unit = f" [{self.columns[s['name']]}]" if s["name"] in self.columns else ""
            head += [f"{s['name']}.amp{unit}", f"{s['name']}.deg"]
        rows = [head + [f"height.{b}" for b in self.blades]]
        for r in self.regimes:
            cells = [r["name"], self.rpm.get(r["name"], "")]
            for s in self.sensors:
                cells += self.readings.get((r["name"], s["name"]), ("", ""))
            cells += [self.heights.get(r["name"], {}).get(b, "") for b in self.blades]
            rows.append(cells)
        write_csv(folder / "run.csv", rows)
        write_csv(
            folder / "settings.csv",
            [["blade", "adjuster", "setting"], *([b, a, v] for (a, b), v in self.settings.items())],
        )
        options = ["--rotor", "rotor.toml", "--run", "run.csv", "--influence", "influence.json"]
        options += ["--settings", "settings.csv"]
        return [o if o.startswith("--") else str(folder / o) for o in options]

    def without(self, readings=(), heights=()):
        """Return the case with some readings and the heights of some regimes (or (regime, blade)) not taken."""
        kept = {r: dict(tips) for r, tips in self.heights.items()}
        for gone in heights:
            if isinstance(gone, str):
                kept.pop(gone, None)
            else:
                kept[gone[0]].pop(gone[1])
        return replace(self, readings={k: v for k, v in self.readings.items() if k not in readings}, heights=kept)

    def nothing_missing(self):
        """Return the case with a rotor file that says of every reading not taken that none is taken there."""
        regimes = []
        for r in self.regimes:
            others = [s["name"] for s in self.sensors if (r["name"], s["name"]) not in self.readings]
            heights = r.get("heights", True) and r["name"] in self.heights
            regimes.append(r | {"heights": heights} | ({"not_read": others} if others else {}))
        return self.with_rotor(regimes=regimes)

    def with_rotor(self, **changes):
        return replace(self, rotor=self.rotor | changes)


def write_csv(file, rows):
    with open(file, "w", newline="") as stream:
        csv.writer(stream).writerows([[repr(c) if isinstance(c, float) else c for c in row] for row in rows])


def toml_text(table):
    """Return a dict of plain values, tables and lists of tables as TOML."""

    def value(v):
        if isinstance(v, dict):
            return "{" + ", ".join(f"{k} = {value(part)}" for k, part in v.items()) + "}"
        return json.dumps(v) if not isinstance(v, list) else "[" + ", ".join(map(value, v)) + "]"

    def lines(t, *, inside=False):
        return [f"{k} = {value(v)}" for k, v in t.items() if inside or not (isinstance(v, dict) or is_tables(v))]

    def is_tables(v):
        return isinstance(v, list) and bool(v) and isinstance(v[0], dict)

    out = lines(table)
    for key, part in table.items():
        for entry in [part] if isinstance(part, dict) else part if is_tables(part) else []:
            out += [f"[{key}]" if isinstance(part, dict) else f"[[{key}]]", *lines(entry, inside=True)]
    return "\n".join(out) + "\n"


def no_change(case):
    return {(a["name"], b): 0.0 for a in case.adjusters for b in case.blades}
