"""influence.json read and checked: its text as arrays, ready for an Influence.

Beside the keys every reader knows, rows may carry ``mean_cov`` (vibration) or
``mean_var`` (heights): the part of ``cov`` or ``var`` that is the error of the type's
mean. Rows of two adjusters hold covariances: ``cov[i][j]`` of part i (re, im) of the
first with part j of the second. An entry of ``unidentified`` may be narrowed by
``"sensor": name`` or ``"height": true`` to that reading alone. ``departures`` says how an
aircraft's departures from its type go together (departures.py).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trackbal.base.checks import Checks, shown
from trackbal.base.covariance import PSD_TOLERANCE, is_positive
from trackbal.base.errors import InputError
from trackbal.base.files import read_text
from trackbal.influence.binding import Blind, compared, expected_of
from trackbal.influence.departures import Departures
from trackbal.influence.departures_file import read_departures
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import Complexes, Reals

Row = dict[str, Any]

LARGEST = 1e150  # numbers beyond this overflow when squared


@dataclass(frozen=True)
class Contents:
    """What an influence.json holds, key by key as Influence has it."""

    rotor_name: str
    alpha: Complexes
    tau: Reals
    vibration_cov: Reals
    height_cov: Reals
    vibration_noise: Reals
    height_noise: Reals
    unknown_vibration: NDArray[np.bool_]
    unknown_height: NDArray[np.bool_]
    mean_vibration_cov: Reals | None
    mean_height_cov: Reals | None
    departures: Departures | None
    source: dict[str, Any]
    made_for: dict[str, Any] | None
    differs: tuple[str, ...]
    blind: Blind | None


def read_contents(file: str | PathLike[str], rotor: Rotor) -> Contents:
    """Read influence.json for a rotor.

    A name of another rotor is kept, not refused.

    Raises
    ------
    InputError
        Naming the file and the key, what was found and what was expected.
    """
    return parse_contents(read_text(file, "an influence file that can be read"), file, rotor)


def parse_contents(text: str, source: str | PathLike[str], rotor: Rotor) -> Contents:
    """Read the text of an influence.json; `source` names it in messages. Raises InputError as `read_contents`."""
    try:
        document = json.loads(text, parse_constant=_no_constant, parse_float=_finite, object_pairs_hook=_each_once)
    except (ValueError, RecursionError) as error:
        raise InputError(source, str(error), "valid JSON") from None
    return _Reader(source, rotor, document).read()


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number JSON knows")


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        again = next(key for i, (key, _) in enumerate(pairs) if key in (k for k, _ in pairs[:i]))
        raise ValueError(f"{again!r} twice in one object")
    return found


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError(f"{digits[:40]} is beyond floating point")
    return value


@dataclass(frozen=True)
class _Claim:
    """A matrix that is to be a covariance: `block`; what of it is `shown` in a message, its key, what is expected."""

    key: str
    block: Reals
    shown: Reals
    expected: str


class _Reader(Checks):
    """Turns the parsed file into arrays, checking every key it knows."""

    def __init__(self, file: str | PathLike[str], rotor: Rotor, document: Any) -> None:
        super().__init__(file, "a finite number", smallest=0.0, largest=LARGEST)
        self.rotor = rotor
        adjusters, regimes, sensors = len(rotor.adjusters), len(rotor.regimes), len(rotor.sensors)
        if not isinstance(document, dict):
            raise InputError(file, shown(document), 'an object {"schema": 1, ...}')
        self.document = document
        self.alpha = np.zeros((adjusters, regimes, sensors), dtype=complex)
        self.tau = np.zeros((adjusters, regimes))
        self.cov = np.zeros((regimes, sensors, 2 * adjusters, 2 * adjusters))
        self.mean_cov = np.zeros_like(self.cov)
        self.var = np.zeros((regimes, adjusters, adjusters))
        self.mean_var = np.zeros_like(self.var)
        self.place_of: dict[tuple[int, ...], str] = {}  # where each row stood
        self.positions = {
            "adjuster": {adjuster.name: a for a, adjuster in enumerate(rotor.adjusters)},
            "regime": {regime.name: r for r, regime in enumerate(rotor.regimes)},
            "sensor": {sensor.name: s for s, sensor in enumerate(rotor.sensors)},
        }
        self.split = {"cov": True, "var": True}

    def read(self) -> Contents:
        schema, blades = self.document.get("schema"), self.document.get("blades")
        if isinstance(schema, bool) or schema != 1:
            raise self.error("schema", schema, "1")
        if isinstance(blades, bool) or blades != len(self.rotor.blades):
            raise self.error("blades", blades, f"{len(self.rotor.blades)}, as in the rotor file")
        name = self.document.get("rotor")
        if not isinstance(name, str):
            raise self.error("rotor", name, "the name of a rotor")
        made_for, differs = self.read_made_for()
        for i, row in enumerate(self.entries("rows")):
            self.read_row(row, f"rows[{i}]")
        self.check_positive()
        noise, height_noise = self.read_noise()
        unknown, unknown_height = self.read_unknown()
        return Contents(
            rotor_name=name,
            alpha=self.alpha,
            tau=self.tau,
            vibration_cov=self.cov,
            height_cov=self.var,
            vibration_noise=noise,
            height_noise=height_noise,
            unknown_vibration=unknown,
            unknown_height=unknown_height,
            mean_vibration_cov=self.mean_cov if self.split["cov"] else None,
            mean_height_cov=self.mean_var if self.split["var"] else None,
            departures=read_departures(self, self.rotor, self.document.get("departures")),
            source=self.read_source(),
            made_for=made_for,
            differs=differs,
            blind=self.blind(unknown, unknown_height),
        )

    def read_made_for(self) -> tuple[dict[str, Any] | None, tuple[str, ...]]:
        """Return what the file says it was made for, and in what that differs from the rotor without harm."""
        made_for = self.document.get("made_for")
        if made_for is None:
            return None, ()
        if not isinstance(made_for, dict):
            raise self.error("made_for", made_for, "an object {...}")
        for key, value in made_for.items():
            expected = expected_of(key, value)
            if expected:
                raise self.error(f"made_for.{key}", value, expected)
        refused, said = compared(made_for, self.rotor)
        if refused:
            more = f" and {len(refused) - 1} more" if len(refused) > 1 else ""
            raise self.error("made_for", refused[0].text + more, "coefficients made for this rotor file")
        return made_for, tuple(d.text for d in said)

    def read_source(self) -> dict[str, Any]:
        """Return where the coefficients come from; what is read of it elsewhere is, if there, as it is asked for."""
        source = self.document.get("source", {})
        if not isinstance(source, dict):
            raise self.error("source", source, "an object")
        names, merged, largest = (source.get(key) for key in ("job_names", "merged", "largest_past_change"))
        if names is not None and not (isinstance(names, list) and all(isinstance(name, str) for name in names)):
            raise self.error("source.job_names", names, "a list of texts")
        if merged is not None and not isinstance(merged, list):
            raise self.error("source.merged", merged, "a list")
        if largest is not None and not isinstance(largest, dict):
            raise self.error("source.largest_past_change", largest, "an object of numbers")
        for name, amount in (largest or {}).items():
            self.checked_number(amount, f"source.largest_past_change.{name}", least=0.0)
        unsaid = {key for key in ("job_names", "merged", "largest_past_change") if source.get(key) is None}
        return {key: value for key, value in source.items() if key not in unsaid}

    def blind(self, unknown: NDArray[np.bool_], unknown_height: NDArray[np.bool_]) -> Blind:
        """Return the readings that no adjuster which has any rows has a row for, nor an entry of `unidentified`."""
        mentioned, mentioned_height = unknown.copy(), unknown_height.copy()
        with_rows = np.zeros(len(mentioned), dtype=bool)
        for a, b, r, reading in self.place_of:
            if a == b:
                with_rows[a] = True
                if reading != HEIGHTS:
                    mentioned[a, r, reading] = True
                else:
                    mentioned_height[a, r] = True
        mentioned[~with_rows], mentioned_height[~with_rows] = False, False
        return Blind(np.asarray(~mentioned.any(axis=0)), ~mentioned_height.any(axis=0) & self.rotor.height_wanted)

    def entries(self, key: str, default: Any = None) -> list[Row]:
        values = self.document.get(key, default)
        if not isinstance(values, list):
            raise self.error(key, values, "a list")
        for i, value in enumerate(values):
            if not isinstance(value, dict):
                raise self.error(f"{key}[{i}]", value, "an object {...}")
        return values

    def index(self, row: Row, key: str, place: str) -> int:
        positions = self.positions[key]
        return positions[self.checked_choice(row.get(key), f"{place}.{key}", list(positions))]

    def matrix(self, value: Any, key: str) -> list[list[float]]:
        rows = value if isinstance(value, list) and len(value) == 2 else []
        if not rows or not all(isinstance(line, list) and len(line) == 2 for line in rows):
            raise self.error(key, value, "two rows of two numbers")
        if all(type(v) is float and -LARGEST < v < LARGEST for line in rows for v in line):
            return rows  # what nearly every matrix is
        return [[self.checked_number(v, f"{key}[{i}][{j}]") for j, v in enumerate(line)] for i, line in enumerate(rows)]

    def read_row(self, row: Row, place: str) -> None:
        joint = "adjusters" in row
        if joint == ("adjuster" in row):
            raise self.error(place, row, 'either "adjuster" or "adjusters"')
        if ("sensor" in row) == ("height" in row):
            raise self.error(place, row, 'either "sensor" or "height"')
        r = self.index(row, "regime", place)
        pair = self.pair(row, place) if joint else (self.index(row, "adjuster", place),) * 2
        reading = self.index(row, "sensor", place) if "sensor" in row else HEIGHTS
        key = (*sorted(pair), r, reading)
        if key in self.place_of:
            raise self.error(place, "the same row again", f"each once; first given as {self.place_of[key]}")
        self.place_of[key] = place
        if reading != HEIGHTS:
            self.read_vibration(row, place, pair, r, reading)
        else:
            self.read_height(row, place, pair, r)

    def pair(self, row: Row, place: str) -> tuple[int, int]:
        names = row["adjusters"]
        if not isinstance(names, list) or len(names) != 2:
            raise self.error(f"{place}.adjusters", names, "two names of adjusters")
        known = [a.name for a in self.rotor.adjusters]
        a, b = (known.index(self.checked_choice(n, f"{place}.adjusters[{i}]", known)) for i, n in enumerate(names))
        if a == b:
            raise self.error(f"{place}.adjusters", names, "two different adjusters")
        return a, b

    def read_vibration(self, row: Row, place: str, pair: tuple[int, int], r: int, s: int) -> None:
        a, b = pair
        if a == b:
            self.alpha[a, r, s] = self.checked_number(row.get("re"), place + ".re") + 1j * self.checked_number(
                row.get("im"), place + ".im"
            )
        if "mean_cov" not in row:
            self.split["cov"] = False
        for key, into in (("cov", self.cov), ("mean_cov", self.mean_cov)):
            if key == "mean_cov" and key not in row:
                continue
            (first, second), (third, last) = self.matrix(row.get(key), f"{place}.{key}")
            if a == b:
                if abs(second - third) > PSD_TOLERANCE * max(abs(first), abs(second), abs(third), abs(last)):
                    raise self.error(f"{place}.{key}", row[key], "a symmetric matrix")
                second = third = (second + third) / 2.0
            else:
                into[r, s, 2 * b : 2 * b + 2, 2 * a : 2 * a + 2] = (first, third), (second, last)
            into[r, s, 2 * a : 2 * a + 2, 2 * b : 2 * b + 2] = (first, second), (third, last)

    def read_height(self, row: Row, place: str, pair: tuple[int, int], r: int) -> None:
        a, b = pair
        least = 0.0 if a == b else None
        if a == b:
            self.tau[a, r] = self.checked_number(row["height"], place + ".height")
        if "mean_var" not in row:
            self.split["var"] = False
        else:
            self.mean_var[r, a, b] = self.mean_var[r, b, a] = self.checked_number(
                row["mean_var"], place + ".mean_var", least=least
            )
        self.var[r, a, b] = self.var[r, b, a] = self.checked_number(row.get("var"), place + ".var", least=least)

    def check_positive(self) -> None:
        """Raise InputError where covariances contradict each other."""
        claims = list(self.claims())
        wrong = []
        for size in {len(claim.block) for claim in claims}:
            at = [i for i, claim in enumerate(claims) if len(claim.block) == size]
            positive = is_positive(np.stack([claims[i].block for i in at]))
            wrong += [i for i, holds in zip(at, positive.tolist(), strict=True) if not holds]
        if wrong:
            first = claims[min(wrong)]
            raise self.error(first.key, first.shown.tolist(), first.expected)

    def claims(self) -> Iterator[_Claim]:
        """Yield every matrix that is to be a covariance, row by row."""
        judged: set[tuple[int, int]] = set()  # readings whose rows of two adjusters are looked at with another row
        for (a, b, r, reading), place in self.place_of.items():
            if a != b:
                if (r, reading) in judged:
                    continue
                judged.add((r, reading))
            if reading != HEIGHTS:
                blocks = [("cov", self.cov[r, reading])]
                blocks += [("mean_cov", self.mean_cov[r, reading])] if self.split["cov"] else []
                columns = [2 * a, 2 * a + 1] + ([2 * b, 2 * b + 1] if b != a else [])
            else:
                blocks = [("var", self.var[r])] + ([("mean_var", self.mean_var[r])] if self.split["var"] else [])
                columns = [a, b] if b != a else [a]
            if ("mean_" + blocks[0][0]) == blocks[-1][0]:
                blocks.append(("mean_" + blocks[0][0], blocks[0][1] - blocks[1][1]))
            for i, (key, matrix) in enumerate(blocks):
                what = "no more than the whole covariance" if i == 2 else "a covariance without negative variances"
                of_row = matrix[columns][:, columns]
                # a row of two adjusters is judged with all the rows of its reading
                yield _Claim(f"{place}.{key}", matrix if b != a else of_row, of_row, what)

    def read_noise(self) -> tuple[Reals, Reals]:
        noise = np.zeros((len(self.rotor.regimes), len(self.rotor.sensors)))
        height_noise = np.zeros(len(self.rotor.regimes))
        given: set[tuple[int, int]] = set()
        for i, row in enumerate(self.entries("noise")):
            place = f"noise[{i}]"
            if ("sensor" in row) == ("height" in row):
                raise self.error(place, row, 'either "sensor" or "height"')
            r = self.index(row, "regime", place)
            s = self.index(row, "sensor", place) if "sensor" in row else HEIGHTS
            if (r, s) in given:
                raise self.error(place, "the same row again", "each reading once")
            given.add((r, s))
            if s != HEIGHTS:
                noise[r, s] = self.checked_number(row.get("sd"), place + ".sd", least=0.0)
            else:
                height_noise[r] = self.checked_number(row["height"], place + ".height", least=0.0)
        return noise, height_noise

    def read_unknown(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        unknown = np.zeros(self.alpha.shape, dtype=bool)
        unknown_height = np.zeros(self.tau.shape, dtype=bool)
        with_rows = {a for a, b, _, _ in self.place_of if a == b}
        for a in range(len(self.rotor.adjusters)):
            if a not in with_rows:
                unknown[a] = unknown_height[a] = True
        for i, entry in enumerate(self.entries("unidentified", [])):
            place = f"unidentified[{i}]"
            a = self.index(entry, "adjuster", place)
            r = slice(None) if entry.get("regime") is None else self.index(entry, "regime", place)
            height = entry.get("height", False)
            if not isinstance(height, bool):
                raise self.error(place + ".height", height, "true")
            if "sensor" in entry:
                unknown[a, r, self.index(entry, "sensor", place)] = True
            elif not height:
                unknown[a, r] = True
            if "sensor" not in entry or height:
                unknown_height[a, r] = True
        # where a regime has no heights there is nothing to know of them
        unknown_height[:, [not regime.heights for regime in self.rotor.regimes]] = False
        return unknown, unknown_height
