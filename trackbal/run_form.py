"""A blank run sheet for a rotor, as CSV and as a page with the same names in the same order."""

from __future__ import annotations

import csv
import io

from trackbal.card_readings import phase_words
from trackbal.html import Html, blank_lines, esc, join, page, tag
from trackbal.rotor import Regime, Rotor

#: Conditions worth keeping with a run; kept as text.
INFO = ("info.wind", "info.fuel")

_STYLE = """
.cells { display: flex; flex-wrap: wrap; gap: .3rem .5rem; margin: .3rem 0; }
.cell { border: 1px solid #111111; min-width: 8.5rem; flex: 1 1 8.5rem; max-width: 14rem; min-height: 3.4rem;
  padding: .1rem .3rem; display: flex; flex-direction: column; justify-content: space-between; }
.cell.pair { border-left-width: 3px; }
.cell b { font-size: .9rem; overflow-wrap: anywhere; }
.cell span { color: #444444; font-size: .8rem; text-align: right; }
.cell.wide { max-width: none; flex: 2 1 18rem; }
section { break-inside: avoid; border-top: 2px solid #111111; margin-top: .9rem; }
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
            "Leave empty what was not read. Hold each regime steady before reading. ",
            phase_words(rotor),
            " Clock hours may be written instead of degrees, as 4:30.",
        ),
    ]
    if any(r.heights for r in rotor.regimes):
        words = "Heights count from any common datum, up positive; a regime counts only with the height of every tip."
        intro.append(tag("p", words))
    blocks = [_block(rotor, r, regime) for r, regime in enumerate(rotor.regimes)]
    caution = "Break off when a reading reaches its stop limit. The maintenance manual governs how this run is flown."
    return page(f"Run sheet: {rotor.name}", [*intro, *blocks, tag("p", caution)], _STYLE)


def _block(rotor: Rotor, r: int, regime: Regime) -> Html:
    cells = [[_cell("rpm", f"rpm, about {rotor.rpm:g}")], [], []]
    for s, sensor in enumerate(rotor.sensors):
        amplitude = "peak to peak" if sensor.unit == "mil" else "peak"
        harmonic = "" if sensor.harmonic == 1 else f", {sensor.harmonic}/rev"
        limit = f"limit {rotor.vibration_limit[r, s]:g}"
        cells[1].append(_cell(f"{sensor.name}.amp", f"{sensor.unit} {amplitude}{harmonic}; {limit}", "pair"))
        cells[1].append(_cell(f"{sensor.name}.deg", f"degrees, {rotor.phase_sense}"))
    if regime.heights:
        cells[2] = [_cell(f"height.{blade}", rotor.height_unit) for blade in rotor.blades]
    last = [*(_cell(name, "") for name in INFO), _cell("note", "", "wide")]
    where = "in flight" if regime.airborne else "on the ground"
    heading = tag("h3", f"{r + 1}  {regime.name}: {regime.label} ({where})")
    groups = [tag("div", *group, cls="cells") for group in (*cells, last) if group]
    if not regime.heights and any(other.heights for other in rotor.regimes):
        groups.insert(-1, tag("p", "No heights in this regime.", cls="note"))
    return Html(f"<section>{join([heading, *groups])}</section>")


def _cell(name: str, below: str, cls: str = "") -> Html:
    return Html(f'<div class="{("cell " + cls).strip()}">{tag("b", name)}<span>{esc(below)}</span></div>')
