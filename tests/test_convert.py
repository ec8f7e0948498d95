"""Tables as analysts bring them: over sixty kinds, and what becomes of each.

Every readable kind is the same small history of an invented rotor, written in another way, and must come out as
that history. Every faulty kind must name its cell.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from invented_rotor import ROTOR

from trackbal.base.errors import InputError
from trackbal.base.phasor import phase_deg, unit_factor
from trackbal.commands.group import run
from trackbal.runs.sheets import history_of
from trackbal.tables.column_map import ColumnMap, draft
from trackbal.tables.converting import Converted, convert
from trackbal.tables.raw_table import read_table

V, L = "cockpit_vertical", "cockpit_lateral"
Row = dict[str, Any]

#: job, run, regime, vertical, lateral (amplitude ips, degrees), four tips.
TRUTH: list[Row] = [
    {
        "Job": "A-1",
        "Run": r,
        "State": s,
        "V": v,
        "VP": vp,
        "L": lat,
        "LP": lp,
        "T1": t,
        "T2": -1.5,
        "T3": 4.0,
        "T4": 0.5,
    }
    for r, s, v, vp, lat, lp, t in (
        (1, "hover", 0.41, 135.0, 0.22, 300.0, 2.5),
        (1, "cruise", 0.36, 120.0, 0.3, 15.0, 3.5),
        (2, "hover", 0.12, 90.0, 0.08, 240.0, 1.0),
        (2, "cruise", 0.1, 60.0, 0.15, 345.0, 1.5),
    )
]
HEADINGS = ("Job", "Run", "State", "V", "VP", "L", "LP", "T1", "T2", "T3", "T4")
COLUMNS: dict[str, Any] = {
    "job": "Job", "run": "Run", "regime": "State", f"{V}.amp": "V", f"{V}.deg": "VP", f"{L}.amp": "L",
    f"{L}.deg": "LP", "height.1": "T1", "height.2": "T2", "height.3": "T3", "height.4": "T4",
}  # fmt: skip
MAP: dict[str, Any] = {"kind": "history", "columns": COLUMNS}


@dataclass(frozen=True)
class Kind:
    """One kind of table: how a cell is written, what stands around the rows, and what the map adds."""

    cell: Callable[[str, Any, Row], Any] = lambda heading, value, row: value
    headings: dict[str, str] = field(default_factory=dict)
    rows: Callable[[list[list[Any]]], list[list[Any]]] = lambda rows: rows
    separator: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    workbook: bool = False
    more: dict[str, Any] = field(default_factory=dict)
    columns: dict[str, Any] = field(default_factory=dict)
    said: str = ""  # must be told: matched or passed over
    end: str = "\n"


def only(*headings: str) -> Callable[[Callable[[Any, Row], Any]], Callable[[str, Any, Row], Any]]:
    return lambda change: lambda heading, value, row: change(value, row) if heading in headings else value


def extra(heading: str, text: Callable[[int], Any]) -> Callable[[list[list[Any]]], list[list[Any]]]:
    return lambda rows: [[*row, heading if i == 0 else text(i)] for i, row in enumerate(rows)]


def without(name: str, **instead: Any) -> dict[str, Any]:
    """Return a change of the columns by which one is left out."""
    return {name: None, **instead}


mm_s = unit_factor("ips", "mm/s", 1.0).real
PHASES = only("VP", "LP")
KINDS: dict[str, Kind] = {
    "plain": Kind(),
    "semicolon": Kind(separator=";"),
    "tab": Kind(separator="\t"),
    "bar": Kind(separator="|"),
    "decimal comma, semicolon": Kind(separator=";", decimal=","),
    "decimal comma, tab": Kind(separator="\t", decimal=","),
    "decimal comma, quoted, comma": Kind(decimal=","),
    "byte order mark": Kind(encoding="utf-8-sig"),
    "utf-16": Kind(encoding="utf-16"),
    "western code page": Kind(encoding="cp1252", headings={"State": "Zustand\u00e4"}),
    "western code page, semicolon, comma": Kind(
        encoding="cp1252", separator=";", decimal=",", headings={"V": "\u00d8 V"}
    ),
    "carriage returns": Kind(end="\r\n"),
    "old line ends": Kind(end="\r"),
    "workbook": Kind(workbook=True),
    "workbook, named sheet": Kind(workbook=True, more={"sheet": "flights"}),
    "workbook, numbers as text": Kind(workbook=True, cell=lambda h, v, r: str(v)),
    "workbook, clock time cells": Kind(
        workbook=True, cell=PHASES(lambda v, r: datetime.time(int(v / 30) % 12, int(v % 30 * 2)))
    ),
    "workbook, title rows": Kind(workbook=True, rows=lambda rows: [["Flights of spring"], [], *rows], said="above"),
    "title row": Kind(rows=lambda rows: [["Flights of spring"], *rows], said="rows above the headings"),
    "title rows with separators": Kind(rows=lambda rows: [["Base", "north"], ["Year", "2026"], *rows]),
    "header line said": Kind(rows=lambda rows: [["Job", "of", "north"], *rows], more={"header": 2}),
    "blank rows between": Kind(rows=lambda rows: [*rows[:3], [], *rows[3:], []], said="blank rows"),
    "mean rows": Kind(
        rows=lambda rows: [*rows, ["Mean", "", "", 0.25, "", 0.2]], more={"skip": ["Mean"]}, said="begin with Mean"
    ),
    "sum and mean rows": Kind(
        rows=lambda rows: [*rows[:3], ["average of run 1"], *rows[3:], ["Total", 4]],
        more={"skip": ["average", "total"]},
    ),
    "headings repeated": Kind(rows=lambda rows: [*rows[:3], rows[0], *rows[3:]], said="headings repeated"),
    "columns in another order": Kind(rows=lambda rows: [row[::-1] for row in rows]),
    "remark column as info": Kind(
        rows=extra("Pilot's words", lambda i: f"calm, {i}"), more={"info": ["Pilot's words"]}
    ),
    "remark column as note": Kind(
        rows=extra("Remark", lambda i: "gusts" if i == 2 else ""), columns={"note": "Remark"}
    ),
    "column passed over": Kind(rows=extra("No.", str), more={"ignore": ["No."]}),
    "column of nothing": Kind(rows=lambda rows: [[*row, ""] for row in rows]),
    "headings in other case": Kind(headings={"Job": "JOB", "VP": "vp ", "T1": "t_1"}),
    "headings with units": Kind(
        headings={"V": "Vert (in/s)", "VP": "Vert phase (deg)"},
        columns=without(f"{V}.amp", **{f"{V}.amp [ips]": "Vert (in/s)", f"{V}.deg": "Vert phase (deg)"}),
    ),
    "other headings": Kind(headings={"Job": "Auftrag", "State": "Flugzustand"}),
    "row of units": Kind(
        rows=lambda rows: [rows[0], ["", "", "", "ips", "deg", "ips", "\u00b0", *["mm"] * 4], *rows[1:]],
        said="units below",
    ),
    "row of units, others": Kind(
        cell=only("L")(lambda v, r: v * mm_s),
        rows=lambda rows: [rows[0], ["", "", "", "in/s", "deg", "mm/sec", "deg", *["mm"] * 4], *rows[1:]],
        said="mm/sec",
    ),
    "a column in mm/s": Kind(
        cell=only("V")(lambda v, r: v * mm_s), columns=without(f"{V}.amp", **{f"{V}.amp [mm/s]": "V"})
    ),
    "a column in g, its phase too": Kind(
        cell=lambda h, v, r: in_g(v) if h == "V" else (v + 270.0) % 360.0 if h == "VP" else v,
        columns=without(f"{V}.amp", **{f"{V}.amp [g]": "V"}),
    ),
    "unit column": Kind(
        cell=lambda h, v, r: v * mm_s if h in ("V", "L") and r["Run"] == 2 else v,
        rows=lambda rows: [[*row, "Unit" if i == 0 else ["ips", "mm/s"][i > 2]] for i, row in enumerate(rows)],
        columns={"unit": "Unit"}, said="converted to ips",
    ),
    "unit in the cell": Kind(cell=lambda h, v, r: f"{v * mm_s} mm/s" if h == "V" else v, said="converted to ips"),
    "two units in one column": Kind(
        cell=only("V")(lambda v, r: f"{v * mm_s} mm/s" if r["State"] == "hover" else f"{v} ips"), said="mm/s"
    ),
    "unit spelled their way": Kind(
        cell=only("V")(lambda v, r: f"{v} IPSpk"), more={"units": {"IPSpk": "ips"}}, said="unit IPSpk"
    ),
    "heights in inches in the cell": Kind(cell=only("T1")(lambda v, r: f"{v / 25.4} in")),
    "phases with a sign": Kind(cell=PHASES(lambda v, r: v - 360.0 if v > 180.0 else v)),
    "phases with a plus": Kind(cell=PHASES(lambda v, r: f"+{v}")),
    "phases with a degree sign": Kind(cell=PHASES(lambda v, r: f"{v}\u00b0")),
    "phases with deg": Kind(cell=PHASES(lambda v, r: f"{v:.0f} deg")),
    "phases with a long minus": Kind(cell=PHASES(lambda v, r: f"\u2212{360.0 - v}")),
    "clock hours": Kind(cell=PHASES(lambda v, r: clock(v, "{}:{:02}"))),
    "clock hours, leading nought": Kind(cell=PHASES(lambda v, r: clock(v, "{:02}:{:02}"))),
    "clock hours with h": Kind(cell=PHASES(lambda v, r: clock(v, "{}h{:02}"))),
    "clock hours with h and blanks": Kind(cell=PHASES(lambda v, r: clock(v, "{} h {:02}"))),
    "clock hours with seconds": Kind(cell=PHASES(lambda v, r: clock(v, "{}:{:02}:00"))),
    "clock hours in decimals": Kind(cell=PHASES(lambda v, r: f"{v / 30.0} h")),
    "amplitude and phase in one cell": Kind(
        cell=only("V")(lambda v, r: f"{v} / {r['VP']}"),
        columns={f"{V}.amp": None, f"{V}.deg": None, V: "V"}, more={"ignore": ["VP"]},
    ),
    "amplitude at phase": Kind(
        cell=only("V")(lambda v, r: f"{v}@{r['VP']}\u00b0"),
        columns={f"{V}.amp": None, f"{V}.deg": None, V: "V"}, more={"ignore": ["VP"]},
    ),
    "labels of regimes": Kind(
        cell=only("State")(lambda v, r: {"hover": "IGE 10 ft", "cruise": "120 kt"}[v]),
        more={"regimes": {"IGE 10 ft": "hover", "120 kt": "cruise"}}, said="IGE 10 ft",
    ),
    "regimes in other case": Kind(cell=only("State")(lambda v, r: v.upper()), said="HOVER"),
    "runs with a word": Kind(cell=only("Run")(lambda v, r: f"Flight {v}")),
    "runs as decimals": Kind(cell=only("Run")(lambda v, r: f"{v}.0")),
    "runs by date and time, numbered": Kind(
        cell=only("Run")(lambda v, r: f"2026-03-0{v} 10:00"), more={"number_runs": True}, said="1, 2, 3"
    ),
    "job of two columns": Kind(
        cell=only("Job")(lambda v, r: "A"), rows=extra("Visit", lambda i: "-1"),
        columns={"job": ["Job", "Visit"]},
    ),
    "job said in the map": Kind(columns={"job": None}, more={"constants": {"job": "A-1"}, "ignore": ["Job"]}),
    "dates": Kind(rows=extra("Day", lambda i: f"2026-03-{(i + 1) // 2:02}"), columns={"date": "Day"}),
    "dates with points": Kind(
        rows=extra("Day", lambda i: f"{(i + 1) // 2}.3.2026"), columns={"date": "Day"}, more={"date_format": "%d.%m.%Y"}
    ),
    "groups": Kind(rows=extra("Tab", lambda i: "wide"), columns={"group.tab_type": "Tab"}),
    "not read marks": Kind(rows=extra("NR", lambda i: "-"), columns={"rpm": "NR"}),
    "not read marks of their own": Kind(
        rows=extra("NR", lambda i: "missed"), columns={"rpm": "NR"}, more={"not_read": ["missed"]}
    ),
    "blanks around cells": Kind(cell=lambda h, v, r: f"  {v} "),
    "exponents": Kind(cell=only("V", "L")(lambda v, r: f"{v:e}")),
}  # fmt: skip


def in_g(v: float) -> float:
    return abs(unit_factor("ips", "g", ROTOR.rpm / 60.0)) * v


def clock(degrees: float, form: str) -> str:
    hours, minutes = divmod(round(degrees * 2), 60)
    return form.format(hours or 12, minutes)


def write(folder: Path, kind: Kind) -> tuple[Path, ColumnMap]:
    names = [kind.headings.get(h, h) for h in HEADINGS]
    rows = [names, *([kind.cell(h, row[h], row) for h in HEADINGS] for row in TRUTH)]
    rows = kind.rows(rows)
    columns = {o: kind.headings.get(t, t) if isinstance(t, str) else t for o, t in COLUMNS.items()}
    if "headings in other case" in KINDS and kind is KINDS["headings in other case"]:
        columns = dict(COLUMNS)
    columns = {o: t for o, t in {**columns, **kind.columns}.items() if t is not None}
    values = {**MAP, **kind.more, "columns": columns}
    return write_rows(folder, kind, rows), ColumnMap.of_values(values, "map.toml")


def write_rows(folder: Path, kind: Kind, rows: list[list[Any]]) -> Path:
    if kind.workbook:
        openpyxl = pytest.importorskip("openpyxl")
        book = openpyxl.Workbook()
        if "sheet" in kind.more:
            book.active.append(["another sheet"])
            book.create_sheet(kind.more["sheet"])
            book.active = 1
        for row in rows:
            book.active.append(row)
        book.save(folder / "table.xlsx")
        return folder / "table.xlsx"
    text = kind.end.join(
        kind.separator.join(quoted(written(c, kind.decimal), kind.separator) for c in row) for row in rows
    )
    (folder / "table.csv").write_bytes((text + kind.end).encode(kind.encoding))
    return folder / "table.csv"


def written(cell: Any, decimal: str) -> str:
    return str(cell).replace(".", decimal) if isinstance(cell, float) else str(cell)


def quoted(text: str, separator: str) -> str:
    return f'"{text}"' if separator in text else text


def assert_truth(found: Converted) -> None:
    assert not found.faults, [str(f) for f in found.faults]
    names = ("job", "after_run", "blade", "adjuster", "amount")
    from trackbal.base.csv_table import CsvTable

    history = history_of(ROTOR, found.table, CsvTable("", names, ((),) * 5, ()))
    assert [name.replace(" ", "") for name in history.jobs] == ["A-1"] and history.run.tolist() == [1, 2]
    assert (history.vibration_count > 0).sum() == 8
    for row in TRUTH:
        n, r = row["Run"] - 1, [g.name for g in ROTOR.regimes].index(row["State"])
        assert np.abs(history.vibration[n, r, :2]) == pytest.approx([row["V"], row["L"]], rel=1e-9)
        assert phase_deg(history.vibration[n, r, :2]) == pytest.approx([row["VP"], row["LP"]], abs=1e-6)
        tips = np.array([row[f"T{b}"] for b in (1, 2, 3, 4)])
        assert history.height[n, r] == pytest.approx(tips - tips.mean(), abs=1e-9)


@pytest.mark.parametrize("name", KINDS)
def test_a_kind_of_table_comes_out_as_the_history_it_is(name: str, tmp_path: Path) -> None:
    kind = KINDS[name]
    found = convert(ROTOR, *write(tmp_path, kind))
    assert_truth(found)
    told = " ".join([*(f"{a} {b}" for a, b in found.matched), *found.passed_over])
    assert kind.said in told
    assert len(found.matched) >= 10  # every column is told


def test_a_unit_is_converted_at_the_usual_speed_of_the_regime(tmp_path: Path) -> None:
    """Written in g as read at 120 rpm, half the rotor's speed, where the rotor file says that hover is run so."""
    regimes = tuple(replace(r, rpm=120.0) if r.name == "hover" else r for r in ROTOR.regimes)
    rotor = replace(ROTOR, regimes=regimes)
    kind = Kind(cell=only("V")(lambda v, r: f"{in_g(v) / 2.0} g" if r["State"] == "hover" else f"{v} ips"))
    table = convert(rotor, *write(tmp_path, kind)).table
    amplitudes = table.texts(table.position("cockpit_vertical.amp", "a sheet"))
    assert [float(text) for text in amplitudes] == pytest.approx([row["V"] for row in TRUTH], rel=1e-9)


# ------------------------------------------------------------------------------ a row a reading


LONG_MAP = {
    "kind": "history",
    "layout": "long",
    "columns": {"job": "Job", "run": "Run", "regime": "State", "sensor": "Channel", "amp": "A", "deg": "P"},
    "sensors": {"CH1": V, "CH2": L, "Tip 1": "height.1", "Tip 2": "height.2", "Tip 3": "height.3", "Tip 4": "height.4"},
}


def pair(row: list[Any]) -> str:
    return f"{row[4]} @ {row[5]}".replace(".", ",")


def long_rows() -> list[list[Any]]:
    rows: list[list[Any]] = [["Job", "Run", "State", "Channel", "A", "P"]]
    for row in TRUTH:
        start = [row["Job"], row["Run"], row["State"]]
        rows += [[*start, "CH1", row["V"], row["VP"]], [*start, "CH2", row["L"], row["LP"]]]
        rows += [[*start, f"Tip {b}", row[f"T{b}"], ""] for b in (1, 2, 3, 4)]
    return rows


LONG: dict[str, tuple[Callable[[list[list[Any]]], list[list[Any]]], dict[str, Any]]] = {
    "long": (lambda rows: rows, {}),
    "long, sorted by channel": (lambda rows: [rows[0], *sorted(rows[1:], key=lambda r: r[3])], {}),
    "long, a unit a row": (
        lambda rows: [
            [*row, "U"] if i == 0 else [*row[:4], row[4] * mm_s, row[5], "mm/s"] if row[3] == "CH2" else [*row, ""]
            for i, row in enumerate(rows)
        ],
        {"unit": "U"},
    ),
    "long, amplitude and phase in one cell": (
        lambda rows: [
            [*row[:4], row[4] if i == 0 or row[5] == "" else pair(row)] for i, row in enumerate(rows)
        ],
        {"amp": None, "deg": None, "value": "A"},
    ),
    "long, blank and title rows": (lambda rows: [["Flights"], [], *rows[:5], [], *rows[5:]], {}),
}  # fmt: skip


@pytest.mark.parametrize("name", LONG)
def test_a_row_a_reading(name: str, tmp_path: Path) -> None:
    change, columns = LONG[name]
    file = write_rows(tmp_path, Kind(separator=";", decimal=","), change(long_rows()))
    named = {o: t for o, t in {**LONG_MAP["columns"], **columns}.items() if t is not None}  # type: ignore[dict-item]
    assert_truth(convert(ROTOR, file, ColumnMap.of_values({**LONG_MAP, "columns": named}, "map.toml")))


def test_repeats_of_a_long_table_are_repeats(tmp_path: Path) -> None:
    rows = long_rows()
    found = convert(ROTOR, write_rows(tmp_path, Kind(), [*rows, *rows[1:7]]), ColumnMap.of_values(LONG_MAP, "map.toml"))
    assert not found.faults and found.table.rows == 5


# ------------------------------------------------------------------------------ faults


FAULTY: dict[str, tuple[Kind, list[tuple[int, str, str]]]] = {
    "a word for a number": (Kind(cell=only("V")(lambda v, r: "hgh" if v == 0.36 else v)), [(3, "D3", "an amplitude")]),
    "negative amplitude": (Kind(cell=only("V")(lambda v, r: -v if v == 0.36 else v)), [(3, "D3", "at least 0")]),
    "the other decimal sign": (
        Kind(cell=only("V")(lambda v, r: "0,36" if v == 0.36 else v), separator=";"),
        [(3, "D3", "a point before decimals")],
    ),
    "thousands": (
        Kind(cell=only("T1")(lambda v, r: "1.003,5" if v == 3.5 else v), separator=";"), [(3, "H3", "a number")]
    ),
    "phase beyond a turn": (Kind(cell=only("VP")(lambda v, r: 480.0 if v == 90 else v)), [(4, "E4", "-360 to 360")]),
    "hour beyond the clock": (
        Kind(cell=only("VP")(lambda v, r: "14:30" if v == 90 else v)),
        [(4, "E4", "clock hours")],
    ),
    "missing phase": (
        Kind(cell=only("VP")(lambda v, r: "" if v == 90 else v)),
        [(4, "E4", "missing_phase in the map")],
    ),
    "missing amplitude": (Kind(cell=only("V")(lambda v, r: "" if v == 0.12 else v)), [(4, "D4", "the amplitude of")]),
    "unknown regime": (
        Kind(cell=only("State")(lambda v, r: "hovver" if r["VP"] == 90 else v)), [(4, "C4", "did you mean hover?")]
    ),
    "unknown unit": (Kind(cell=only("V")(lambda v, r: f"{v} furlong")), [(2, "D2", "a unit of vibration")] * 4),
    "no run number": (
        Kind(cell=only("Run")(lambda v, r: "first" if r["VP"] == 90 else v)),
        [(4, "B4", "whole number")],
    ),
    "two numbers for a run": (Kind(cell=only("Run")(lambda v, r: f"{v} of 2")), [(2, "B2", "one whole number")] * 4),
    "no job": (Kind(cell=only("Job")(lambda v, r: "" if r["VP"] == 90 else v)), [(4, "A4", "the job of the row")]),
    "mean row without a rule": (
        Kind(rows=lambda rows: [*rows, ["", "", "Mean", 0.3]]),
        [(6, "C6", "a regime of the rotor")],
    ),
    "column not in the map": (Kind(rows=extra("Fuel", str)), [(1, "L1", "every column named")]),
    "column missing": (
        Kind(columns={f"{V}.amp": "Vv"}),
        [(1, "", "did you mean V?"), (1, "D1", "every column named")],
    ),
    "a date that is none": (
        Kind(rows=extra("Day", lambda i: "3/14/26"), columns={"date": "Day"}), [(2, "L2", "date_format")] * 4
    ),
    "a gap in the runs": (Kind(cell=only("Run")(lambda v, r: 3 if v == 2 else v)), [(4, "", "without gaps")]),
    "nothing below the headings": (Kind(rows=lambda rows: rows[:1]), [(1, "", "at least one")]),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTY)
def test_a_faulty_kind_is_named_cell_by_cell(name: str, tmp_path: Path) -> None:
    kind, expected = FAULTY[name]
    faults = convert(ROTOR, *write(tmp_path, kind)).faults
    assert len(faults) >= len(expected)
    for line, cell, words in expected[:1] if len({e[1] for e in expected}) == 1 else expected:
        assert any(f.line == line and f.cell == cell and words in f.expected for f in faults), [str(f) for f in faults]
    if len(expected) > 1:
        assert len(faults) == len(expected)


def test_there_are_over_sixty_kinds() -> None:
    assert len(KINDS) + len(LONG) >= 65 and len(FAULTY) >= 15


def test_all_faults_come_in_one_answer_the_commonest_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def cell(heading: str, value: Any, row: Row) -> Any:
        if heading == "VP":
            return "?"
        return (
            "hgh"
            if heading == "L" and row["Run"] == 1
            else "Boden"
            if heading == "State" and row["L"] == 0.22
            else value
        )

    file, column_map = write(tmp_path, Kind(cell=cell))
    found = convert(ROTOR, file, column_map)
    assert [len(its) for _, its in found.by_kind] == [4, 2, 1]
    (tmp_path / "map.toml").write_text(
        'kind = "history"\n[columns]\n' + "".join(f'"{o}" = "{t}"\n' for o, t in COLUMNS.items())
    )
    (tmp_path / "rotor.toml").write_text(TOML)
    start = ["convert", str(file), "--rotor", str(tmp_path / "rotor.toml"), "--columns", str(tmp_path / "map.toml")]
    assert run([*start, "--check"]) == 2
    out = capsys.readouterr().out
    assert (
        "7 faults; nothing is written" in out and "4 x column VP: expected a phase" in out and "row 2 (E2) '?'" in out
    )
    assert run([*start, "--out", str(tmp_path / "out.csv"), "--json"]) == 2
    answer = json.loads(capsys.readouterr().out)
    assert len(answer["faults"]) == 7 and answer["faults"][0]["cell"] == "E2"
    assert not (tmp_path / "out.csv").exists()


def test_a_missing_phase_as_the_map_says(tmp_path: Path) -> None:
    kind = Kind(cell=only("VP")(lambda v, r: "" if v == 90 else v), more={"missing_phase": "not_read"})
    found = convert(ROTOR, *write(tmp_path, kind))
    assert not found.faults
    assert found.passed_over[f"readings of {V} without phase, taken as not read"] == 1
    assert found.table.columns[found.table.headings.index(f"{V}.amp")][2] == ""


from logbook.logbook_cases import TOML  # noqa: E402


def test_the_same_map_wherever_a_sheet_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, _ = write(tmp_path, Kind(separator=";", decimal=","))
    (tmp_path / "rotor.toml").write_text(TOML)
    columns = "".join(f'"{o}" = "{t}"\n' for o, t in COLUMNS.items())
    (tmp_path / "map.toml").write_text(f'kind = "history"\n[columns]\n{columns}')
    (tmp_path / "adj.csv").write_text("Work;Flight;Blade no;What;How much\nA-1;1;Blade 2;Tip weight;remove 20 g\n")
    (tmp_path / "adj.toml").write_text(
        'kind = "history_adjustments"\n[columns]\njob = "Work"\nafter_run = "Flight"\nblade = "Blade no"\n'
        'adjuster = "What"\namount = "How much"\n'
    )
    rotor = ["--rotor", str(tmp_path / "rotor.toml")]
    maps = ["--columns", str(tmp_path / "map.toml"), "--adjustment-columns", str(tmp_path / "adj.toml")]
    sheets = ["--runs", str(file), "--adjustments", str(tmp_path / "adj.csv")]
    assert run(["convert", str(file), *rotor, *maps[:2], "--out", str(tmp_path / "h.csv")]) == 0
    assert (
        run(["convert", str(tmp_path / "adj.csv"), *rotor, "--columns", maps[3], "--out", str(tmp_path / "a.csv")]) == 0
    )
    assert (tmp_path / "a.csv").read_text() == "job,after_run,blade,adjuster,amount\nA-1,1,2,tip_weight,-20\n"
    own = ["--runs", str(tmp_path / "h.csv"), "--adjustments", str(tmp_path / "a.csv")]
    assert run(["fit", *rotor, *own, "--out", str(tmp_path / "1.json")]) == 0
    assert run(["fit", *rotor, *sheets, *maps, "--out", str(tmp_path / "2.json")]) == 0
    assert (tmp_path / "1.json").read_text() == (tmp_path / "2.json").read_text()
    assert run(["fit", *rotor, *sheets, *maps, "--out", str(tmp_path / "3.json"), "--keep", str(tmp_path / "k")]) == 2
    assert run(["log", "new", str(tmp_path / "b.tblog"), *rotor]) == 0
    assert run(["log", "import", str(tmp_path / "b.tblog"), *sheets, *maps]) == 0
    one = {o: t for o, t in COLUMNS.items() if o not in ("job", "run")}
    columns = "".join(f'"{o}" = "{t}"\n' for o, t in one.items())
    (tmp_path / "run.toml").write_text(f'kind = "run"\nignore = ["Job", "Run"]\n[columns]\n{columns}')
    checked = ["check", *rotor, "--run", str(file), "--columns", str(tmp_path / "run.toml")]
    assert run(checked) in (0, 1)
    assert run(["log", "start", str(tmp_path / "b.tblog"), "B"]) == 0
    assert run(["log", "run", str(tmp_path / "b.tblog"), str(file), "--columns", str(tmp_path / "run.toml")]) in (0, 1)
    capsys.readouterr()
    file.write_text(file.read_text().replace("0,41", "hgh"))
    assert run(checked) == 2
    assert "row 2, column V: found 'hgh', expected an amplitude" in capsys.readouterr().err


def test_settings_of_another_shape_wherever_they_are_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "rotor.toml").write_text(TOML)
    (tmp_path / "run.csv").write_text(f"regime,{V}.amp,{V}.deg,{L}.amp,{L}.deg\nhover,0.4,100,0.3,20\n")
    (tmp_path / "now.csv").write_text("Position;Part;Fitted\nBlade 2;Tip weight;40,0\nBlade 1;Tip weight;10\n")
    (tmp_path / "own.csv").write_text("blade,adjuster,setting\n2,tip_weight,40\n1,tip_weight,10\n")
    (tmp_path / "done.csv").write_text("Position;Part;Amount\nBlade 2;Tip weight;remove 20\n")
    columns = '[columns]\nblade = "Position"\nadjuster = "Part"\n'
    (tmp_path / "now.toml").write_text(f'kind = "settings"\ndecimal = ","\n{columns}setting = "Fitted"\n')
    (tmp_path / "done.toml").write_text(f'kind = "adjustments"\n{columns}amount = "Amount"\n')
    names = ("rotor.toml", "now.csv", "now.toml", "done.csv", "done.toml", "own.csv")
    at = {name: str(tmp_path / name) for name in names}
    rotor = ["--rotor", at["rotor.toml"]]
    now = ["--settings", at["now.csv"], "--settings-columns", at["now.toml"]]
    done = [at["done.csv"], "--adjustment-columns", at["done.toml"]]
    trial = ["trial", *rotor, "--run", str(tmp_path / "run.csv"), "--json"]
    answers = []
    for settings in (now, ["--settings", at["own.csv"]]):
        assert run([*trial, *settings]) == 0
        answers.append(capsys.readouterr().out)
    assert answers[0] == answers[1]
    assert run(["settle", *rotor, *now, "--done", *done, "--out", str(tmp_path / "new.csv")]) == 0
    assert "2,tip_weight,20.0\n" in (tmp_path / "new.csv").read_text()
    book = str(tmp_path / "b.tblog")
    assert run(["log", "new", book, *rotor]) == 0 and run(["log", "start", book, "A", *now]) == 0
    assert run(["log", "run", book, str(tmp_path / "run.csv")]) in (0, 1)
    capsys.readouterr()
    assert run(["log", "done", book, "--sheet", *done, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["done"] == [{"blade": "2", "adjuster": "tip_weight", "amount": "-20"}]
    (tmp_path / "now.csv").write_text("Position;Part;Fitted\nBlade 2;Tip weight;9000\n")
    assert run(["convert", at["now.csv"], *rotor, "--columns", at["now.toml"], "--check"]) == 2
    assert "a setting of tip_weight within" in capsys.readouterr().out  # the report that was asked for
    assert run(["convert", at["now.csv"], *rotor, "--columns", at["now.toml"], "--out", str(tmp_path / "o.csv")]) == 2
    said = capsys.readouterr()
    assert not said.out and "a setting of tip_weight within" in said.err and not (tmp_path / "o.csv").exists()


def test_a_draft_is_a_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [
        ["Work order", "Flight", "Condition", "Cockpit vertical amp [ips]", "Cockpit vertical phase", "Tip 1", "Pilot"],
        ["A-1", 1, "Hover", 0.4, 120, 3.5, "x"],
        ["A-1", 1, "Cruise 1", 0.3, 110, 3.0, "x"],
    ]
    file = write_rows(tmp_path, Kind(separator=";"), rows)
    text = draft(ROTOR, read_table(file), "history")
    (tmp_path / "map.toml").write_text(text)
    column_map = ColumnMap.load(tmp_path / "map.toml")
    assert column_map.columns["job"] == ("Work order",) and column_map.columns["regime"] == ("Condition",)
    assert column_map.columns[f"{V}.amp [ips]"] == ("Cockpit vertical amp [ips]",)
    assert column_map.columns[f"{V}.deg"] == ("Cockpit vertical phase",) and column_map.columns["height.1"] == (
        "Tip 1",
    )
    assert column_map.ignore == ("Pilot",) and column_map.labels["regimes"] == {"Cruise 1": "cruise"}
    assert not convert(ROTOR, file, column_map).faults
    (tmp_path / "rotor.toml").write_text(TOML)
    start = ["convert", str(file), "--rotor", str(tmp_path / "rotor.toml")]
    assert run([*start, "--draft", str(tmp_path / "d.toml")]) == 0 and (tmp_path / "d.toml").read_text() == text
    assert run(start) == 2 and run([*start, "--columns", str(tmp_path / "d.toml")]) == 2
    capsys.readouterr()


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"kind": "flight"}, "one of run, history"),
        ({"kind": "history", "colums": {}}, "did you mean columns?"),
        ({"kind": "history", "columns": {"job": 3}}, "expected a text"),
        ({"kind": "history", "header": 0}, "from 1"),
        ({"kind": "history", "layout": "tall"}, "one of wide, long"),
        ({"kind": "history", "skip": "Mean"}, "a list of texts"),
    ],
    ids=str,
)
def test_a_wrong_map_is_refused(values: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words.replace("?", r"\?")):
        ColumnMap.of_values(values, "map.toml")


def test_a_map_of_another_rotor_is_refused(tmp_path: Path) -> None:
    file, _ = write(tmp_path, Kind())
    for more, words in (
        ({"columns": {**COLUMNS, "nose.amp": "V"}}, "a heading of a sheet"),
        ({"regimes": {"X": "hovr"}}, "one of flat_pitch"),
    ):
        with pytest.raises(InputError, match=words):
            convert(ROTOR, file, ColumnMap.of_values({**MAP, **more}, "map.toml"))


@pytest.mark.parametrize(
    "content", [b"", b"\n\n", b"\x00\x01", b"PK\x03\x04 no"], ids=["empty", "blank", "null", "zip"]
)
def test_what_is_no_table_is_refused(tmp_path: Path, content: bytes) -> None:
    for name in ("t.csv", "t.xlsx"):
        (tmp_path / name).write_bytes(content)
        if name == "t.csv" and content.startswith(b"PK"):
            continue
        with pytest.raises(InputError):
            read_table(tmp_path / name)
    with pytest.raises(InputError, match="No such file"):
        read_table(tmp_path / "none.csv")


@pytest.mark.parametrize(
    ("amount", "taken"),
    [
        ("shorten 2 flats", "-2"),
        ("lengthen 1 Flat", "1"),
        ("2 fl", "2"),
        ("shorten 2 turns", ""),
        ("2 mm", ""),
        ("2", "2"),
    ],
)
def test_an_amount_is_in_the_unit_of_its_adjuster_or_a_fault(tmp_path: Path, amount: str, taken: str) -> None:
    """Two turns are not two flats: what stands behind a number must not be passed over."""
    (tmp_path / "done.csv").write_text(f"Blade;What;How much\n2;pitch_link;{amount}\n")
    (tmp_path / "done.toml").write_text(
        'kind = "adjustments"\n[columns]\nblade = "Blade"\nadjuster = "What"\namount = "How much"\n'
        '[units]\nfl = "flats"\n'
    )
    found = convert(ROTOR, tmp_path / "done.csv", ColumnMap.load(tmp_path / "done.toml"))
    assert [f.expected.split(",")[0] for f in found.faults] == ([] if taken else ["a number of flats"])
    assert not taken or found.table.columns[2][0] == taken


@pytest.mark.parametrize(("rpm", "read"), [("190 rpm", True), ("190 1/min", True), ("100 %", False), ("3.2 Hz", False)])
def test_a_speed_in_another_unit_is_a_fault(tmp_path: Path, rpm: str, read: bool) -> None:
    (tmp_path / "run.csv").write_text(f"Where;Speed;A;P\nhover;{rpm};0.3;20\n")
    (tmp_path / "run.toml").write_text(
        f'kind = "run"\n[columns]\nregime = "Where"\nrpm = "Speed"\n"{V}.amp" = "A"\n"{V}.deg" = "P"\n'
    )
    found = convert(ROTOR, tmp_path / "run.csv", ColumnMap.load(tmp_path / "run.toml"))
    assert [f.heading for f in found.faults] == ([] if read else ["Speed"])


@pytest.mark.parametrize("heading", ["rpm [Hz]", f"{V}.deg [rad]", f"{V}.amp [mm]", "height.1 [cm]", "regime [mm]"])
def test_a_unit_that_a_heading_of_the_map_cannot_have_is_refused(tmp_path: Path, heading: str) -> None:
    (tmp_path / "run.csv").write_text("Where;X\nhover;0.3\n")
    (tmp_path / "run.toml").write_text(f'kind = "run"\n[columns]\nregime = "Where"\n"{heading}" = "X"\n')
    with pytest.raises(InputError, match=r"in the brackets|no brackets here"):
        convert(ROTOR, tmp_path / "run.csv", ColumnMap.load(tmp_path / "run.toml"))
