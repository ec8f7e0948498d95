"""The pictures of the job card, each with its text alternative."""

from __future__ import annotations

from functools import partial

import numpy as np

from trackbal.base.phasor import phase_deg
from trackbal.pages.card_readings import phase_words
from trackbal.pages.html import Html, join, table, tag
from trackbal.pages.plots import blade_marks, chance_by_count, phasors, tip_heights, worst_by_count
from trackbal.pages.svg import picture
from trackbal.plan.advice import Advice
from trackbal.plan.forecast import Forecast
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.words import chance_words

#: Width of one picture in a row; more go on to further rows.
_ROW_MM = 186.0
_LEAST_MM, _MOST_MM = 46.0, 60.0  # a dial of 30 mm and more: read at arm's length
HEIGHTS_MM = 62.0
HEIGHTS_MARGINS_MM = (9.0, 0.5, 5.5, 7.5)  # left, right, bottom, top
MOST_DRAWN = 13  # plans; more do not fit a picture side by side
COUNT_MM = (82.0, 48.0)
COUNT_MARGINS_MM = (13.0, 2.0, 9.0, 3.0)
MOST_SENSORS = 16  # pictured on a card: with more, the pages are turned, not looked at


def pictures_section(rotor: Rotor, run: Run, expected: Forecast | None) -> Html:
    """Return the vibration dials of every sensor and the tip heights of every regime."""
    head = [tag("h2", "Vibration, now" + (" and expected" if expected is not None else "")), _key(rotor, expected)]
    read_sensors = np.flatnonzero(run.vibration_read.any(axis=0))
    shown = _worst_sensors(rotor, run, expected, MOST_SENSORS)
    if len(read_sensors) > len(shown):
        said = f"Pictured are the {len(shown)} of {len(read_sensors)} sensors with the worst readings"
        said += " now or as expected" if expected is not None else ""
        head.append(tag("p", f"{said}; all stand in the table.", cls="note"))
    figures: list[Html] = []
    for s in shown:
        sensor = rotor.sensors[s]
        read = np.flatnonzero(run.vibration_read[:, s])
        dials = [_dial(rotor, run, expected, (int(r), int(s)), row_width(len(read))) for r in read]
        heading = tag("h3", f"{sensor.name}, {sensor.axis}, as part of the limit")
        figures.append(tag("figure", heading, tag("div", *dials, cls="figures")))
    # those of few regimes stand side by side, and the first of them on the sheet of their legend
    beside = max(1, int(_ROW_MM // max(row_width(len(read)) * len(read) + 2.0, 1.0))) if shown else 0
    parts = [tag("div", *head, tag("div", *figures[:beside], cls="row"), cls="together")]
    parts.append(tag("div", *figures[beside:], cls="row") if figures[beside:] else Html(""))
    if run.height_read.any():
        read = np.flatnonzero(run.height_read)
        panels = [_heights(rotor, run, expected, int(r), row_width(len(read))) for r in read]
        caption = (
            "Grey band between heavy lines: the spread limit, laid around the middle of the tips. All tips inside the "
            "band is inside the limit."
        )
        if expected is not None:
            caption += " Upright bars at the diamonds hold 95 % of the next runs."
        marks = blade_marks(rotor)
        if marks != rotor.blades:
            pairs = (f"{mark} is blade {blade}" for mark, blade in zip(marks, rotor.blades, strict=True))
            caption += f" By place: {', '.join(pairs)}."
        heading = tag("h3", f"Tip heights in {rotor.height_unit}, by blade number")
        parts.append(tag("figure", heading, tag("div", *panels, cls="figures"), tag("figcaption", caption)))
    return join(parts)


def _worst_sensors(rotor: Rotor, run: Run, expected: Forecast | None, most: int) -> list[int]:
    """Return the sensors with the largest readings for their limits, now or as expected, in the rotor's order."""
    size = np.abs(run.vibration) / rotor.vibration_limit
    if expected is not None:
        size = np.fmax(size, np.abs(expected.vibration) / rotor.vibration_limit)
    read = np.flatnonzero(run.vibration_read.any(axis=0))
    worst = np.nan_to_num(size).max(axis=0)[read]
    return sorted(read[np.argsort(-worst, kind="stable")[:most]].tolist())


def row_width(count: int) -> float:
    """Return the width in mm of each of `count` pictures, so that rows come out even."""
    most = int(_ROW_MM // _LEAST_MM)
    rows = -(-count // most)
    return min(_ROW_MM / -(-count // rows) - 1.5, _MOST_MM)


def _key(rotor: Rotor, expected: Forecast | None) -> Html:
    words = (
        "○ read now; heavy circle: the limit. 0° is at the top and phase grows clockwise, so that 90° is 3 o'clock. "
        "Amplitude counts in limits; beyond the limit circle the scale is compressed. Under each dial: regime, and "
        "reading over limit. "
    )
    if expected is not None:
        words += "◆ expected after the adjustments; the dashed outline holds 95 % of the next runs. "
    return tag("p", words + phase_words(rotor), cls="note")


def _dial(rotor: Rotor, run: Run, expected: Forecast | None, at: tuple[int, int], width: float) -> Html:
    r, s = at
    regime, sensor = rotor.regimes[r], rotor.sensors[s]
    degrees = phase_deg(run.vibration[r, s], rotor.phase_sense)
    description = f"Now {abs(run.vibration[r, s]):.4g} {sensor.unit} at {float(degrees):.0f} degrees"
    if expected is not None:
        degrees = phase_deg(expected.vibration[r, s], rotor.phase_sense)
        description += f"; expected {abs(expected.vibration[r, s]):.4g} {sensor.unit} at {float(degrees):.0f} degrees"
    description += (
        f"; limit {rotor.vibration_limit[r, s]:.4g} {sensor.unit}. The numbers stand in the table of readings."
    )
    return picture(
        partial(phasors, rotor=rotor, run=run, sensor=s, forecast=expected, regimes=[r]),
        key=f"dial-{r + 1}-{s + 1}",
        title=f"{sensor.name} in {regime.label}",
        description=description,
        size_mm=(width, width + 7.0),
    )


def _heights(rotor: Rotor, run: Run, expected: Forecast | None, r: int, width: float) -> Html:
    description = f"Spread now {run.spread[r]:.4g} {rotor.height_unit}"
    if expected is not None:
        description += f", expected {np.ptp(expected.height[r]):.4g} {rotor.height_unit}"
    description += f", limit {rotor.height_limit[r]:.4g} {rotor.height_unit}. Heights by blade stand in the table."
    return picture(
        partial(tip_heights, rotor=rotor, run=run, forecast=expected, regimes=[r]),
        key=f"tips-{r + 1}",
        title=f"Tip heights in {rotor.regimes[r].label}",
        description=description,
        size_mm=(width, HEIGHTS_MM),
        margins_mm=HEIGHTS_MARGINS_MM,
    )


def buys_section(advice: Advice) -> Html:
    """Return what each further adjustment buys, as pictures and as a table."""
    if advice.offered is None or len(advice.plans) < 2:
        return Html("")
    plans = {plan.size: plan for plan in advice.plans}
    chosen = advice.plans[advice.recommended].size if advice.recommended is not None else -1
    timed = advice.plans[0].minutes is not None
    rows = [
        (
            join([f"{size:g}", tag("strong", " (this card)") if size == chosen else ""]),
            chance_words(plan.chance),
            f"{plan.worst_likely:.2f}",
            f"{plan.expected_cost:.4g}" + ("" if plan.proven else " (not proven)"),
        )
        for size, plan in plans.items()
    ]
    figures = [
        picture(
            partial(worst_by_count, advice=advice),
            key="worst-by-count",
            title="Worst expected reading over its limit against the number of adjustments",
            description="The numbers stand in the table beside.",
            size_mm=COUNT_MM,
            margins_mm=COUNT_MARGINS_MM,
        ),
        picture(
            partial(chance_by_count, advice=advice),
            key="chance-by-count",
            title="Chance that the next run is inside limits against the number of adjustments",
            description="The numbers stand in the table beside.",
            size_mm=COUNT_MM,
            margins_mm=COUNT_MARGINS_MM,
        ),
    ]
    caption = "◆ this card. Heavy line: the limit. Dashed line: the chance that was wanted."
    made = table(
        ["Minutes" if timed else "Adjustments", "Chance", "Worst reading / limit", "Expected cost"],
        rows,
        kinds="tnnn",
    )
    return tag(
        "div",
        tag("h2", "What more minutes buy" if timed else "What each further adjustment buys"),
        tag("figure", tag("div", *figures, cls="figures"), tag("figcaption", caption))
        if len(plans) <= MOST_DRAWN
        else "",
        made,
        cls="together",
    )
