"""Plain text as wide as the terminal: wrapped lines, aligned tables, numbers in words."""

from __future__ import annotations

import math
import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence

from trackbal.base.errors import visible

WIDTH = 80  # where the output is no terminal; a terminal's own width counts from NARROWEST to WIDEST
NARROWEST, WIDEST = 40, 100
LONGEST_NAME, SHORTEST_NAME = 24, 8


def width() -> int:
    """Return how many characters a line may have: the terminal's, or 80 where the output is none."""
    if not sys.stdout.isatty():
        return WIDTH
    return min(max(shutil.get_terminal_size((WIDTH, 24)).columns, NARROWEST), WIDEST)


def times_words(ratio: float) -> str:
    """Return a reading over its limit, as people write it: "1.84", "37", "1900", never 1.9e+03; "million" beyond."""
    if ratio < 10.0:
        return f"{ratio:.2f}"
    return f"{float(f'{ratio:.2g}'):.0f}" if ratio < 1e6 else "million"


def paragraphs(blocks: Iterable[str]) -> str:
    """Return the blocks that are not empty, a blank line between them."""
    return "\n\n".join(block for block in blocks if block)


def wrap(text: str, lead: str = "", hang: int | None = None) -> str:
    """Return text broken to the width; `lead` begins it, and later lines are indented as far, or by `hang`.

    Control characters, which a note may hold, are shown as what they are.
    """
    clean = visible(text)
    hang = len(lead) if hang is None else hang
    return textwrap.fill(
        clean,
        width(),
        initial_indent=lead,
        subsequent_indent=" " * (hang if hang < width() // 3 else 0),
        break_on_hyphens=False,
        break_long_words=False,
    )


def listed(title: str, lines: Sequence[str]) -> str:
    """Return lines as a list below a title; nothing if there are none."""
    return "\n".join([title, *(wrap(line, "- ") for line in lines)]) if lines else ""


def cut(name: str, longest: int = LONGEST_NAME) -> str:
    """Return a name cut to a length."""
    return name if len(name) <= longest else name[: longest - 1] + "…"


def count(number: int, noun: str) -> str:
    """Return "1 run" or "2 runs"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def decimals(limit: float) -> int:
    """Return how many decimals show a reading to about half a per cent of its limit."""
    return min(max(2 - math.floor(math.log10(limit)), 0), 6) if 0.0 < limit < math.inf else 3


def number_words(value: float, limit: float) -> str:
    """Return a reading with as many decimals as show it to about half a per cent of its limit."""
    text = f"{value:.{decimals(limit)}f}"
    return text if len(text) <= 8 else f"{value:.4g}"


def table(
    rows: Sequence[Sequence[str]],
    *,
    left_aligned: int | None = None,
    sides: str = "",
    lead: str = "  ",
    gap: str = "  ",
    names: int = 0,
) -> str:
    """Return rows as aligned columns.

    Parameters
    ----------
    rows : sequence of sequence of str
        All of the same length, at least one.
    left_aligned : int, optional
        How many columns, from the first, are flush left; the others are flush right.
    sides : str
        Instead of `left_aligned`: "<" for each column that is flush left, ">" for flush right.
    lead, gap : str
        What begins a line, and what stands between columns.
    names : int
        How many columns, from the first, hold names, which are cut where the lines would not fit the width.
    """
    rows = _with_names_cut(rows, names, width() - len(lead), len(gap)) if names else rows
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    sides = sides or ("<" * (left_aligned or 0)).ljust(len(widths), ">")[: len(widths)]
    cells = [[f"{c:{side}{w}}" for c, side, w in zip(row, sides, widths, strict=True)] for row in rows]
    return "\n".join((lead + gap.join(row)).rstrip() for row in cells)


def _with_names_cut(rows: Sequence[Sequence[str]], names: int, room: int, gap: int) -> list[list[str]]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    room -= sum(widths[names:]) + gap * (len(widths) - 1)
    longest = LONGEST_NAME
    while longest > SHORTEST_NAME and sum(min(w, longest) for w in widths[:names]) > room:
        longest -= 1
    columns = [_cut_apart([row[k] for row in rows], longest) for k in range(names)]
    return [[*named, *row[names:]] for named, row in zip(zip(*columns, strict=True), rows, strict=True)]


def _cut_apart(names: Sequence[str], longest: int) -> list[str]:
    """Return names cut to a length, in their middle where names that differ would else read alike."""
    cuts = [cut(name, longest) for name in names]
    if len(set(cuts)) == len(set(names)):
        return cuts
    tail = (longest - 1) // 2
    return [name if len(name) <= longest else f"{name[: longest - 1 - tail]}…{name[-tail:]}" for name in names]


def across(first: Sequence[str], columns: Sequence[Sequence[str]], *, left_aligned: int = 1) -> str:
    """Return columns beside a first one, broken into several tables where they do not fit the width.

    The first `left_aligned` columns of each table are flush left.
    """
    lead = max(map(len, first))
    groups, now, room = [], [list(first)], width() - 2 - lead
    for column in columns:
        needed = max(map(len, column)) + 2
        if needed > room and len(now) > 1:
            groups.append(now)
            now, room = [list(first)], width() - 2 - lead
        now.append(list(column))
        room -= needed
    groups.append(now)
    return "\n\n".join(table(list(zip(*group, strict=True)), left_aligned=left_aligned) for group in groups)


def screens(text: str, room: int) -> list[str]:
    """Return text broken into screens of at most `room` lines, at an empty line where one stands in the second half."""
    lines, found = text.split("\n"), []
    while len(lines) > room:
        ends = [i for i in range(room // 2, room + 1) if not lines[i].strip()]
        end = ends[-1] if ends else room
        found.append("\n".join(lines[:end]))
        lines = lines[end:]
        while lines and not lines[0].strip():
            lines.pop(0)
    return [*found, "\n".join(lines)] if lines or not found else found
