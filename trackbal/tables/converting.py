"""A table turned into one of trackbal's sheets by its map: every fault of it named, nothing matched in silence."""

from __future__ import annotations

import datetime
import difflib
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from trackbal.base.csv_table import CLOCK_DEG, LARGEST_NUMBER, CsvTable
from trackbal.base.errors import InputError
from trackbal.base.phasor import HEIGHT_UNITS, VIBRATION_UNITS, phase_deg, to_phasor, unit_factor
from trackbal.runs.identity import EXPECTED_DATE, read_date
from trackbal.runs.readings import AMPLITUDE, GROUP, PHASE, SPEED, split_unit
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import csv_text, history_of, read_adjustments, read_settings, run_of
from trackbal.tables import spellings
from trackbal.tables.column_map import ColumnMap
from trackbal.tables.raw_table import File, RawTable, letter, read_table

_WHOLE = ("run", "after_run")


@dataclass(frozen=True)
class Fault:
    """One cell that cannot be used: line of the file, cell as spreadsheets name it, heading, found, expected."""

    line: int
    cell: str
    heading: str
    found: str
    expected: str

    def __str__(self) -> str:
        """Return the fault as one line."""
        where = f"row {self.line}" + (f", column {self.heading} ({self.cell})" if self.heading else "")
        return f"{where}: found '{self.found or 'an empty cell'}', expected {self.expected}"


@dataclass(frozen=True)
class Converted:
    """A table as one of our sheets.

    Parameters
    ----------
    table : CsvTable
        Lines are those of the file.
    faults : tuple of Fault
        In the order of the file; with any, `table` holds the other cells only.
    matched : tuple of (str, str)
        What was taken for what: of the file, columns and labels.
    passed_over : dict
        Why rows and readings were passed over -> how many.
    """

    table: CsvTable
    faults: tuple[Fault, ...]
    matched: tuple[tuple[str, str], ...]
    passed_over: dict[str, int]

    def csv_text(self) -> str:
        """Return the sheet as CSV."""
        return csv_text(self.table.headings, zip(*self.table.columns, strict=True))

    @property
    def by_kind(self) -> list[tuple[str, list[Fault]]]:
        """The faults by column and what was expected, the commonest first."""
        kinds: dict[tuple[str, str], list[Fault]] = {}
        for fault in self.faults:
            kinds.setdefault((fault.heading, fault.expected), []).append(fault)
        most = sorted(kinds.items(), key=lambda item: -len(item[1]))
        return [(f"column {heading}: expected {e}" if heading else f"expected {e}", its) for (heading, e), its in most]


def convert(rotor: Rotor, file: File, column_map: ColumnMap) -> Converted:
    """Turn a table into the sheet its map says.

    Raises
    ------
    InputError
        If the file cannot be read at all, or the map names what the rotor does not have.
    """
    raw = read_table(file, **column_map.reading)
    converting = _Converting(rotor, raw, column_map)
    found = converting.converted()
    if not found.faults:
        found = _judged(rotor, found, column_map)
    return found


def load_table(rotor: Rotor, file: File, column_map: ColumnMap | None) -> CsvTable:
    """Return a sheet: as it stands, or by a map, which must leave no fault.

    Raises
    ------
    InputError
        Naming the first fault of the commonest kind, and how many there are.
    """
    if column_map is None:
        return CsvTable.load(file)
    found = convert(rotor, file, column_map)
    if found.faults:
        first = found.by_kind[0][1][0]
        more = f" ({len(found.faults)} faults; trackbal convert --check names all)" if len(found.faults) > 1 else ""
        expected = first.expected + more
        raise InputError(file, first.found or "an empty cell", expected, row=first.line, column=first.heading or None)
    return found.table


def _judged(rotor: Rotor, found: Converted, column_map: ColumnMap) -> Converted:
    """Let the strict reader judge the result; what it refuses is one more fault."""
    try:
        if column_map.kind == "run":
            run_of(rotor, found.table)
        elif column_map.kind == "history":
            nothing = ("job", "after_run", "blade", "adjuster", "amount")
            history_of(rotor, found.table, CsvTable(found.table.source, nothing, ((),) * len(nothing), ()))
        elif column_map.kind == "adjustments":
            read_adjustments(rotor, found.table)
        elif column_map.kind == "settings" and "job" not in found.table.headings:
            read_settings(rotor, found.table)
    except InputError as error:
        what, _, expected = error.what.removeprefix("found ").partition(", expected ")
        fault = Fault(error.row or 0, "", error.column or "", what.strip("'"), expected)
        return Converted(found.table, (fault,), found.matched, found.passed_over)
    return found


class _Converting:
    """One table on its way into a sheet."""

    def __init__(self, rotor: Rotor, raw: RawTable, column_map: ColumnMap) -> None:
        self.rotor, self.raw, self.map = rotor, raw, column_map
        self.faults: list[Fault] = []
        self.matched: dict[tuple[str, str], None] = {}
        self.passed: Counter[str] = Counter()
        self.not_read = {t.casefold() for t in (*spellings.NOT_READ, *column_map.not_read)}
        self.decimal = raw.decimal
        self.missing: set[str] = set()  # ours, of columns that are not there
        sensors = [s.name for s in rotor.sensors]
        self.amplitudes = {f"{s}.amp": s for s in sensors}
        self.phases = {f"{s}.deg": s for s in sensors}
        self.heights = [f"height.{b}" for b in rotor.blades]
        self.units = {name: split_unit(name)[1] for name in column_map.columns}
        self._check_map(sensors)
        self.header = self._header()
        self.at = self._places()

    def _check_map(self, sensors: Sequence[str]) -> None:
        history = self.map.kind == "history"
        known = {
            "run": ("regime", "rpm", "note"),
            "history": ("job", "run", "aircraft", "date", "regime", "rpm", "note"),
        }
        plain: Sequence[str] = known.get(self.map.kind, {
            "adjustments": ("blade", "adjuster", "amount"),
            "history_adjustments": ("job", "after_run", "blade", "adjuster", "amount"),
            "settings": ("job", "blade", "adjuster", "setting"),
        }.get(self.map.kind, ()))  # fmt: skip
        readings: Sequence[str] = ()
        if self.map.kind in known:
            readings = (*sensors, *self.amplitudes, *self.phases, *self.heights, "unit")
            if self.map.layout == "long":
                readings = ("sensor", "amp", "deg", "value", "unit")
        for name in (*self.map.columns, *self.map.constants):
            ours = split_unit(name)[0]
            if ours not in plain and ours not in readings and not (history and ours.startswith(GROUP)):
                near = difflib.get_close_matches(ours, [*plain, *readings], n=1)
                hint = f"; did you mean {near[0]}?" if near else ""
                raise InputError(
                    "column map", ours, f"a heading of a sheet of kind {self.map.kind}{hint}", column="columns"
                )
            self._check_brackets(name, sensors)
        for section, names in self._targets().items():
            for theirs, ours in self.map.labels.get(section, {}).items():
                if ours not in names:
                    raise InputError("column map", ours, f"one of {', '.join(names)}", column=f"{section}.{theirs}")

    def _check_brackets(self, name: str, sensors: Sequence[str]) -> None:
        """Raise InputError where a heading of the map has a unit that it cannot have: it would go unheeded."""
        ours, unit = split_unit(name)
        allowed: Sequence[str] = ()
        if ours in sensors or ours in self.amplitudes:
            allowed = tuple(VIBRATION_UNITS)
        elif ours in self.heights:
            allowed = tuple(HEIGHT_UNITS)
        elif ours in self.phases:
            allowed = ("deg",)
        if unit is not None and unit not in allowed and not ours.startswith(GROUP):
            choices = f"{' or '.join(allowed)} in the brackets" if allowed else "no brackets here"
            raise InputError("column map", name, choices, column="columns")

    def _targets(self) -> dict[str, list[str]]:
        return {
            "regimes": [r.name for r in self.rotor.regimes],
            "sensors": [*(s.name for s in self.rotor.sensors), *self.heights],
            "blades": list(self.rotor.blades),
            "adjusters": [a.name for a in self.rotor.adjusters],
            "units": list(dict.fromkeys([*VIBRATION_UNITS, *HEIGHT_UNITS, *(a.unit for a in self.rotor.adjusters)])),
        }

    # -------------------------------------------------------------------------- headings

    def _header(self) -> int:
        """Return the row of the headings: as the map says, else the row that holds most of those it names."""
        cells = self.raw.cells
        if self.map.header is not None:
            if self.map.header > len(cells):
                raise InputError(self.raw.source, f"{len(cells)} rows", "the row of the headings", row=self.map.header)
            return self.map.header - 1
        wanted = {spellings.plain(h) for h in self.map.headings}
        held = [len(wanted.intersection(map(spellings.plain, row))) for row in cells[:200]]
        return held.index(max(held))

    def _places(self) -> dict[str, list[int]]:
        row = self.raw.cells[self.header]
        by_plain = {spellings.plain(h): i for i, h in reversed(list(enumerate(row))) if h}
        places: dict[str, list[int]] = {}
        for ours, theirs in self.map.columns.items():
            for heading in theirs:
                i = row.index(heading) if heading in row else by_plain.get(spellings.plain(heading), -1)
                if i < 0:
                    near = difflib.get_close_matches(heading, [h for h in row if h], n=1)
                    hint = f"; did you mean {near[0]}?" if near else ""
                    self.faults.append(Fault(self.header + 1, "", "", f"no column {heading}", f"one for {ours}{hint}"))
                    self.missing.add(split_unit(ours)[0])
                    continue
                places.setdefault(ours, []).append(i)
                self.matched[f"column {row[i]}", ours] = None
        for heading in self.map.info:
            if heading in row:
                places[f"info.{heading}"] = [row.index(heading)]
                self.matched[f"column {heading}", f"info.{heading}"] = None
        taken = {i for its in places.values() for i in its} | {i for i, h in enumerate(row) if h in self.map.ignore}
        for i, heading in enumerate(row):
            filled = any(r[i] for r in self.raw.cells[self.header + 1 :])
            if i not in taken and (heading or filled):
                expected = "every column named in columns, info or ignore of the map"
                self.faults.append(
                    Fault(self.header + 1, f"{letter(i)}{self.header + 1}", heading or letter(i), heading, expected)
                )
        return places

    # -------------------------------------------------------------------------- rows

    def converted(self) -> Converted:
        rows = [(line, row) for line, row in self._body()]
        cells = [(line, self._named(line, row)) for line, row in rows]
        if self.map.layout == "long":
            cells = self._gathered(cells)
        if self.map.number_runs:
            self._number(cells)
        if self.map.kind in ("run", "history"):
            cells = [(line, self._readings(line, named)) for line, named in cells]
        order = self._order()
        names = [n for n in order if any(n in named for _, named in cells)]
        names += sorted({n for _, named in cells for n in named if n not in order and n.startswith("info.")})
        columns = tuple(tuple(named.get(n, "") for _, named in cells) for n in names)
        table = CsvTable(self.raw.source, tuple(names), columns, tuple(line for line, _ in cells))
        if not cells and not self.faults:
            self.faults.append(Fault(self.header + 1, "", "", "no rows below the headings", "at least one"))
        faults = tuple(sorted(self.faults, key=lambda f: f.line))
        return Converted(table, faults, tuple(self.matched), dict(self.passed))

    def _order(self) -> list[str]:
        groups = sorted(n for n in (*self.map.columns, *self.map.constants) if n.startswith(GROUP))
        order = ["job", "run", "after_run", "aircraft", "date", *groups, "regime", "rpm"]
        for s in self.rotor.sensors:
            order += [self._column_of(f"{s.name}.amp"), f"{s.name}.deg"]
        order += [self._column_of(h) for h in self.heights]
        return [*order, "blade", "adjuster", "amount", "setting", "note"]

    def _column_of(self, name: str) -> str:
        """Return the heading of a reading, with the unit that the map gives it."""
        unit = next((u for n, u in self.units.items() if split_unit(n)[0] == name and u), None)
        return f"{name} [{unit}]" if unit else name

    def _body(self) -> Iterator[tuple[int, tuple[str, ...]]]:
        header = self.raw.cells[self.header]
        skip = tuple(text.casefold() for text in self.map.skip)
        if self.header:
            self.passed["rows above the headings"] = self.header
        for i, row in enumerate(self.raw.cells[self.header + 1 :], self.header + 1):
            if not any(row):
                self.passed["blank rows"] += 1
            elif row == header:
                self.passed["headings repeated"] += 1
            elif skip and any(cell.casefold().startswith(skip) for cell in row):
                self.passed[f"rows that begin with {', '.join(self.map.skip)}"] += 1
            elif i == self.header + 1 and self._is_units(row):
                self.passed["a row of units below the headings"] += 1
            else:
                yield i + 1, row

    def _is_units(self, row: Sequence[str]) -> bool:
        """Return whether a row holds units and nothing else, and take those of readings."""
        units = {i: spellings.unit_of(cell, self.map.labels.get("units", {})) for i, cell in enumerate(row) if cell}
        if not units or None in units.values():
            return False
        for ours, places in self.at.items():
            unit = units.get(places[0])
            name, said = split_unit(ours)
            if unit and unit != "deg" and said is None and (name in self.amplitudes or name in self.heights):
                self.units[f"{name} [{unit}]"] = unit
                self.matched[f"unit {row[places[0]]} of {self.raw.cells[self.header][places[0]]}", unit] = None
        return True

    def _fault(self, line: int, ours: str, found: str, expected: str) -> None:
        if split_unit(ours)[0] in self.missing:
            return  # said once
        places = self.at.get(ours) or next((p for n, p in self.at.items() if split_unit(n)[0] == ours), [])
        heading = self.raw.cells[self.header][places[0]] if places else ""
        cell = f"{letter(places[0])}{line}" if places else ""
        self.faults.append(Fault(line, cell, heading or ours, found, expected))

    def _named(self, line: int, row: Sequence[str]) -> dict[str, str]:
        """Return our heading (units taken off) -> text of a row, labels and plain columns as a sheet takes them."""
        named = dict(self.map.constants)
        for ours, places in self.at.items():
            text = " ".join(row[i] for i in places if row[i]).strip()
            name = split_unit(ours)[0] if not ours.startswith(("info.", GROUP)) else ours
            if ours.startswith("info.") or name == "note" or text.casefold() not in self.not_read:
                named[name] = text
        for name, section, what in (
            ("regime", "regimes", "a regime"), ("blade", "blades", "a blade"),
            ("adjuster", "adjusters", "an adjuster"), ("sensor", "sensors", "a sensor"),
        ):  # fmt: skip
            if name in named:
                named[name] = self._label(line, name, section, what, named[name])
        self._plain(line, named)
        return {name: text for name, text in named.items() if text}

    def _plain(self, line: int, named: dict[str, str]) -> None:
        for name in _WHOLE:
            if name in named and not (name == "run" and self.map.number_runs):
                numbers = re.findall(r"\d+", re.sub(r"(?<=\d)[.,]0+$", "", named[name]))
                if len(numbers) != 1 or len(numbers[0]) > 9:
                    self._fault(line, name, named.pop(name), "one whole number in it, the run of the job")
                else:
                    named[name] = str(int(numbers[0]))
        if "date" in named:
            named["date"] = self._date(line, named["date"])
        if "rpm" in named:
            text = named["rpm"]
            named["rpm"] = self._number_of(line, "rpm", text, SPEED.expected, SPEED.least, SPEED.most)
            if named["rpm"] and not spellings.is_of_unit(text, self.decimal, "rpm"):  # 5.3 Hz, 100 %
                self._fault(line, "rpm", text, SPEED.expected)
        for name in ("amount", "setting"):
            if name in named:
                named[name] = self._amount(line, name, named)
        required = ["regime"] if self.map.kind in ("run", "history") else ["blade", "adjuster"]
        required += ["job", "run"] if self.map.kind == "history" else []
        required += ["amount"] if "adjustments" in self.map.kind else ["setting"] if self.map.kind == "settings" else []
        for name in required:
            if name not in named and not any(f.line == line for f in self.faults):
                self._fault(line, name, "", f"the {name} of the row")

    def _label(self, line: int, name: str, section: str, what: str, text: str) -> str:
        names, said = self._targets()[section], self.map.labels.get(section, {})
        ours = said.get(text) or (text if text in names else None)
        if ours is None:
            by_plain = {spellings.plain(n): n for n in names} | {spellings.plain(t): o for t, o in said.items()}
            ours = by_plain.get(spellings.plain(text)) or by_plain.get(
                re.sub(r"^(blade|tip)", "", spellings.plain(text))
            )
        if ours is None:
            near = difflib.get_close_matches(text, names, n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            known = f": {', '.join(names)}" if len(names) <= 12 else ""
            self._fault(line, name, text, f"{what} of the rotor{known}, or a line in [{section}] of the map{hint}")
            return ""
        if ours != text:
            self.matched[f"{name} {text}", ours] = None
        return ours

    def _date(self, line: int, text: str) -> str:
        if self.map.date_format:
            try:
                moment = datetime.datetime.strptime(text, self.map.date_format)
                return moment.isoformat().removesuffix("T00:00:00")
            except ValueError:
                pass
        if read_date(text) is None:
            self._fault(line, "date", text, f"{EXPECTED_DATE}, or date_format in the map")
            return ""
        return text

    def _number_of(
        self,
        line: int,
        name: str,
        text: str,
        expected: str,
        least: float = -LARGEST_NUMBER,
        most: float = LARGEST_NUMBER,
    ) -> str:
        value = spellings.split_value(text, self.decimal)
        if value is None or not least <= float(value[0]) <= most:
            hint = (
                f", with {'a comma' if self.decimal == ',' else 'a point'} before decimals"
                if re.search(r"\d[.,]\d", text)
                else ""
            )
            self._fault(line, name, text, expected + hint)
            return ""
        return value[0]

    def _amount(self, line: int, name: str, named: dict[str, str]) -> str:
        """Return an amount, its sign by the words of the rotor where it begins with one of them."""
        text, sign, unit = named[name], "", ""
        for adjuster in self.rotor.adjusters:
            if adjuster.name == named.get("adjuster"):
                unit = adjuster.unit
                for word, its_sign in ((adjuster.positive, ""), (adjuster.negative, "-")):
                    if text.casefold().startswith(word.casefold()):
                        text, sign = text[len(word) :].strip(), its_sign
                        self.matched[f"the word {word}", "minus" if its_sign else "plus"] = None
                        break
        number = self._number_of(line, name, text, "a number")
        if number and unit and not spellings.is_of_unit(text, self.decimal, unit, self.map.labels.get("units", {})):
            expected = f"a number of {unit}, the unit of {named['adjuster']}, or a line in [units] of the map"
            self._fault(line, name, named[name], expected)
        if sign and number.startswith(("-", "+")):
            self._fault(line, name, named[name], "a word or a sign, not both")
        return sign + number if number else ""

    def _number(self, cells: Sequence[tuple[int, dict[str, str]]]) -> None:
        numbers: dict[str, dict[str, str]] = {}
        for _, named in cells:
            of_job = numbers.setdefault(named.get("job", ""), {})
            named["run"] = of_job.setdefault(named.get("run", ""), str(len(of_job) + 1))
        self.matched["runs of a job, in their order", "run 1, 2, 3 ..."] = None

    # -------------------------------------------------------------------------- readings

    def _gathered(self, cells: Sequence[tuple[int, dict[str, str]]]) -> list[tuple[int, dict[str, str]]]:
        """Return rows with all readings of a regime, from rows of one reading each; the k-th of each make a row."""
        whole: dict[tuple[str, ...], list[tuple[int, dict[str, str]]]] = {}
        for line, named in cells:
            sensor = named.pop("sensor", "")
            values = {n: named.pop(n) for n in ("amp", "deg", "value", "unit") if n in named}
            if not sensor:
                if not any(f.line == line for f in self.faults):
                    self._fault(line, "sensor", "", "the sensor of the row")
                continue
            rows = whole.setdefault(tuple(named.get(n, "") for n in ("job", "run", "regime")), [])
            if sensor in self.heights:
                texts = {sensor: values.get("amp", values.get("value", "")), f"{sensor}|unit": values.get("unit", "")}
            else:
                texts = {f"{sensor}.amp": values.get("amp", ""), f"{sensor}.deg": values.get("deg", "")}
                texts |= {sensor: values.get("value", ""), f"{sensor}|unit": values.get("unit", "")}
            texts = {n: t for n, t in texts.items() if t}
            free = next((its for _, its in rows if not texts.keys() & its.keys()), None)
            if free is None:
                rows.append((line, free := {**named}))
            free.update({n: t for n, t in {**named, **texts}.items() if n not in free})
        return [row for rows in whole.values() for row in rows]

    def _readings(self, line: int, named: dict[str, str]) -> dict[str, str]:
        """Return a row with its readings as a sheet takes them, each in the unit of its column."""
        done = {n: t for n, t in named.items() if n not in ("unit",) and "|" not in n}
        for sensor in self.rotor.sensors:
            amp, deg, pair = (done.pop(n, "") for n in (f"{sensor.name}.amp", f"{sensor.name}.deg", sensor.name))
            if pair and (parts := spellings.split_pair(pair)):
                amp, deg = parts
            elif pair:
                amp = pair
            if amp or deg:
                unit = named.get(f"{sensor.name}|unit", named.get("unit", ""))
                reading = self._vibration(line, sensor.name, amp, deg, unit, self._speed(done))
                if reading:
                    done[self._column_of(f"{sensor.name}.amp")], done[f"{sensor.name}.deg"] = reading
        for name in self.heights:
            if name in done:
                text = done.pop(name)
                number = self._number_of(line, name, text, "a number")
                if number:
                    unit = named.get(f"{name}|unit", "") or (spellings.split_value(text, self.decimal) or ("", ""))[1]
                    done[self._column_of(name)] = self._height(line, name, number, unit)
        return {n: t for n, t in done.items() if t}

    def _speed(self, row: dict[str, str]) -> float:
        """Return the rotor speed of a row: its own, or the usual one of its regime."""
        if row.get("rpm"):
            return float(row["rpm"])
        usual = {r.name: r.rpm for r in self.rotor.regimes}.get(row.get("regime", ""))
        return self.rotor.rpm if usual is None else usual

    def _at_fault(self, name: str) -> str:
        """Return the column a fault of a reading is in: its own, or that of a long table."""
        sensor, _, part = name.rpartition(".")
        choices = (name, sensor, part, "value")
        return next((c for c in choices if any(split_unit(n)[0] == c for n in self.at)), name)

    def _vibration(self, line: int, sensor: str, amp: str, deg: str, unit: str, rpm: float) -> tuple[str, str] | None:
        amp_at, deg_at = self._at_fault(f"{sensor}.amp"), self._at_fault(f"{sensor}.deg")
        if not amp or not deg:
            value = spellings.split_value(amp, self.decimal) if amp else None
            if amp and value and float(value[0]) == 0.0:
                return "0", ""
            if self.map.missing_phase == "not_read":
                self.passed[f"readings of {sensor} without {'phase' if amp else 'amplitude'}, taken as not read"] += 1
                return None
            what = "phase" if amp else "amplitude"
            self._fault(line, deg_at if amp else amp_at, "", f"the {what} of {sensor}, or missing_phase in the map")
            return None
        number = self._number_of(line, amp_at, amp, AMPLITUDE.expected, 0.0)
        phase = spellings.phase(deg, self.decimal)
        if phase is None or (":" not in phase and not PHASE.least <= float(phase) <= PHASE.most):
            self._fault(line, deg_at, deg, PHASE.expected)
            return None
        if not number:
            return None
        written = (spellings.split_value(amp, self.decimal) or ("", ""))[1] or unit
        return self._in_unit(line, sensor, amp_at, number, phase, written, rpm)

    def _in_unit(
        self, line: int, sensor: str, at: str, number: str, phase: str, written: str, rpm: float
    ) -> tuple[str, str] | None:
        of = self.rotor.sensors[self.rotor.sensor_index(sensor)]
        column_unit = split_unit(self._column_of(f"{sensor}.amp"))[1] or of.unit
        unit = spellings.unit_of(written, self.map.labels.get("units", {})) if written else column_unit
        if unit not in VIBRATION_UNITS:
            expected = f"a unit of vibration: {', '.join(VIBRATION_UNITS)}, or a line in [units] of the map"
            self._fault(line, "unit" if "unit" in self.at else at, written, expected)
            return None
        if written and written != unit:
            self.matched[f"unit {written}", unit] = None
        if unit == column_unit:
            return number, phase
        hertz = of.harmonic * rpm / 60.0
        degrees = CLOCK_DEG[phase] if ":" in phase else float(phase)
        turned = to_phasor(float(number), degrees, self.rotor.phase_sense) * unit_factor(unit, column_unit, hertz)
        self.matched[f"readings of {sensor} in {unit}", f"converted to {column_unit}"] = None
        return repr(float(np.abs(turned))), repr(float(phase_deg(turned, self.rotor.phase_sense)))

    def _height(self, line: int, name: str, number: str, written: str) -> str:
        column_unit = split_unit(self._column_of(name))[1] or self.rotor.height_unit
        unit = spellings.unit_of(written, self.map.labels.get("units", {})) if written else column_unit
        if unit not in HEIGHT_UNITS:
            self._fault(line, name, written, f"a unit of height: {', '.join(HEIGHT_UNITS)}")
            return ""
        return number if unit == column_unit else repr(float(number) * HEIGHT_UNITS[unit] / HEIGHT_UNITS[column_unit])
