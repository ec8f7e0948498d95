"""Numbers, phases and units as people write them, as text that a strict sheet takes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from trackbal.base.phasor import HEIGHT_UNITS, PEAK_UNITS

#: Usual spellings of units -> ours.
UNITS = {
    **{unit: unit for unit in (*PEAK_UNITS, *HEIGHT_UNITS)},
    "in/s": "ips",
    "inch/s": "ips",
    "in/sec": "ips",
    "inch/sec": "ips",
    "mm/sec": "mm/s",
    "mms": "mm/s",
    "mmps": "mm/s",
    "mils": "mil",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "millimetre": "mm",
    "millimeter": "mm",
    "deg": "deg",
    "degrees": "deg",
    "degree": "deg",
    "°": "deg",
    "grad": "deg",
}
PER_MINUTE = ("1/min", "/min", "r/min", "u/min", "min1", "upm")  # of a rotor speed, beside rpm
NOT_READ = ("", "-", "--", "---", "–", "—", "n/a", "na", "n.a.", "nan", "none", "null", "not read", "n.r.", "#n/a")

_VALUE = re.compile(
    r"(?P<number>[+\-\u2212]?\s*(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(?P<unit>.*)"
)
_CLOCK = re.compile(r"(?P<hour>[0-9]{1,2})\s*(?:[:h]|\s+h\s*)\s*(?P<minute>[0-5][0-9])(?::00)?\s*(?:h|hrs?|o'?clock)?")
_WHOLE_HOURS = re.compile(r"(?P<hours>[0-9]{1,2}(?:[.,][0-9]+)?)\s*(?:h|hrs?|hours?|o'?clock)")
_PAIR = re.compile(r"\s*(?:[/@;|]|∠|<)\s*")


def split_value(text: str, decimal: str) -> tuple[str, str] | None:
    """Return a number as a sheet takes it and what stands behind it; None if it is no number.

    `decimal` is the sign before decimals; the other one is refused, as it may part thousands.
    """
    match = _VALUE.fullmatch(text.strip())
    if match is None:
        return None
    number = match["number"].replace("\u2212", "-").replace(" ", "")
    if ("." if decimal == "," else ",") in number or match["unit"][:1] in (".", ","):
        return None
    return number.replace(",", "."), match["unit"].strip()


def unit_of(text: str, more: dict[str, str]) -> str | None:
    """Return our name of a unit; None if it is not known."""
    if text in more:
        return more[text]
    bare = text.casefold().strip(" .()[]")
    if bare.endswith("rms"):
        peak = unit_of(bare[:-3], {})
        return f"{peak} rms" if peak in PEAK_UNITS else None
    return UNITS.get(bare) or UNITS.get(bare.replace(" ", ""))


def is_of_unit(text: str, decimal: str, unit: str, more: Mapping[str, str] = MappingProxyType({})) -> bool:
    """Return whether what stands behind a number is nothing, a unit (one or several), or what `more` says is it."""
    value = split_value(text, decimal)
    written = "" if value is None else value[1]
    if not written or more.get(written) == unit:
        return True
    bare, ours = (plain(u.strip("()[]")) for u in (written, unit))
    alike = UNITS.get(bare, bare) == UNITS.get(ours, ours) or bare.removesuffix("s") == ours.removesuffix("s")
    return alike or (unit == "rpm" and bare in PER_MINUTE)


def phase(text: str, decimal: str) -> str | None:
    """Return a phase as a sheet takes it: degrees, or hours of a clock face as 4:30; None if it is none."""
    bare = text.strip().casefold()
    if match := _CLOCK.fullmatch(bare):
        return f"{int(match['hour'])}:{match['minute']}" if int(match["hour"]) <= 12 else None
    if match := _WHOLE_HOURS.fullmatch(bare):
        number = split_value(match["hours"], decimal)
        if number is None or float(number[0]) > 12.0:
            return None
        minutes = round(60 * float(number[0]))
        return f"{minutes // 60}:{minutes % 60:02}"
    value = split_value(bare, decimal)
    if value is None or (value[1] and unit_of(value[1], {}) != "deg"):
        return None
    return value[0]


def split_pair(text: str) -> tuple[str, str] | None:
    """Return amplitude and phase of a cell that holds both, as 0.41 / 132 or 0.41@132°; None if it does not."""
    parts = _PAIR.split(text.strip())
    return (parts[0], parts[1]) if len(parts) == 2 and all(parts) else None


def plain(text: str) -> str:
    """Return a label for comparison: case, blanks, hyphens and underscores do not count."""
    return re.sub(r"[\s_\-.]+", "", text).casefold()
