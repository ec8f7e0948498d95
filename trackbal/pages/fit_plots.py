"""Pictures of a fit. Each function draws on the Axes it is given and returns it.

Crosses with an outline are coefficients with what holds 95 % of the next aircraft; dots are
past runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trackbal.fitting.fit import Fit
from trackbal.fitting.residuals import Residuals
from trackbal.pages.dial import Dial, dial_row
from trackbal.pages.plot_style import EXPECTED, FONT, INK, NORMAL, SMALL, SOFT, fitted, plain_axes, size_points, write
from trackbal.plan.forecast import ellipse
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_POINTS = 1200  # of a scatter; more are thinned, the worst kept
_LABEL_BLOCK = 30.0  # points under a dial


def coefficients(
    ax: Axes, rotor: Rotor, fit: Fit, adjuster: int, sensor: int, regimes: Sequence[int] | None = None
) -> Axes:
    """Draw what one unit of an adjuster on blade 1 does to a sensor, on a dial for each regime.

    Each dial has a rim of its own, so that weak regimes can be read too; its amplitude is written under the dial.

    Parameters
    ----------
    ax : Axes
        At least 35 mm wide for each regime and 43 mm high.
    adjuster, sensor : int
        Indices.
    regimes : sequence of int, optional
        Indices of the regimes to draw; all if not given.
    """
    influence = fit.influence
    shown = list(range(len(rotor.regimes)) if regimes is None else regimes)
    for r, (x, y, radius) in zip(shown, dial_row(ax, len(shown), _LABEL_BLOCK), strict=True):
        known = not influence.unknown_vibration[adjuster, r, sensor]
        largest = float(np.abs(_outline(fit, adjuster, r, sensor)).max()) if known else 1.0
        dial = Dial(ax, x, y, radius, 0.0, rotor.phase_sense, compressed=False, shown=rotor.phase_shown)
        dial = dial.holding(largest or 1.0)
        dial.face()
        width = size_points(ax)[0] / len(shown)
        if influence.unknown_vibration[adjuster, r, sensor]:
            write(ax, x, y, "not known", NORMAL, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0})
        else:
            outline = _outline(fit, adjuster, r, sensor)
            alpha = influence.alpha[adjuster, r, sensor]
            ax.fill(*dial.place(outline), facecolor="#0b4f8a22", edgecolor=EXPECTED, linewidth=0.9, ls="--", zorder=3)
            ax.plot(*dial.place([0.0, alpha]), color=INK, linewidth=1.0, zorder=4)
            ax.plot(*dial.place([alpha]), marker="x", markersize=5.0, markeredgewidth=1.4, color=INK, zorder=5)
        rim = f"rim {dial.outer:.3g} {rotor.sensors[sensor].unit}/{rotor.adjusters[adjuster].unit}"
        write(ax, x, _LABEL_BLOCK - 1.0, fitted(rim, width - 6.0, SMALL), SMALL, va="top", color=SOFT)
        label = fitted(f"{r + 1}  {rotor.regimes[r].label}", width - 6.0, NORMAL, lines=2)
        write(ax, x, _LABEL_BLOCK - 10.5, label, NORMAL, va="top", linespacing=1.05)
    return ax


def _outline(fit: Fit, a: int, r: int, s: int) -> Complexes:
    part = slice(2 * a, 2 * a + 2)
    return ellipse(complex(fit.influence.alpha[a, r, s]), fit.influence.vibration_cov[r, s, part, part])


def vibration_changes(ax: Axes, rotor: Rotor, residual: Residuals, sensor: int) -> Axes:
    """Draw measured against predicted changes of a sensor, real and imaginary parts, in parts of the limit.

    On the line the coefficients are right; the thin lines are a quarter of the limit off.
    """
    limit = rotor.vibration_limit[:, sensor]
    measured = residual.vibration_measured[:, :, sensor] / limit
    predicted = residual.vibration_predicted[:, :, sensor] / limit
    shape = (*measured.shape, 2)
    return _against(
        ax,
        np.stack([predicted.real, predicted.imag], axis=-1).reshape(shape),
        np.stack([measured.real, measured.imag], axis=-1).reshape(shape),
        0.25,
    )


def height_changes(ax: Axes, rotor: Rotor, residual: Residuals) -> Axes:
    """Draw measured against predicted changes of the tip heights, in parts of half the spread limit.

    On the line the coefficients are right; the thin lines are a quarter of that limit off.
    """
    half = (rotor.height_limit / 2.0)[:, None]
    return _against(ax, residual.height_predicted / half, residual.height_measured / half, 0.25)


def _against(ax: Axes, predicted: Reals, measured: Reals, band: float) -> Axes:
    plain_axes(ax)
    regime = np.broadcast_to(np.arange(predicted.shape[1])[:, None], predicted.shape)
    given = np.isfinite(predicted) & np.isfinite(measured)
    x, y, regime = predicted[given], measured[given], regime[given]
    kept = thinned(np.abs(x - y))
    reach = 1.08 * float(max(np.abs(x).max(initial=0.0), np.abs(y).max(initial=0.0), band))
    ends = np.array([-reach, reach])
    ax.plot(ends, ends, color=INK, linewidth=1.0, zorder=1)
    for off in (-band, band):
        ax.plot(ends, ends + off, color=SOFT, linewidth=0.6, linestyle=(0, (1, 2)), zorder=1)
    markers = "osD^v<>P"
    for r in np.unique(regime[kept]):
        mine = kept[regime[kept] == r]
        style: dict[str, Any] = {"marker": markers[r % len(markers)], "linestyle": "none", "markersize": 3.2}
        style |= {"markerfacecolor": "none", "markeredgecolor": EXPECTED, "markeredgewidth": 0.6}
        ax.plot(x[mine], y[mine], zorder=2, **style)
    ax.set_xlim(-reach, reach)
    ax.set_ylim(-reach, reach)
    ax.set_aspect("equal")
    ax.locator_params(nbins=4, steps=[1, 2, 5, 10])
    ax.set_xlabel("predicted change", fontsize=SMALL, fontfamily=FONT)
    ax.set_ylabel("measured change", fontsize=SMALL, fontfamily=FONT)
    return ax


def thinned(miss: Reals, most: int = MOST_POINTS) -> NDArray[np.int_]:
    """Return the indices of at most so many points: the worst half of them, the rest evenly over all."""
    if len(miss) <= most:
        return np.arange(len(miss))
    worst = np.argsort(-miss, kind="stable")[: most // 2]
    others = np.setdiff1d(np.arange(len(miss)), worst)
    evenly = others[np.linspace(0, len(others) - 1, most - len(worst)).round().astype(int)]
    return np.sort(np.concatenate([worst, evenly]))


def residuals_by_job(ax: Axes, rotor: Rotor, jobs: Sequence[str], values: Reals, most: float | None = None) -> Axes:
    """Draw root-mean-square residuals, shape (jobs, R), as squares whose side grows with the value.

    A square that fills its field is `most` (the largest value if not given); a dot: nothing to judge.
    """
    ax.set_xlim(-0.5, len(rotor.regimes) - 0.5)
    ax.set_ylim(len(jobs) - 0.5, -0.5)
    ax.tick_params(length=0.0, labelsize=SMALL, labelfontfamily=FONT, labeltop=True, labelbottom=False)
    for spine in ax.spines.values():
        spine.set_visible(False)
    top = most or float(np.nanmax(values, initial=0.0)) or 1.0
    width, height = size_points(ax)
    cell = (width / len(rotor.regimes), height / max(len(jobs), 1))
    for j in range(len(jobs)):
        for r in range(len(rotor.regimes)):
            if np.isnan(values[j, r]):
                ax.plot([r], [j], marker=".", markersize=2.0, color=SOFT)
                continue
            side = 0.92 * min(*cell, 16.0) * min(float(values[j, r]) / top, 1.0)
            box = (side / cell[0], side / cell[1])
            ax.fill(
                r + box[0] * np.array([-0.5, 0.5, 0.5, -0.5]),
                j + box[1] * np.array([-0.5, -0.5, 0.5, 0.5]),
                color=EXPECTED,
                linewidth=0.0,
            )
    ax.set_xticks(range(len(rotor.regimes)), [str(r + 1) for r in range(len(rotor.regimes))])
    ax.set_yticks(range(len(jobs)), [""] * len(jobs))
    for j, name in enumerate(jobs):
        place: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "ha": "right"}
        write(ax, -4.0 / width, j, fitted(name, 62.0, SMALL), SMALL, **place)
    return ax
