"""The picture of docs/closed_loop.md: what an aircraft's own record is worth. Draws docs/own_record.json.

python docs/own_record_picture.py
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

HERE = Path(__file__).resolve().parent
FIGURES = HERE / "own_record.json"
PICTURE = HERE / "pictures" / "own_record.png"


def figures() -> list[dict[str, Any]]:
    """Return what measure_own_record.py wrote: a row for each type and number of earlier jobs."""
    return list(json.loads(FIGURES.read_text(encoding="utf-8")))


def draw() -> Figure:
    """Return the picture: inside after one and after two plans, and the chance said, by earlier jobs known."""
    rows = [row for row in figures() if row["type"] == "all"]
    at = [row["earlier"] for row in rows]
    figure = Figure(figsize=(6.4, 3.4), layout="constrained")
    axes = figure.subplots()
    for key, label, mark in (
        ("second", "inside after two plans", "s-"),
        ("first", "inside after one plan", "o-"),
        ("said", "chance said of the first plan", "d--"),
    ):
        axes.plot(at, [row[key] for row in rows], mark, label=label, color="black", markersize=6)
    axes.set_xticks(at)
    axes.set_xlabel("earlier jobs of the aircraft that were known")
    axes.set_ylabel("share of aircraft")
    axes.set_ylim(0.6, 1.005)
    axes.grid(axis="y", alpha=0.3)
    axes.legend(loc="lower right", frameon=False)
    return figure


if __name__ == "__main__":
    draw().savefig(PICTURE, dpi=120, metadata={"Software": None})
