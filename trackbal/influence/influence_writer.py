"""influence.json written, one row a line."""

from __future__ import annotations

import json
from os import PathLike
from typing import Any

import numpy as np

from trackbal.base.files import write_whole
from trackbal.influence.departures_file import departures_document
from trackbal.influence.influence_reader import Contents
from trackbal.runs.meaning import meaning
from trackbal.runs.rotor import Rotor

Row = dict[str, Any]


def write_influence(file: str | PathLike[str], rotor: Rotor, influence: Contents, *, force: bool = False) -> None:
    """Write influence.json whole or not at all.

    Raises
    ------
    FileExists
        If the file exists and `force` is false.
    InputError
        If it cannot be written.
    """
    write_whole(file, influence_text(rotor, influence), force=force)


def influence_text(rotor: Rotor, influence: Contents) -> str:
    """Return influence.json as text, one row a line."""
    parts = []
    for key, value in influence_document(rotor, influence).items():
        if isinstance(value, list) and value:
            lines = ",\n".join("  " + json.dumps(v, ensure_ascii=False, allow_nan=False) for v in value)
            parts.append(f"{json.dumps(key)}: [\n{lines}\n ]")
        else:
            parts.append(f"{json.dumps(key)}: {json.dumps(value, ensure_ascii=False, allow_nan=False)}")
    return "{\n " + ",\n ".join(parts) + "\n}\n"


def influence_document(rotor: Rotor, influence: Contents) -> dict[str, Any]:
    """Return influence.json as a dict."""
    return {
        "schema": 1,
        "rotor": influence.rotor_name,
        "blades": len(rotor.blades),
        "rows": _coefficient_rows(rotor, influence) + _joint_rows(rotor, influence),
        "noise": _noise_rows(rotor, influence),
        "unidentified": _unidentified(rotor, influence),
        **(
            {"departures": departures_document(rotor, influence.departures)} if influence.departures is not None else {}
        ),
        "source": influence.source,
        **({"made_for": meaning(rotor)} if influence.made_for is not None else {}),
    }


def _coefficient_rows(rotor: Rotor, influence: Contents) -> list[Row]:
    rows: list[Row] = []
    mean, mean_height, blind = influence.mean_vibration_cov, influence.mean_height_cov, influence.blind
    for a, adjuster in enumerate(rotor.adjusters):
        part = slice(2 * a, 2 * a + 2)
        for r, regime in enumerate(rotor.regimes):
            for s, sensor in enumerate(rotor.sensors):
                if influence.unknown_vibration[a, r, s] or (blind is not None and blind.vibration[r, s]):
                    continue
                value = influence.alpha[a, r, s]
                row: Row = {"adjuster": adjuster.name, "regime": regime.name, "sensor": sensor.name}
                row |= {"re": float(value.real), "im": float(value.imag)}
                row["cov"] = influence.vibration_cov[r, s, part, part].tolist()
                if mean is not None:
                    row["mean_cov"] = mean[r, s, part, part].tolist()
                rows.append(row)
            variance = influence.height_cov[r, a, a]
            if blind is not None and blind.height[r]:
                continue
            if influence.unknown_height[a, r] or (not regime.heights and not variance and not influence.tau[a, r]):
                continue
            row = {"adjuster": adjuster.name, "regime": regime.name, "height": float(influence.tau[a, r])}
            row["var"] = float(variance)
            if mean_height is not None:
                row["mean_var"] = float(mean_height[r, a, a])
            rows.append(row)
    return rows


def _joint_rows(rotor: Rotor, influence: Contents) -> list[Row]:
    """Return the covariances between two adjusters that are not 0."""
    rows: list[Row] = []
    mean, mean_height = influence.mean_vibration_cov, influence.mean_height_cov
    for a, first in enumerate(rotor.adjusters):
        for b in range(a + 1, len(rotor.adjusters)):
            pair = [first.name, rotor.adjusters[b].name]
            block = np.ix_((2 * a, 2 * a + 1), (2 * b, 2 * b + 1))
            for r, regime in enumerate(rotor.regimes):
                for s, sensor in enumerate(rotor.sensors):
                    cov = influence.vibration_cov[r, s][block]
                    mean_block = None if mean is None else mean[r, s][block]
                    if cov.any() or (mean_block is not None and mean_block.any()):
                        row = {"adjusters": pair, "regime": regime.name, "sensor": sensor.name, "cov": cov.tolist()}
                        rows.append(row if mean_block is None else row | {"mean_cov": mean_block.tolist()})
                var = float(influence.height_cov[r, a, b])
                mean_var = 0.0 if mean_height is None else float(mean_height[r, a, b])
                if var or mean_var:
                    row = {"adjusters": pair, "regime": regime.name, "height": True, "var": var}
                    rows.append(row if mean_height is None else row | {"mean_var": mean_var})
    return rows


def _noise_rows(rotor: Rotor, influence: Contents) -> list[Row]:
    rows: list[Row] = []
    for r, regime in enumerate(rotor.regimes):
        for s, sensor in enumerate(rotor.sensors):
            sd = float(influence.vibration_noise[r, s])
            rows.append({"regime": regime.name, "sensor": sensor.name, "sd": sd})
        if regime.heights:
            rows.append({"regime": regime.name, "height": float(influence.height_noise[r])})
    return rows


def _unidentified(rotor: Rotor, influence: Contents) -> list[Row]:
    """Return what is unknown in the fewest entries: adjuster, adjuster and regime, single readings."""
    entries: list[Row] = []
    for a, adjuster in enumerate(rotor.adjusters):
        vibration, height = influence.unknown_vibration[a], influence.unknown_height[a]
        whole = np.array(
            [bool(vibration[r].all() and (height[r] or not regime.heights)) for r, regime in enumerate(rotor.regimes)]
        )
        if whole.all():
            entries.append({"adjuster": adjuster.name})
            continue
        for r, regime in enumerate(rotor.regimes):
            entry = {"adjuster": adjuster.name, "regime": regime.name}
            if whole[r]:
                entries.append(entry)
                continue
            for s, sensor in enumerate(rotor.sensors):
                if vibration[r, s]:
                    entries.append({**entry, "sensor": sensor.name})
            if height[r] and regime.heights:
                entries.append({**entry, "height": True})
    return entries
