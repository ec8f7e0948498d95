"""A blank run sheet for a rotor: as CSV, and as a page to fill in on a tablet or on paper."""

from __future__ import annotations

import csv
import io
import json
import math
from typing import Any

from trackbal.check import comparisons
from trackbal.check.plausibility import TIMES_LIMIT, TIMES_STOP
from trackbal.pages.card_readings import phase_words
from trackbal.pages.html import Html, breakable, esc, page, tag
from trackbal.pages.run_form_script import SCRIPT
from trackbal.runs.rotor import Regime, Rotor

#: Conditions worth keeping with a run; kept as text.
INFO = ("info.wind", "info.fuel")

_STYLE = """
section { break-inside: avoid; border-top: 3px solid #111111; margin-top: 1rem; padding-top: .3rem; }
section h3 { margin: 0; flex: 1 1 20rem; font-size: 1.15rem; }
.top { display: flex; flex-wrap: wrap; gap: .5rem; align-items: center; }
.grid { display: grid; gap: .5rem .7rem; margin: .5rem 0; }
.pairs { grid-template-columns: repeat(auto-fill, minmax(min(21rem, 100%), 1fr)); }
.pairs > div { display: grid; grid-template-columns: 1fr 1fr; gap: .3rem; }
.tips { grid-template-columns: repeat(auto-fill, minmax(6rem, 1fr)); }
.rest, .who { grid-template-columns: repeat(auto-fit, minmax(min(9rem, 100%), 1fr)); }
label { display: flex; flex-direction: column; min-width: 5rem; }
label b { font-size: .9rem; }
label i { font-style: normal; font-size: .78rem; color: #444444; flex: 1 1 auto; }
label i strong { color: #111111; }
input { width: 100%; min-height: 13mm; border: 2px solid #111111; border-radius: 0; background: #ffffff; color: #111111;
  font: inherit; font-size: 1.35rem; padding: 0 .35rem; }
input:focus { outline: 4px solid #444444; }
input[aria-invalid="true"] { border: 4px double #111111; }
.why { font-size: .85rem; font-weight: bold; }
.said p { margin: .25rem 0; padding: .3rem .5rem; border: 2px solid #111111; }
.said p.stop { border: 6px solid #111111; font-weight: bold; font-size: 1.2rem; }
.said p.doubt { border-style: dashed; font-weight: bold; }
.said p.note { border-width: 1px; color: #111111; }
button { min-height: 13mm; padding: 0 1.2rem; font: inherit; font-size: 1.1rem; font-weight: bold;
  border: 2px solid #111111; background: #ffffff; color: #111111; }
button#save { border-width: 5px; }
.bar { position: sticky; bottom: 0; background: #ffffff; border-top: 3px solid #111111; padding: .5rem 0;
  display: flex; flex-wrap: wrap; gap: .7rem; align-items: center; margin-top: 1rem; }
#summary { flex: 1 1 12rem; font-weight: bold; }
.wide { grid-column: span 2; }
@media screen and (max-width: 40rem) { .wide { grid-column: 1 / -1; } }
@media print {
  .bar, button, .why, .said { display: none; }
  input { border-width: 1px; min-height: 12mm; }
  .grid { margin: .25rem 0; gap: .25rem .5rem; }
  section { margin-top: .5rem; }
}
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
    """Return the blank run sheet as a page: to fill in and save as the CSV, offline, or to print and write on."""
    top = [_box(name, "", "", "text", top=True) for name in ("Aircraft", "Date", "Run", "Read by")]
    intro = [
        tag("h1", f"Run sheet: {rotor.name}"),
        tag(
            "p",
            tag("strong", "Break off when a reading reaches its STOP figure: stop running and find the cause. "),
            "Go on to the next condition only if the manual's figure for it is met and the pilot agrees. The "
            "maintenance manual governs how this run is flown.",
        ),
        tag("div", *top, cls="grid who"),
        tag(
            "p",
            "Leave empty what was not read. Hold each condition steady before reading. ",
            phase_words(rotor),
            " Clock hours may be written instead of degrees, as 4:30.",
        ),
    ]
    if any(r.heights for r in rotor.regimes):
        words = "Heights count from any common datum, up positive; they count only with the height of every tip."
        intro.append(tag("p", words))
    blocks = [_block(rotor, r, regime) for r, regime in enumerate(rotor.regimes)]
    bar = (
        '<div class="bar"><button type="button" id="save">Save run sheet</button>'
        '<button type="button" id="clear">New sheet</button><span id="summary" role="status"></span></div>'
    )
    body = [*intro, Html('<form id="form" autocomplete="off">' + "\n".join(blocks) + "</form>"), Html(bar)]
    body.append(Html(f'<script type="application/json" id="rotor">{_json(_data(rotor))}</script>'))
    return page(f"Run sheet: {rotor.name}", body, _STYLE, script=SCRIPT)


def _data(rotor: Rotor) -> dict[str, Any]:
    """Return what the page knows of the rotor; None where no figure is set."""
    headings = sheet_headings(rotor)
    return {
        "key": f"trackbal run sheet {rotor.name} {'|'.join(headings)}",
        "headings": headings,
        "blades": list(rotor.blades),
        "height_unit": rotor.height_unit,
        "sensors": [{"name": s.name, "words": _words(s.name), "unit": s.unit} for s in rotor.sensors],
        "regimes": [
            {
                "name": regime.name,
                "heights": regime.heights,
                "limit": [_figure(v) for v in rotor.vibration_limit[r].tolist()],
                "stop": [_figure(v) for v in rotor.vibration_stop_limit[r].tolist()],
                "go_on": [_figure(v) for v in rotor.vibration_go_on[r].tolist()],
                "spread": _figure(float(rotor.height_limit[r])),
                "spread_stop": _figure(float(rotor.height_stop_limit[r])),
                "spread_go_on": _figure(float(rotor.height_go_on[r])),
            }
            for r, regime in enumerate(rotor.regimes)
        ],
        "rules": {
            "times_limit": TIMES_LIMIT,
            "times_stop": TIMES_STOP,
            "far_of_limit": comparisons.FAR_OF_LIMIT,
            "near_of_limit": comparisons.NEAR_OF_LIMIT,
            "times_others": comparisons.TIMES_OTHERS,
            "jump_of_limit": comparisons.JUMP_OF_LIMIT,
            "times_jumps": comparisons.TIMES_JUMPS,
            "times_own": comparisons.TIMES_OWN,
            "fewest_others": comparisons.FEWEST_OTHERS,
        },
    }


def _figure(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _json(data: dict[str, Any]) -> str:
    """Return data as JSON that cannot end the element it stands in."""
    return json.dumps(data, allow_nan=False).replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _words(name: str) -> str:
    return name.replace("_", " ")


def _block(rotor: Rotor, r: int, regime: Regime) -> Html:
    where = "in flight" if regime.airborne else "on the ground"
    known = where in regime.label.casefold()
    heading = tag("h3", f"{r + 1}  {regime.label}" + ("" if known else f" ({where})"))
    again = Html('<button type="button" class="again">Read again</button>')
    rows = [
        tag("div", heading, _box("rotor speed", f"rpm; about {rotor.usual_rpm[r]:g}", "rpm", "speed"), again, cls="top")
    ]
    rows.append(tag("div", *(tag("div", *_pair(rotor, r, s)) for s in range(len(rotor.sensors))), cls="grid pairs"))
    if regime.heights:
        bound = _bounds(rotor.height_limit[r], rotor.height_stop_limit[r], rotor.height_go_on[r])
        rows.append(tag("p", "Tip heights, ", rotor.height_unit, "; spread: ", bound, cls="note"))
        boxes = (_box(f"blade {b}", rotor.height_unit, f"height.{b}", "height") for b in rotor.blades)
        rows.append(tag("div", *boxes, cls="grid tips"))
    elif any(other.heights for other in rotor.regimes):
        rows.append(tag("p", "No heights in this condition.", cls="note"))
    rest = [
        *(_box(name.removeprefix("info."), "", name, "text") for name in INFO),
        _box("note", "", "note", "text", "wide"),
    ]
    rows.append(tag("div", *rest, cls="grid rest"))
    rows.append(Html('<div class="said" role="status"></div>'))
    return Html(f'<section data-regime="{r}">{"".join(rows)}</section>')


def _pair(rotor: Rotor, r: int, s: int) -> tuple[Html, Html]:
    """Return the boxes of a sensor's amplitude and phase."""
    sensor = rotor.sensors[s]
    size = "peak to peak" if sensor.unit == "mil" else "peak"
    harmonic = "" if sensor.harmonic == 1 else f", {sensor.harmonic}/rev"
    bounds = _bounds(rotor.vibration_limit[r, s], rotor.vibration_stop_limit[r, s], rotor.vibration_go_on[r, s])
    below = Html(f"{esc(f'{sensor.unit} {size}{harmonic}; ')}{bounds}")
    words = breakable(_words(sensor.name))
    return (
        _box(words, below, f"{sensor.name}.amp", "amplitude"),
        _box("phase", f"degrees, {rotor.phase_sense}, or clock", f"{sensor.name}.deg", "phase"),
    )


def _bounds(limit: float, stop: float, go_on: float) -> Html:
    """Return "limit 0.2; go on up to 0.4; STOP at 1.5", as far as set."""
    said = [esc(f"limit {limit:g}")] if limit < math.inf else []
    if go_on < math.inf:
        said.append(esc(f"go on up to {go_on:g}"))
    said.append(tag("strong", f"STOP at {stop:g}") if stop < math.inf else esc("no stop limit set"))
    return Html("; ".join(said))


def _box(words: object, below: object, quantity: str, kind: str, cls: str = "", *, top: bool = False) -> Html:
    """Return a box to type into, its words above and what counts below them."""
    mode = "text" if kind == "text" else "decimal" if kind in ("amplitude", "speed") else "text"
    where = 'data-top=""' if top else f'data-q="{esc(quantity)}" data-kind="{kind}"'
    return Html(
        f'<label class="{esc(cls)}">{tag("b", words)}{tag("i", below)}'
        f'<input type="text" inputmode="{mode}" {where}><span class="why"></span></label>'
    )
