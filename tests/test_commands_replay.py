"""The command replay: exit codes, one line for what is missing or wrong, and what it does not load."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from demo_fits import demo, demo_fit, demo_lesson

from trackbal.commands.group import run
from trackbal.influence.influence_writer import write_influence
from trackbal.lessons.lesson_book import lesson_of_job
from trackbal.logbook.records import find_job, load_job
from trackbal.logbook.store import Book

pytestmark = pytest.mark.usefixtures("fits_remembered")

ROOT = Path(__file__).parents[1] / "demo_runs"
FIVE = ROOT / "five_blades"


Spoil = Callable[[Path], object]


def unlink(*names: str) -> Spoil:
    def spoil(folder: Path) -> None:
        for name in names:
            (folder / name).unlink()

    return spoil


def rename(old: str, new: str) -> Spoil:
    return lambda folder: (folder / old).rename(folder / new)


def write(name: str, text: str) -> Spoil:
    return lambda folder: (folder / name).write_text(text, encoding="utf-8")


SPOILT: dict[str, tuple[Spoil, str]] = {
    "no-rotor": (unlink("rotor.toml"), "rotor.toml"),
    "no-history": (unlink("history.csv"), "history.csv"),
    "no-history-adjustments": (unlink("history_adjustments.csv"), "history_adjustments.csv"),
    "no-settings": (unlink("settings.csv"), "settings.csv"),
    "no-first-run": (unlink("run1.csv"), "run1.csv"),
    "no-runs": (unlink("run1.csv", "run2.csv", "run3.csv", "run4.csv"), "run1.csv"),
    "gap-in-runs": (unlink("run3.csv"), "run3.csv"),
    "gap-in-adjustments": (unlink("adjustments2.csv"), "adjustments2.csv"),
    "no-last-adjustments": (unlink("adjustments3.csv"), "adjustments3.csv"),
    "leading-zero": (rename("run4.csv", "run04.csv"), "run04.csv"),
    "run-zero": (rename("run4.csv", "run0.csv"), "run0.csv"),
    "adjustments-without-run": (
        lambda f: [write(f"adjustments{k}.csv", "blade,adjuster,amount\n")(f) for k in (4, 5)],
        "adjustments5.csv",
    ),
    "bad-cell": (
        write("adjustments2.csv", "blade,adjuster,amount\n9,tab,1\n"),
        "adjustments2.csv, row 2, column blade",
    ),
    "out-of-range": (write("adjustments1.csv", "blade,adjuster,amount\n4,tip_weight,-900\n"), "adjustments1.csv"),
    "no-readings": (write("run2.csv", "regime,height.1\nhover,\n"), "run2.csv"),
    "nothing-counts": (write("run2.csv", "regime,height.1\nhover,3\n"), "run2.csv"),
    "not-utf8": (lambda f: (f / "run2.csv").write_bytes(b"regime\n\xff\n"), "run2.csv"),
}


@pytest.mark.parametrize("what", SPOILT)
def test_what_is_missing_or_wrong_is_one_line_and_exit_2(
    what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, named = SPOILT[what]
    folder = tmp_path / "demo"
    shutil.copytree(FIVE, folder)
    spoil(folder)
    assert run(["replay", str(folder)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert named in err
    assert "expected" in err


def test_no_such_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["replay", str(tmp_path / "none")]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert "no such folder" in err


@pytest.mark.parametrize(
    ("folder", "named"),
    [
        ("first_trial", "follow its story.md, whose first command is trackbal log new day.tblog"),
        ("new_blades", "follow its story.md, whose first command is trackbal seat --rotor rotor.toml"),
        (".", "expected one of them: five_blades, four_blade_tail, seven_blades"),
    ],
)
def test_a_folder_without_a_finished_job_says_what_it_is_for(
    folder: str, named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["replay", str(FIVE.parent / folder)]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert named in err


@pytest.mark.parametrize("options", [["--most", "13"], ["--chance", "0"], ["--chance", "often"], []])
def test_wrong_usage_is_one_line_and_exit_2(options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["replay", *options] if not options else ["replay", str(FIVE), *options]
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)


def test_replay_tells_the_job_and_ends_with_exit_0(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["replay", str(FIVE), "--most", "3", "--chance", "0.8"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.startswith("The rotor: Beckwater main rotor\n-------------------------------\n")
    assert out.index("Run 1: what was read") < out.index("Run 4: what was read") < out.index("Summary")
    assert max(map(len, out.splitlines())) <= 100


class _Terminal(io.StringIO):
    def __init__(self, terminal: bool) -> None:
        super().__init__("\n" * 100)
        self.terminal, self.lines = terminal, 0

    def isatty(self) -> bool:
        return self.terminal

    def readline(self, size: int | None = -1) -> str:  # type: ignore[override]
        self.lines += 1
        return super().readline()


@pytest.mark.parametrize("terminal", [True, False])
def test_pause_waits_between_steps_on_a_terminal_only(
    terminal: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    keyboard = _Terminal(terminal)
    monkeypatch.setattr(sys, "stdin", keyboard)
    assert run(["replay", str(FIVE), "--pause"]) == 0
    out, err = capsys.readouterr()
    steps = sum(set(line) == {"-"} for line in out.splitlines())
    assert keyboard.lines == (steps if terminal else 0)  # at the last one there is still a way back
    assert err.count("Enter") == keyboard.lines


class _Keys(_Terminal):
    def __init__(self, *typed: str) -> None:
        super().__init__(True)
        self.seek(0)
        self.truncate()
        self.write("".join(f"{line}\n" for line in typed))
        self.seek(0)


def test_forward_back_and_typed_answers_are_compared(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    keys = ["", "", "", "b", "", "1 tip_weight 30", "1 add tip weight 50", *("0.8", "") * 8, "q"]
    monkeypatch.setattr(sys, "stdin", _Keys(*keys))
    assert run(["replay", str(FIVE), "--pause"]) == 0
    out = capsys.readouterr().out
    titles = [a for a, b in pairwise(out.splitlines()) if b and set(b) == {"-"}]
    assert titles[:7] == [
        "The rotor: Beckwater main rotor",
        "What past jobs tell",
        "Run 1: what was read",
        "Run 1: your turn",
        "Run 1: what was read",
        "Run 1: your turn",
        "Run 1: what stands out",
    ]
    assert "which way: add or remove" in out
    assert "You said: blade 1: add tip weight 50 g" in out
    assert "You expected 0.80 of its limit, trackbal" in out
    assert "The next run came to" in out
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize(
    "options", [["--log", "a.tblog"], [str(FIVE), "--log", "a.tblog", "--job", "x"], ["--job", "x"]]
)
def test_a_folder_or_a_job_of_a_logbook(options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["replay", *options]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def log_of_five(folder: Path) -> str:
    """Return a logbook that holds the demo's job, closed."""
    book = str(folder / "five.tblog")
    influence = str(folder / "influence.json")
    sheets = ["--runs", str(FIVE / "history.csv"), "--adjustments", str(FIVE / "history_adjustments.csv")]
    assert run(["fit", "--rotor", str(FIVE / "rotor.toml"), *sheets, "--out", influence]) == 0
    assert run(["log", "new", book, "--rotor", str(FIVE / "rotor.toml"), "--influence", influence]) == 0
    assert run(["log", "start", book, "A1", "--job", "j", "--settings", str(FIVE / "settings.csv")]) == 0
    for k in (1, 2, 3, 4):
        assert run(["log", "run", book, str(FIVE / f"run{k}.csv"), "--anyway"]) in (0, 1)
        if k < 4:
            assert run(["log", "advise", book]) in (0, 1)
            assert run(["log", "done", book, "--sheet", str(FIVE / f"adjustments{k}.csv")]) in (0, 1)
    return book


def test_a_closed_job_of_a_logbook_says_what_log_advise_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = log_of_five(tmp_path)
    assert run(["replay", "--log", book, "--job", "j"]) == 2  # still open
    assert "a closed job" in capsys.readouterr().err
    assert run(["log", "close", book]) == 0
    with Book.open(book) as opened:
        lesson = lesson_of_job(opened, "j")
        record = load_job(opened, find_job(opened, "j"))
    for visit, made in zip(lesson.visits, record.runs, strict=True):
        advised = record.latest_advice(made)
        if advised is None:
            continue
        assert visit.advice.verdict == advised.verdict
        if visit.plan is not None:
            np.testing.assert_allclose(visit.plan.change, record.amounts(advised.items))
    capsys.readouterr()
    assert run(["replay", "--log", book, "--job", "j"]) == 0
    out = capsys.readouterr().out
    assert out.index("Run 1: your turn") < out.index("Run 1: what trackbal says")
    assert "Summary" in out


def test_slides_are_written_and_never_over_another_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "lesson.html"
    assert run(["replay", str(ROOT / "two_blade_tail"), "--page", str(file)]) == 0
    made = file.read_text(encoding="utf-8")
    assert made.index("Run 1: your turn") < made.index("Run 1: what stands out")
    assert "http" not in made.replace("http-equiv", "")
    assert run(["replay", str(ROOT / "two_blade_tail"), "--page", str(file)]) == 2
    assert "--force" in capsys.readouterr().err
    assert file.read_text(encoding="utf-8") == made


def test_replay_does_not_load_what_it_does_not_need() -> None:
    script = (
        "import sys; from trackbal.commands.group import run; code = run(['replay', sys.argv[1]]); "
        "assert code == 0; print(*[m for m in ('matplotlib', 'pandas') if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script, str(FIVE)], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0
    assert done.stderr.strip() == ""


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["replay", "--help"]) == 0
    assert "trackbal replay demo_runs/" in capsys.readouterr().out


def test_advise_show_and_replay_tell_the_same_likely_readings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book, fitted = str(tmp_path / "f.tblog"), str(tmp_path / "i.json")
    write_influence(fitted, demo("five_blades").rotor, demo_fit("five_blades").influence)

    def told(*arguments: str) -> dict[str, Any]:
        capsys.readouterr()
        run(["log", *arguments, "--json"])
        return json.loads(capsys.readouterr().out)

    assert run(["log", "new", book, "--rotor", str(FIVE / "rotor.toml"), "--influence", fitted]) == 0
    assert run(["log", "start", book, "A1", "--job", "j", "--settings", str(FIVE / "settings.csv")]) == 0
    visits, expected = demo_lesson("five_blades").visits, None
    for k, visit in enumerate(visits, start=1):
        assert run(["log", "run", book, str(FIVE / f"run{k}.csv"), "--anyway"]) == 0
        assert told("show", book)["runs"][-1]["likely"] == expected
        if k == len(visits):
            break
        advice = told("advise", book)
        plan = advice["plans"][advice["recommended"]]
        ahead = told("show", book)["likely"]
        assert ahead == {"after": "advised", "worst": plan["worst_likely"], "ranges": advice["ranges"]}
        assert visit.plan is not None and visit.plan.chance == pytest.approx(plan["chance"], abs=1e-12)
        assert visit.plan.worst_likely == pytest.approx(plan["worst_likely"], rel=1e-9)
        assert run(["log", "done", book, "--sheet", str(FIVE / f"adjustments{k}.csv")]) == 0
        ahead = told("show", book)["likely"]
        assert ahead["after"] == "done" and visit.then is not None
        assert ahead["worst"] == pytest.approx(visit.then.ratio, rel=1e-6)
        if k == 2:  # the crew left something out: what was done is what counts
            assert ahead["ranges"] != advice["ranges"]
        expected = {key: ahead[key] for key in ("worst", "ranges")}
        capsys.readouterr()
        run(["log", "show", book])
        assert "Likely in the next run after what was done" in capsys.readouterr().out


def test_a_lesson_keeps_to_what_its_job_kept_to_and_says_what_nobody_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book, fitted = str(tmp_path / "f.tblog"), str(tmp_path / "i.json")
    write_influence(fitted, demo("five_blades").rotor, demo_fit("five_blades").influence)
    assert run(["log", "new", book, "--rotor", str(FIVE / "rotor.toml"), "--influence", fitted]) == 0
    assert run(["log", "start", book, "A1", "--job", "j", "--settings", str(FIVE / "settings.csv")]) == 0
    for k in (1, 2):
        assert run(["log", "run", book, str(FIVE / f"run{k}.csv")]) in (0, 1)
    assert run(["log", "checked", book, "as written", "--by", "R. Lindqvist"]) in (0, 1)
    assert run(["log", "advise", book, "--hold", "pitch_link"]) in (0, 1)
    assert run(["log", "close", book, "--outcome", "left"]) == 1
    with Book.open(book) as opened:
        lesson = lesson_of_job(opened, "j")
    links = [a.name for a in lesson.rotor.adjusters].index("pitch_link")
    assert not any(plan.change[links].any() for visit in lesson.visits for plan in visit.advice.plans)
    capsys.readouterr()
    assert run(["replay", "--log", book, "--job", "j"]) == 0
    out = capsys.readouterr().out
    assert "Nobody has said what was done; it is taken that nothing was." in out and "nobody has said" in out
