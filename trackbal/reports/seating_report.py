"""A seating in words and as JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from trackbal.base.cautions import adjuster_cautions, general_cautions
from trackbal.base.text_layout import listed, paragraphs, wrap
from trackbal.runs.rotor import Rotor
from trackbal.runs.words import action_words
from trackbal.seating.seat import Seating, SeatingAdvice

_HANDLING = (
    "Blades are lifted and handled as the manual says: hoist and sling, droop stops, supports, nobody below.",
    "Blade bolts are inspected items: type, torque, locking and an independent inspection by the manual.",
    "Static moments hold for the blades as they were measured: paint, repairs and weights since then change them.",
    "Equal moments do not make blades fly alike: track and once-per-rev in flight remain to be adjusted.",
)


def seating_json(rotor: Rotor, found: SeatingAdvice) -> dict[str, Any]:
    """Return a seating as plain data; numbers are not rounded. `verdict`: "inside", "over" or "no limit"."""
    return {
        "verdict": "no limit" if np.isinf(found.limit) else "inside" if found.inside else "over",
        "recommended": found.recommended,
        "limit_kgm": None if np.isinf(found.limit) else found.limit,
        "orders_compared": found.orders,
        "seatings": [_rung_json(rotor, rung) for rung in found.rungs],
        "cautions": [*_spread(rotor, found), *_cautions(found)],
    }


def _rung_json(rotor: Rotor, rung: Seating) -> dict[str, Any]:
    return {
        "count": rung.count,
        "order": [rotor.blades[b] for b in rung.blade_at],
        "weights": [
            {
                "position": p + 1,
                "blade": rotor.blades[rung.blade_at[p]],
                "adjuster": rotor.adjusters[a].name,
                "amount": float(rung.weights[a, p]),
            }
            for p, a in np.argwhere(rung.weights.T).tolist()
        ],
        "residual_kgm": float(abs(rung.residual)),
        "heavy_deg": _heavy(rung),
        "proven": rung.proven,
    }


def _heavy(rung: Seating) -> float:
    """Return how many degrees of rotation after position 1 the heavy place passes."""
    return float(-np.degrees(np.angle(rung.residual)) % 360.0)


def seating_text(rotor: Rotor, found: SeatingAdvice) -> str:
    """Return a seating as text for the terminal: what to mind first, and the order last, where the screen ends."""
    rung = found.rungs[found.recommended]
    size = f"{abs(rung.residual):.4g} kg m"
    limit = "" if np.isinf(found.limit) else f"; limit {found.limit:.4g} kg m"
    state = "" if np.isinf(found.limit) else ", INSIDE" if found.inside else ", NOT INSIDE"
    head = f"{rotor.name}: seat the blades in this order; it leaves {size} at {_heavy(rung):.0f} degrees{limit}{state}."
    places = [f"position {p + 1}: blade {rotor.blades[b]}" for p, b in enumerate(rung.blade_at.tolist())]
    for p, a in np.argwhere(rung.weights.T).tolist():
        places[p] += f"; {action_words(rotor.adjusters[a], float(rung.weights[a, p]), 0.0)}"
    ladder = ["weights   residual, kg m   order"]
    for m, one in enumerate(found.rungs):
        mark = "   <- recommended" if m == found.recommended else ""
        proven = "" if one.proven else "   (not proven over every order)"
        order = " ".join(rotor.blades[b] for b in one.blade_at.tolist())
        ladder.append(f"{one.count:>7}   {abs(one.residual):>14.4g}   {order}{mark}{proven}")
    counted = f"{found.orders} orders compared; where the hub is even, turning the whole rotor is not another order."
    return (
        paragraphs(
            [
                listed("Cautions", _cautions(found)),
                "\n".join(["What each weight buys", *ladder]),
                wrap(counted),
                *(wrap(line) for line in _spread(rotor, found)),
                wrap(head),
                "\n".join(f"  {line}" for line in places),
            ]
        )
        + "\n"
    )


def _spread(rotor: Rotor, found: SeatingAdvice) -> list[str]:
    """Return which moments are hard to believe, what no order cures, and which blade stands out."""
    doubts = [
        f"Doubtful: blade {rotor.blades[b]}, {found.moment[b].real:.6g} kg m, where most are near "
        f"{np.median(found.moment.real):.6g}: check figure, sign and unit before anything is seated."
        for b in found.doubtful
    ]
    return doubts + _cured(rotor, found)


def _cured(rotor: Rotor, found: SeatingAdvice) -> list[str]:
    off = np.abs(found.moment - found.moment.mean())
    far = int(off.argmax())
    apart = f"Blade {rotor.blades[far]} is farthest from the mean moment, by {off[far]:.4g} kg m"
    alone = abs(found.rungs[0].residual)
    if found.inside and np.isfinite(found.limit) and alone <= found.limit:
        return [f"{apart}."]
    if np.isfinite(found.limit) and not found.inside:
        return [
            f"No order and no weights tried cure the spread of these moments. {apart}: have it measured again, or "
            "matched, before seating."
        ]
    return [f"No order alone cures the spread of these moments: the best leaves {alone:.4g} kg m. {apart}."]


def _cautions(found: SeatingAdvice) -> list[str]:
    weights = ["weight"] if found.rungs[found.recommended].count else []
    return [*_HANDLING, *adjuster_cautions(weights), *general_cautions()]
