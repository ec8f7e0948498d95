"""What of a rotor file gives numbers their meaning, and what another rotor file would make of them.

A reading of 1.9 is one in the sensor's unit, at its harmonic, in the rotor's sense of phase;
an amount of 2 is one in the adjuster's unit, in the sense of its words. What was entered or
fitted under one rotor file is compared with another before it is read under that one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from trackbal.runs.rotor import Rotor

SAME_SPEED = 0.02  # part of the speed up to which coefficients of a rotor are those of one speed
SAME_DEG = 1e-6

Kind = Literal[
    "blade_order",
    "blade_names",
    "azimuth",
    "phase_sense",
    "height_unit",
    "speed",
    "regime_speed",
    "sensor_unit",
    "harmonic",
    "axis",
    "adjuster_unit",
    "step",
    "kind",
    "sense",
    "words",
    "gone",
]


@dataclass(frozen=True)
class Difference:
    """What one rotor file says otherwise than another, in words: "sensor tail: unit ips then, mm/s now"."""

    kind: Kind
    text: str
    name: str = ""  # of the sensor, adjuster or regime
    size: float = 0.0  # of a difference in speed, as a part of it


def meaning(rotor: Rotor) -> dict[str, Any]:
    """Return what gives readings, amounts and coefficients of a rotor their meaning, as plain data."""
    return {
        "rpm": rotor.rpm,
        "blades": list(rotor.blades),
        "azimuth_deg": rotor.azimuth_deg.tolist(),
        "phase_sense": rotor.phase_sense,
        "height_unit": rotor.height_unit,
        "sensors": {s.name: {"unit": s.unit, "harmonic": s.harmonic, "axis": s.axis} for s in rotor.sensors},
        "regimes": [r.name for r in rotor.regimes],
        **({"regime_rpm": speeds} if (speeds := {r.name: r.rpm for r in rotor.regimes if r.rpm is not None}) else {}),
        "adjusters": {
            a.name: {"unit": a.unit, "step": a.step, "kind": a.kind, "positive": a.positive, "negative": a.negative}
            for a in rotor.adjusters
        },
    }


def differences(then: Mapping[str, Any], rotor: Rotor) -> list[Difference]:
    """Return what a rotor says otherwise than `then`, which is as `meaning` gives it, keys perhaps left out."""
    now = meaning(rotor)
    return [*_of_blades(then, now), *_of_rotor(then, now), *_of_sensors(then, now), *_of_adjusters(then, now)]


def gone(then: Mapping[str, Any], rotor: Rotor) -> list[Difference]:
    """Return the sensors, regimes and adjusters of `then` that a rotor does not have."""
    now = meaning(rotor)
    return [
        Difference("gone", f"no {what} {name} any more", name)
        for what, key in (("sensor", "sensors"), ("regime", "regimes"), ("adjuster", "adjusters"))
        for name in then.get(key, ())
        if name not in now[key]
    ]


def _of_blades(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[Difference]:
    old, new = list(then.get("blades", now["blades"])), now["blades"]
    said = f"blades {', '.join(map(str, old))} then, {', '.join(new)} now"
    if len(old) != len(new) or (old != new and sorted(old) == sorted(new)):
        yield Difference("blade_order", said)
    elif old != new:
        yield Difference("blade_names", said)
    angles = np.array(then.get("azimuth_deg", now["azimuth_deg"]), dtype=float)
    if angles.shape != (len(new),) or np.abs(angles - now["azimuth_deg"]).max() > SAME_DEG:
        shown = [", ".join(f"{v:.10g}" for v in values) for values in (angles.tolist(), now["azimuth_deg"])]
        yield Difference("azimuth", f"azimuth_deg {shown[0]} then, {shown[1]} now")


def _of_rotor(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[Difference]:
    kinds: tuple[tuple[str, Kind], ...] = (("phase_sense", "phase_sense"), ("height_unit", "height_unit"))
    for key, kind in kinds:
        if then.get(key, now[key]) != now[key]:
            yield Difference(kind, f"{key} {then[key]} then, {now[key]} now")
    apart = abs(float(then.get("rpm", now["rpm"])) / now["rpm"] - 1.0)
    if apart > 1e-9:
        yield Difference("speed", f"rpm {then['rpm']:.6g} then, {now['rpm']:.6g} now", size=apart)
    speeds, speeds_now = then.get("regime_rpm", {}), now.get("regime_rpm", {})
    for regime in (name for name in now["regimes"] if name in {**speeds, **speeds_now}):
        was, is_now = (
            float(mine.get(regime, d.get("rpm", now["rpm"]))) for mine, d in ((speeds, then), (speeds_now, now))
        )
        if abs(was / is_now - 1.0) > 1e-9:
            size = abs(was / is_now - 1.0)
            yield Difference("regime_speed", f"{regime}: rpm {was:.6g} then, {is_now:.6g} now", regime, size)


def _of_sensors(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[Difference]:
    kinds: tuple[tuple[str, Kind], ...] = (("unit", "sensor_unit"), ("harmonic", "harmonic"), ("axis", "axis"))
    for name, new in now["sensors"].items():
        yield from _of_entry("sensor", name, then.get("sensors", {}).get(name, {}), new, kinds)


def _of_adjusters(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[Difference]:
    kinds: tuple[tuple[str, Kind], ...] = (("unit", "adjuster_unit"), ("step", "step"), ("kind", "kind"))
    for name, new in now["adjusters"].items():
        old = then.get("adjusters", {}).get(name, {})
        yield from _of_entry("adjuster", name, old, new, kinds)
        was, is_now = [(e.get("positive", new["positive"]), e.get("negative", new["negative"])) for e in (old, new)]
        if was != is_now:
            kind: Kind = "sense" if was == is_now[::-1] else "words"
            yield Difference(kind, f"adjuster {name}: a positive amount is '{was[0]}' then, '{is_now[0]}' now", name)


def _of_entry(
    what: str, name: str, old: Mapping[str, Any], new: Mapping[str, Any], kinds: Iterable[tuple[str, Kind]]
) -> Iterable[Difference]:
    for key, kind in kinds:
        if old.get(key, new[key]) != new[key]:
            yield Difference(kind, f"{what} {name}: {key} {old[key]} then, {new[key]} now", name)


# ------------------------------------------------------------------------------ limits


def limit_changes(then: Rotor, now: Rotor) -> list[str]:
    """Return what a rotor file makes of another's limits: "tail: stop 1.5 -> none g, in hover, cruise".

    Of limits, stops, the user's figures for going on, and the ranges of adjusters.
    """
    regimes = [(r, now.regime_index(x.name), x.name) for r, x in enumerate(then.regimes) if _has(now.regimes, x.name)]
    sensors = [(s, now.sensor_index(x.name), x) for s, x in enumerate(then.sensors) if _has(now.sensors, x.name)]
    found: dict[tuple[str, float, float, str], list[str]] = {}
    for r, q, regime in regimes:
        cells = [
            (sensor.name, what, _at(a, r, s), _at(b, q, p), sensor.unit)
            for s, p, sensor in sensors
            for what, a, b in (
                ("limit", then.vibration_limit, now.vibration_limit),
                ("go_on", then.vibration_go_on, now.vibration_go_on),
                ("stop", then.vibration_stop_limit, now.vibration_stop_limit),
            )
        ]
        cells += [
            ("tip heights", what, float(a[r]), float(b[q]), then.height_unit)
            for what, a, b in (
                ("limit", then.height_limit, now.height_limit),
                ("go_on", then.height_go_on, now.height_go_on),
                ("stop", then.height_stop_limit, now.height_stop_limit),
            )
        ]
        for place, what, old, new, unit in cells:
            if old != new:
                found.setdefault((f"{place}: {what}", old, new, unit), []).append(regime)
        for s, p, sensor in sensors:
            if then.vibration_wanted[r, s] != now.vibration_wanted[q, p]:
                word = "wanted again" if now.vibration_wanted[q, p] else "no longer wanted"
                found.setdefault((f"{sensor.name}: {word}", 0.0, 0.0, ""), []).append(regime)
    changed = [
        what + (f" {_shown(old)} -> {_shown(new)} {unit}" if unit else "") + f", in {', '.join(names)}"
        for (what, old, new, unit), names in found.items()
    ]
    return changed + _range_changes(then, now)


def _range_changes(then: Rotor, now: Rotor) -> list[str]:
    """Return what a rotor file makes of the bounds of another's adjusters: "tip_weight: maximum 300 -> 400 g"."""
    kept = [(a, now.adjusters[now.adjuster_index(a.name)]) for a in then.adjusters if _has(now.adjusters, a.name)]
    return [
        f"{a.name}: {what} {getattr(a, what):.6g} -> {getattr(b, what):.6g} {b.unit}"
        for a, b in kept
        for what in ("minimum", "maximum", "largest_change")
        if getattr(a, what) != getattr(b, what)
    ]


def _has(entries: Iterable[Any], name: str) -> bool:
    return any(entry.name == name for entry in entries)


def _at(bounds: NDArray[np.float64], r: int, s: int) -> float:
    return float(bounds[r, s])


def _shown(bound: float) -> str:
    return "none" if np.isinf(bound) else f"{bound:.6g}"
