"""A blank dial to print: phasors drawn on it by hand with ruler and compasses."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trackbal.base.text_layout import count
from trackbal.pages.card_readings import phase_words
from trackbal.pages.html import Html, blank_lines, page, tag
from trackbal.pages.plot_style import FAINT, INK, SOFT, size_points, write
from trackbal.pages.svg import picture
from trackbal.runs.rotor import Rotor

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE_MM = 180.0
RINGS = 7  # one every centimetre
_RADIUS_MM = 10.0 * RINGS
_NUMBERS, _HOURS = 9.0, 13.0  # points, of the degrees and the hours
_MM = 72.0 / 25.4


def blank_dial_page(rotor: Rotor) -> str:
    """Return a page with one blank dial, a ring every centimetre, degrees and clock hours around it.

    It is drawn to scale on A4 and Letter if printed without fitting to the sheet.
    """
    spacing = ", ".join(f"{b} at {psi:g}°" for b, psi in zip(rotor.blades, rotor.azimuth_deg.round(1), strict=True))
    way = "clockwise" if rotor.phase_sense == "lag" else "anticlockwise"
    once = all(sensor.harmonic == 1 for sensor in rotor.sensors)
    turned = f" What a weight does on another blade is turned {way} by the angle between the two." if once else ""
    words = (
        f"A ring every 10 mm. {phase_words(rotor)} 30° are one hour of a clock face. "
        f"Blades, by their angles: {spacing}.{turned}"
    )
    drawing = picture(
        draw_blank_dial,
        key="blank",
        title="A blank dial",
        description=f"{count(RINGS, 'ring')} 10 mm apart, lines every 30 degrees, degrees and clock hours around.",
        size_mm=(SIZE_MM, SIZE_MM),
    )
    body = [
        tag("h1", f"Blank dial: {rotor.name}"),
        blank_lines(["Reading:", "10 mm stand for:", "Drawn by:", "Date:"]),
        tag("div", drawing),
        tag("p", words, cls="note"),
    ]
    return page(f"Blank dial: {rotor.name}", map(Html, body))


def draw_blank_dial(ax: Axes) -> Axes:
    """Draw the dial; the Axes are SIZE_MM square and their data coordinates become points."""
    width, height = size_points(ax)
    ax.set_xlim(0.0, width)
    ax.set_ylim(0.0, height)
    ax.set_aspect("equal")
    ax.axis("off")
    x, y, rim = width / 2.0, height / 2.0, _RADIUS_MM * _MM
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    for k in range(1, RINGS + 1):
        heavy = k == RINGS
        reach = rim * k / RINGS
        ax.plot(
            x + reach * np.sin(turn),
            y + reach * np.cos(turn),
            color=INK if heavy else SOFT,
            linewidth=1.0 if heavy else 0.4,
        )
    for degrees in range(0, 360, 10):
        _ray(ax, (x, y), rim, degrees)
    ax.plot([x], [y], marker="o", markersize=3.0, color=INK)
    return ax


def _ray(ax: Axes, centre: tuple[float, float], rim: float, degrees: int) -> None:
    """Draw a line from the centre every 30 degrees, and a stroke at the rim every 10."""
    x, y = centre
    dx, dy = float(np.sin(np.deg2rad(degrees))), float(np.cos(np.deg2rad(degrees)))
    whole = degrees % 30 == 0
    start = 0.0 if whole else rim - 2.0 * _MM
    ends = ([x + start * dx, x + rim * dx], [y + start * dy, y + rim * dy])
    ax.plot(*ends, color=FAINT if whole else INK, linewidth=0.7, zorder=0.5 if whole else 1.0)
    write(ax, x + (rim + 2.9 * _MM) * dx, y + (rim + 2.9 * _MM) * dy, f"{degrees}", _NUMBERS * 0.8, color=SOFT)
    if whole:
        far = rim + (7.2 + 5.0 * abs(dx)) * _MM  # hours are wider than high
        hour = f"{(degrees // 30 or 12)}:00"
        write(ax, x + far * dx, y + far * dy, hour, _HOURS * 0.8, fontweight="bold")
