"""Plain text for a terminal of 100 characters: wrapped lines, aligned tables."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

WIDTH = 100
LONGEST_NAME = 24


def paragraphs(blocks: Iterable[str]) -> str:
    """Return the blocks that are not empty, a blank line between them."""
    return "\n\n".join(block for block in blocks if block)


def wrap(text: str, lead: str = "") -> str:
    """Return text broken to the width; `lead` begins it, and later lines are indented as far.

    Control characters, which a note may hold, become question marks.
    """
    clean = "".join(c if c.isprintable() or c.isspace() else "?" for c in text)
    return textwrap.fill(clean, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead))


def cut(name: str, longest: int = LONGEST_NAME) -> str:
    """Return a name cut to a length."""
    return name if len(name) <= longest else name[: longest - 1] + "…"


def count(number: int, noun: str) -> str:
    """Return "1 run" or "2 runs"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def table(rows: Sequence[Sequence[str]], *, left: int, last_left: bool = False) -> str:
    """Return rows as aligned columns, the first `left` of them flush left, indented by two."""
    last = len(rows[0]) - 1
    widths = [max(len(row[i]) for row in rows) for i in range(last + 1)]
    lines = []
    for row in rows:
        flush = [i < left or (last_left and i == last) for i in range(last + 1)]
        cells = [c.ljust(w) if f else c.rjust(w) for c, w, f in zip(row, widths, flush, strict=True)]
        lines.append(("  " + "  ".join(cells)).rstrip())
    return "\n".join(lines)


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
