"""The readings on the job card: against the limits now, expected, and room for the next run's."""

from __future__ import annotations

import math

import numpy as np

from trackbal.base.text_layout import decimals
from trackbal.check.review import is_inside, is_stopped
from trackbal.pages.html import Html, blank_lines, breakable, join, table, tag, whole
from trackbal.plan.advice import Plan
from trackbal.plan.forecast import Forecast
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.words import phase_text


def phase_words(rotor: Rotor) -> str:
    """Return the rotor's phase convention in words."""
    if rotor.phase_sense == "lag":
        return (
            "Phase is lag: degrees of rotation from the tach pulse to the positive peak (of a sensor of harmonic h, "
            "h times the rotation)."
        )
    return (
        "Phase is lead: minus the degrees of rotation from the tach pulse to the positive peak (of a sensor of "
        "harmonic h, h times the rotation)."
    )


def sensor_words(rotor: Rotor, s: int) -> Html:
    """Return a sensor's name, unit and, beyond once per rev, its harmonic."""
    sensor = rotor.sensors[s]
    harmonic = "" if sensor.harmonic == 1 else f", {sensor.harmonic}/rev"
    return join([breakable(sensor.name), f" ({sensor.unit}{harmonic})"])


def readings_section(rotor: Rotor, run: Run, expected: Forecast | None, *, again: bool, new_page: bool) -> Html:
    """Return the table of readings against limits.

    `again` adds a column to fill in after the next run; in print `new_page` begins a sheet.
    """
    rows = []
    for r in range(len(rotor.regimes)):
        rows += [_vibration_row(rotor, run, expected, r, int(s)) for s in np.flatnonzero(run.vibration_read[r])]
        if run.height_read[r]:
            rows.append(_height_row(rotor, run, expected, r))
    if again:
        rows = [[*row, ""] for row in rows]
    headings = ["Regime", "Reading", "Now", "Limit"]
    kinds = "ttnn"
    if expected is not None:
        headings += ["Likely", "95 % range"]
        kinds += "nn"
    if again:
        headings.append("Next run")
        kinds += "f"
    heading = tag("h2", "Readings and limits", cls="page" if new_page else "")
    parts = [heading, table(headings, rows, kinds=kinds, cls="readings")]
    parts.append(tag("p", phase_words(rotor), " Tip spread is the highest minus the lowest tip.", cls="note"))
    return join([*parts, _blade_heights(rotor, run, expected)])


def _vibration_row(rotor: Rotor, run: Run, expected: Forecast | None, r: int, s: int) -> list[object]:
    limit, stop = float(rotor.vibration_limit[r, s]), float(rotor.vibration_stop_limit[r, s])
    places = decimals(limit)
    turned = _turned(rotor, run.vibration[r, s])
    row: list[object] = [
        f"{r + 1}  {rotor.regimes[r].label}",
        sensor_words(rotor, s),
        _value(float(abs(run.vibration[r, s])), limit, stop, places, turned),
        f"{limit:.6g}",
    ]
    if expected is not None:
        turned = _turned(rotor, expected.vibration[r, s])
        row.append(_value(float(expected.amplitude[r, s]), limit, math.inf, places, turned))
        row.append(_range(expected.amplitude_low[r, s], expected.amplitude_high[r, s], places))
    return row


def _turned(rotor: Rotor, phasor: complex) -> str:
    return f" at {phase_text(rotor, phasor)}" + ("" if rotor.phase_shown == "clock" else "°")


def _height_row(rotor: Rotor, run: Run, expected: Forecast | None, r: int) -> list[object]:
    limit, stop = float(rotor.height_limit[r]), float(rotor.height_stop_limit[r])
    places = decimals(limit)
    row: list[object] = [
        f"{r + 1}  {rotor.regimes[r].label}",
        f"tip spread ({rotor.height_unit})",
        _value(float(run.spread[r]), limit, stop, places),
        f"{limit:.6g}",
    ]
    if expected is not None:
        row.append(_value(float(expected.spread[r]), limit, math.inf, places))
        row.append(_range(expected.spread_low[r], expected.spread_high[r], places))
    return row


def _value(value: float, limit: float, stop: float, places: int, after: str = "") -> Html:
    """Return a reading with the word that says it is not inside."""
    word = "STOP " if is_stopped(value, stop) else "" if is_inside(value, limit) else "OVER "
    return join([tag("strong", word) if word else "", f"{value:.{places}f}{after}"])


def _range(low: float, high: float, places: int) -> str:
    return f"{low:.{places}f} to {high:.{places}f}"


def _signed(value: float, places: int) -> str:
    rounded = round(float(value), places) + 0.0  # no minus before a nought
    return f"{rounded:+.{places}f}".replace("-", "\u2212") if rounded else f"{rounded:.{places}f}"


def _blade_heights(rotor: Rotor, run: Run, expected: Forecast | None) -> Html:
    read = np.flatnonzero(run.height_read)
    if not len(read):
        return Html("")
    rows = []
    for r in read:
        places = max(decimals(float(rotor.height_limit[r])) - 1, 0)
        now = [_signed(v, places) for v in run.height[r]]
        rows.append([f"{r + 1}  {rotor.regimes[r].label}", "now", *now])
        if expected is not None:
            after = [_signed(v, places) for v in expected.height[r]]
            rows.append([f"{r + 1}  {rotor.regimes[r].label}", "likely", *after])
    headings = ["Regime", "", *(f"Blade {b}" for b in rotor.blades)]
    caption = f"Tip heights above the mean tip, {rotor.height_unit}"
    made = table(headings, rows, kinds="tw" + "b" * len(rotor.blades), caption=caption, cls="readings")
    return whole(made, len(rows))


def limits_section(rotor: Rotor, limits_from: str) -> Html:
    """Return who set the limits, and the stop limits."""
    stops, figures = _stop_words(rotor), _go_on_words(rotor)
    parts = [tag("h2", "Limits")]
    said = "The limits are those typed into the rotor file, not this program's."
    parts.append(tag("p", said, f" Set by: {limits_from}." if limits_from else "", " Compare them with the manual."))
    lines = ["Manual, revision:", "Compared by, date:"]
    parts.append(blank_lines(lines if limits_from else ["Limits set by:", *lines]))
    parts.append(tag("p", f"Stop limits: {stops}." if stops else "No stop limits are set in the rotor file."))
    if figures:
        parts.append(tag("p", f"Figures for going on to the next condition: {figures}."))
    return tag("div", join(parts), cls="together")


def _go_on_words(rotor: Rotor) -> str:
    said: list[str] = []
    for s, sensor in enumerate(rotor.sensors):
        said += _bound_words(rotor, sensor.name, rotor.vibration_go_on[:, s].tolist(), sensor.unit, where_always=True)
    said += _bound_words(rotor, "tip spread", rotor.height_go_on.tolist(), rotor.height_unit, where_always=True)
    return "; ".join(said)


def _stop_words(rotor: Rotor) -> str:
    said: list[str] = []
    for s, sensor in enumerate(rotor.sensors):
        said += _bound_words(rotor, sensor.name, rotor.vibration_stop_limit[:, s].tolist(), sensor.unit)
    said += _bound_words(rotor, "tip spread", rotor.height_stop_limit.tolist(), rotor.height_unit)
    return "; ".join(said)


def _bound_words(rotor: Rotor, what: str, bounds: list[float], unit: str, *, where_always: bool = False) -> list[str]:
    """Return "what 1.5 ips" for every different bound, with the regimes if there is more than one."""
    finite = [b for b in bounds if b < math.inf]
    words = []
    for bound in dict.fromkeys(finite):
        where = [regime.label for regime, b in zip(rotor.regimes, bounds, strict=True) if b == bound]
        words.append(
            f"{what} {bound:.6g} {unit}" + (f" in {', '.join(where)}" if where_always or len(set(finite)) > 1 else "")
        )
    return words


def unread_section(rotor: Rotor, run: Run, plan: Plan | None) -> Html:
    """Return what the plan changes in readings that were not taken this time."""
    if plan is None or not plan.count:
        return Html("")
    rows: list[list[object]] = []
    for r, regime in enumerate(rotor.regimes):
        name = f"{r + 1}  {regime.label}"
        for s in np.flatnonzero(~run.vibration_read[r]):
            limit = float(rotor.vibration_limit[r, s])
            change = plan.vibration_change[r, s]
            size = f"{abs(change):.{decimals(limit)}f}{_turned(rotor, change)}"
            then = _there(plan.elsewhere, r, int(s), decimals(limit))
            rows.append([name, sensor_words(rotor, int(s)), size, then, f"{limit:.6g}", ""])
        if not run.height_read[r] and np.isfinite(rotor.height_limit[r]):
            limit, tips = float(rotor.height_limit[r]), plan.height_change[r]
            places = max(decimals(limit) - 1, 0)
            ends = f"{_signed(tips.min(), places)} to {_signed(tips.max(), places)}"
            then = _there(plan.elsewhere, r, None, places)
            rows.append([name, f"tip heights ({rotor.height_unit})", ends, then, f"{limit:.6g}", ""])
    if not rows:
        return Html("")
    likely, kinds = ["Likely then"], "ttnnnf"
    if plan.elsewhere is None:
        rows, likely, kinds = [[*row[:3], *row[4:]] for row in rows], [], "ttnnf"
    made = [
        tag("h2", "Not read this time"),
        tag("p", _UNREAD_KNOWN if plan.elsewhere is not None else _UNREAD),
        table(
            ["Regime", "Reading", "Expected change", *likely, "Limit", "Next run"], rows, kinds=kinds, cls="readings"
        ),
    ]
    return whole(join(made), len(rows))


_UNREAD = "The plan changes these readings too, by what is given here; what they are is not known."
_UNREAD_KNOWN = (
    "The plan changes these readings too, by what is given here. Likely then, with a rough range: by what this "
    "aircraft read elsewhere; of tips, their spread."
)


def _there(likely: Forecast | None, r: int, s: int | None, places: int) -> str:
    """Return what a reading not taken is likely to be after the plan, with its range; a dash where not known."""
    if likely is None:
        return ""
    value = likely.spread[r] if s is None else likely.amplitude[r, s]
    low = likely.spread_low[r] if s is None else likely.amplitude_low[r, s]
    high = likely.spread_high[r] if s is None else likely.amplitude_high[r, s]
    return f"{value:.{places}f} ({_range(low, high, places)})" if np.isfinite(value) else "–"
