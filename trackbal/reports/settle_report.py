"""Settings before and after what was done, as text and JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from trackbal.base.text_layout import table
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Reals
from trackbal.runs.words import done_words


def settled_text(rotor: Rotor, before: Reals, after: Reals) -> str:
    """Return what was added to the settings, blade by blade, the sense in words."""
    rows = [("blade", "", "done", "before", "after")]
    rows += [
        (
            rotor.blades[b],
            rotor.adjusters[a].name,
            done_words(rotor.adjusters[a], float(after[a, b] - before[a, b])),
            f"{before[a, b]:.10g}",
            f"{after[a, b]:.10g}",
        )
        for b, a in np.argwhere((before != after).T)
    ]
    return (table(rows, sides="<<<>>", names=2) if len(rows) > 1 else "Nothing was done.") + "\n"


def settled_json(rotor: Rotor, before: Reals, after: Reals) -> dict[str, Any]:
    """Return what is installed, before and after, as plain data."""
    return {
        "settings": [
            {
                "blade": blade,
                "adjuster": adjuster.name,
                "setting_before": float(before[a, b]),
                "setting_after": float(after[a, b]),
            }
            for b, blade in enumerate(rotor.blades)
            for a, adjuster in enumerate(rotor.adjusters)
        ]
    }
