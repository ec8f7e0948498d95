"""What all pictures share: marks that differ without colour, and text that fits its place."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from trackbal.pages.html import plain
from trackbal.runs.run import Reals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.text import Text

FONT = "DejaVu Sans"  # comes with matplotlib, so that every text has the same size everywhere
SMALL, NORMAL = 6.5, 7.5  # points

INK, SOFT, FAINT = "#111111", "#555555", "#d9d9d9"
NOW, EXPECTED = "#8a3b00", "#0b4f8a"  # told apart by their marks too

NOW_MARK: dict[str, Any] = {
    "marker": "o", "markersize": 5.0, "markerfacecolor": "white", "markeredgecolor": NOW, "markeredgewidth": 1.3,
    "linestyle": "none",
}  # fmt: skip
EXPECTED_MARK: dict[str, Any] = {
    "marker": "D", "markersize": 4.2, "markerfacecolor": EXPECTED, "markeredgecolor": "white", "markeredgewidth": 0.6,
    "linestyle": "none",
}  # fmt: skip


def write(ax: Axes, x: float, y: float, text: str, size: float = NORMAL, **more: Any) -> Text:
    """Write text at data coordinates, as it is: no mathematics, only characters the font has."""
    more = {"color": INK, "ha": "center", "va": "center"} | more
    return ax.text(x, y, drawable(text), fontsize=size, fontfamily=FONT, parse_math=False, **more)


def drawable(text: str) -> str:
    """Return text with U+FFFD for every character the font lacks."""
    return "\n".join("".join(c if _has(c) else "\ufffd" for c in plain(line)) for line in text.split("\n"))


@lru_cache(maxsize=4096)
def _has(character: str) -> bool:
    return bool(_font().get_char_index(ord(character)))


@lru_cache(maxsize=1)
def _font() -> Any:
    from matplotlib.font_manager import findfont, get_font

    return get_font(findfont(FONT))


@lru_cache(maxsize=4096)
def text_width(text: str, size: float) -> float:
    """Return the width of a line of text in points."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    properties = FontProperties(family=FONT, size=size)
    width, _, _ = text_to_path.get_text_width_height_descent(drawable(text), properties, False)
    return float(width)


def fitted(text: str, width: float, size: float = NORMAL, lines: int = 1) -> str:
    """Return text on at most so many lines of a width in points; what does not fit is cut with an ellipsis."""
    words = [w for w in re.split(r"(?<=_)|\s", plain(text)) if w]
    done: list[str] = []
    line = ""
    while words:
        joined = line + ("" if not line or line.endswith("_") else " ") + words[0]
        if text_width(joined, size) <= width:
            line = joined
            words.pop(0)
        elif line and len(done) < lines - 1:
            done.append(line)
            line = ""
        else:
            line = _cut(joined, width, size)
            break
    return "\n".join([*done, line])


def _cut(text: str, width: float, size: float) -> str:
    while text and text_width(text + "…", size) > width:
        text = text[:-1]
    return text.rstrip() + "…"


def spread_out(wanted: Sequence[float] | Reals, gap: float, low: float, high: float) -> Reals:
    """Return positions at least `gap` apart, in the wanted order, each as near as can be to what it wants.

    Nearest in the sum of squares; positions stay within low .. high if they fit at all.
    """
    values = np.asarray(wanted, dtype=float)
    order = np.argsort(values, kind="stable")
    steps = gap * np.arange(len(values))
    placed = _rising(values[order] - steps)
    top = max(high - low - gap * (len(values) - 1), 0.0)
    placed = low + np.clip(placed - low, 0.0, top) + steps
    result = np.empty_like(values)
    result[order] = placed
    return result


def _rising(values: Reals) -> Reals:
    """Return the nearest sequence that never falls: neighbours in the wrong order are pooled to their mean.

    Isotonic regression by pooling adjacent violators (Barlow, Bartholomew, Bremner and Brunk
    1972, from memory). scipy.optimize has it too, and takes longer to import than a card to draw.
    """
    pools: list[tuple[float, int]] = []
    for value in values.tolist():
        pools.append((value, 1))
        while len(pools) > 1 and pools[-2][0] > pools[-1][0]:
            (mean, count), (other, more) = pools.pop(), pools.pop()
            pools.append(((mean * count + other * more) / (count + more), count + more))
    return np.repeat([mean for mean, _ in pools], [count for _, count in pools])


def size_points(ax: Axes) -> tuple[float, float]:
    """Return width and height of the Axes in points."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    box = ax.get_position()
    width, height = figure.get_size_inches() * 72.0
    return float(box.width * width), float(box.height * height)


def plain_axes(ax: Axes) -> None:
    """Give the Axes thin, quiet edges and small labels."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(SOFT)
        ax.spines[side].set_linewidth(0.6)
    ax.tick_params(labelsize=SMALL, labelfontfamily=FONT, color=SOFT, width=0.6, length=2.5)
