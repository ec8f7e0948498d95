"""Pictures of a run and a plan. Each function draws on the Axes it is given and returns it.

Marks differ without colour: hollow circles are read now, filled diamonds expected after the
plan, a dashed outline holds 95 % of the next runs, a heavy line is a limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from trackbal.pages.dial import Dial, dial_row
from trackbal.pages.plot_style import (
    EXPECTED,
    EXPECTED_MARK,
    FAINT,
    FONT,
    INK,
    NORMAL,
    NOW_MARK,
    SMALL,
    SOFT,
    fitted,
    plain_axes,
    size_points,
    spread_out,
    text_width,
    write,
)
from trackbal.plan.advice import Advice
from trackbal.plan.forecast import Forecast, ellipse
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Counts, Run
from trackbal.runs.words import chance_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LABEL_BLOCK = 30.0  # points under a dial: a line of numbers, two of the regime's label
_LEAST_OUTER = 1.5  # of the limit: the limit circle is never at the rim
_RINGS = (2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 1000.0)
_SIDE = 0.95  # from a column of tips to the edge of the Axes, in distances between columns
_WIDEST_BLADE = 14.0  # points, of a blade's name
_NORMAL_QUANTILE = 1.959964  # of LIKELY, both tails


def phasors(
    ax: Axes,
    rotor: Rotor,
    run: Run,
    sensor: int,
    forecast: Forecast | None = None,
    regimes: Sequence[int] | None = None,
) -> Axes:
    """Draw a sensor's vibration now, and as expected, on a dial for each regime, in parts of the limit.

    Parameters
    ----------
    ax : Axes
        At least 35 mm wide for each regime and 48 mm high.
    sensor : int
        Index of the sensor.
    forecast : Forecast, optional
        What is expected after a plan; without it only what was read is drawn.
    regimes : sequence of int, optional
        Indices of the regimes to draw; all where the sensor was read if not given. The
        scale is that of all regimes either way.

    Returns
    -------
    Axes
        The one given; its data coordinates are points.
    """
    read = np.flatnonzero(run.vibration_read[:, sensor])
    shown = read.tolist() if regimes is None else list(regimes)
    largest = max((_reach(rotor, run, forecast, int(r), sensor) for r in read), default=0.0)
    for r, (x, y, radius) in zip(shown, dial_row(ax, max(len(shown), 1), _LABEL_BLOCK), strict=False):
        dial = Dial(ax, x, y, radius, _LEAST_OUTER, rotor.phase_sense, shown=rotor.phase_shown).holding(largest)
        _draw_dial(dial, rotor, run, forecast, r, sensor)
        width = 2.0 * x if len(shown) == 1 else size_points(ax)[0] / len(shown)
        label = fitted(f"{r + 1}  {rotor.regimes[r].label}", width - 6.0, NORMAL, lines=2)
        write(ax, x, _LABEL_BLOCK - 10.5, label, NORMAL, va="top", linespacing=1.05)
        limit = rotor.vibration_limit[r, sensor]
        ratios = f"{np.abs(run.vibration)[r, sensor] / limit:.2f}"
        if forecast is not None:
            ratios += f" → {forecast.amplitude[r, sensor] / limit:.2f}"
        write(ax, x, _LABEL_BLOCK - 1.0, ratios, NORMAL, va="top", fontweight="bold")
    return ax


def _reach(rotor: Rotor, run: Run, forecast: Forecast | None, r: int, s: int) -> float:
    """Return the largest amplitude drawn, in parts of the limit."""
    limit = rotor.vibration_limit[r, s]
    largest = abs(run.vibration[r, s])
    if forecast is not None:
        outline = ellipse(complex(forecast.vibration[r, s]), forecast.vibration_cov[r, s])
        largest = max(largest, float(np.abs(outline).max()))
    return float(largest / limit)


def _draw_dial(dial: Dial, rotor: Rotor, run: Run, forecast: Forecast | None, r: int, s: int) -> None:
    limit, stop = rotor.vibration_limit[r, s], rotor.vibration_stop_limit[r, s] / rotor.vibration_limit[r, s]
    dial.face()
    dial.ring(1.0, linewidth=1.8)
    rings = [(1.0, "limit")] + [(k, f"{k:g}×") for k in _RINGS if k < dial.outer]
    kept = [1.0]
    if stop < dial.outer and dial.reach(stop) - dial.reach(1.0) > 9.0:
        dial.ring(stop, linewidth=1.3, linestyle=(0, (5, 2, 1, 2)))
        rings.insert(1, (float(stop), "stop"))
        kept.append(float(stop))
    now = complex(run.vibration[r, s]) / limit
    busy = [now]
    if forecast is not None:
        after = complex(forecast.vibration[r, s]) / limit
        busy.append(after)
        outline = ellipse(after, forecast.vibration_cov[r, s] / limit**2)
        dial.ax.fill(*dial.place(outline), facecolor="#0b4f8a22", edgecolor=EXPECTED, linewidth=0.9, ls="--", zorder=3)
        path = dial.place(np.linspace(now, after, 40))
        dial.ax.plot(*path, color=SOFT, linewidth=0.7, zorder=3)
        dial.ax.plot(*dial.place([after]), zorder=5, **EXPECTED_MARK)
    dial.labelled_rings(rings, busy, kept)
    dial.ax.plot(*dial.place([now]), zorder=4, **NOW_MARK)


def tip_heights(
    ax: Axes,
    rotor: Rotor,
    run: Run,
    forecast: Forecast | None = None,
    regimes: Sequence[int] | None = None,
) -> Axes:
    """Draw every blade's tip height now, and as expected, regime by regime, with the spread limit.

    The grey band is as high as the spread limit and lies around the middle of the tips: all
    tips inside it is inside the limit. Bars at the expected heights hold 95 % of the next runs.

    Parameters
    ----------
    ax : Axes
        At least 35 mm wide for each regime and 45 mm high.
    forecast : Forecast, optional
        What is expected after a plan; without it only what was read is drawn.
    regimes : sequence of int, optional
        Indices of the regimes to draw; all where every tip was read if not given. The
        scale is that of all regimes either way.
    """
    read = np.flatnonzero(run.height_read)
    shown = read.tolist() if regimes is None else list(regimes)
    low, high = _height_range(rotor, run, forecast, read)
    columns = [0.0] if forecast is None else [0.0, 1.0]
    pitch = len(columns) + 1.0
    plain_axes(ax)
    ax.set_ylim(low, high)
    ax.set_xlim(-_SIDE, pitch * (len(shown) - 1) + columns[-1] + _SIDE)
    ax.locator_params(axis="y", nbins=6, steps=[1, 2, 5, 10])
    ax.tick_params(axis="y", pad=1.5)
    for i, r in enumerate(shown):
        _draw_heights(ax, rotor, run, forecast, int(r), pitch * i)
    ticks = [pitch * i + c for i in range(len(shown)) for c in columns]
    ax.set_xticks(ticks, (["now"] if forecast is None else ["now", "exp."]) * len(shown))
    width, height = size_points(ax)
    unit: dict[str, Any] = {"transform": ax.transAxes, "ha": "right", "va": "top", "color": SOFT}
    write(ax, -5.0 / width, -6.0 / height, rotor.height_unit, SMALL, **unit)
    cell = width / max(len(shown), 1)
    for i, r in enumerate(shown):
        label = fitted(f"{r + 1}  {rotor.regimes[r].label}", cell - 6.0, NORMAL, lines=2)
        middle = pitch * i + sum(columns) / len(columns)
        more: dict[str, Any] = {"transform": ax.get_xaxis_transform(), "va": "bottom", "linespacing": 1.05}
        write(ax, middle, 1.02, label, NORMAL, **more)
    return ax


def blade_marks(rotor: Rotor) -> tuple[str, ...]:
    """Return what stands for each blade in a picture: its name, or #1, #2 ... if any name is too long."""
    if all(text_width(blade, NORMAL) <= _WIDEST_BLADE for blade in rotor.blades):
        return rotor.blades
    return tuple(f"#{b + 1}" for b in range(len(rotor.blades)))


def _height_range(rotor: Rotor, run: Run, forecast: Forecast | None, read: Counts) -> tuple[float, float]:
    ends = [0.0]
    for r in read:
        for tips in [run.height[r]] + ([] if forecast is None else [forecast.height[r]]):
            middle = (tips.max() + tips.min()) / 2.0
            ends += [tips.min(), tips.max(), middle - rotor.height_limit[r] / 2, middle + rotor.height_limit[r] / 2]
        if forecast is not None:
            bar = _NORMAL_QUANTILE * forecast.height_sd[r]
            ends += [float((forecast.height[r] - bar).min()), float((forecast.height[r] + bar).max())]
    room = 0.04 * (max(ends) - min(ends)) or 1.0
    return min(ends) - room, max(ends) + room


def _draw_heights(ax: Axes, rotor: Rotor, run: Run, forecast: Forecast | None, r: int, x: float) -> None:
    sides = [(run.height[r], x, -1.0, NOW_MARK)]
    if forecast is not None:
        sides.append((forecast.height[r], x + 1.0, 1.0, EXPECTED_MARK))
        for before, after in zip(run.height[r], forecast.height[r], strict=True):
            ax.plot([x, x + 1.0], [before, after], color=SOFT, linewidth=0.6, zorder=2)
        bar = _NORMAL_QUANTILE * forecast.height_sd[r]
        tips = forecast.height[r]
        ax.vlines(np.full(len(tips), x + 1.0), tips - bar, tips + bar, color=EXPECTED, linewidth=0.9, zorder=3)
    low, high = ax.get_ylim()
    per_point = (high - low) / size_points(ax)[1]
    for tips, at, side, mark in sides:
        middle, half = (tips.max() + tips.min()) / 2.0, rotor.height_limit[r] / 2.0
        ax.fill_between([at - 0.3, at + 0.3], middle - half, middle + half, color=FAINT, linewidth=0.0, zorder=0)
        for edge in (middle - half, middle + half):
            ax.plot([at - 0.3, at + 0.3], [edge, edge], color=INK, linewidth=1.6, zorder=1)
        ax.plot(np.full(len(tips), at), tips, zorder=4, **mark)
        places = spread_out(tips, per_point * (NORMAL + 1.2), low + per_point * 4.5, high - per_point * 4.5)
        for blade, tip, place in zip(blade_marks(rotor), tips, places, strict=True):
            ax.plot([at + 0.1 * side, at + 0.4 * side], [tip, place], color=SOFT, linewidth=0.5, zorder=2)
            align = "right" if side < 0 else "left"
            write(ax, at + 0.43 * side, float(place), blade, NORMAL, ha=align, va="center_baseline")


def worst_by_count(ax: Axes, advice: Advice) -> Axes:
    """Draw the worst reading over its limit, as expected, against the number of adjustments."""
    values = {plan.size: (plan.worst_likely, f"{plan.worst_likely:.2f}") for plan in advice.plans}
    top = 1.22 * max(1.0, *(value for value, _ in values.values()))
    _by_count(ax, advice, values, top, line=1.0)
    ax.axhline(1.0, color=INK, linewidth=1.6, zorder=1)
    ax.set_ylabel("worst reading / limit", fontsize=SMALL, fontfamily=FONT)
    return ax


def chance_by_count(ax: Axes, advice: Advice) -> Axes:
    """Draw the chance that the next run is inside limits against the number of adjustments."""
    values = {plan.size: (100.0 * plan.chance, chance_words(plan.chance, short=True)) for plan in advice.plans}
    wanted = 100.0 * advice.wanted_chance
    _by_count(ax, advice, values, 122.0, line=wanted)
    ax.axhline(wanted, color=INK, linewidth=1.0, linestyle="--", zorder=1)
    ax.set_yticks([0, 25, 50, 75, 100])
    ax.set_ylabel("chance inside limits, %", fontsize=SMALL, fontfamily=FONT)
    return ax


def _by_count(ax: Axes, advice: Advice, values: dict[float, tuple[float, str]], top: float, line: float) -> None:
    """Draw size -> (value, label), minutes side by side whatever their distance; labels keep off a level line."""
    plain_axes(ax)
    timed = advice.plans[0].minutes is not None
    counts = list(range(len(values))) if timed else list(values)
    chosen = advice.plans[advice.recommended].size if advice.recommended is not None else -1
    ax.set_ylim(0.0, top)
    ax.set_xlim(min(counts) - 0.5, max(counts) + 0.5)
    ax.plot(counts, [value for value, _ in values.values()], color=SOFT, linewidth=0.8, zorder=1)
    per_point = top / size_points(ax)[1]
    for count, (size, (value, label)) in zip(counts, values.items(), strict=True):
        marks = EXPECTED_MARK if size == chosen else NOW_MARK | {"markeredgecolor": SOFT}
        ax.plot([count], [value], zorder=3, **marks)
        weight = "bold" if size == chosen else "normal"
        clear = not value < line < value + 15.0 * per_point  # the label would lie on the line: put it below
        up = clear or value < 14.0 * per_point
        place, side = (value + 5.0 * per_point, "bottom") if up else (value - 5.0 * per_point, "top")
        box = {"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"}
        write(ax, count, place, label, SMALL, va=side, fontweight=weight, bbox=box, zorder=2)
    ax.set_xticks(counts, [f"{size:g}" for size in values])
    ax.set_xlabel("minutes" if timed else "adjustments", fontsize=SMALL, fontfamily=FONT)
