"""Textbook estimates in words and as JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from trackbal.base.cautions import general_cautions
from trackbal.base.text_layout import listed, paragraphs, wrap
from trackbal.runs.hub_force import hub_force_per_unit
from trackbal.runs.rotor import Rotor
from trackbal.trials.textbook import rule_of_thumb, tip_heights


def estimate_json(rotor: Rotor) -> dict[str, Any]:
    """Return the estimates as plain data; None where the rotor file does not give what they need."""
    mean, sd = tip_heights(rotor)
    force, thumb = hub_force_per_unit(rotor), rule_of_thumb(rotor)
    return {
        "adjusters": [
            {
                "adjuster": adjuster.name,
                "tip_height": [
                    {"regime": regime.name, "per_unit": _number(mean[a, r]), "sd": _number(sd[a, r])}
                    for r, regime in enumerate(rotor.regimes)
                    if regime.heights
                ],
                "hub_force_N": _number(abs(force[a])),
                "hub_force_ahead_deg": _number(np.degrees(np.angle(force[a]))),
                "rule_of_thumb": _number(thumb[a]),
            }
            for a, adjuster in enumerate(rotor.adjusters)
        ],
        "cautions": general_cautions(),
    }


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def estimate_text(rotor: Rotor) -> str:
    """Return the estimates as text for the terminal."""
    lines = []
    for entry, adjuster in zip(estimate_json(rotor)["adjusters"], rotor.adjusters, strict=True):
        name, unit = adjuster.name.replace("_", " "), adjuster.unit
        for tip in entry["tip_height"]:
            if tip["per_unit"] is not None:
                lines.append(
                    f"{name}: one {unit} moves its tip by {tip['per_unit']:.3g} +- {tip['sd']:.2g} "
                    f"{rotor.height_unit} in {tip['regime']}, against the mean of all blades."
                )
        if entry["hub_force_N"] is not None:
            ahead = entry["hub_force_ahead_deg"]
            where = "outward along its blade" if abs(ahead) < 0.5 else f"{ahead:.0f} degrees ahead of its blade"
            lines.append(f"{name}: one {unit} pulls at the hub with {entry['hub_force_N']:.3g} N, {where}.")
        if entry["rule_of_thumb"] is not None:
            lines.append(
                f"{name}: a trial weight by the rule of thumb is {entry['rule_of_thumb']:.3g} {unit} (its pull is a "
                "tenth of the blades' weight; common practice, no published source)."
            )
    nothing = "The rotor file does not give the data that estimates need: [blade_data], and radius_m, thread_pitch_mm "
    nothing += "and arm_mm of the adjusters."
    return (
        paragraphs(
            [
                wrap(
                    f"{rotor.name}: estimates by textbook, not measurements. What the airframe makes of a hub force "
                    "is not guessed: a trial tells it."
                ),
                listed("Estimates", lines) or wrap(nothing),
                listed("Cautions", general_cautions()),
            ]
        )
        + "\n"
    )
