"""The CSV sheets under any input: a correct result or one clear line, and what must not change a result."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from how_much import examples
from hypothesis import given
from hypothesis import strategies as st
from invented_rotor import ROTOR, rotor_with

from trackbal.base.errors import InputError
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.sheets import read_adjustments, read_history, read_run, read_settings, write_run

often = examples(40, 200)

#: Columns that go together, and others.
GOOD_HEADINGS = [
    ["rpm"],
    ["note"],
    ["info.wind"],
    ["cockpit_vertical.amp", "cockpit_vertical.deg"],
    ["cockpit_vertical.amp [mm/s]", "cockpit_vertical.deg"],
    ["tail.amp [mil]", "tail.deg [deg]"],
    ["height.1", "height.2 [in]", "height.3", "height.4"],
]
ODD_HEADINGS = [["tail.amp"], ["height.1"], ["height.5"], ["height.1 []"], ["]"], ["after_run"], ["setting"], [""]]
HEADINGS = st.sampled_from(GOOD_HEADINGS * 6 + ODD_HEADINGS)
GROUPS = st.lists(HEADINGS, min_size=1, max_size=3, unique_by=lambda group: group[0].partition(".")[0])
LEADING = st.sampled_from([["regime"], ["job", "run", "regime"], ["regime"], ["blade", "adjuster", "amount"]])
FIRST_CELLS = {
    "regime": st.sampled_from(["hover"] * 4 + ["flat_pitch", "descent", "hoover"]),
    "job": st.sampled_from(["a", "a", "b", ""]),
    "run": st.sampled_from(["1", "1", "1", "2", "x"]),
    "blade": st.sampled_from(["1", "2", "3", "9"]),
    "adjuster": st.sampled_from(["tip_weight", "pitch_link", "tab"]),
}
#: Cells that fit any column of readings, and cells of every kind.
FITTING = st.sampled_from(["0", "0.25", "1", "2", "3.", ".5", "1e2", "12.5", "-0"])
ODD_CELLS = ["", "hover", "-3e1", "4:30", "12:59", "400", "1e11", "1e-300", "a", "tip_weight", "nan", "inf", "1_0"]
ODD_MARKS = ["1,5", '"', '"x"', "\u0661", "\x00", "\r"]
CELLS = st.one_of(
    st.sampled_from(ODD_CELLS), st.sampled_from(ODD_MARKS), st.text(max_size=6), st.floats(allow_nan=True).map(repr)
)
SEPARATORS = st.sampled_from([","] * 12 + [";", "\t"])
ENDS = st.sampled_from(["\n", "\r\n", "\r", "\n\n"])


def refuse_or_read(read: Callable[..., Any], *args: Any) -> Any:
    """Return the result, or None for one clear line; anything else raised fails the test."""
    try:
        return read(*args)
    except InputError as error:
        assert str(error).splitlines() == [str(error)]
        assert ": found " in str(error) and ", expected " in str(error)
        return None


def read_all_ways(file: Path) -> None:
    run = refuse_or_read(read_run, ROTOR, file)
    if run is not None:
        check_consistent(run)
    for read in (read_adjustments, read_settings):
        values = refuse_or_read(read, ROTOR, file)
        assert values is None or np.isfinite(values).all()
    made = file.with_name("made.csv")
    made.write_text("job,after_run,blade,adjuster,amount\n")
    history = refuse_or_read(read_history, ROTOR, file, made)
    if history is not None:
        assert np.array_equal(~np.isnan(history.vibration), history.vibration_count > 0)
        assert np.array_equal(~np.isnan(history.height).any(axis=2), history.height_count > 0)
        starts = np.flatnonzero(np.diff(history.job, prepend=-1))
        assert (history.run[starts] == 1).all() and set(np.diff(history.run)[np.diff(history.job) == 0]) <= {1}
    good = file.with_name("history.csv")
    good.write_text("job,run,regime,height.1\n1,1,hover,0.25\na,1,hover,1\n1,2,hover,\n")
    refuse_or_read(read_history, ROTOR, good, file)


def check_consistent(run: Run, *, datum: float = 0.0) -> None:
    """Check what holds of any run; tips were typed from a `datum`, whose rounding the heights keep."""
    assert np.array_equal(~np.isnan(run.vibration), run.vibration_count > 0)
    assert np.isfinite(run.vibration[run.vibration_count > 0]).all()
    assert np.array_equal(~np.isnan(run.height).any(axis=1), run.height_count > 0)
    assert (run.vibration_squares >= 0.0).all() and np.isfinite(run.vibration_squares).all()
    assert (run.vibration_squares[run.vibration_count < 2] == 0.0).all()
    assert (run.height_squares >= 0.0).all()
    read = run.height[run.height_read]
    about_mean = 1e-12 * np.abs(read).max(initial=1e-9) + 4.0 * np.finfo(float).eps * datum
    assert np.abs(read.mean(axis=1)).max(initial=0.0) <= about_mean


@given(st.binary(max_size=300))
@often
def test_any_bytes(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "any.csv").write_bytes(data)
    read_all_ways(tmp_path / "any.csv")


@st.composite
def plausible_sheets(draw: st.DrawFn) -> str:
    separator, end = draw(SEPARATORS), draw(ENDS)
    header = draw(LEADING)
    if header[0] != "blade" or draw(st.booleans()):
        header = [*header, *(heading for group in draw(GROUPS) for heading in group)]
    row = st.tuples(*(FIRST_CELLS.get(heading, FITTING) for heading in header)).map(list)
    rows = draw(st.lists(row, min_size=draw(st.sampled_from([0, 1, 1, 1])), max_size=4))
    for _ in range(draw(st.sampled_from([0, 0, 1, 2])) if rows else 0):
        at = draw(st.integers(0, len(rows) - 1))
        column = draw(st.integers(0, len(header)))
        rows[at][column : column + 1] = [draw(CELLS)]  # one past the end: a cell too many
    return end.join(separator.join(row) for row in [header, *rows])


@given(plausible_sheets())
@often
def test_plausible_sheets(tmp_path: Path, text: str) -> None:
    (tmp_path / "any.csv").write_bytes(text.encode("utf-8"))
    read_all_ways(tmp_path / "any.csv")


# ------------------------------------------------------------------------------ valid sheets

#: One row as values: regime, and the readings or None.
AMPLITUDES = st.one_of(st.none(), st.floats(0.001, 10.0))
READINGS = st.tuples(AMPLITUDES, st.integers(0, 719).map(lambda half_degrees: half_degrees / 2.0))
HEIGHTS = st.one_of(st.none(), st.lists(st.floats(-200.0, 200.0), min_size=4, max_size=4))
ROWS = st.lists(
    st.tuples(st.sampled_from([r.name for r in ROTOR.regimes]), st.lists(READINGS, min_size=3, max_size=3), HEIGHTS),
    min_size=1,
    max_size=8,
).filter(lambda rows: any(amp is not None for _, readings, _ in rows for amp, _ in readings))
Rows = list[tuple[str, list[tuple[float | None, float]], list[float] | None]]


def clock(degrees: float) -> str:
    """Return degrees, a multiple of 0.5, as hours of a clock face."""
    hours, minutes = divmod(round(degrees * 2.0), 60)
    return f"{hours or 12}:{minutes:02}"


def sheet(
    rows: Rows,
    *,
    phase: Callable[[float], object] = repr,
    unit: str = "",
    scale: float = 1.0,
    add: float = 0.0,
) -> str:
    header = ["regime"]
    for sensor in ROTOR.sensors:
        header += [f"{sensor.name}.amp{unit if sensor.unit == 'ips' else ''}", f"{sensor.name}.deg"]
    lines = [",".join(header + [f"height.{b}" for b in ROTOR.blades])]
    for regime, readings, heights in rows:
        cells = [regime]
        for (amp, degrees), sensor in zip(readings, ROTOR.sensors, strict=True):
            size = scale if sensor.unit == "ips" else 1.0
            cells += ["", ""] if amp is None else [repr(amp * size), str(phase(degrees))]
        cells += [""] * 4 if heights is None else [repr(h + add) for h in heights]
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


def read_text(folder: Path, text: str, rotor: Rotor = ROTOR, *, datum: float = 0.0) -> Run:
    (folder / "run.csv").write_text(text)
    run = read_run(rotor, folder / "run.csv")
    check_consistent(run, datum=datum)
    return run


def assert_same(one: Run, other: Run, *, height_slack: float = 1e-12) -> None:
    np.testing.assert_allclose(one.vibration, other.vibration, rtol=1e-12, atol=1e-14)
    np.testing.assert_allclose(one.vibration_squares, other.vibration_squares, rtol=1e-9, atol=1e-13)
    np.testing.assert_allclose(one.height, other.height, rtol=0, atol=height_slack * 1e3)
    np.testing.assert_allclose(one.height_squares, other.height_squares, rtol=1e-9, atol=height_slack * 1e6)
    assert np.array_equal(one.vibration_count, other.vibration_count)
    assert np.array_equal(one.height_count, other.height_count)
    assert np.array_equal(one.height_taken, other.height_taken)


@given(ROWS)
@often
def test_the_mean_is_that_of_the_definition(tmp_path: Path, rows: Rows) -> None:
    """Against a plain loop over A exp(-i phi), regime by regime."""
    run = read_text(tmp_path, sheet(rows))
    for r, regime in enumerate(ROTOR.regimes):
        for s in range(3):
            taken = [x[s] for name, x, _ in rows if name == regime.name and x[s][0] is not None]
            phasors = np.array([amp * np.exp(-1j * np.pi * degrees / 180.0) for amp, degrees in taken])
            assert run.vibration_count[r, s] == len(phasors)
            if len(phasors):
                assert run.vibration[r, s] == pytest.approx(phasors.mean(), rel=1e-12, abs=1e-12)
                squares = (np.abs(phasors - phasors.mean()) ** 2).sum()
                assert run.vibration_squares[r, s] == pytest.approx(squares, rel=1e-9, abs=1e-20)


@given(ROWS)
@often
def test_millimetres_per_second_equal_inches_per_second(tmp_path: Path, rows: Rows) -> None:
    metric = read_text(tmp_path, sheet(rows, unit=" [mm/s]", scale=25.4))
    assert_same(metric, read_text(tmp_path, sheet(rows)))


@given(ROWS)
@often
def test_clock_face_equals_degrees(tmp_path: Path, rows: Rows) -> None:
    assert_same(read_text(tmp_path, sheet(rows, phase=clock)), read_text(tmp_path, sheet(rows)))


@given(ROWS)
@often
def test_lead_equals_negated_lag(tmp_path: Path, rows: Rows) -> None:
    lead = read_text(tmp_path, sheet(rows, phase=lambda degrees: repr(-degrees)), rotor_with(phase_sense="lead"))
    assert_same(lead, read_text(tmp_path, sheet(rows)))


@given(ROWS, st.floats(-1000.0, 1000.0))
@often
def test_the_datum_of_heights_does_not_matter(tmp_path: Path, rows: Rows, datum: float) -> None:
    assert_same(read_text(tmp_path, sheet(rows, add=datum), datum=abs(datum)), read_text(tmp_path, sheet(rows)))


@given(ROWS, st.randoms(use_true_random=False))
@often
def test_repeats_may_come_in_any_order(tmp_path: Path, rows: Rows, random: Any) -> None:
    mixed = random.sample(rows, len(rows))
    assert_same(read_text(tmp_path, sheet(mixed)), read_text(tmp_path, sheet(rows)))


@given(ROWS)
@often
def test_written_and_read_back_the_means_are_the_same(tmp_path: Path, rows: Rows) -> None:
    run = read_text(tmp_path, sheet(rows))
    write_run(ROTOR, tmp_path / "copy.csv", run, force=True)
    again = read_run(ROTOR, tmp_path / "copy.csv")
    np.testing.assert_allclose(again.vibration, run.vibration, rtol=1e-14, atol=0)
    np.testing.assert_allclose(again.height, run.height, rtol=0, atol=1e-12)
    assert np.array_equal(again.vibration_read, run.vibration_read)
    assert np.array_equal(again.rpm, run.rpm, equal_nan=True)


@given(ROWS, st.data())
@often
def test_one_changed_cell_is_read_or_named(tmp_path: Path, rows: Rows, data: st.DataObject) -> None:
    lines = [line.split(",") for line in sheet(rows).splitlines()]
    row = data.draw(st.integers(1, len(lines) - 1))
    column = data.draw(st.integers(0, len(lines[0]) - 1))
    lines[row][column] = data.draw(CELLS.filter(lambda cell: not set(cell) & set(',"\r\n')))
    (tmp_path / "run.csv").write_text("\n".join(map(",".join, lines)), encoding="utf-8")
    try:
        check_consistent(read_run(ROTOR, tmp_path / "run.csv"))
    except InputError as error:
        if ": found 'no readings'" not in str(error):
            assert error.row == row + 1
            # an emptied or added amplitude or phase may be named at its counterpart
            pair = {column} if column in (0, *range(7, 11)) else {column, (column - 1 ^ 1) + 1}
            assert error.column in {lines[0][c] for c in pair}


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(1, 4), st.floats(-5, 5)), max_size=12))
@often
def test_changes_add_up_run_by_run(tmp_path: Path, made: list[tuple[int, int, float]]) -> None:
    """The change before run n is the sum of all amounts recorded after earlier runs (definition)."""
    made = list({(blade, after): (blade, after, amount) for blade, after, amount in made}.values())
    runs = "".join(f"x,{n},hover,{n}\n" for n in (3, 1, 4, 2))
    (tmp_path / "runs.csv").write_text(f"job,run,regime,height.1\n{runs}")
    text = "".join(f"x,{after},{blade + 1},pitch_link,{amount!r}\n" for blade, after, amount in made)
    (tmp_path / "made.csv").write_text(f"job,after_run,blade,adjuster,amount\n{text}")
    history = read_history(ROTOR, tmp_path / "runs.csv", tmp_path / "made.csv")
    for n in range(4):
        for b in range(4):
            expected = sum(amount for blade, after, amount in made if blade == b and after < n + 1)
            assert history.change[n, 1, b] == pytest.approx(expected, abs=1e-12)
