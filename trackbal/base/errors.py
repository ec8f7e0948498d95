"""The errors trackbal raises, each one line that a person can act on."""

from __future__ import annotations

import json
import re
from os import PathLike, fspath


class TrackbalError(ValueError):
    """Base of every error that trackbal raises on purpose."""


class AnswerLost(TrackbalError):
    """What was asked for is done and on record, but the answer could not be printed."""


class State(str):
    """What is the case, in words of ours: said in an error without the quotation marks of what somebody wrote."""

    __slots__ = ()


class InputError(TrackbalError):
    """Something handed in cannot be used: a file, a cell of it, or an option.

    Parameters
    ----------
    source : str or path
        The file (or other source) at fault.
    found : object
        What stands there. Text is quoted, unless it is a `State`; anything long is cut.
    expected : str
        What would be accepted, and, where it helps, the next step.
    row : int, optional
        Line of the file, counted from 1 with the header as line 1.
    column : str, optional
        Column heading, or the key of a TOML or JSON file.

    Attributes
    ----------
    what : str
        What was found and expected, without the place.
    """

    def __init__(
        self,
        source: str | PathLike[str],
        found: object,
        expected: str,
        *,
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        place = [_one_line(fspath(source), 200)]
        if row is not None:
            place.append(f"row {row}")
        if column is not None:
            place.append(f"column {_one_line(column, 80)}")
        quoted = isinstance(found, str) and not isinstance(found, State)
        shown = f"'{_one_line(str(found), 60)}'" if quoted else _one_line(str(found), 100)
        self.what = f"found {shown}, expected {expected}"
        super().__init__(f"{', '.join(place)}: {self.what}")
        self.source = fspath(source)
        self.row = row
        self.column = column


class FileExists(TrackbalError):
    """An output file exists already and may not be overwritten."""


_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb"
    "\ud800-\udfff\U000e0000-\U000e007f]"
)


def visible(text: str) -> str:
    r"""Return text in which nothing acts on a terminal unseen: control characters as ``\x1b``; lines and tabs stay.

    Also marks that turn the direction of writing, that have no width, and halves of characters.
    """
    return _UNSEEN.sub(lambda c: ascii(c[0])[1:-1], text)


def visible_json(text: str) -> str:
    r"""Return JSON in which the same characters are written as ``\u009b``: it says the same."""
    return _UNSEEN.sub(lambda c: json.dumps(c[0])[1:-1], text)


def _one_line(text: str, longest: int) -> str:
    """Return text on one line, control characters escaped, cut to a length."""
    clean = "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"
