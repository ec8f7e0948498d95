"""Pictures of an examination. Each function draws on the Axes it is given and returns it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trackbal.examination.comparisons import Comparison
from trackbal.pages.plot_style import EXPECTED, FAINT, FONT, INK, NORMAL, SMALL, fitted, plain_axes, size_points, write

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def comparison(ax: Axes, found: Comparison) -> Axes:
    """Draw each job's departure, with its standard error, over the date, the order or the group.

    A line is the trend, a bar each group's mean; departures in % of the type's, of a turn in degrees.
    """
    times = 1.0 if found.part == "turn" else 100.0
    known = np.isfinite(found.value)
    value, error = times * found.value[known], times * found.error[known]
    place = found.place[known]
    plain_axes(ax)
    ax.axhline(0.0, color=FAINT, linewidth=0.8, zorder=0)
    if found.levels and len(found.levels) > 1:
        old = sorted({float(p) for p in place})
        place = np.searchsorted(old, place) + 0.5 * _beside(place)
        _groups(ax, found, times)
    elif found.levels:
        level = found.levels[0]
        ends = np.array([place.min(), place.max()])
        middle = float(np.average(value, weights=1.0 / (error**2 + np.var(value))))
        ax.plot(ends, middle + times * level.value * (ends - place.mean()), color=EXPECTED, linewidth=1.2)
        ax.set_xticks([float(place.min()), float(place.max())], ["first", "last"])
    ax.errorbar(place, value, yerr=error, fmt="o", markersize=3.0, color=INK, linewidth=0.6, zorder=3)
    ax.tick_params(labelsize=SMALL, labelfontfamily=FONT)
    high = float(np.max(np.abs(value) + error, initial=1e-9))
    ax.set_ylim(-1.1 * high, 1.1 * high)
    ax.set_ylabel("degrees" if found.part == "turn" else "% of the type's", fontsize=SMALL, fontfamily=FONT)
    return ax


def _beside(place: np.ndarray) -> np.ndarray:
    """Return where in its group's column each job stands, -1/2 to 1/2."""
    beside = np.zeros(len(place))
    for p in np.unique(place):
        same_place = np.flatnonzero(place == p)
        beside[same_place] = np.linspace(-0.5, 0.5, len(same_place) + 2)[1:-1]
    return beside


def _groups(ax: Axes, found: Comparison, times: float) -> None:
    width = size_points(ax)[0] / len(found.levels)
    for i, level in enumerate(found.levels):
        low, high = times * (level.value - level.error), times * (level.value + level.error)
        ax.fill_between([i - 0.3, i + 0.3], [low, low], [high, high], color=FAINT, linewidth=0.0)
        ax.plot([i - 0.3, i + 0.3], [times * level.value] * 2, color=EXPECTED, linewidth=1.2)
    ax.set_xlim(-0.5, len(found.levels) - 0.5)
    ax.set_xticks(range(len(found.levels)), [""] * len(found.levels))
    for i, level in enumerate(found.levels):
        words = fitted(level.name, 0.9 * width, NORMAL)
        write(ax, i, -0.06, words, SMALL, transform=ax.get_xaxis_transform(), va="top")
