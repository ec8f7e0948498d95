"""The file of a drill: its level, its seed, who plays, and every order, in JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass
from os import PathLike
from typing import Any

from trackbal.base.checks import Checks
from trackbal.base.errors import InputError
from trackbal.base.files import read_text, write_whole
from trackbal.drill.levels import level_of
from trackbal.drill.orders import Deed, Order
from trackbal.drill.play import Drill, begin, play
from trackbal.drill.scenario import draw
from trackbal.runs.rotor import Rotor

SCHEMA = 1
_DEEDS: tuple[Deed, ...] = ("adjust", "undo", "fly", "repeat", "inspect", "look", "release", "give up")


@dataclass(frozen=True)
class Record:
    """A drill as it stands in its file, played up to there."""

    name: str
    drill: Drill

    @classmethod
    def new(cls, level: int, seed: int, name: str) -> Record:
        """Return a drill at its start. Raises InputError for a level that is none."""
        return cls(name, begin(draw(level_of(level), seed)))

    @classmethod
    def load(cls, file: str | PathLike[str]) -> Record:
        """Return a drill from its file, played again order by order. Raises InputError."""
        document = _document(file)
        checks = Checks(file)
        level, seed = (checks.checked_whole(document.get(key), key, least=0) for key in ("level", "seed"))
        record = cls.new(level, seed, str(document.get("name", "")))
        orders = document.get("orders")
        if not isinstance(orders, list):
            raise checks.error("orders", orders, "a list")
        for i, order in enumerate(orders):
            play(record.drill, _order(checks, record.drill.rotor, f"orders[{i}]", order))
        return record

    def save(self, file: str | PathLike[str], *, force: bool = True) -> None:
        """Write the file whole. Raises InputError if it cannot be written, FileExists without `force`."""
        drill = self.drill
        head = {"schema_version": SCHEMA, "drill": "trackbal", "name": self.name}
        head |= {"level": drill.scenario.level.number, "seed": drill.scenario.seed}
        lines = [json.dumps(order.as_json(drill.rotor), ensure_ascii=False) for order in drill.orders]
        body = ",\n  ".join(lines)
        text = json.dumps(head, ensure_ascii=False)[:-1] + ', "orders": [' + (f"\n  {body}\n" if lines else "") + "]}\n"
        write_whole(file, text, force=force)


def _document(file: str | PathLike[str]) -> dict[str, Any]:
    text = read_text(file, "a drill's file that can be read")
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(file, str(error), "the JSON of a drill") from None
    if not isinstance(document, dict) or document.get("drill") != "trackbal":
        raise InputError(file, "another file", "a drill's file, as trackbal drill writes it")
    if document.get("schema_version") != SCHEMA:
        raise InputError(file, document.get("schema_version"), str(SCHEMA), column="schema_version")
    return document


def _order(checks: Checks, rotor: Rotor, place: str, found: Any) -> Order:
    if not isinstance(found, dict) or found.get("do") not in _DEEDS:
        raise checks.error(place, found, 'an order such as {"do": "fly"}')
    adjusters, blades = [a.name for a in rotor.adjusters], list(rotor.blades)
    name, blade, amount = found.get("adjuster"), found.get("blade"), found.get("amount")
    if name is not None:
        checks.checked_choice(name, f"{place}.adjuster", adjusters)
    if blade is not None:
        checks.checked_choice(blade, f"{place}.blade", blades)
    if amount is not None:
        checks.checked_number(amount, f"{place}.amount")
    return Order(
        found["do"],
        None if name is None else adjusters.index(name),
        None if blade is None else blades.index(blade),
        None if amount is None else float(amount),
        str(found.get("what", "")),
    )
