"""Plain text for a terminal of 100 characters: wrapped lines, aligned tables."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

WIDTH = 100
LONGEST_NAME = 24


def paragraphs(blocks: Iterable[str]) -> str:
    """Return the blocks that are not empty, a blank line between them."""
    return "\n\n".join(block for block in blocks if block)


def wrap(text: str, lead: str = "", hang: int | None = None) -> str:
    """Return text broken to the width; `lead` begins it, and later lines are indented as far, or by `hang`.

    Control characters, which a note may hold, become question marks.
    """
    clean = "".join(c if c.isprintable() or c.isspace() else "?" for c in text)
    return textwrap.fill(
        clean, WIDTH, initial_indent=lead, subsequent_indent=" " * (len(lead) if hang is None else hang)
    )


def cut(name: str, longest: int = LONGEST_NAME) -> str:
    """Return a name cut to a length."""
    return name if len(name) <= longest else name[: longest - 1] + "…"


def count(number: int, noun: str) -> str:
    """Return "1 run" or "2 runs"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def table(
    rows: Sequence[Sequence[str]], *, left: int | None = None, sides: str = "", lead: str = "  ", gap: str = "  "
) -> str:
    """Return rows as aligned columns.

    Parameters
    ----------
    rows : sequence of sequence of str
        All of the same length, at least one.
    left : int, optional
        How many columns, from the first, are flush left; the others are flush right.
    sides : str
        Instead of `left`: "<" for each column that is flush left, ">" for flush right.
    lead, gap : str
        What begins a line, and what stands between columns.
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    sides = sides or "<" * (left or 0) + ">" * (len(widths) - (left or 0))
    cells = [[f"{c:{side}{w}}" for c, side, w in zip(row, sides, widths, strict=True)] for row in rows]
    return "\n".join((lead + gap.join(row)).rstrip() for row in cells)


def across(first: Sequence[str], columns: Sequence[Sequence[str]], *, left: int = 1) -> str:
    """Return columns beside a first one, broken into several tables where they do not fit the width.

    The first `left` columns of each table are flush left.
    """
    lead = max(map(len, first))
    groups, now, room = [], [list(first)], WIDTH - 2 - lead
    for column in columns:
        width = max(map(len, column)) + 2
        if width > room and len(now) > 1:
            groups.append(now)
            now, room = [list(first)], WIDTH - 2 - lead
        now.append(list(column))
        room -= width
    groups.append(now)
    return "\n\n".join(table(list(zip(*group, strict=True)), left=left) for group in groups)
