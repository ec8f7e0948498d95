"""A blank run sheet for a rotor, as CSV and as a page with the same names in the same order."""

from __future__ import annotations

import csv
import io
import math

from trackbal.pages.card_readings import phase_words
from trackbal.pages.html import Html, blank_lines, breakable, page, tag
from trackbal.runs.rotor import Regime, Rotor

#: Conditions worth keeping with a run; kept as text.
INFO = ("info.wind", "info.fuel")

_STYLE = """
section { break-inside: avoid; border-top: 2px solid #111111; margin-top: .8rem; }
section h3 { margin: 0; flex: 1 1 20rem; }
.top { display: flex; flex-wrap: wrap; gap: .5rem; align-items: center; margin: .4rem 0; }
.grid { display: grid; gap: .35rem .6rem; margin: .35rem 0; }
.pairs { grid-template-columns: repeat(auto-fill, minmax(min(19rem, 100%), 1fr)); }
.pairs > div { display: grid; grid-template-columns: 1fr 1fr; gap: .2rem; }
.tips { grid-template-columns: repeat(auto-fill, minmax(5.4rem, 1fr)); }
.rest { grid-template-columns: repeat(auto-fit, minmax(min(9rem, 100%), 1fr)); }
.cell { display: flex; flex-direction: column; min-width: 4.5rem; }
.cell b { font-size: .85rem; }
.cell i { flex: 1 0 2.1rem; border: 1px solid #111111; font-style: normal; font-size: .75rem; color: #444444;
  display: flex; align-items: flex-end; justify-content: flex-end; padding: 0 .25rem; }
.wide { grid-column: span 2; }
@media screen and (max-width: 40rem) { .wide { grid-column: 1 / -1; } }
"""


def sheet_headings(rotor: Rotor) -> list[str]:
    """Return the headings of the blank run sheet, heights only if any regime has them."""
    vibration = [f"{sensor.name}.{part}" for sensor in rotor.sensors for part in ("amp", "deg")]
    heights = [f"height.{blade}" for blade in rotor.blades] if any(r.heights for r in rotor.regimes) else []
    return ["regime", "rpm", *vibration, *heights, *INFO, "note"]


def blank_sheet(rotor: Rotor) -> str:
    """Return a CSV sheet with a header and a row for each regime; `read_run` reads it once filled in."""
    headings = sheet_headings(rotor)
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(headings)
    writer.writerows([regime.name] + [""] * (len(headings) - 1) for regime in rotor.regimes)
    return stream.getvalue()


def blank_page(rotor: Rotor) -> str:
    """Return the blank run sheet as a page to print: box after box in the order of the CSV's columns."""
    intro = [
        tag("h1", f"Run sheet: {rotor.name}"),
        blank_lines(["Aircraft:", "Date:", "Run:", "Read by:"]),
        tag(
            "p",
            "Each block is a row of the CSV sheet and each box a cell; names and order are the same. "
            "Leave empty what was not read. Hold each regime steady before reading; a reading taken again is "
            "another row of the same regime. ",
            phase_words(rotor),
            " Clock hours may be written instead of degrees, as 4:30.",
        ),
    ]
    if any(r.heights for r in rotor.regimes):
        words = "Heights count from any common datum, up positive; a regime counts only with the height of every tip."
        intro.append(tag("p", words))
    blocks = [_block(rotor, r, regime) for r, regime in enumerate(rotor.regimes)]
    caution = (
        "Go on to the next condition only if the manual's figure for it is met and the pilot agrees. Break off when a "
        "reading reaches its stop limit. The maintenance manual governs how this run is flown."
    )
    return page(f"Run sheet: {rotor.name}", [*intro, *blocks, tag("p", caution)], _STYLE)


def _block(rotor: Rotor, r: int, regime: Regime) -> Html:
    where = "in flight" if regime.airborne else "on the ground"
    heading = tag("h3", f"{r + 1}  ", breakable(regime.name), f": {regime.label} ({where})")
    rows = [tag("div", heading, _cell("rpm", f"about {rotor.rpm:g}"), cls="top")]
    pairs = [tag("div", *_pair(rotor, r, s)) for s in range(len(rotor.sensors))]
    rows.append(tag("div", *pairs, cls="grid pairs"))
    if regime.heights:
        if rotor.height_go_on[r] < math.inf:
            words = (
                f"Go on to the next condition only up to a tip spread of {rotor.height_go_on[r]:g} {rotor.height_unit}."
            )
            rows.append(tag("p", words, cls="note"))
        rows.append(tag("div", *(_cell(f"height.{b}", rotor.height_unit) for b in rotor.blades), cls="grid tips"))
    elif any(other.heights for other in rotor.regimes):
        rows.append(tag("p", "No heights in this regime.", cls="note"))
    rest = [*(_cell(name, "") for name in INFO), _cell("note", "", "wide")]
    rows.append(tag("div", *rest, cls="grid rest"))
    return tag("section", *rows)


def _pair(rotor: Rotor, r: int, s: int) -> tuple[Html, Html]:
    """Return the boxes of a sensor's amplitude and phase."""
    sensor = rotor.sensors[s]
    size = "peak to peak" if sensor.unit == "mil" else "peak"
    harmonic = "" if sensor.harmonic == 1 else f", {sensor.harmonic}/rev"
    below = f"{sensor.unit} {size}{harmonic}; limit {rotor.vibration_limit[r, s]:g}"
    if rotor.vibration_go_on[r, s] < math.inf:
        below += f"; go on up to {rotor.vibration_go_on[r, s]:g}"
    return _cell(f"{sensor.name}.amp", below), _cell(f"{sensor.name}.deg", f"degrees, {rotor.phase_sense}")


def _cell(name: str, below: str, cls: str = "") -> Html:
    return tag("div", tag("b", breakable(name)), tag("i", below), cls=f"cell {cls}".strip())
