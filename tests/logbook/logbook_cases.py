"""What the tests of the logbook share: an invented rotor as text, its influence, run sheets."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from invented_rotor import ROTOR

from trackbal.influence.coefficients import Influence

Command = Callable[..., tuple[int, str, str]]

TOML = """
name = "Invented four-blade rotor"
rpm = 240.0
blades = ["1", "2", "3", "4"]
[limits]
vibration = 0.2
vibration_stop = 1.2
height_spread = 20.0
height_spread_stop = 120.0
[[sensors]]
name = "cockpit_vertical"
axis = "vertical"
unit = "ips"
[[sensors]]
name = "cockpit_lateral"
axis = "lateral"
unit = "ips"
[[sensors]]
name = "tail"
axis = "vertical"
unit = "g"
harmonic = 2
limit = 0.1
stop = 0.6
[[regimes]]
name = "flat_pitch"
label = "Flat pitch, on the ground"
not_read = ["cockpit_lateral", "tail"]
[[regimes]]
name = "hover"
label = "Hover"
not_read = ["cockpit_lateral", "tail"]
airborne = true
[[regimes]]
name = "cruise"
label = "Cruise"
not_read = ["cockpit_lateral", "tail"]
airborne = true
[[regimes]]
name = "descent"
label = "Descent"
not_read = ["cockpit_lateral", "tail"]
airborne = true
heights = false
[[adjusters]]
name = "tip_weight"
kind = "weight"
unit = "g"
step = 10.0
minimum = 0.0
maximum = 600.0
largest_change = 300.0
positive = "add"
negative = "remove"
[[adjusters]]
name = "pitch_link"
kind = "pitch_link"
unit = "flats"
step = 1.0
minimum = -12.0
maximum = 12.0
largest_change = 6.0
positive = "lengthen"
negative = "shorten"
"""


def invented_influence() -> Influence:
    """Return invented coefficients: every adjuster seen by every sensor, each a little otherwise."""
    rng = np.random.default_rng(7)
    a, r, s = len(ROTOR.adjusters), len(ROTOR.regimes), len(ROTOR.sensors)
    step = np.array([adjuster.step for adjuster in ROTOR.adjusters])
    size = np.array([0.012, 0.05])[:, None, None] * ROTOR.vibration_limit / 0.2 / step[:, None, None]
    alpha = size * np.exp(2j * np.pi * rng.random((a, r, s)))
    tau = np.array([[-0.1], [4.0]]) / step[:, None] * np.ones((a, r))
    tau[:, 3] = 0.0
    cov = np.zeros((r, s, 2 * a, 2 * a))
    for i in range(a):
        cov[..., 2 * i, 2 * i] = cov[..., 2 * i + 1, 2 * i + 1] = (0.1 * size[i]) ** 2
    height_cov = np.einsum("ar,ab->rab", (0.1 * tau) ** 2, np.eye(a))
    return Influence(
        rotor_name=ROTOR.name,
        alpha=alpha,
        tau=tau,
        vibration_cov=cov,
        height_cov=height_cov,
        vibration_noise=0.05 * ROTOR.vibration_limit,
        height_noise=np.full(r, 0.7),
        unknown_vibration=np.zeros((a, r, s), dtype=bool),
        unknown_height=np.zeros((a, r), dtype=bool),
    )


def sheet(file: Path, rows: dict[str, tuple[float, float]], heights: bool = True) -> Path:
    """Write a run sheet: regime -> amplitude and phase of cockpit_vertical; heights of 1, -1, 2, -2 mm.

    Sheets with other numbers in their names differ by nothing that matters, but they are not the same run.
    """
    number = int("".join(c for c in file.stem if c.isdigit()) or "1")
    lines = ["regime,cockpit_vertical.amp,cockpit_vertical.deg,height.1,height.2,height.3,height.4,note"]
    for regime, (size, degrees) in rows.items():
        amplitude = size if number == 1 else size * (1.0 + 1e-8 * number)
        tips = "1,-1,2,-2" if heights and regime != "descent" else ",,,"
        lines.append(f"{regime},{amplitude},{degrees},{tips},")
    file.write_text("\n".join(lines) + "\n")
    return file


def show(command: Command, book: Path, *arguments: object) -> dict[str, Any]:
    """Return `show --json`."""
    code, out, error = command("show", book, "--json", *arguments)
    assert code in (0, 1), error
    answer: dict[str, Any] = json.loads(out)
    return answer
