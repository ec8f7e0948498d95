"""The CSV sheets: what each cell means, and the one clear line for each that means nothing."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_rotor import ROTOR, rotor_with

from trackbal.base.errors import FileExists, InputError
from trackbal.check.review import check_run
from trackbal.runs.rotor import Adjuster, Rotor
from trackbal.runs.run import History, Run
from trackbal.runs.sheets import (
    adjustments_text,
    read_adjustments,
    read_history,
    read_run,
    read_settings,
    write_history,
    write_run,
    write_settings,
)

V = "cockpit_vertical"
RunOf = Callable[..., Run]


@pytest.fixture
def run_of(tmp_path: Path) -> RunOf:
    def read(text: str, rotor: Rotor = ROTOR) -> Run:
        file = tmp_path / "run.csv"
        file.write_bytes(text.encode())
        return read_run(rotor, file)

    return read


def one_line(error: pytest.ExceptionInfo[InputError]) -> str:
    message = str(error.value)
    assert "\n" not in message
    return message


# ------------------------------------------------------------------------------ meaning of cells


def test_a_whole_run(run_of: RunOf) -> None:
    run = run_of(
        f"regime,rpm,{V}.amp,{V}.deg,height.1,height.2,height.3,height.4,note,info.wind\n"
        "flat_pitch,238,0.5,90,12,10,8,6,all calm,3 kt\n"
        "hover,,0.3,-90,,,,,,\n"
    )
    assert run.vibration[0, 0] == pytest.approx(-0.5j, abs=1e-15)
    assert run.vibration[1, 0] == pytest.approx(0.3j, abs=1e-15)
    assert np.isnan(run.vibration[2:]).all() and np.isnan(run.vibration[:, 1:]).all()
    assert run.height[0].tolist() == [3.0, 1.0, -1.0, -3.0]
    assert np.isnan(run.height[1:]).all()
    assert run.vibration_count.tolist() == [[1, 0, 0], [1, 0, 0], [0, 0, 0], [0, 0, 0]]
    assert run.height_count.tolist() == [1, 0, 0, 0]
    assert run.rpm[:2].tolist() == [238.0, 240.0] and np.isnan(run.rpm[2:]).all()
    assert run.notes == (("flat_pitch", "all calm"),)
    assert run.info == (("flat_pitch", "wind", "3 kt"),)
    assert run.spread[0] == 6.0
    assert run.regime_read.tolist() == [True, True, False, False]


@pytest.mark.parametrize(
    ("clock", "degrees"),
    [("12:00", 0), ("0:00", 0), ("3:00", 90), ("4:30", 135), ("04:30", 135), ("11:59", 359.5), ("12:30", 15)],
)
def test_clock_face_is_30_degrees_an_hour(run_of: RunOf, clock: str, degrees: float) -> None:
    by_clock = run_of(f"regime,{V}.amp,{V}.deg\nhover,0.5,{clock}\n")
    by_degrees = run_of(f"regime,{V}.amp,{V}.deg\nhover,0.5,{degrees}\n")
    assert by_clock.vibration[1, 0] == by_degrees.vibration[1, 0]


def test_clock_and_degrees_may_stand_in_one_column(run_of: RunOf) -> None:
    run = run_of(f"regime,{V}.amp,{V}.deg\nhover,0.5,4:30\ncruise,0.5,135\nflat_pitch,,\n")
    assert run.vibration[1, 0] == run.vibration[2, 0]


def test_lead_is_the_conjugate_of_lag(run_of: RunOf) -> None:
    sheet = f"regime,{V}.amp,{V}.deg\nhover,0.5,40\ncruise,0.2,4:30\n"
    lead = run_of(sheet, rotor_with(phase_sense="lead"))
    assert lead.vibration[1:3, 0] == pytest.approx(np.conj(run_of(sheet).vibration[1:3, 0]), rel=1e-15)


def test_acceleration_leads_velocity_at_harmonic_times_the_rows_rpm(run_of: RunOf) -> None:
    """v = a / (i omega), g = 9.80665 m/s^2 (3rd CGPM 1901), inch = 25.4 mm (1959)."""
    run = run_of(f"regime,rpm,{V}.amp [g],{V}.deg\nhover,300,0.1,90\ncruise,,0.1,90\n")
    for regime, rpm in ((1, 300.0), (2, 240.0)):
        size_ips = 0.1 * 9.80665 / (2.0 * math.pi * rpm / 60.0) / 0.0254
        # a lags by 90; v follows a quarter turn later: it lags by 180
        assert run.vibration[regime, 0] == pytest.approx(-size_ips, rel=1e-12)


def test_a_second_harmonic_sensor_converts_at_twice_the_speed(run_of: RunOf) -> None:
    run = run_of("regime,rpm,tail.amp [ips],tail.deg\nhover,300,1,0\n")
    size_g = 0.0254 * 2.0 * (2.0 * math.pi * 300.0 / 60.0) / 9.80665
    assert run.vibration[1, 2] == pytest.approx(1j * size_g, rel=1e-12)  # leads by 90: lag -90


def test_lead_phases_turn_the_right_way_with_the_unit(run_of: RunOf) -> None:
    """The same physical motion: in lag 90 degrees, in lead 270; the converted phasor must agree."""
    lag = run_of(f"regime,{V}.amp [g],{V}.deg\nhover,0.1,90\n")
    lead = run_of(f"regime,{V}.amp [g],{V}.deg\nhover,0.1,270\n", rotor_with(phase_sense="lead"))
    assert lead.vibration[1, 0] == pytest.approx(lag.vibration[1, 0], rel=1e-12)


def test_mm_per_second_equals_ips_and_inches_equal_mm(run_of: RunOf) -> None:
    metric = run_of(
        f"regime,{V}.amp [mm/s],{V}.deg [deg],height.1,height.2,height.3,height.4\nhover,12.7,30,25.4,0,0,0"
    )
    inch = run_of(f"regime,{V}.amp,{V}.deg,height.1 [in],height.2,height.3,height.4\nhover,0.5,30,1,0,0,0")
    assert metric.vibration[1, 0] == pytest.approx(inch.vibration[1, 0], rel=1e-14)
    assert metric.height[1] == pytest.approx(inch.height[1], rel=1e-14)
    assert metric.height[1] == pytest.approx([19.05, -6.35, -6.35, -6.35])


def test_repeats_are_averaged_as_phasors_and_their_scatter_kept(run_of: RunOf) -> None:
    run = run_of(
        f"regime,{V}.amp,{V}.deg,height.1,height.2,height.3,height.4\n"
        "hover,0.4,0,1,0,0,-1\nhover,0.4,90,3,0,0,-3\nhover,,,9,9,9,\n"
    )
    assert run.vibration[1, 0] == pytest.approx(0.2 - 0.2j, rel=1e-14)  # not 0.4 in amplitude
    assert run.vibration_count[1, 0] == 2
    assert run.vibration_squares[1, 0] == pytest.approx(2 * 0.08)
    assert run.height[1].tolist() == [2.0, 0.0, 0.0, -2.0]
    assert (run.height_count[1], run.height_squares[1]) == (2, 4.0)


def test_equal_repeats_scatter_by_exactly_nothing(run_of: RunOf) -> None:
    row = "hover,0.37,123.4,1.1,2.3,3.7,4.9\n"
    header = f"regime,{V}.amp,{V}.deg,height.1,height.2,height.3,height.4\n"
    once, thrice = run_of(header + row), run_of(header + 3 * row)
    assert thrice.vibration[1, 0] == once.vibration[1, 0]
    assert thrice.vibration_squares.max() == 0.0 and thrice.height_squares.max() == 0.0


def test_a_missing_tip_gives_no_heights_but_is_recorded(run_of: RunOf) -> None:
    run = run_of("regime,height.1,height.2,height.3\nhover,1,2,3\n")
    assert np.isnan(run.height).all() and run.height_count.sum() == 0
    assert run.height_taken[1].tolist() == [True, True, True, False]
    assert not run.regime_read.any()


def test_heights_where_none_are_wanted_are_passed_over(run_of: RunOf) -> None:
    run = run_of(f"regime,{V}.amp,{V}.deg,height.1,height.2,height.3,height.4\ndescent,0.1,0,1,2,3,4\n")
    assert np.isnan(run.height).all() and run.height_count[3] == 0


def test_amplitude_zero_needs_no_phase(run_of: RunOf) -> None:
    run = run_of(f"regime,{V}.amp,{V}.deg\nhover,0,\n")
    assert run.vibration[1, 0] == 0.0 and run.vibration_count[1, 0] == 1


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"], ids=["lf", "crlf", "cr"])
@pytest.mark.parametrize("mark", ["", "\ufeff"], ids=["plain", "byte-order-mark"])
def test_line_endings_blanks_and_blank_lines(run_of: RunOf, ending: str, mark: str) -> None:
    lines = [f"{mark} regime , {V}.amp,{V}.deg [deg] ", "", ' hover, 0.5 ,"90"', ",,", "   ", "cruise,+.25e0,9e1"]
    run = run_of(ending.join(lines))
    assert run.vibration[1:3, 0] == pytest.approx([-0.5j, -0.25j], abs=1e-15)


def test_quoted_notes_may_hold_commas_and_lines(run_of: RunOf) -> None:
    run = run_of(f'regime,{V}.amp,{V}.deg,note\nhover,0.1,0,"gusts, ""light""\r\nlater calm"\n')
    assert run.notes == (("hover", 'gusts, "light"\nlater calm'),)


# ------------------------------------------------------------------------------ refused run sheets

HEAD = f"regime,{V}.amp,{V}.deg,height.1"
REFUSED = {
    # id: (sheet, row, column, part of what is found, part of what is expected)
    "empty": ("", None, None, "an empty file", "header"),
    "blank-lines-only": ("\n \n,,\n", None, None, "an empty file", "header"),
    "header-only": (f"{HEAD}\n", None, None, "no readings", "a reading"),
    "no-reading": (f"{HEAD}\nhover,,,\n", None, None, "no readings", "a reading"),
    "no-reading-column": ("regime,note\nhover,x\n", 1, None, "no column of readings", ".amp"),
    "semicolons": ("regime;height.1\nhover;1\n", 1, None, "regime;height.1", "separated by commas"),
    "tabs": ("regime\theight.1\nhover\t1\n", 1, None, "regime", "separated by commas"),
    "short-row": (f"{HEAD}\nhover,0.1,0,1\ncruise,0.1\n", 3, None, "2 cells", "4"),
    "long-row": (f"{HEAD}\n\n\nhover,0.1,0,1,\n", 4, None, "5 cells", "4"),
    "no-regime-column": (f"{V}.amp,{V}.deg\n0.1,0\n", 1, None, "no column regime", "a run sheet"),
    "unknown-column": (f"{HEAD},hieght.2\nhover,0.1,0,1,2\n", 1, "hieght.2", "hieght.2", "did you mean height.2?"),
    "column-case": (f"Regime,{V}.amp,{V}.deg\nhover,0.1,0\n", 1, "Regime", "Regime", "did you mean regime?"),
    "bare-info": (f"{HEAD},info.\nhover,0.1,0,1,2\n", 1, "info.", "info.", "info.<anything>"),
    "job-in-a-run": (f"job,{HEAD}\na,hover,0.1,0,1\n", 1, "job", "job", "regime"),
    "column-twice": (f"{HEAD},{V}.amp\nhover,0.1,0,1,2\n", 1, f"{V}.amp", V, "once"),
    "reading-in-two-units": (f"{HEAD},{V}.amp [mm/s]\nhover,0.1,0,1,2\n", 1, f"{V}.amp [mm/s]", V, "one column"),
    "height-in-two-units": (f"{HEAD},height.1 [in]\nhover,0.1,0,1,2\n", 1, "height.1 [in]", "height.1", "one column"),
    "empty-heading": (f"{HEAD},\nhover,0.1,0,1,\n", 1, None, "an empty heading", "column 5"),
    "amp-without-deg": (f"regime,{V}.amp\nhover,0.1\n", 1, f"{V}.amp", f"no column {V}.deg", "phase"),
    "deg-without-amp": (f"regime,{V}.deg\nhover,0.1\n", 1, f"{V}.deg", f"no column {V}.amp", "amplitude"),
    "unknown-unit": (f"regime,{V}.amp [cm/s],{V}.deg\nhover,1,0\n", 1, f"{V}.amp [cm/s]", "cm/s", "mm/s"),
    "phase-unit": (f"regime,{V}.amp,{V}.deg [rad]\nhover,1,0\n", 1, f"{V}.deg [rad]", "rad", "deg"),
    "height-unit": ("regime,height.1 [ips]\nhover,1\n", 1, "height.1 [ips]", "ips", "mm or in"),
    "regime-unit": ("regime [x],height.1\nhover,1\n", 1, "regime [x]", "x", "no brackets"),
    "unknown-regime": (f"{HEAD}\nhoover,0.1,0,1\n", 2, "regime", "hoover", "did you mean hover?"),
    "empty-regime": (f"{HEAD}\n,0.1,0,1\n", 2, "regime", "an empty cell", "a regime of the rotor"),
    "amp-without-phase": (f"{HEAD}\nhover,0.1,,1\n", 2, f"{V}.deg", "an empty cell", "the phase of"),
    "phase-without-amp": (f"{HEAD}\nhover,,20,1\n", 2, f"{V}.amp", "an empty cell", "the amplitude of"),
    "amp-negative": (f"{HEAD}\nhover,-0.1,0,1\n", 2, f"{V}.amp", "-0.1", "at least 0"),
    "decimal-comma": (f'{HEAD}\nhover,"0,1",0,1\n', 2, f"{V}.amp", "0,1", "decimal point"),
    "bare-quote": (f'{HEAD}\nhover,"0.1,0,1\n', 2, None, "unexpected end of data", "quotation marks"),
    "text-after-quote": (f'{HEAD}\nhover,"0.1"2,0,1\n', 2, None, "expected after", "quotation marks"),
    "after-a-note-of-two-lines": (f'{HEAD},note\nhover,0.1,0,1,"a\nb"\nhover,x,0,1,\n', 4, f"{V}.amp", "x", "a number"),
    "cell-too-long": (f"{HEAD}\nhover,{'1' * 200_000},0,1\n", 2, None, "field larger than", "comma-separated"),
    "not-utf-8": (f"{HEAD}\nhover,0.1,0,1\n\udce9", 3, None, "byte 0xe9", "UTF-8"),
}
for value in ("nan", "inf", "-inf", "1_0", "0x1", "1e400", "2e12", "1 2", "--1", "1.2.3", "e5", ".", "١", "1e", "４"):
    REFUSED[f"number-{value}"] = (f"{HEAD}\ncruise,0.1,0,1\nhover,0.1,0,{value}\n", 3, "height.1", value, "a number")
for value in ("360.5", "-361", "13:00", "4:60", "4:3", "4:300", "-1:00", "4:30:00", "4.5:00", ":30", "4:", "١:30"):
    REFUSED[f"phase-{value}"] = (f"{HEAD}\nhover,0.1,{value},1\n", 2, f"{V}.deg", value, "clock hours as 4:30")
for value in ("0", "-240", "1e9"):
    REFUSED[f"rpm-{value}"] = (f"rpm,{HEAD}\n{value},hover,0.1,0,1\n", 2, "rpm", value, "above 0")


@pytest.mark.parametrize(("sheet", "row", "column", "found", "expected"), REFUSED.values(), ids=REFUSED.keys())
def test_a_bad_run_sheet_is_refused_in_one_line(
    tmp_path: Path, sheet: str, row: int | None, column: str | None, found: str, expected: str
) -> None:
    file = tmp_path / "run.csv"
    file.write_bytes(sheet.encode(errors="surrogateescape"))
    with pytest.raises(InputError) as caught:
        read_run(ROTOR, file)
    message = one_line(caught)
    assert (caught.value.row, caught.value.column) == (row, column)
    assert message.startswith(str(file))
    before, _, after = message.partition(", expected ")
    assert found in before.partition("found ")[2]
    assert expected in after


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for name in ("missing.csv", "", "null\0byte"):
        with pytest.raises(InputError) as caught:
            read_run(ROTOR, tmp_path / name)
        assert "expected a CSV file that can be read" in one_line(caught)


def test_a_file_beyond_the_largest_size_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trackbal.base.csv_table.LARGEST_FILE", 1024)
    (tmp_path / "big.csv").write_text("regime,height.1\n" + "hover,1\n" * 200)
    with pytest.raises(InputError, match="a larger file"):
        read_run(ROTOR, tmp_path / "big.csv")


# ------------------------------------------------------------------------------ history

HISTORY = (
    f"job,run,regime,{V}.amp,{V}.deg\n"
    "b,1,hover,0.4,0\n"
    "a,2,hover,0.1,0\n"
    "a,1,cruise,0.2,0\n"
    "a,1,hover,0.3,0\n"
    "a,3,hover,0.05,0\n"
    "a,1,hover,0.5,0\n"
)
MADE = (
    "job,after_run,blade,adjuster,amount\n"
    "a,1,2,tip_weight,50\na,2,2,tip_weight,-20\na,1,4,pitch_link,3\na,3,1,tip_weight,10\nb,1,1,tip_weight,10\n"
)


def history_of(folder: Path, runs: str, made: str) -> History:
    (folder / "runs.csv").write_text(runs)
    (folder / "made.csv").write_text(made)
    return read_history(ROTOR, folder / "runs.csv", folder / "made.csv")


def test_a_whole_history(tmp_path: Path) -> None:
    history = history_of(tmp_path, HISTORY, MADE)
    assert history.jobs == ("b", "a")
    assert history.job.tolist() == [0, 1, 1, 1]
    assert history.run.tolist() == [1, 1, 2, 3]
    assert history.vibration[:, 1, 0].real == pytest.approx([0.4, 0.4, 0.1, 0.05])
    assert history.vibration_count[:, 1, 0].tolist() == [1, 2, 1, 1]
    assert history.vibration_squares[1, 1, 0] == pytest.approx(0.02)
    assert history.vibration[1, 2, 0] == pytest.approx(0.2)
    assert history.vibration.shape == (4, 4, 3) and history.height.shape == (4, 4, 4)
    assert history.change[:, 0, 1].tolist() == [0.0, 0.0, 50.0, 30.0]  # summed; after the last run: not flown
    assert history.change[:, 1, 3].tolist() == [0.0, 0.0, 3.0, 3.0]
    assert np.count_nonzero(history.change) == 4


def test_an_adjustments_sheet_may_be_empty_below_its_header(tmp_path: Path) -> None:
    history = history_of(tmp_path, HISTORY, "job,after_run,blade,adjuster,amount\n")
    assert not history.change.any()


@pytest.mark.parametrize("rows", ["", "a,1,hover,,\n"], ids=["header-only", "no-reading"])
def test_a_history_without_readings_is_refused(tmp_path: Path, rows: str) -> None:
    with pytest.raises(InputError, match="found 'no readings'"):
        history_of(tmp_path, f"job,run,regime,{V}.amp,{V}.deg\n{rows}", MADE)


@pytest.mark.parametrize(
    ("old", "new", "row", "column", "expected"),
    [
        ("a,2,hover", "a,4,hover", 6, "run", "run 2 of job a"),
        ("b,1,hover", "b,2,hover", 2, "run", "run 1 of job b"),
        ("b,1,hover", "b,0,hover", 2, "run", "at least 1"),
        ("b,1,hover", "b,1.0,hover", 2, "run", "a whole number"),
        ("b,1,hover", "b,,hover", 2, "run", "a whole number"),
        ("b,1,hover", f"b,{'9' * 30},hover", 2, "run", "a whole number"),
        ("b,1,hover", ",1,hover", 2, "job", "name of a job"),
        ("job,run", "job,rn", 1, "rn", "did you mean run?"),
    ],
)
def test_bad_runs_of_a_history(tmp_path: Path, old: str, new: str, row: int, column: str, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        history_of(tmp_path, HISTORY.replace(old, new, 1), MADE)
    assert expected in one_line(caught)
    assert (caught.value.row, caught.value.column) == (row, column)


@pytest.mark.parametrize(
    ("old", "new", "row", "column", "expected"),
    [
        ("b,1,1", "c,1,1", 6, "job", "a job of the history sheet"),
        ("b,1,1", "b,2,1", 6, "after_run", "one of the 1 runs of job b"),
        ("b,1,1", "b,0,1", 6, "after_run", "at least 1"),
        ("b,1,1", "b,1,7", 6, "blade", "a blade of the rotor: 1, 2, 3, 4"),
        ("b,1,1,tip_weight", "b,1,1,tip_wieght", 6, "adjuster", "did you mean tip_weight?"),
        ("b,1,1,tip_weight,10", "b,1,1,tip_weight,", 6, "amount", "a number"),
        ("b,1,1,tip_weight,10", "a,1,2,tip_weight,1", 6, None, "one row for each"),
        ("after_run", "run", 1, "run", "after_run"),
    ],
)
def test_bad_adjustments_of_a_history(
    tmp_path: Path, old: str, new: str, row: int, column: str | None, expected: str
) -> None:
    with pytest.raises(InputError) as caught:
        history_of(tmp_path, HISTORY, MADE.replace(old, new, 1))
    assert expected in one_line(caught)
    assert (caught.value.row, caught.value.column) == (row, column)


WHOSE = (
    f"job,run,aircraft,date,group.tab_type,group.a b [x],regime,{V}.amp,{V}.deg\n"
    "b,1,T-2,2026-03-31,wide,,hover,0.4,0\n"
    "a,2,T-1,2026-03-30T23:30-02:00,,north,hover,0.1,0\n"
    "a,1,T-1,,wide,,cruise,0.2,0\n"
    "a,1,T-1,,wide,,hover,0.3,0\n"
    "c,1,T-2,2026-04-02 07:05,narrow,,hover,0.3,0\n"
    "d,1,,20260403,,,hover,0.3,0\n"
)
NOTHING_MADE = "job,after_run,blade,adjuster,amount\n"


def test_whose_runs_they_are(tmp_path: Path) -> None:
    history = history_of(tmp_path, WHOSE, NOTHING_MADE)
    assert history.jobs == ("b", "a", "c", "d")
    assert history.aircraft == ("T-2", "T-1", "T-2", "d")  # not said: the job is its own aircraft
    assert history.aircraft_of_job.tolist() == [0, 1, 0, 2]
    dates = ["2026-03-31T00:00:00", "NaT", "2026-03-31T01:30:00", "2026-04-02T07:05:00", "2026-04-03T00:00:00"]
    assert history.date.astype(str).tolist() == dates
    assert history.groups == ("tab_type", "a b [x]")
    assert history.group.tolist() == [["wide", ""], ["wide", ""], ["", "north"], ["narrow", ""], ["", ""]]
    part = history.of_runs(np.array([0, 3]))
    assert part.date.tolist() == history.date[[0, 3]].tolist() and part.group.tolist() == [["wide", ""], ["narrow", ""]]
    part = history.of_jobs(np.array([1, 3]))
    assert part.jobs == ("a", "d") and part.aircraft == ("T-1", "d") and part.job.tolist() == [0, 0, 1]


def test_whose_runs_they_are_is_written_and_read_back(tmp_path: Path) -> None:
    history = history_of(tmp_path, WHOSE, NOTHING_MADE)
    write_history(ROTOR, tmp_path / "r2.csv", tmp_path / "m2.csv", history, force=False)
    again = read_history(ROTOR, tmp_path / "r2.csv", tmp_path / "m2.csv")
    assert again.aircraft == history.aircraft and again.groups == history.groups
    assert again.date.astype(str).tolist() == history.date.astype(str).tolist()
    assert again.group.tolist() == history.group.tolist()


def test_a_history_that_says_nothing_of_whose_runs_they_are(tmp_path: Path) -> None:
    history = history_of(tmp_path, HISTORY, MADE)
    assert history.aircraft == history.jobs and history.groups == ()
    assert np.isnat(history.date).all() and history.date.shape == (4,) and history.group.shape == (4, 0)
    write_history(ROTOR, tmp_path / "r2.csv", tmp_path / "m2.csv", history, force=False)
    assert (tmp_path / "r2.csv").read_text().startswith("job,run,regime,")


@pytest.mark.parametrize(
    ("old", "new", "row", "column", "expected"),
    [
        ("a,1,T-1,,wide,,hover", "a,1,T-9,,wide,,hover", 5, "aircraft", "T-1 as in row 3, of the same job"),
        ("a,1,T-1,,wide,,hover", "a,1,,,wide,,hover", 5, "aircraft", "T-1 as in row 3, of the same job"),
        ("a,1,T-1,,wide,,hover", "a,1,T-1,2026-01-01,wide,,hover", 5, "date", "an empty cell as in row 4"),
        ("a,1,T-1,,wide,,hover", "a,1,T-1,,Wide,,hover", 5, "group.tab_type", "wide as in row 4, of the same run"),
        ("2026-03-31,", "31.3.2026,", 2, "date", "a date as 2026-03-31"),
        ("2026-03-31,", "2026-02-30,", 2, "date", "a date as 2026-03-31"),
        ("2026-03-31,", "0001-01-01T00:00+23:00,", 2, "date", "a date as 2026-03-31"),
        ("group.tab_type", "group.", 1, "group.", "group.<name>"),
        ("aircraft", "aircaft", 1, "aircaft", "did you mean aircraft?"),
    ],
)
def test_rows_that_differ_in_whose_they_are(
    tmp_path: Path, old: str, new: str, row: int, column: str, expected: str
) -> None:
    with pytest.raises(InputError) as caught:
        history_of(tmp_path, WHOSE.replace(old, new, 1), NOTHING_MADE)
    assert expected in one_line(caught)
    assert (caught.value.row, caught.value.column) == (row, column)


def test_a_run_sheet_has_no_column_of_whose_run_it_is(run_of: RunOf) -> None:
    for name in ("aircraft", "date", "group.base"):
        with pytest.raises(InputError, match=f"found '{name}'"):
            run_of(f"regime,{name},{V}.amp,{V}.deg\nhover,x,0.1,0\n")


# ------------------------------------------------------------------------------ adjustments, settings


def test_adjustments_and_settings(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("adjuster,blade,amount\npitch_link,3,-2\ntip_weight,1,20.5\n")
    expected = np.zeros((2, 4))
    expected[1, 2], expected[0, 0] = -2.0, 20.5
    assert read_adjustments(ROTOR, file).tolist() == expected.tolist()
    file.write_text("blade,adjuster,setting\n1,tip_weight,600\n")
    assert read_settings(ROTOR, file)[0].tolist() == [600.0, 0.0, 0.0, 0.0]
    assert not read_settings(ROTOR, None).any()


@pytest.mark.parametrize(
    ("text", "row", "column", "expected"),
    [
        ("blade,adjuster,setting\n1,tip_weight,610\n", 2, "setting", "within 0 to 600 g"),
        ("blade,adjuster,setting\n1,tip_weight,600.00000002\n", 2, "setting", "within 0 to 600 g"),
        ("blade,adjuster,setting\n\n4,pitch_link,-12.5\n", 3, "setting", "within -12 to 12 flats"),
        ("blade,adjuster,setting\n1,tip_weight,10\n1,tip_weight,10\n", 3, None, "one row for each"),
        ("blade,adjuster,setting,note\n1,tip_weight,10,x\n", 1, "note", "blade, adjuster, setting"),
        ("blade,adjuster\n1,tip_weight\n", 1, None, "a settings sheet"),
        ("blade,adjuster,amount\n1,tip_weight,1\n", 1, "amount", "a settings sheet"),
    ],
)
def test_bad_settings(tmp_path: Path, text: str, row: int, column: str | None, expected: str) -> None:
    file = tmp_path / "s.csv"
    file.write_text(text)
    with pytest.raises(InputError) as caught:
        read_settings(ROTOR, file)
    assert expected in one_line(caught)
    assert (caught.value.row, caught.value.column) == (row, column)


def test_a_setting_may_leave_its_range_by_less_than_1e_9_step(tmp_path: Path) -> None:
    file = tmp_path / "s.csv"
    file.write_text("blade,adjuster,setting\n1,tip_weight,600.000000009\n")
    assert read_settings(ROTOR, file)[0, 0] == 600.000000009


def test_a_setting_is_needed_where_0_is_outside_the_range(tmp_path: Path) -> None:
    shim = Adjuster("shim", "weight", "mm", 0.5, 1.0, 5.0, 2.0, "add", "remove")
    rotor = rotor_with(adjusters=(shim,))
    with pytest.raises(InputError) as caught:
        read_settings(rotor, None)
    assert "no setting of shim on blade 1" in one_line(caught)
    file = tmp_path / "s.csv"
    file.write_text("blade,adjuster,setting\n1,shim,2\n2,shim,2\n4,shim,2\n")
    with pytest.raises(InputError, match="no setting of shim on blade 3"):
        read_settings(rotor, file)


# ------------------------------------------------------------------------------ writing


def test_written_adjustments_and_settings_read_back_to_the_last_bit(tmp_path: Path) -> None:
    change = np.array([[0.1 + 0.2, 0.0, -1 / 3, 1e-17], [0.0, 1e11 / 7, 0.0, -5.0]])
    (tmp_path / "a.csv").write_text(adjustments_text(ROTOR, change))
    assert read_adjustments(ROTOR, tmp_path / "a.csv").tolist() == change.tolist()
    setting = np.array([[0.0, 0.1 + 0.2, 600.0, 1 / 3], [-12.0, 0.0, 12.0, 0.7]])
    write_settings(ROTOR, tmp_path / "s.csv", setting, force=False)
    assert read_settings(ROTOR, tmp_path / "s.csv").tolist() == setting.tolist()


def test_nothing_is_overwritten_without_force(tmp_path: Path, run_of: RunOf) -> None:
    run = run_of(f"regime,{V}.amp,{V}.deg\nhover,0.1,0\n")
    taken = tmp_path / "taken.csv"
    taken.write_text("mine")
    with pytest.raises(FileExists):
        write_run(ROTOR, taken, run, force=False)
    assert taken.read_text() == "mine"
    history = history_of(tmp_path, HISTORY, MADE)
    with pytest.raises(FileExists):
        write_history(ROTOR, tmp_path / "new.csv", taken, history, force=False)
    assert not (tmp_path / "new.csv").exists()
    write_run(ROTOR, taken, run, force=True)
    assert read_run(ROTOR, taken).vibration[1, 0] == run.vibration[1, 0]


def test_a_run_of_single_readings_is_written_without_loss(tmp_path: Path, run_of: RunOf) -> None:
    run = run_of(
        f"regime,rpm,{V}.amp [mm/s],{V}.deg,tail.amp,tail.deg,height.1,height.2,height.3,height.4"
        ",note,info.wind,info.fuel\n"
        'cruise,239.5,3.3,1:17,0,,1.1,2.2,3.3,4.5,"a, ""b""\nc",5 kt,\n'
        "hover,,,,0.01,-12.5,,2,,,,,half\n"
        "hover,,,,,,,,,,more,calm,\n"
        "hover,,,,,,,,,,still more,,\n"
    )
    write_run(ROTOR, tmp_path / "copy.csv", run, force=False)
    again = read_run(ROTOR, tmp_path / "copy.csv")
    np.testing.assert_allclose(again.vibration, run.vibration, rtol=1e-14, atol=0)
    np.testing.assert_allclose(again.height, run.height, rtol=1e-14, atol=0)
    assert again.vibration_count.tolist() == run.vibration_count.tolist()
    assert again.height_count.tolist() == run.height_count.tolist()
    assert np.array_equal(again.rpm, run.rpm, equal_nan=True)
    assert (again.notes, again.info) == (run.notes, run.info)
    assert len(run.notes) == 3 and len(run.info) == 3


def test_a_history_is_written_and_read_back(tmp_path: Path) -> None:
    history = history_of(tmp_path, HISTORY + "b,2,hover,,\nb,3,descent,0.1,10\n", MADE)
    write_history(ROTOR, tmp_path / "r2.csv", tmp_path / "m2.csv", history, force=False)
    again = read_history(ROTOR, tmp_path / "r2.csv", tmp_path / "m2.csv")
    assert again.jobs == history.jobs
    assert again.job.tolist() == history.job.tolist() and again.run.tolist() == history.run.tolist()
    np.testing.assert_allclose(again.vibration, history.vibration, rtol=1e-14, atol=0)
    assert again.change.tolist() == history.change.tolist()
    assert re.match(r"job,after_run,blade,adjuster,amount\n", (tmp_path / "m2.csv").read_text())


def test_a_sensor_in_root_mean_square_says_the_same_with_limits_as_small(run_of: RunOf) -> None:
    def root(value: float | None) -> float | None:
        return None if value is None else value / math.sqrt(2.0)

    first, *others = ROTOR.sensors
    rms = rotor_with(
        sensors=(replace(first, unit=f"{first.unit} rms", limit=0.1, stop=root(1.2), go_on=root(first.go_on)), *others)
    )
    peak = rotor_with(sensors=(replace(first, limit=0.1 * math.sqrt(2.0), stop=1.2), *others))
    text = "regime,{0}.amp{1},{0}.deg\nhover,{2},40\n"
    typed = run_of(text.format(V, "", 0.3 / math.sqrt(2.0)), rms)
    for heading, value in ((f" [{first.unit}]", 0.3), (" [mm/s]", 7.62), (" [mm/s rms]", 7.62 / math.sqrt(2.0))):
        np.testing.assert_allclose(run_of(text.format(V, heading, value), rms).vibration, typed.vibration, rtol=1e-12)
    worst = check_run(rms, typed).worst_ratio
    assert worst == pytest.approx(check_run(peak, run_of(text.format(V, "", 0.3), peak)).worst_ratio)
    assert worst == pytest.approx(0.3 / math.sqrt(2.0) / 0.1)
