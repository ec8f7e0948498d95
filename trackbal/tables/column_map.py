"""The map that says what a table's columns and labels stand for: MAP.toml, in, and a draft of one, out."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from os import PathLike
from typing import Any, Literal

from trackbal.base.errors import InputError
from trackbal.base.toml_table import Table
from trackbal.runs.rotor import Rotor
from trackbal.tables.raw_table import RawTable
from trackbal.tables.spellings import plain, unit_of

Kind = Literal["run", "history", "adjustments", "history_adjustments", "settings"]
KINDS: tuple[Kind, ...] = ("run", "history", "adjustments", "history_adjustments", "settings")
LABELS = ("regimes", "sensors", "blades", "adjusters", "units")
_KEYS = (
    "kind", "layout", "sheet", "header", "separator", "encoding", "decimal", "date_format", "missing_phase", "skip",
    "not_read", "info", "ignore", "number_runs", "columns", "constants", *LABELS,
)  # fmt: skip


@dataclass(frozen=True)
class ColumnMap:
    """What a table's columns and labels stand for.

    Parameters
    ----------
    kind : str
        Which sheet it becomes.
    layout : {"wide", "long"}
        A column a reading, or a row a reading.
    columns : dict
        Heading of ours -> headings of the table; several are joined by a blank.
    constants : dict
        Heading of ours -> the same text in all rows.
    labels : dict
        "regimes", "sensors", "blades", "adjusters", "units" -> label of the table -> ours.
    header : int or None
        Line of the headings; None: the first line that holds all of them.
    skip : tuple of str
        Rows in which a cell begins so are passed over.
    not_read : tuple of str
        Spellings of a cell that was not read, beside the usual ones.
    missing_phase : {"error", "not_read"}
        What an amplitude without its phase is.
    info, ignore : tuple of str
        Columns kept as info.<heading>; columns passed over.
    number_runs : bool
        Runs of a job are numbered in the order in which they stand.
    date_format : str
        As Python's strptime reads it; "" for ISO 8601.
    """

    kind: Kind
    columns: dict[str, tuple[str, ...]]
    layout: str = "wide"
    constants: dict[str, str] = field(default_factory=dict)
    labels: dict[str, dict[str, str]] = field(default_factory=dict)
    header: int | None = None
    skip: tuple[str, ...] = ()
    not_read: tuple[str, ...] = ()
    missing_phase: str = "error"
    info: tuple[str, ...] = ()
    ignore: tuple[str, ...] = ()
    number_runs: bool = False
    date_format: str = ""
    reading: dict[str, str | None] = field(default_factory=dict)  # sheet, separator, encoding, decimal

    @classmethod
    def load(cls, file: str | PathLike[str]) -> ColumnMap:
        """Read a map. Raises InputError naming file and key."""
        import tomllib

        from trackbal.base.files import read_text

        text = read_text(file, "a TOML file that can be read")
        Table.parse(text, file)  # says in one line what is no TOML
        return cls.of_values(tomllib.loads(text), file)

    @classmethod
    def of_values(cls, values: dict[str, Any], source: str | PathLike[str]) -> ColumnMap:
        """Return the map of a TOML file's values. Raises InputError naming file and key."""
        for key in values:
            if key not in _KEYS:
                near = difflib.get_close_matches(key, _KEYS, n=1)
                hint = f"; did you mean {near[0]}?" if near else ""
                raise InputError(source, key, f"a key of a column map{hint}", column=key)
        columns = {}
        for ours, theirs in _table(values, "columns", source).items():
            listed = theirs if isinstance(theirs, list) else [theirs]
            columns[ours] = tuple(_text_of(t, source, f"columns.{ours}") for t in listed)
        header = values.get("header")
        if header is not None and (not isinstance(header, int) or isinstance(header, bool) or header < 1):
            raise InputError(source, header, "the line of the headings, from 1", column="header")
        return cls(
            kind=_choice(values, "kind", KINDS, source),
            columns=columns,
            layout=_choice(values, "layout", ("wide", "long"), source, "wide"),
            constants={k: str(v) for k, v in _table(values, "constants", source).items()},
            labels={
                name: {t: _text_of(o, source, f"{name}.{t}") for t, o in _table(values, name, source).items()}
                for name in LABELS
            },
            header=header,
            skip=_texts(values, "skip", source),
            not_read=_texts(values, "not_read", source),
            missing_phase=_choice(values, "missing_phase", ("error", "not_read"), source, "error"),
            info=_texts(values, "info", source),
            ignore=_texts(values, "ignore", source),
            number_runs=bool(values.get("number_runs", False)),
            date_format=str(values.get("date_format", "")),
            reading={k: values.get(k) for k in ("sheet", "separator", "encoding", "decimal")},
        )

    @property
    def headings(self) -> tuple[str, ...]:
        """The table's headings that the map names, each once."""
        named = (*(t for theirs in self.columns.values() for t in theirs), *self.info, *self.ignore)
        return tuple(dict.fromkeys(named))


def _table(values: dict[str, Any], key: str, source: str | PathLike[str]) -> dict[str, Any]:
    table = values.get(key, {})
    if not isinstance(table, dict):
        raise InputError(source, table, f"a table [{key}]", column=key)
    return table


def _text_of(value: object, source: str | PathLike[str], key: str) -> str:
    if not isinstance(value, str) or not value:
        raise InputError(source, value, "a text", column=key)
    return value


def _texts(values: dict[str, Any], key: str, source: str | PathLike[str]) -> tuple[str, ...]:
    listed = values.get(key, [])
    if not isinstance(listed, list):
        raise InputError(source, listed, "a list of texts", column=key)
    return tuple(_text_of(text, source, key) for text in listed)


def _choice(
    values: dict[str, Any], key: str, choices: Sequence[str], source: str | PathLike[str], default: str | None = None
) -> Any:
    value = values.get(key, default)
    if value not in choices:
        raise InputError(source, value or "nothing", f"one of {', '.join(choices)}", column=key)
    return value


# ------------------------------------------------------------------------------ a draft

_WORDS = {
    "job": ("job", "order", "work order", "task"),
    "run": ("run", "flight", "run no", "run number"),
    "aircraft": ("aircraft", "tail", "registration", "airframe", "serial"),
    "date": ("date", "day", "datum"),
    "regime": ("regime", "condition", "test point", "state", "flight condition"),
    "rpm": ("rpm", "rotor speed", "nr rpm"),
    "note": ("note", "remark", "remarks", "comment", "comments"),
    "after_run": ("after run", "after", "run"),
    "blade": ("blade",),
    "adjuster": ("adjuster", "adjustment", "item", "what"),
    "amount": ("amount", "change", "value"),
    "setting": ("setting", "installed", "now"),
    "sensor": ("sensor", "channel", "pick-up", "pickup", "position"),
    "amp": ("amp", "amplitude", "ampl", "vibration", "vib", "level"),
    "deg": ("deg", "phase", "ph", "angle"),
    "unit": ("unit", "units"),
}
_OF_KIND: dict[Kind, tuple[str, ...]] = {
    "run": ("regime", "rpm", "note"),
    "history": ("job", "run", "aircraft", "date", "regime", "rpm", "note"),
    "adjustments": ("blade", "adjuster", "amount"),
    "history_adjustments": ("job", "after_run", "blade", "adjuster", "amount"),
    "settings": ("blade", "adjuster", "setting"),
}
_CLOSE = 0.74


def draft(rotor: Rotor, table: RawTable, kind: Kind) -> str:
    """Return a map to begin with, drafted from a table's headings and labels, for a person to check.

    Headings that look like none of ours stand in `ignore`.
    """
    at = _header_row(table)
    headings = [cell for cell in table.cells[at] if cell]
    wanted = _wanted(rotor, kind)
    matched: dict[str, str] = {}
    for score, ours, theirs in sorted(
        ((_score(names, h), ours, h) for ours, names in wanted.items() for h in headings), key=lambda m: -m[0]
    ):
        if score >= _CLOSE and ours not in matched and theirs not in matched.values():
            matched[ours] = theirs
    unmatched = [h for h in dict.fromkeys(headings) if h not in matched.values()]
    lines = ["# A draft: look at every line.", f'kind = "{kind}"', 'layout = "wide"  # or "long": a row a reading']
    lines += [f"header = {at + 1}", f'decimal = "{table.decimal}"', 'missing_phase = "error"  # or "not_read"']
    lines += [f"ignore = {json.dumps(unmatched, ensure_ascii=False)}  # looks like none of ours", "", "[columns]"]
    lines += [f"{_quoted(_with_unit(o, matched[o]))} = {_quoted(matched[o])}" for o in wanted if o in matched]
    lines += [f'# {_quoted(o)} = "..."' for o in wanted if o not in matched]
    lines += _draft_labels(rotor, table, at, matched)
    return "\n".join(lines) + "\n"


def _header_row(table: RawTable) -> int:
    """Return the first row with most cells that are texts."""
    words = [sum(bool(re.search(r"[^\W\d]", cell)) for cell in row) for row in table.cells[:50]]
    return words.index(max(words))


def _wanted(rotor: Rotor, kind: Kind) -> dict[str, tuple[str, ...]]:
    wanted = {name: _WORDS[name] for name in _OF_KIND[kind]}
    if kind in ("run", "history"):
        for sensor in rotor.sensors:
            for part in ("amp", "deg"):
                wanted[f"{sensor.name}.{part}"] = tuple(f"{sensor.name} {word}" for word in _WORDS[part])
            wanted[f"{sensor.name}.amp"] += (sensor.name,)
        for blade in rotor.blades:
            wanted[f"height.{blade}"] = tuple(f"{word} {blade}" for word in ("height", "tip", "track", "blade"))
    return wanted


def _score(names: Sequence[str], heading: str) -> float:
    bare = plain(re.sub(r"[\[(][^\])]*[\])]", "", heading)) or plain(heading)
    best = 0.0
    for name in names:
        ours = plain(name)
        if re.findall(r"\d+", ours) == re.findall(r"\d+", bare):
            best = max(best, difflib.SequenceMatcher(None, ours, bare).ratio())
    return best


def _with_unit(ours: str, theirs: str) -> str:
    found = re.search(r"[\[(]([^\])]*)[\])]", theirs)
    unit = unit_of(found[1], {}) if found else None
    return f"{ours} [{unit}]" if unit and unit != "deg" and ours.partition(".")[2] not in ("", "deg") else ours


def _draft_labels(rotor: Rotor, table: RawTable, at: int, matched: dict[str, str]) -> list[str]:
    lines = []
    for column, section, names in (
        ("regime", "regimes", [r.name for r in rotor.regimes]),
        ("adjuster", "adjusters", [a.name for a in rotor.adjusters]),
        ("blade", "blades", list(rotor.blades)),
    ):
        if column not in matched:
            continue
        place = table.cells[at].index(matched[column])
        labels = dict.fromkeys(row[place] for row in table.cells[at + 1 :] if row[place])
        by_plain = {plain(name): name for name in names}
        others = [label for label in labels if plain(label) not in by_plain][:30]
        if others:
            lines += ["", f"[{section}]  # label of the table = ours"]
        for label in others:
            near = difflib.get_close_matches(plain(label), by_plain, n=1, cutoff=0.5)
            lines.append(f"{'' if near else '# '}{_quoted(label)} = {_quoted(by_plain[near[0]] if near else '...')}")
    return lines


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
