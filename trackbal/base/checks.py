"""What a value of a TOML or JSON file must be: one set of checks, whose every error names file and key."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from os import PathLike
from typing import Any

from trackbal.base.errors import InputError


class Checks:
    """The checks of one file.

    Parameters
    ----------
    source : path
        Named in messages.
    number_words : str
        What a number is called in messages.
    smallest, largest : float
        Sizes of a number that is not 0, exclusive: those beyond would underflow or overflow where it is used.
    """

    def __init__(
        self,
        source: str | PathLike[str],
        number_words: str = "a number",
        smallest: float = 1e-100,
        largest: float = 1e100,
    ) -> None:
        self.source = source
        self._number_words = number_words
        self._smallest, self._largest = smallest, largest

    def error(self, key: str, found: object, expected: str) -> InputError:
        """Return the InputError for a key; what was found is shown as JSON has it."""
        return InputError(self.source, shown(found), expected, column=key)

    def number_expected(self, above: float | None = None, least: float | None = None) -> str:
        """Return what is expected of a number, in words."""
        bounds = "" if above is None else f" above {above:g}"
        return self._number_words + bounds + ("" if least is None else f" of at least {least:g}")

    def checked_number(self, value: Any, key: str, *, above: float | None = None, least: float | None = None) -> float:
        """Return a finite number, above or at least a bound if one is given. Raises InputError if it is none."""
        expected = self.number_expected(above, least)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.error(key, value, expected)
        try:
            number = float(value)
        except OverflowError:
            raise self.error(key, "a number beyond floating point", expected) from None
        if math.isnan(number) or not (number == 0.0 or self._smallest < abs(number) < self._largest):
            raise self.error(key, value, expected)
        if (above is not None and number <= above) or (least is not None and number < least):
            raise self.error(key, value, expected)
        return number

    def checked_whole(self, value: Any, key: str, *, least: int, most: int | None = None) -> int:
        """Return a whole number in its bounds. Raises InputError if it is none."""
        bounds = f"from {least} to {most}" if most is not None else f"of at least {least}"
        whole = isinstance(value, int) and not isinstance(value, bool)
        if not whole or value < least or (most is not None and value > most):
            raise self.error(key, value, f"a whole number {bounds}")
        return int(value)

    def checked_choice(self, value: Any, key: str, choices: Sequence[str]) -> str:
        """Return a text that is one of the choices. Raises InputError if it is none."""
        if not isinstance(value, str) or value not in choices:
            raise self.error(key, value, "one of " + ", ".join(choices))
        return value


def shown(found: object) -> object:
    """Return a JSON value as text for a message."""
    if found is None:
        return "nothing"
    if isinstance(found, str):
        return found
    try:
        return json.dumps(found)[:200]
    except (RecursionError, ValueError):
        return "a value nested too deep to show"
