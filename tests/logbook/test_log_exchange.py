"""Sheets out of a logbook and back; fit on a logbook; workbooks."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from invented_rotor import ROTOR
from logbook_cases import Command, invented_influence, sheet

from trackbal.commands.group import run as run_command
from trackbal.logbook.exchange import read_logbooks
from trackbal.runs.run import History
from trackbal.runs.sheets import read_history

HIGH = {"flat_pitch": (0.5, 40.0), "hover": (0.4, 50.0), "cruise": (0.6, 60.0), "descent": (0.3, 20.0)}


@pytest.fixture
def worked(book: Path, files: Path, command: Command) -> Path:
    """Return a logbook with three jobs: units, clock phases, repeats, notes, corrections, a withdrawn run."""
    (files / "settings.csv").write_text("blade,adjuster,setting\n1,tip_weight,020\n3,pitch_link,-1.50\n")
    command("run", book, sheet(files / "run.csv", HIGH), "--anyway")
    command("done", book, "--item", "2", "tip_weight", "+30", "--item", "1", "pitch_link", "-1.0")
    command("run", book, sheet(files / "run.csv", HIGH), "--anyway")
    command("done", book, "--nothing")
    command("run", book, sheet(files / "run.csv", HIGH), "--anyway")
    command("done", book, "--item", "4", "tip_weight", "10")
    command("correct", "withdraw", book, 2)
    command("close", book, "--outcome", "put away")
    command("start", book, "No. 7, the old one", "--settings", files / "settings.csv")
    (files / "odd.csv").write_text(
        "regime,rpm,cockpit_vertical.amp [mm/s],cockpit_vertical.deg,tail.amp,tail.deg,"
        "height.1,height.2,height.3,height.4,note,info.wind\n"
        'hover,238,7.90,4:30,0.031,200,0.010,1,2,3,"gusts, ""strong""",12 kt\n'
        "flat_pitch,,5.5,350,,,,,,,=SUM(A1),\n"
        "hover,,8.1,140,0.030,198,0.02,1,2,3,,\n"
    )
    command("run", book, files / "odd.csv", "--anyway")
    command("correct", "reading", book, 1, "hover", "cockpit_vertical.deg", "141", "--repeat", "2")
    command("done", book, "--item", "3", "pitch_link", "2")
    command("run", book, files / "odd.csv", "--anyway")
    command("close", book, "--outcome", "put away")
    command("start", book, "C")
    command("run", book, files / "odd.csv", "--anyway")
    return book


def export(command: Command, book: Path, folder: Path, *more: object) -> list[str]:
    folder.mkdir(exist_ok=True)
    out = [folder / name for name in ("runs.csv", "adjustments.csv", "settings.csv")]
    options = ["--runs", out[0], "--adjustments", out[1], "--settings", out[2]]
    code, _, error = command("export", book, *options, *more)
    assert code == 0, error
    return [file.read_text() for file in out]


def take_in(command: Command, files: Path, folder: Path) -> Path:
    book = folder / "again.tblog"
    assert command("new", book, "--rotor", files / "rotor.toml")[0] == 0
    options = ["--runs", folder / "runs.csv", "--adjustments", folder / "adjustments.csv"]
    code, _, error = command("import", book, *options, "--settings", folder / "settings.csv")
    assert code == 0, error
    return book


def assert_same(one: History, other: History) -> None:
    assert one.jobs == other.jobs
    for name in ("job", "run", "vibration", "vibration_count", "vibration_squares", "height", "height_count", "change"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    np.testing.assert_allclose(one.height_squares, other.height_squares, rtol=1e-12)


@pytest.mark.parametrize("one_unit", [False, True], ids=["mixed-units", "one-unit"])
def test_out_in_out_is_the_same(worked: Path, files: Path, command: Command, one_unit: bool) -> None:
    more = ["--job", "No. 7, the old one-1"] if one_unit else []
    first = export(command, worked, files / "first", *more)
    second = export(command, take_in(command, files, files / "first"), files / "second")
    assert first == second


def test_cells_stand_as_typed(worked: Path, files: Path, command: Command) -> None:
    runs, adjustments, settings = export(command, worked, files / "out", "--job", "No. 7, the old one-1")
    lines = runs.splitlines()
    assert lines[0].startswith(
        "job,run,aircraft,date,regime,rpm,cockpit_vertical.amp [mm/s],cockpit_vertical.deg,tail.amp"
    )
    start = '"No. 7, the old one-1",1,"No. 7, the old one",'
    assert all(line.startswith(start) for line in lines[1:4])
    undated = [line.removeprefix(start).partition(",")[2] for line in lines[1:4]]
    assert undated[0].startswith('hover,238,7.90,4:30,0.031,200,0.010,1,2,3,"gusts, ""strong"""')
    assert undated[2].startswith("hover,,8.1,141,")
    assert adjustments.splitlines()[1:] == ['"No. 7, the old one-1",1,3,pitch_link,2']
    assert settings.splitlines()[1:] == [
        '"No. 7, the old one-1",1,tip_weight,020',
        '"No. 7, the old one-1",3,pitch_link,-1.50',
    ]


def test_the_history_is_that_of_the_sheets(worked: Path, files: Path, command: Command) -> None:
    export(command, worked, files / "out")
    from_sheets = read_history(ROTOR, files / "out" / "runs.csv", files / "out" / "adjustments.csv")
    from_log = read_logbooks(ROTOR, [str(worked)])
    assert from_log.jobs == ("A-1", "No. 7, the old one-1", "C-1")
    # a column has one unit, so that mixed units come out converted: equal to rounding, not to the bit
    for name in ("vibration", "height", "vibration_squares"):
        np.testing.assert_allclose(getattr(from_log, name), getattr(from_sheets, name), rtol=1e-12, atol=1e-12)
    np.testing.assert_array_equal(from_log.change, from_sheets.change)
    assert from_log.aircraft == from_sheets.aircraft == ("A", "No. 7, the old one", "C")
    assert not np.isnat(from_log.date).any() and np.array_equal(from_log.date, from_sheets.date)
    assert from_log.change[1][0].tolist() == [0.0, 30.0, 0.0, 0.0]  # of the withdrawn run 2 nothing but its changes
    export(command, worked, files / "one", "--job", "No. 7, the old one-1")
    one = take_in(command, files, files / "one")
    assert_same(
        read_logbooks(ROTOR, [str(one)]),
        read_history(ROTOR, files / "one" / "runs.csv", files / "one" / "adjustments.csv"),
    )


def test_date_and_groups_of_a_run(book: Path, files: Path, command: Command) -> None:
    said = ["--date", "2026-03-31", "--group", "tab_type=wide", "--group", "base=north, old"]
    assert command("run", book, sheet(files / "run.csv", HIGH), *said)[0] in (0, 1)
    command("done", book, "--nothing")
    command("run", book, sheet(files / "run2.csv", HIGH), "--group", "tab_type=narrow")
    command("close", book, "--outcome", "put away")
    first = export(command, book, files / "first")
    lines = first[0].splitlines()
    assert lines[0].startswith("job,run,aircraft,date,group.base,group.tab_type,regime")
    assert all(line.startswith('A-1,1,A,2026-03-31,"north, old",wide,') for line in lines[1:5])
    again = take_in(command, files, files / "first")
    assert export(command, again, files / "second") == first
    history = read_logbooks(ROTOR, [str(again)])
    assert history.groups == ("base", "tab_type")
    assert history.group.tolist() == [["north, old", "wide"], ["", "narrow"]]
    assert str(history.date[0]).startswith("2026-03-31T00") and history.date[1] > history.date[0]


@pytest.mark.parametrize(
    "said", [["--date", "31.3.2026"], ["--group", "wide"], ["--group", "=x"], ["--group", "a=b\nc"]], ids=str
)
def test_a_run_with_a_wrong_date_or_group_is_not_taken(book: Path, files: Path, command: Command, said: list) -> None:
    before = book.read_bytes()
    code, _, error = command("run", book, sheet(files / "run.csv", HIGH), *said)
    assert code == 2 and error.count("\n") == 1 and "expected a" in error
    assert book.read_bytes() == before


def test_runs_taken_in_without_a_date_have_none(book: Path, files: Path, command: Command) -> None:
    """The day they were typed in is not the day they were flown."""
    runs, adjustments = fleet(files)
    assert command("import", book, "--runs", runs, "--adjustments", adjustments)[0] == 0
    assert np.isnat(read_logbooks(ROTOR, [str(book)]).date).all()


def fleet(folder: Path, seed: int = 4) -> tuple[Path, Path]:
    """Write the sheets of five jobs that follow the invented influence, with a little noise."""
    from trackbal.runs.sheets import write_history

    rng = np.random.default_rng(seed)
    influence = invented_influence()
    jobs, runs = 5, 4
    change = rng.integers(-3, 4, size=(jobs, runs, 2, 4)) * np.array([20.0, 1.0])[:, None]
    change[:, 0] = 0.0
    total = change.cumsum(axis=1).reshape(jobs * runs, 2, 4)
    start = rng.normal(size=(jobs, 1, 4, 3, 2)) @ np.array([1.0, 1j]) * 0.3
    noise = rng.normal(size=(jobs * runs, 4, 3, 2)) @ np.array([1.0, 1j]) * 0.005
    vibration = np.repeat(start, runs, axis=1).reshape(-1, 4, 3) + influence.vibration_change(ROTOR, total) + noise
    height = influence.height_change(total) + rng.normal(size=(jobs * runs, 4, 4))
    height -= height.mean(axis=-1, keepdims=True)
    height[:, 3] = np.nan
    history = History(
        jobs=tuple(f"job{j}" for j in range(jobs)),
        job=np.repeat(np.arange(jobs), runs),
        run=np.tile(np.arange(1, runs + 1), jobs),
        vibration=vibration,
        vibration_count=np.ones(vibration.shape, dtype=int),
        vibration_squares=np.zeros(vibration.shape),
        height=height,
        height_count=np.tile([1, 1, 1, 0], (jobs * runs, 1)),
        height_squares=np.zeros((jobs * runs, 4)),
        change=total,
    )
    write_history(ROTOR, folder / "h.csv", folder / "a.csv", history, force=True)
    return folder / "h.csv", folder / "a.csv"


def test_fit_on_a_logbook_is_fit_on_its_sheets(files: Path, command: Command, capsys) -> None:
    runs, adjustments = fleet(files)
    book = files / "fleet.tblog"
    command("new", book, "--rotor", files / "rotor.toml")
    assert command("import", book, "--runs", runs, "--adjustments", adjustments)[0] == 0
    start = ["fit", "--rotor", str(files / "rotor.toml"), "--out"]
    assert run_command([*start, str(files / "1.json"), "--runs", str(runs), "--adjustments", str(adjustments)]) == 0
    assert run_command([*start, str(files / "2.json"), "--log", str(book)]) == 0
    assert json.loads((files / "1.json").read_text()) == json.loads((files / "2.json").read_text())
    assert run_command([*start, str(files / "3.json"), "--log", str(book), "--log", str(book)]) == 2
    assert run_command([*start, str(files / "3.json"), "--log", str(book), "--runs", str(runs)]) == 2
    assert run_command([*start, str(files / "3.json")]) == 2
    assert not (files / "3.json").exists()
    capsys.readouterr()


def test_jobs_of_the_same_name_in_two_logbooks(files: Path, command: Command) -> None:
    books = [files / "one.tblog", files / "two.tblog"]
    for seed, book in enumerate(books):
        place = files / f"{seed}"
        place.mkdir()
        runs, adjustments = fleet(place, seed)
        command("new", book, "--rotor", files / "rotor.toml")
        command("import", book, "--runs", runs, "--adjustments", adjustments)
    history = read_logbooks(ROTOR, [str(book) for book in books])
    assert len(set(history.jobs)) == 10 and len(history.run) == 40
    assert history.jobs[0] == f"{books[0]}: job0"


def test_an_import_with_a_fault_takes_in_nothing(book: Path, files: Path, command: Command) -> None:
    runs, adjustments = fleet(files)
    before = book.read_bytes()
    text = runs.read_text()
    for bad, said in (
        (text.replace("job4,4,", "job4,5,"), "without gaps"),
        (text.replace("cruise", "cruse", 1), "did you mean cruise?"),
        (text.replace("job,run,", "job,rum,"), "rum"),
    ):
        runs.write_text(bad)
        code, _, error = command("import", book, "--runs", runs, "--adjustments", adjustments)
        assert code == 2 and said in error, error
    runs.write_text(text)
    good = adjustments.read_text()
    for row, said in (("job9,1,1,tip_weight,10", "a job of the history"), ("job0,7,1,tip_weight,10", "one of the 4")):
        adjustments.write_text(good + row + "\n")
        code, _, error = command("import", book, "--runs", runs, "--adjustments", adjustments)
        assert code == 2 and said in error and f"row {len(good.splitlines()) + 1}" in error, error
    assert book.read_bytes() == before
    adjustments.write_text(good)
    assert command("import", book, "--runs", runs, "--adjustments", adjustments)[0] == 0
    code, _, error = command("import", book, "--runs", runs, "--adjustments", adjustments)
    assert code == 2 and "not in the logbook yet" in error


def test_nothing_is_overwritten(worked: Path, files: Path, command: Command) -> None:
    taken = files / "taken.csv"
    taken.write_text("mine")
    code, _, _ = command("export", worked, "--runs", files / "free.csv", "--adjustments", taken)
    assert code == 2 and taken.read_text() == "mine" and not (files / "free.csv").exists()
    assert command("export", worked, "--runs", files / "free.csv", "--adjustments", taken, "--force")[0] == 0


# ------------------------------------------------------------------------------ workbooks


def test_a_workbook_out_in_out_is_the_same(worked: Path, files: Path, command: Command) -> None:
    pytest.importorskip("openpyxl")
    first = export(command, worked, files / "first")
    assert command("export", worked, "--xlsx", files / "all.xlsx")[0] == 0
    book = files / "again.tblog"
    command("new", book, "--rotor", files / "rotor.toml")
    code, _, error = command("import", book, "--xlsx", files / "all.xlsx")
    assert code == 0, error
    assert export(command, book, files / "second") == first


def test_a_run_sheet_as_a_workbook(book: Path, files: Path, command: Command) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    import datetime

    workbook = openpyxl.Workbook()
    page = workbook.active
    page.append(["regime", "cockpit_vertical.amp", "cockpit_vertical.deg", "note"])
    page.append(["hover", 0.31, datetime.time(4, 30), "typed 4:30"])
    page.append(["cruise", 1, 120.0, None])
    workbook.save(files / "run.xlsx")
    code, _, error = command("run", book, files / "run.xlsx")
    assert code == 0, error
    rows = export(command, book, files / "out")[0].splitlines()
    assert [row.startswith("A-1,1,A,20") for row in rows[1:]] == [True, True]
    assert [row.split(",", 4)[4] for row in rows[1:]] == ["hover,0.31,4:30,typed 4:30", "cruise,1,120,"]
    page.append(["hover", "x", 1, None])
    workbook.save(files / "run.xlsx")
    code, _, error = command("run", book, files / "run.xlsx")
    assert code == 2 and "row 4, column cockpit_vertical.amp: found 'x'" in error


def test_no_workbook_and_no_openpyxl(book: Path, files: Path, command: Command, monkeypatch) -> None:
    pytest.importorskip("openpyxl")
    (files / "run.xlsx").write_text("not a workbook")
    code, _, error = command("run", book, files / "run.xlsx")
    assert code == 2 and "an .xlsx workbook" in error and error.count("\n") == 1
    monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
    code, _, error = command("run", book, files / "run.xlsx")
    assert code == 2 and "pip install 'trackbal[xlsx]'" in error
