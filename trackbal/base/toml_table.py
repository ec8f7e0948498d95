"""Strict reading of TOML tables: every key accounted for, every error names its key."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Sequence
from os import PathLike
from typing import Any

from trackbal.base.checks import Checks
from trackbal.base.errors import InputError
from trackbal.base.files import read_text

_REQUIRED: Any = object()


_PLACE = re.compile(r"\(at line (\d+), column \d+\)")
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]")
_KEY = re.compile(r"\s*\"?([\w.-]+)\"?\s*=")


def _line_of(text: str, path: str) -> int | None:
    """Return the line on which a key stands, else that of its table; None if neither is found.

    Parameters
    ----------
    path : str
        As in messages: "limits.vibration", "sensors[2].unit".
    """
    table, line_of_table, times = "", None, dict[str, int]()
    for number, line in enumerate(text.splitlines(), 1):
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            table = header[2]
            if header[1] == "[[":
                times[table] = times.get(table, 0) + 1
                table = f"{table}[{times[table]}]"
            if path == table or path.startswith(f"{table}."):
                line_of_table = number
        elif key and path == (f"{table}.{key[1]}" if table else key[1]):
            return number
    return line_of_table


class Table(Checks):
    """One TOML table, from which keys are taken one by one and none may be left over.

    Errors raised are InputError, naming the file and the key's full path.
    """

    def __init__(self, values: dict[str, Any], source: str | PathLike[str], path: str = "", text: str = "") -> None:
        """Hold the values of a table; `path` is its own key with a dot at the end, `text` the file's, for messages."""
        super().__init__(source)
        self._values = values
        self._text = text
        self._path = path
        self._known: list[str] = []

    @classmethod
    def load(cls, file: str | PathLike[str]) -> Table:
        """Read a TOML file. Raises InputError if it cannot be read or is not TOML."""
        return cls.parse(read_text(file, "a TOML file that can be read"), file)

    @classmethod
    def parse(cls, text: str, source: str | PathLike[str]) -> Table:
        """Read TOML text; `source` names it in messages. Raises InputError if it is not TOML."""
        try:
            return cls(tomllib.loads(text), source, text=text)
        except (ValueError, RecursionError) as error:  # ValueError: also a whole number of thousands of digits
            place = _PLACE.search(str(error))
            line = int(place[1]) if place else None
            written = text.splitlines()[line - 1].strip() if line and line <= text.count("\n") + 1 else ""
            found = f"{written} ({_PLACE.sub('', str(error)).strip()})" if written else str(error)
            raise InputError(source, found, "valid TOML", row=line) from None

    def error(self, key: str, found: object, expected: str) -> InputError:
        """Return the InputError for a key of this table."""
        path = self._path + key
        return InputError(self.source, found, expected, row=_line_of(self._text, path), column=path)

    def has(self, key: str) -> bool:
        """Return whether a key is given, and count it as known."""
        self._known.append(key)
        return key in self._values

    def _take(self, key: str, expected: str, default: Any) -> Any:
        if self.has(key):
            return self._values[key]
        if default is _REQUIRED:
            raise self.error(key, "nothing", expected)
        return default

    def text(self, key: str, default: Any = _REQUIRED) -> Any:
        """Return a non-empty text, printable and without blanks at its ends.

        Raises
        ------
        InputError
            If it is missing without a default, or is no such text.
        """
        value = self._take(key, "a text", default)
        if key in self._values and not _is_name(value):
            raise self.error(key, value, "a text of printable characters, no blanks at its ends")
        return value

    def one_of(self, key: str, choices: Sequence[str], default: Any = _REQUIRED) -> Any:
        """Return a text that is one of the choices.

        Raises
        ------
        InputError
            If it is missing without a default, or is none of the choices.
        """
        value = self._take(key, "one of " + ", ".join(choices), default)
        return self.checked_choice(value, key, choices) if key in self._values else value

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false.

        Raises
        ------
        InputError
            If it is neither.
        """
        value = self._take(key, "true or false", default)
        if not isinstance(value, bool):
            raise self.error(key, value, "true or false")
        return value

    def number(
        self,
        key: str,
        default: Any = _REQUIRED,
        *,
        above: float | None = None,
        least: float | None = None,
    ) -> Any:
        """Return a finite number, above or at least a bound if one is given.

        Raises
        ------
        InputError
            If it is missing without a default, is no finite number, or is out of bounds.
        """
        value = self._take(key, self.number_expected(above, least), default)
        return self.checked_number(value, key, above=above, least=least) if key in self._values else value

    def whole(self, key: str, default: Any = _REQUIRED, *, least: int = 1, most: int = 1000) -> Any:
        """Return a whole number from `least` to `most`.

        Raises
        ------
        InputError
            If it is missing without a default, is no whole number, or is out of bounds.
        """
        value = self._take(key, f"a whole number from {least} to {most}", default)
        return self.checked_whole(value, key, least=least, most=most) if key in self._values else value

    def texts(self, key: str, default: Any = _REQUIRED, *, choices: Sequence[str] | None = None) -> tuple[str, ...]:
        """Return a list of different texts, each one of the choices if any are given.

        Raises
        ------
        InputError
            If it is missing without a default, is empty, holds a text twice, or one that is no choice.
        """
        expected = "a list of different texts"
        if choices is not None:
            expected += " out of " + ", ".join(choices)
        value = self._take(key, expected, default)
        if key in self._values:
            if not isinstance(value, list) or not value or not all(_is_name(v) for v in value):
                raise self.error(key, value, expected)
            if len(set(value)) < len(value) or (choices is not None and not set(value) <= set(choices)):
                raise self.error(key, value, expected)
        return tuple(value)

    def numbers(self, key: str, count: int) -> tuple[float, ...] | None:
        """Return a list of `count` finite numbers, or None if the key is not given.

        Raises
        ------
        InputError
            If it is given and is no such list.
        """
        expected = f"a list of {count} numbers"
        value = self._take(key, expected, None)
        if value is None:
            return None
        if not isinstance(value, list) or len(value) != count:
            raise self.error(key, value, expected)
        for v in value:
            if isinstance(v, bool) or not isinstance(v, int | float) or not abs(v) < 1e300:
                raise self.error(key, v, expected)
        return tuple(float(v) for v in value)

    def table(self, key: str) -> Table:
        """Return a sub-table; an empty one if the key is not given.

        Raises
        ------
        InputError
            If it is given and is no table.
        """
        value = self._take(key, f"a table [{key}]", {})
        if not isinstance(value, dict):
            raise self.error(key, value, f"a table [{key}]")
        return Table(value, self.source, f"{self._path}{key}.", self._text)

    def tables(self, key: str) -> list[Table]:
        """Return the entries of an array of tables, at least one.

        Raises
        ------
        InputError
            If there is none, or one entry is no table.
        """
        expected = f"at least one [[{key}]] entry"
        value = self._take(key, expected, _REQUIRED)
        if not isinstance(value, list) or not value or not all(isinstance(v, dict) for v in value):
            raise self.error(key, value, expected)
        return [Table(v, self.source, f"{self._path}{key}[{i}].", self._text) for i, v in enumerate(value, 1)]

    def done(self) -> None:
        """Raise InputError if a key was given that nothing has asked for."""
        for key in self._values:
            if key not in self._known:
                near = difflib.get_close_matches(key, self._known, n=1)
                hint = f"; did you mean {near[0]}?" if near else ""
                raise self.error(key, key, f"one of {', '.join(dict.fromkeys(self._known))}{hint}")


def _is_name(value: object) -> bool:
    return isinstance(value, str) and value != "" and value == value.strip() and value.isprintable()
