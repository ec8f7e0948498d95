"""Repeated readings held against one another before they are averaged; copies of rows and jobs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_rotor import ROTOR

from trackbal.check.plausibility import find_all
from trackbal.fitting.fit import fit
from trackbal.records.audit import audit
from trackbal.runs.repeats import without_odd
from trackbal.runs.run import History
from trackbal.runs.sheets import read_history, read_run, write_history

V, L = "cockpit_vertical", "cockpit_lateral"
HEADINGS = f"regime,{V}.amp,{V}.deg,{L}.amp,{L}.deg,height.1,height.2,height.3,height.4"
TIPS = np.array([3.0, -2.0, 6.0, -7.0])
NOISE = 0.006


def rows_of(
    rng: np.random.Generator, repeats: int, vertical: complex = 0.3 + 0.1j, tips: np.ndarray = TIPS
) -> list[list[str]]:
    """Return rows of one regime, with the noise of a steady run."""
    rows = []
    for _ in range(repeats):
        cells = []
        for mean in (vertical, 0.2 - 0.25j):
            reading = mean + NOISE * (rng.normal() + 1j * rng.normal())
            cells += [repr(float(abs(reading))), repr(float(-np.degrees(np.angle(reading))))]
        rows.append([*cells, *map(repr, (tips + rng.normal(scale=0.4, size=4)).tolist())])
    return rows


SLIPS = {
    "unit": (lambda row: [repr(25.4 * float(row[0])), *row[1:]], "written in mm/s"),
    "decimal": (lambda row: [repr(10.0 * float(row[0])), *row[1:]], "a decimal place too large"),
    "half-turn": (lambda row: [row[0], repr(float(row[1]) + 180.0), *row[2:]], "a phase off by 180 degrees"),
    "sense": (lambda row: [row[0], repr(-float(row[1])), *row[2:]], "a phase in the other sense"),
    "inches": (lambda row: [*row[:4], *(repr(float(h) / 25.4) for h in row[4:])], "heights in in"),
    "blades": (lambda row: [*row[:4], *row[5:], row[4]], "heights listed from blade 2 on"),
    "down": (lambda row: [*row[:4], *(repr(-float(h)) for h in row[4:])], "heights with down as positive"),
}


@pytest.mark.parametrize("slip", SLIPS)
@pytest.mark.parametrize("repeats", [20, 12, 3])
def test_one_of_many_is_named_with_its_likely_mistake(tmp_path: Path, slip: str, repeats: int) -> None:
    spoil, words = SLIPS[slip]
    rows = rows_of(np.random.default_rng(5), repeats)
    rows[1] = spoil(rows[1])
    # another regime read soundly says how large the noise is where few repeats do not
    more = [["hover", *row] for row in rows_of(np.random.default_rng(6), 12, tips=2 * TIPS)]
    text = "\n".join(map(",".join, [[HEADINGS], *(["cruise", *row] for row in rows), *more]))
    (tmp_path / "run.csv").write_text(text)
    run = read_run(ROTOR, tmp_path / "run.csv")
    (odd,) = run.odd
    assert f"cruise, {'tip heights' if 'height' in words else V}: row 3 is unlike" in odd.text
    assert words in odd.text
    (finding,) = [f for f in find_all(ROTOR, run, None) if f.kind == "repeat"]
    assert finding.severity == "doubt" and finding.text == odd.text


def test_of_two_it_is_said_that_they_disagree(tmp_path: Path) -> None:
    rows = rows_of(np.random.default_rng(5), 2)
    rows[1] = SLIPS["unit"][0](rows[1])
    (tmp_path / "run.csv").write_text("\n".join(map(",".join, [[HEADINGS], *(["cruise", *row] for row in rows)])))
    (odd,) = read_run(ROTOR, tmp_path / "run.csv").odd
    assert "row 2 and row 3 disagree; which is right cannot be told, one is probably written in mm/s" in odd.text
    assert odd.without[0].count == 0


@pytest.mark.parametrize("repeats", [2, 3, 8])
def test_sound_repeats_are_left_alone(tmp_path: Path, repeats: int) -> None:
    accused = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        rows = [[r, *row] for r in ("flat_pitch", "hover", "cruise") for row in rows_of(rng, repeats)]
        (tmp_path / "run.csv").write_text("\n".join(map(",".join, [[HEADINGS], *rows])))
        accused += len(read_run(ROTOR, tmp_path / "run.csv").odd)
    assert accused <= 1  # one sheet in a thousand by the threshold


INFLUENCE = np.array([-0.002 + 0.001j, 0.03 - 0.02j])


def history_rows(rng: np.random.Generator, jobs: int, repeats: int) -> tuple[list[list[str]], list[list[str]]]:
    """Return rows of jobs of three runs in one regime, and their adjustments on blade 1."""
    rows, made = [], []
    for j in range(jobs):
        start, tips = complex(*rng.normal(scale=0.3, size=2)), rng.normal(scale=6.0, size=4)
        for run in (1, 2, 3):
            rows += [[f"j{j}", str(run), "cruise", *row] for row in rows_of(rng, repeats, start, tips)]
            for adjuster, amount, effect in zip(
                ("tip_weight", "pitch_link"), rng.permutation([30, 1]), INFLUENCE, strict=True
            ):
                made.append([f"j{j}", str(run), "1", adjuster, str(amount)])
                start += float(amount) * effect
    return rows, made


def written(folder: Path, rows: list[list[str]], made: list[list[str]]) -> History:
    (folder / "runs.csv").write_text("\n".join(map(",".join, [["job,run", HEADINGS], *rows])))
    (folder / "made.csv").write_text("\n".join(map(",".join, [["job,after_run,blade,adjuster,amount"], *made])))
    return read_history(ROTOR, folder / "runs.csv", folder / "made.csv")


def test_one_row_in_another_unit_does_not_move_the_noise(tmp_path: Path) -> None:
    rows, made = history_rows(np.random.default_rng(3), 8, 4)
    clean = fit(ROTOR, written(tmp_path, rows, made))
    rows[41][3:] = SLIPS["unit"][0](rows[41][3:])
    history = written(tmp_path, rows, made)
    spoiled, trusting = fit(ROTOR, history), fit(ROTOR, history, robust=False)
    noise = [f.influence.vibration_noise[2, 0] for f in (clean, spoiled, trusting)]
    assert noise[1] == pytest.approx(noise[0], rel=0.1)
    assert noise[2] > 8 * noise[0]  # what relying on it would do
    (aside,) = spoiled.set_aside
    assert (aside.job, aside.run) == (
        "j3",
        2,
    ) and "row 43 is unlike its 3 repeats, probably written in mm/s" in aside.why
    assert aside.why in [s.why for s in spoiled.suspects]
    (finding,) = audit(ROTOR, history, clean.influence).findings
    assert (finding.job, finding.run, finding.best.kind) == ("j3", 2, "repeat")


@pytest.mark.parametrize("usual", [1, 2], ids=["others-not-repeated", "others-repeated"])
def test_two_aircraft_under_one_job_are_named(tmp_path: Path, usual: int) -> None:
    rng = np.random.default_rng(8)
    rows, made = history_rows(rng, 9, usual)
    one, other = (history_rows(np.random.default_rng(seed), 1, 1) for seed in (21, 22))
    both = [["two", *row[1:]] for row in one[0]] + [["two", *row[1:]] for row in other[0]]
    history = written(tmp_path, rows + both, made + [["two", *row[1:]] for row in one[1]])
    (odd,) = history.odd
    assert odd.job == "two" and "cannot be one aircraft's" in odd.text
    assert not without_odd(history).vibration_count[history.job == history.jobs.index("two")].any()
    influence = fit(ROTOR, history).influence
    (finding,) = audit(ROTOR, history, influence).findings
    assert (finding.job, finding.best.kind) == ("two", "two_in_job")
    assert np.abs(influence.alpha[:, 2, 0] - INFLUENCE) == pytest.approx(0.0, abs=0.003)


def test_a_row_that_resumes_a_finished_run_is_a_sign(tmp_path: Path) -> None:
    rows, made = history_rows(np.random.default_rng(3), 8, 2)
    strange = SLIPS["half-turn"][0](rows[6][3:])
    rows.insert(12, ["j1", "1", "cruise", *strange])  # after run 3 of job j1
    (odd,) = written(tmp_path, rows, made).odd
    assert "row 14 is unlike its 2 repeats" in odd.text and odd.text.endswith("after a later one had begun")


def test_a_row_that_resumes_a_finished_run_is_named_though_it_agrees(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It may be another run's under a wrong number, and its repeats cannot tell where it is the only one."""
    from logbook.logbook_cases import TOML

    from trackbal.commands.group import run

    rows, made = history_rows(np.random.default_rng(3), 8, 2)
    rows.insert(12, rows.pop(6))  # one of the two repeats of a regime in run 1 of job j1, after run 3
    history = written(tmp_path, rows, made)
    said = "1 row of the sheet goes on with a run after a later one had begun: row 14 (job j1 run 1)"
    assert not history.odd and any(line.startswith(said) for line in fit(ROTOR, history).cautions)
    (tmp_path / "rotor.toml").write_text(TOML)
    start = ["--rotor", str(tmp_path / "rotor.toml")]
    sheets = ["--runs", str(tmp_path / "runs.csv"), "--adjustments", str(tmp_path / "made.csv")]
    assert run(["audit", *start, *sheets]) == 0
    assert said in " ".join(capsys.readouterr().err.split())
    kept = ["--keep", str(tmp_path / "kept.npz"), "--out", str(tmp_path / "i.json")]
    with (tmp_path / "made.csv").open("a") as sheet:
        sheet.write("\nj2,1,3,tip_weight,99999")
    assert run(["fit", *start, *sheets, *kept]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert said in words and "more than its whole range" in words
    book = str(tmp_path / "a.tblog")
    assert run(["log", "new", book, *start]) == 0
    capsys.readouterr()
    assert run(["log", "import", book, *sheets]) == 1
    assert said in " ".join(capsys.readouterr().out.split())


def test_a_sheet_sorted_in_another_way_resumes_nothing(tmp_path: Path) -> None:
    rows, made = history_rows(np.random.default_rng(3), 8, 2)
    rows.sort(key=lambda row: row[2])
    assert not written(tmp_path, rows[::-1], made).resumed


def test_import_names_odd_repeats(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from logbook.logbook_cases import TOML

    from trackbal.commands.group import run

    rows, made = history_rows(np.random.default_rng(3), 8, 4)
    rows[41][3:] = SLIPS["unit"][0](rows[41][3:])
    written(tmp_path, rows, made)
    (tmp_path / "rotor.toml").write_text(TOML)
    book = str(tmp_path / "a.tblog")
    assert run(["log", "new", book, "--rotor", str(tmp_path / "rotor.toml")]) == 0
    sheets = ["--runs", str(tmp_path / "runs.csv"), "--adjustments", str(tmp_path / "made.csv")]
    assert run(["log", "import", book, *sheets]) == 1
    assert "job j3 run 2: cruise, cockpit_vertical: row 43 is unlike its 3 repeats" in capsys.readouterr().out


# ------------------------------------------------------------------------------ copies


@pytest.mark.parametrize("pasted", ["behind", "row by row"])
def test_copied_rows_count_once_and_are_named(tmp_path: Path, pasted: str) -> None:
    """Taken for repeats they would say that readings do not scatter: no noise, and every sound record would not fit."""
    rows, made = history_rows(np.random.default_rng(3), 8, 2)
    once = fit(ROTOR, written(tmp_path, rows, made))
    history = written(tmp_path, rows + rows if pasted == "behind" else [r for row in rows for r in (row, row)], made)
    twice = fit(ROTOR, history)
    assert twice.influence.vibration_noise == pytest.approx(once.influence.vibration_noise)
    assert twice.influence.vibration_cov == pytest.approx(once.influence.vibration_cov)
    assert [one.kind for one in history.odd] == ["copied_rows"] * 8 and not history.resumed
    copy, first = ("50", "2") if pasted == "behind" else ("3", "2")
    assert twice.suspects[0].why.startswith(
        f"6 rows read as an earlier one of the same run (row {copy} as row {first}, "
    )
    assert {f.best.kind for f in audit(ROTOR, history, once.influence).findings} == {"copied_rows"}


def test_one_copied_row_is_named_where_it_reads_enough(tmp_path: Path) -> None:
    rows, made = history_rows(np.random.default_rng(3), 8, 2)
    (odd,) = written(tmp_path, [*rows[:7], rows[6], *rows[7:]], made).odd
    assert (odd.job, odd.run) == ("j1", 1)
    assert odd.text == "1 row reads as an earlier one of the same run (row 9 as row 8), digit for digit: a copy, " + (
        "which counts once"
    )


def test_coarse_readings_that_agree_by_chance_are_repeats(tmp_path: Path) -> None:
    rows, made = history_rows(np.random.default_rng(3), 8, 2)
    coarse = [[*row[:4], "6:30", "", "", "", "", "", ""] for row in rows]  # one amplitude and a clock hour, no tips
    for row in coarse:
        row[3] = f"{float(row[3]):.2f}"
    coarse[1] = coarse[0]  # one pair alike, the others are not all
    history = written(tmp_path, coarse, made)
    assert not history.odd and (history.vibration_count[:, 2, 0] == 2).all()


def test_a_job_under_two_names_counts_once_and_is_named(tmp_path: Path) -> None:
    rows, made = history_rows(np.random.default_rng(3), 8, 1)
    once = fit(ROTOR, written(tmp_path, rows, made))
    again = [["part", *row[1:]] for row in rows[:2]]  # two of the three runs of j0: an export before the job's end
    again += [["j9", *row[1:]] for row in rows[3:6]]
    more = [["j9", *row[1:]] for row in made if row[0] == "j1"] + [["part", *row[1:]] for row in made[:2]]
    history = written(tmp_path, rows + again, made + more)
    assert [(one.job, one.kind) for one in history.odd] == [("part", "copied_job"), ("j9", "copied_job")]
    found = fit(ROTOR, history)
    assert [s.why.split(",")[0] for s in found.suspects] == [
        "it reads as job j0 in every run",
        "it reads as job j1 in every run",
    ]
    assert found.influence.vibration_cov == pytest.approx(once.influence.vibration_cov)
    weighed = audit(ROTOR, history, once.influence)
    assert [f.job for f in weighed.findings] == ["part", "j9"]
    write_history(ROTOR, tmp_path / "right.csv", tmp_path / "right_made.csv", weighed.corrected, force=False)
    right = read_history(ROTOR, tmp_path / "right.csv", tmp_path / "right_made.csv")
    assert right.jobs == history.jobs and not right.odd
    assert right.vibration_count.any(axis=(1, 2)).sum() == len(rows)  # what does not count stands there empty


def test_what_is_not_counted_as_read_is_written_empty(tmp_path: Path) -> None:
    """As a reading set aside: a sheet that held it after all would be fitted with it."""
    history = written(tmp_path, *history_rows(np.random.default_rng(3), 2, 1))
    count, tips = history.vibration_count.copy(), history.height_count.copy()
    count[1, 2, 0], tips[2, 2] = 0, 0
    part = replace(history, vibration_count=count, height_count=tips)
    write_history(ROTOR, tmp_path / "out.csv", tmp_path / "out_made.csv", part, force=False)
    again = read_history(ROTOR, tmp_path / "out.csv", tmp_path / "out_made.csv")
    np.testing.assert_array_equal(again.vibration_count, count)
    np.testing.assert_array_equal(again.height_count, tips)


def test_logbooks_tell_copies_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from logbook.logbook_cases import TOML

    from trackbal.commands.group import run
    from trackbal.logbook.exchange import read_logbooks

    rows, made = history_rows(np.random.default_rng(3), 3, 1)
    again = [["j9", *row[1:]] for row in rows[:3]]
    written(tmp_path, [*rows, rows[-1], *again], made + [["j9", *row[1:]] for row in made[:6]])
    (tmp_path / "rotor.toml").write_text(TOML)
    book = str(tmp_path / "a.tblog")
    assert run(["log", "new", book, "--rotor", str(tmp_path / "rotor.toml")]) == 0
    sheets = ["--runs", str(tmp_path / "runs.csv"), "--adjustments", str(tmp_path / "made.csv")]
    assert run(["log", "import", book, *sheets]) == 1
    said = capsys.readouterr().out
    assert "job j9 run 1: it reads as job j0 in every run" in said
    assert "job j2 run 3: 1 row reads as an earlier one of the same run (row 11 as row 10)" in said
    history = read_logbooks(ROTOR, [book])
    assert [(one.job, one.kind) for one in history.odd] == [("j9", "copied_job"), ("j2", "copied_rows")]
    assert history.vibration_count.max() == 1
