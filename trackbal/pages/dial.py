"""A dial for phasors: phase as on a clock face, 0 at the top and growing clockwise; amplitude outwards.

Inside the ring of 1 the scale is linear. Beyond it, if compressed, it goes as 1 + ln(r), so
that a reading of ten limits and an expected one well inside are both seen on one dial.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from trackbal.base.phasor import PhaseSense, PhaseShown, phase_deg
from trackbal.pages.plot_style import FAINT, INK, SMALL, SOFT, text_width, write
from trackbal.runs.run import Reals

if TYPE_CHECKING:
    from matplotlib.axes import Axes

RIM = 9.0  # points around the dial for the degrees
_LABEL_DEG = (338.0, 22.0, 202.0, 158.0)  # steep, as words are wider than high
_MARK_ROOM = 6.0  # points between the farthest mark and the rim
_LEAST_GAP = 8.5  # points between labelled rings
_BESIDE = 7.0  # points from a heavy circle to the middle of its word


@dataclass(frozen=True)
class Dial:
    """A dial on Axes whose data coordinates are points.

    Parameters
    ----------
    ax : Axes
    x, y, radius : float
        Centre and outer radius, in points.
    outer : float
        Amplitude at the outer radius.
    sense : {"lag", "lead"}
        Of the phases shown.
    compressed : bool
        Whether the scale is compressed beyond 1.
    shown : {"degrees", "clock"}
        What stands around the rim.
    """

    ax: Axes
    x: float
    y: float
    radius: float
    outer: float
    sense: PhaseSense
    compressed: bool = True
    shown: PhaseShown = "degrees"

    def reach(self, amplitude: ArrayLike) -> Reals:
        """Return the distance from the centre, in points, of an amplitude."""
        return self.radius * self._scale(amplitude) / self._scale(self.outer)

    def _scale(self, amplitude: ArrayLike) -> Reals:
        r = np.asarray(amplitude, dtype=float)
        return np.where(r > 1.0, 1.0 + np.log(np.maximum(r, 1.0)), r) if self.compressed else r

    def holding(self, largest: float) -> Dial:
        """Return the dial with a rim that leaves room for the mark of the largest amplitude."""
        scaled = float(self._scale(largest)) * self.radius / max(self.radius - _MARK_ROOM, 1.0)
        outer = float(np.exp(scaled - 1.0)) if self.compressed and scaled > 1.0 else scaled
        return replace(self, outer=max(self.outer, outer))

    def place(self, phasor: ArrayLike) -> tuple[Reals, Reals]:
        """Return where lag-convention phasors lie on the Axes."""
        angle = np.deg2rad(phase_deg(phasor, self.sense))
        reach = self.reach(np.abs(np.asarray(phasor)))
        return self.x + reach * np.sin(angle), self.y + reach * np.cos(angle)

    def face(self, degrees: bool = True) -> None:
        """Draw the rim, the cross and, if wanted, the degrees, or hours of a clock face, around them."""
        self.ring(self.outer, color=FAINT, linewidth=0.7)
        for turn in range(0, 360, 90):
            dx, dy = np.sin(np.deg2rad(turn)), np.cos(np.deg2rad(turn))
            ends = ([self.x, self.x + self.radius * dx], [self.y, self.y + self.radius * dy])
            self.ax.plot(*ends, color=FAINT, linewidth=0.6, zorder=1)
            if degrees:
                label = str(turn // 30 or 12) if self.shown == "clock" else f"{turn}°" if turn == 0 else str(turn)
                # outside the rim, each anchored on the side that faces it
                off = self.radius + 2.0
                side = {0: ("center", "bottom"), 90: ("left", "center"), 180: ("center", "top")}
                ha, va = side.get(turn, ("right", "center"))
                write(self.ax, self.x + off * dx, self.y + off * dy, label, SMALL, color=SOFT, ha=ha, va=va)

    def ring(self, amplitude: float, **style: Any) -> None:
        """Draw a circle of constant amplitude."""
        turn = np.linspace(0.0, 2.0 * np.pi, 97)
        reach = float(self.reach(amplitude))
        more: dict[str, Any] = {"zorder": 1, "color": INK, "linewidth": 0.7} | style
        self.ax.plot(self.x + reach * np.sin(turn), self.y + reach * np.cos(turn), **more)

    def labelled_rings(self, rings: list[tuple[float, str]], away_from: list[complex], kept: list[float]) -> None:
        """Draw rings with their labels along the direction that is farthest from some phasors.

        The words of `kept` circles, which are heavy, stand beside them along the next such direction.

        Rings nearer than a label's height to one of `kept` amplitudes, to the rim or to
        each other are left out.
        """
        angles = self._free_directions(away_from)
        taken = [float(self.reach(k)) for k in kept if k < self.outer]
        for amplitude, label in rings:
            reach = float(self.reach(amplitude))
            first = not any(abs(reach - t) < _LEAST_GAP for t in taken)
            if amplitude not in kept and (not first or reach > self.radius - 0.5 * _LEAST_GAP):
                continue
            if amplitude not in kept:
                taken.append(reach)
                self.ring(amplitude, color=SOFT, linewidth=0.5, linestyle=(0, (1, 2)))
            at, angle = reach, angles[0]
            if amplitude in kept:  # a heavy circle: its word stands beside it, not across
                at, angle = reach + (_BESIDE if reach + 2.0 * _BESIDE < self.radius else -_BESIDE), angles[1]
            dx, dy = np.sin(angle), np.cos(angle)
            box = {"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"}
            write(self.ax, self.x + at * dx, self.y + at * dy, label, SMALL, color=SOFT, bbox=box, zorder=2)

    def _free_directions(self, away_from: list[complex]) -> list[float]:
        """Return the directions of labels, in radians, that farthest from the phasors first."""
        angles = np.deg2rad(_LABEL_DEG)
        if not away_from:
            return [float(angle) for angle in angles]
        busy = np.deg2rad(phase_deg(np.array(away_from), self.sense))
        nearest = np.abs(np.angle(np.exp(1j * (angles[:, None] - busy)))).min(axis=1)
        return [float(angles[i]) for i in np.argsort(-nearest.round(6), kind="stable")]


def dial_row(ax: Axes, count: int, below: float) -> list[tuple[float, float, float]]:
    """Make the Axes' data coordinates points and return (x, y, radius) of `count` dials side by side.

    `below` is the height kept free under the dials for their labels, in points.
    """
    from trackbal.pages.plot_style import size_points

    width, height = size_points(ax)
    side_rim = RIM + text_width("270", SMALL) - 4.0
    cell = width / count
    radius = max(min(cell / 2.0 - side_rim, (height - below) / 2.0 - RIM), 5.0)
    ax.set_xlim(0.0, width)
    ax.set_ylim(0.0, height)
    ax.set_aspect("equal")
    ax.axis("off")
    y = below + RIM + radius
    return [(cell * (i + 0.5), y, radius) for i in range(count)]
