"""Pages that stand alone: escaping, tables, and the frame with its print styles.

A page fetches nothing and has no script, but for the run sheet that is filled in on it.
Text from files is escaped unless it is an `Html`,
which only this package makes.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
import unicodedata
from collections.abc import Iterable, Sequence

_BLANKS = re.compile(r"\s+")

INK, SOFT_INK, PAPER = "#111111", "#444444", "#ffffff"

_STYLE = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{ margin: 0 auto; padding: 1.2rem; max-width: 62rem; background: {PAPER}; color: {INK};
  font: 1rem/1.4 "Liberation Sans", Arial, Helvetica, sans-serif; overflow-wrap: anywhere; }}
h1 {{ font-size: 1.35rem; margin: 0 0 .3rem; }}
h2 {{ font-size: 1.1rem; margin: 1.6rem 0 .4rem; border-bottom: 2px solid {INK}; padding-bottom: .15rem;
  break-after: avoid; }}
h3 {{ font-size: 1rem; margin: 1rem 0 .3rem; break-after: avoid; }}
p {{ margin: .4rem 0; }}
ul {{ margin: .3rem 0; padding-left: 1.2rem; }}
li {{ margin: .2rem 0; }}
.note {{ color: {SOFT_INK}; font-size: .9rem; break-after: avoid; }}
p, li {{ break-inside: avoid; }}
.together > .note:last-child {{ break-after: auto; }}
.verdict {{ border: 3px solid {INK}; padding: .5rem .8rem; margin: .8rem 0; font-size: 1.35rem; font-weight: bold;
  line-height: 1.25; break-inside: avoid; }}
.verdict .lines {{ font-size: 1rem; font-weight: normal; }}
.verdict p {{ font-size: 1rem; font-weight: normal; margin: .3rem 0 0; }}
table {{ border-collapse: collapse; width: 100%; margin: .4rem 0; }}
caption {{ text-align: left; font-weight: bold; padding: .2rem 0; }}
th, td {{ border: 1px solid #767676; padding: .22rem .4rem; text-align: left; vertical-align: top; }}
th {{ font-weight: bold; }}
thead {{ display: table-header-group; }}
tr {{ break-inside: avoid; }}
caption, thead, thead tr {{ break-after: avoid; }}
tbody tr:first-child {{ break-before: avoid; }}
td.n, th.n {{ text-align: right; }}
thead th {{ overflow-wrap: normal; vertical-align: bottom; }}
thead th.any {{ overflow-wrap: anywhere; }}
.readings {{ font-size: .86em; }}
td.n {{ font-variant-numeric: tabular-nums; white-space: nowrap; }}
td.word {{ white-space: nowrap; }}
td.n.any {{ white-space: normal; }}
td.fill {{ min-width: 4rem; }}
.box {{ display: inline-block; width: 1.05em; height: 1.05em; border: 2px solid {INK}; vertical-align: -.18em; }}
.todo {{ font-size: 1.15rem; }}
.todo tbody th {{ border-left-width: 4px; font-size: 1.15em; min-width: 5.4rem; }}
.todo .do {{ font-weight: bold; }}
.todo td.fill {{ height: 1.9rem; }}
.todo th.n {{ width: 6.3rem; }}
.todo thead th {{ font-size: .8em; }}
.lines {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(14rem, 1fr)); gap: .35rem 1.5rem;
  break-inside: avoid; }}
.lines div {{ display: flex; gap: .5rem; align-items: flex-end; min-height: 1.9rem; }}
.lines div > span {{ flex: 1 1 auto; min-width: 4rem; border-bottom: 1px solid {INK}; min-height: 1.35rem; }}
.lines.wide {{ grid-template-columns: 1fr; }}
.sign td.fill {{ height: 1.75rem; }}
.sign td.fill {{ min-width: 7rem; }}
.sign tbody th {{ font-weight: normal; }}
.figures {{ display: flex; flex-wrap: wrap; gap: .4rem; align-items: flex-start; }}
.figures svg {{ flex: 0 0 auto; max-width: 100%; height: auto; break-inside: avoid; }}
.figures > div {{ margin-right: .8rem; }}
.row > figure {{ display: inline-block; vertical-align: top; max-width: 100%; margin-right: .4rem; }}
.row h3 {{ width: 0; min-width: 100%; }}
figure {{ margin: .5rem 0; break-inside: avoid; }}
figcaption {{ font-size: .9rem; color: {SOFT_INK}; margin: .2rem 0; }}
.together {{ break-inside: avoid; }}
.first {{ margin: .35rem 0; }}
.first ul {{ margin: 0; }}
td.fill .sense {{ display: block; text-align: right; color: {SOFT_INK}; padding-top: .9rem; font-size: .62em; }}
@media screen and (max-width: 40rem) {{
  body {{ padding: .8rem; }}
  table.stack, .stack tbody, .stack tr, .stack td, .stack th {{ display: block; border: 0; }}
  .stack thead {{ position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }}
  .stack tr {{ border: 1px solid #767676; margin: 0 0 .5rem; padding: .3rem .5rem; }}
  .stack td, .stack th {{ display: flex; justify-content: space-between; gap: 1rem; text-align: left;
    padding: .1rem 0; }}
  .stack td::before, .stack th::before {{ content: attr(data-label); color: {SOFT_INK}; font-weight: normal;
    white-space: normal; }}
  .stack td.fill::after {{ content: ""; flex: 0 0 8rem; border-bottom: 1px solid {INK}; }}
  .todo tbody th {{ border: 0; }}
}}
@media print {{
  :root {{ font-size: 10pt; }}
  body {{ padding: 0 1px; max-width: none; line-height: 1.3; }}
  h2 {{ margin-top: 1.1rem; }}
  h2.page {{ break-before: page; }}
  li {{ margin: .1rem 0; }}
  .todo {{ font-size: 11.5pt; }}
  .todo td.fill {{ height: 9mm; }}
}}
@page {{ margin: 13mm 12mm; }}
"""


_FOOT = "font: 8pt 'Liberation Sans', Arial, sans-serif;"
_WHOLE_ROWS = 16
_LONGEST_FOOT = 110  # characters that stay on one line


class Html(str):
    """Text that is HTML already."""

    __slots__ = ()


def plain(text: object) -> str:
    """Return text on one line; characters that show nothing or turn the writing direction become U+FFFD."""
    line = _BLANKS.sub(" ", str(text))
    return "".join("\ufffd" if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn") else c for c in line)


def esc(text: object) -> Html:
    """Return text escaped for element content and for attributes in quotation marks; Html stays as it is."""
    return text if isinstance(text, Html) else Html(html.escape(plain(text), quote=True))


def tag(name: str, *content: object, cls: str = "") -> Html:
    """Return an element with escaped content."""
    attribute = f' class="{esc(cls)}"' if cls else ""
    return Html(f"<{name}{attribute}>{''.join(map(esc, content))}</{name}>")


def breakable(name: str) -> Html:
    """Return a name that may be broken after its underscores and full stops."""
    return Html(re.sub(r"([_.])(?=.)", r"\1<wbr>", esc(name)))


def join(parts: Iterable[object], between: str = "") -> Html:
    """Return parts, escaped, one after the other."""
    return Html(esc(between).join(map(esc, parts)) if between else "".join(map(esc, parts)))


def bullets(items: Iterable[object]) -> Html:
    """Return a list."""
    return tag("ul", *(tag("li", item) for item in items))


def check_boxes(items: Iterable[object]) -> Html:
    """Return a list with a box to tick before each item."""
    box = Html('<span class="box"></span> ')
    style = 'style="list-style:none;padding-left:.2rem"'
    return Html(f"<ul {style}>" + join(tag("li", box, item) for item in items) + "</ul>")


def blank_lines(labels: Iterable[object], wide: bool = False) -> Html:
    """Return labels with a line beside each to write on; `wide` lines take the whole width."""
    lines = (Html(f"<div>{esc(label)}<span></span></div>") for label in labels)
    return tag("div", *lines, cls="lines wide" if wide else "lines")


def table(
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    kinds: str = "",
    caption: str = "",
    cls: str = "",
    first_is_heading: bool = True,
) -> Html:
    """Return a table; on a narrow screen each row becomes a block with its headings beside the cells.

    `kinds` gives a letter a column: t text, n number, b number under a name that may be
    long, f a field to fill in, d what to do, w a word not to be broken.
    """
    kinds = kinds or "t" * len(headings)
    classes = {
        "t": "",
        "n": ' class="n"',
        "b": ' class="n any"',
        "f": ' class="fill"',
        "d": ' class="do"',
        "w": ' class="word"',
    }
    marks = [classes[k] for k in kinds]
    head = "".join(f'<th scope="col"{m}>{esc(h)}</th>' for h, m in zip(headings, marks, strict=True))
    body = []
    for row in rows:
        cells = []
        for i, (heading, cell, mark) in enumerate(zip(headings, row, marks, strict=True)):
            name, scope = ("th", ' scope="row"') if i == 0 and first_is_heading else ("td", "")
            cells.append(f'<{name}{scope}{mark} data-label="{esc(heading)}"><span>{esc(cell)}</span></{name}>')
        body.append(f"<tr>{''.join(cells)}</tr>")
    top = f"<caption>{esc(caption)}</caption>" if caption else ""
    return Html(
        f'<table class="{esc(("stack " + cls).strip())}">{top}<thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table>"
    )


def whole(content: Html, rows: int) -> Html:
    """Return a table with what belongs to it, kept on one sheet if its `rows` are few enough for that."""
    return tag("div", content, cls="together") if rows <= _WHOLE_ROWS else content


def page(title: str, body: Iterable[object], style: str = "", running: str = "", script: str = "") -> str:
    """Return a whole page. `style` is added to the common styles; `script` is the only one allowed to run.

    `running` (the title if not given) stands at the foot of every printed sheet, beside the
    number of the sheet, in browsers that print margin boxes (CSS Paged Media, level 3).
    """
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    if script:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        policy += f"; script-src 'sha256-{digest}'"
    number = 'counter(page) " / " counter(pages)'
    foot = (
        f"@page {{ @bottom-left {{ {_FOOT} content: {_css_string(running or title)}; }}"
        f" @bottom-right {{ {_FOOT} content: {number}; }} }}"
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{esc(title)}</title>\n<style>{_STYLE}{style}{foot}\n</style>\n</head>\n<body>\n"
        + "\n".join(map(esc, body))
        + (f"\n<script>{script}</script>" if script else "")
        + "\n</body>\n</html>\n"
    )


def _css_string(text: str) -> str:
    """Return text as a CSS string in which every character that could end it is written by its number."""
    line = plain(text)
    line = line if len(line) <= _LONGEST_FOOT else line[: _LONGEST_FOOT - 1] + "…"
    return '"' + "".join(c if c.isalnum() or c == " " else f"\\{ord(c):x} " for c in line) + '"'
