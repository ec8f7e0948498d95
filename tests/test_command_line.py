"""The command line as a whole: quick to start, and one line with exit code 2 for whatever is wrong."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from trackbal import __version__
from trackbal.commands.group import run as command

DEMO = Path(__file__).parents[1] / "demo_runs" / "three_blades"
CHECK = ["check", "--rotor", str(DEMO / "rotor.toml"), "--run", str(DEMO / "run2.csv")]
FIT = [
    "fit",
    *("--rotor", str(DEMO / "rotor.toml"), "--runs", str(DEMO / "history.csv")),
    *("--adjustments", str(DEMO / "history_adjustments.csv"), "--out"),
]
HEAVY = ("numpy", "scipy", "pandas", "matplotlib")


def start(*words: str) -> subprocess.CompletedProcess[str]:
    """Run trackbal in a process of its own; stderr names the heavy packages that it loaded."""
    program = (
        "import sys\n"
        f"sys.argv = ['trackbal', *{list(words)!r}]\n"
        "from trackbal.commands import main\n"
        "try:\n    main()\n"
        "finally:\n"
        f"    print(*[m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)\n"
    )
    return subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize(("given", "kept"), [(None, "1"), ("3", "3")])
def test_the_linear_algebra_has_one_thread_unless_the_user_says_otherwise(given, kept):
    environment = {k: v for k, v in os.environ.items() if k != "OMP_NUM_THREADS"}
    program = "import os, sys\nsys.argv = ['trackbal', '--help']\nfrom trackbal.commands import main\n"
    program += "try:\n    main()\nfinally:\n    print(os.environ['OMP_NUM_THREADS'], file=sys.stderr)\n"
    done = subprocess.run(
        [sys.executable, "-c", program],
        env=environment | ({} if given is None else {"OMP_NUM_THREADS": given}),
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stderr.split()[-1] == kept


@pytest.mark.parametrize(
    "words", [["--version"], ["--help"], ["-h"], ["advise", "--help"], ["log", "--help"]], ids=" ".join
)
def test_version_and_help_start_without_heavy_packages(words):
    done = start(*words)
    assert done.returncode == 0
    assert done.stderr.strip() == ""
    assert done.stdout == f"trackbal {__version__}\n" if words == ["--version"] else "Usage: trackbal" in done.stdout


@pytest.mark.parametrize("words", [[], ["log"]], ids=["trackbal", "log"])
def test_a_group_alone_shows_its_help(words, capsys):
    assert command(words) in (0, 2)
    said = capsys.readouterr()
    assert "\n\nCommands:\n" in said.out + said.err


def bad_rotor(folder: Path) -> list[str]:
    file = folder / "rotor.toml"
    file.write_text("name = [", encoding="utf-8")
    return ["check", "--rotor", str(file), "--run", str(DEMO / "run2.csv")]


@pytest.mark.parametrize(
    ("words", "about"),
    [
        (["check", "--rotor", "none.toml", "--run", "none.csv"], "none.toml"),
        (["check", "--rotor", str(DEMO), "--run", "none.csv"], DEMO.name),
        ([*CHECK, "--jsn"], "--jsn"),
        (["check"], "--rotor"),
        ([*CHECK, "one more"], "one more"),
        (["chek"], "chek"),
        (["replay", "none"], "none"),
        (["advise", *CHECK[1:], "--influence", str(DEMO / "rotor.toml")], "valid JSON"),
        (["advise", *CHECK[1:], "--influence", "x", "--most", "many"], "--most"),
        ([*FIT, "no folder/influence.json"], "no folder"),
        ([*FIT, "."], "."),
        (bad_rotor, "rotor.toml"),
    ],
    ids=lambda v: None,
)
def test_what_is_wrong_is_said_in_one_line(words, about, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    words = words(tmp_path) if callable(words) else words
    before = sorted(tmp_path.rglob("*"))
    assert command(words) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert said.err.startswith("trackbal: ")
    assert about in said.err
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("force", [[], ["--force"]], ids=["new", "force"])
@pytest.mark.parametrize("second", ["no folder/page.html", "."])
def test_where_a_second_file_cannot_be_written_nor_is_the_first(second, force, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert command([*FIT, "influence.json", "--page", second, "--force"]) == 2
    assert list(tmp_path.iterdir()) == []
    assert command([*FIT, "influence.json"]) == 0
    plan = ["--influence", "influence.json", "--plan-out", "plan.csv", "--card", second, *force]
    assert command(["advise", *CHECK[1:], *plan]) == 2
    assert [p.name for p in tmp_path.iterdir()] == ["influence.json"]
    assert "Traceback" not in capsys.readouterr().err


def test_a_broken_pipe_is_no_error():
    done = subprocess.run(
        f"{sys.executable} -c 'from trackbal.commands import main; main()' replay {DEMO} | head -n 1",
        shell=True,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stderr == ""
