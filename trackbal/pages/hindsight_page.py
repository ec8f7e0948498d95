"""The page of how good past advice was: a calibration picture, and tables."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from trackbal.hindsight.scores import Hindsight
from trackbal.pages.html import page, table, tag
from trackbal.pages.plot_style import EXPECTED, FAINT, FONT, INK, SMALL, plain_axes, spread_out, write
from trackbal.pages.svg import picture
from trackbal.reports.hindsight_report import (
    BIN_HEADINGS,
    MISS_HEADINGS,
    SCORE_HEADINGS,
    bin_rows,
    miss_rows,
    score_rows,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def hindsight_page(found: Hindsight) -> str:
    """Return the page as HTML that needs nothing else. The same input gives the same bytes."""
    not_judged = "".join(f" Not judged: {count}, {why}." for why, count in found.left_out.items())
    words = (
        "Brier is the mean square of chance less outcome: 0 is best; the reference is that of always saying the share "
        "that came inside; expected is what it would be were every chance right, and p how likely so large a "
        "difference from that is by accident."
    )
    body = [
        tag("h1", "How good past advice was"),
        tag("p", f"{len(found.judged)} plans were done as advised and followed by a run.{not_judged}"),
        tag("h2", "Chances promised against runs inside limits"),
        tag("p", words),
        table(SCORE_HEADINGS, score_rows(found), kinds="tnnnnnnn", cls="readings"),
    ]
    if found.bins:
        svg = picture(
            partial(calibration, found=found),
            key="calibration",
            title="Calibration: the share that came inside limits over the chance promised",
            description="The numbers stand in the table below.",
            size_mm=(130.0, 80.0),
            margins_mm=(13.0, 3.0, 12.0, 3.0),
        )
        body += [tag("h2", "Calibration"), tag("figure", svg)]
        body.append(table(BIN_HEADINGS, bin_rows(found), kinds="tnnnn", cls="readings"))
    if found.misses:
        body.append(tag("h2", "Readings against what was expected, in parts of the limit"))
        body.append(table(MISS_HEADINGS, miss_rows(found), kinds="tnnnn", cls="readings"))
    return page("How good past advice was", body)


def calibration(ax: Axes, found: Hindsight) -> Axes:
    """Draw the share that came inside limits over the chance promised, with 90 % intervals and the number of plans.

    On the line, chances are right; above it, too low; below it, too high.
    """
    plain_axes(ax)
    ax.plot([0.0, 1.0], [0.0, 1.0], color=FAINT, linewidth=1.0, zorder=0)
    chance = np.array([b.chance for b in found.bins])
    share = np.array([b.passed / b.plans for b in found.bins])
    low, high = (np.array([getattr(b, name) for b in found.bins]) for name in ("share_low", "share_high"))
    ends = np.stack([np.maximum(share - low, 0.0), np.maximum(high - share, 0.0)])
    ax.errorbar(chance, share, yerr=ends, fmt="D", markersize=4.0, color=EXPECTED, ecolor=INK, elinewidth=0.7)
    gap = 0.012 * max(len(str(b.plans)) + 1 for b in found.bins)
    for x, b in zip(spread_out(chance, gap, 0.0, 1.0).tolist(), found.bins, strict=True):
        write(ax, x, -0.1, str(b.plans), SMALL)
    ax.set_xlim(-0.03, 1.03)
    ax.set_ylim(-0.15, 1.04)
    ax.set_xlabel("chance promised (number of plans above the axis)", fontsize=SMALL, fontfamily=FONT)
    ax.set_ylabel("share inside limits", fontsize=SMALL, fontfamily=FONT)
    ax.tick_params(labelsize=SMALL, labelfontfamily=FONT)
    return ax
