"""The documents: what they say to type works, what they link to is there, what they show is what comes out."""

from __future__ import annotations

import doctest
import io
import json
import re
import shlex
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import click
import pytest

from trackbal.commands.group import group
from trackbal.commands.group import run as command
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import read_history, read_run

pytestmark = pytest.mark.usefixtures("fits_remembered")

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "demo_runs" / "three_blades"
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(ROOT.glob("docs/*.md"))]
DOCUMENTS += sorted(ROOT.glob("demo_runs/**/README.md"))
each_document = pytest.mark.parametrize("file", DOCUMENTS, ids=lambda f: str(f.relative_to(ROOT)))


def text(file: Path) -> str:
    return file.read_text(encoding="utf-8")


def blocks(file: Path, language: str) -> list[str]:
    """Return the fenced blocks of a language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text(file), flags=re.M | re.S)


def unfenced(file: Path) -> str:
    """Return a document without its fenced blocks."""
    return re.sub(r"^```.*?^```$", "", text(file), flags=re.M | re.S)


def lines_of(code: str) -> list[str]:
    """Return the lines of a piece of shell, joined where one goes on in the next, without indentation."""
    return [line.strip() for line in re.sub(r"\\\n\s*", "", code).splitlines() if line.strip()]


def all_commands(found: click.Command = group, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], object]]:
    """Yield (words, command) of the group and everything below it."""
    yield path, found
    if isinstance(found, click.Group):
        context = click.Context(found)
        for name in found.list_commands(context):
            below = found.get_command(context, name)
            assert below is not None, f"{name} is listed and not there"
            yield from all_commands(below, (*path, name))


COMMANDS = dict(all_commands())


def options_of(path: tuple[str, ...]) -> set[str]:
    found = {o for p in COMMANDS[path].params for o in (*p.opts, *p.secondary_opts) if o.startswith("-")}
    return found | {"--help", "-h"}


ALL_OPTIONS = set.union(*map(options_of, COMMANDS))


# ------------------------------------------------------------------------ the two commands of the README


def test_readme_has_two_commands_and_the_second_is_what_ci_runs():
    see, test = blocks(ROOT / "README.md", "bash")
    assert ".venv/bin/trackbal" in see
    assert "pytest" in test
    ci = "\n".join(lines_of(text(ROOT / ".ci" / "run")))
    assert "\n".join(lines_of(test)) in ci


def test_ci_script_is_executable_and_stops_at_the_first_failure():
    script = ROOT / ".ci" / "run"
    assert script.stat().st_mode & 0o111
    assert text(script).startswith("#!/bin/bash\n")
    assert "set -euo pipefail" in text(script)
    subprocess.run(["bash", "-n", str(script)], check=True, timeout=60)


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """Return what the trackbal parts of the README's first command print, run in a copy of the demo."""
    folder = tmp_path_factory.mktemp("clone")
    demo = folder / "demo_runs" / DEMO.name
    shutil.copytree(DEMO, demo)
    see = blocks(ROOT / "README.md", "bash")[0].replace("$demo", str(demo))
    see = see.replace("demo_influence.json", str(folder / "demo_influence.json"))
    printed = []
    for _ in range(2):  # it may be run again
        for line in lines_of(see):
            words = shlex.split(line.removesuffix("&&").partition(">")[0])  # what the fit says goes into a file
            if words[0].endswith("/trackbal"):
                out = io.StringIO()
                with redirect_stdout(out), redirect_stderr(io.StringIO()):
                    assert command(words[1:]) == 0
                printed.append(out.getvalue())
    assert len(printed) == 4
    return printed[-1]


NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def assert_shown(sample: str, printed: str, hint: str) -> None:
    """Words as they are; numbers to one in their last digit, which another processor may round otherwise."""
    assert NUMBER.sub("#", sample).split() == NUMBER.sub("#", printed).split(), hint
    for ours, theirs in zip(NUMBER.findall(sample), NUMBER.findall(printed), strict=True):
        digits = max(len(n.partition(".")[2]) for n in (ours, theirs))
        assert abs(float(ours) - float(theirs)) <= 1.001 * 10.0**-digits, hint


def test_readme_shows_what_its_command_prints(shown):
    (sample,) = blocks(ROOT / "README.md", "text")
    printed = "\n".join(shown.splitlines()[: len(sample.splitlines())])
    assert_shown(sample, printed, "bring the sample in README.md up to date")


def test_the_analysts_page_shows_what_a_fit_prints(tmp_path, capsys):
    """One table of the fit of five_blades, some rows of it; and what it says with one sign turned about."""
    table, suspects = blocks(ROOT / "docs" / "analyst.md", "text")
    demo = ROOT / "demo_runs" / "five_blades"
    turned = tmp_path / "turned.csv"
    record = "BK-11,2,2,tip_weight,"
    changes = text(demo / "history_adjustments.csv")
    assert f"{record}20\n" in changes
    turned.write_text(changes.replace(f"{record}20\n", f"{record}-20\n"), encoding="utf-8")
    printed = []
    for adjustments in (demo / "history_adjustments.csv", turned):
        files = ["--rotor", demo / "rotor.toml", "--runs", demo / "history.csv", "--adjustments", adjustments]
        assert command(["fit", *map(str, files), "--out", str(tmp_path / "influence.json"), "--force"]) == 0
        printed.append(capsys.readouterr().out)
    hint = "bring the samples in docs/analyst.md up to date"
    title, head, *rows = table.strip().splitlines()
    shown = printed[0][printed[0].index(title) :].split("\n\n")[0].splitlines()
    names = [row.split()[:2] for row in rows]
    assert_shown(
        "\n".join([title, head, *rows]),
        "\n".join([*shown[:2], *(r for r in shown[2:] if r.split()[:2] in names)]),
        hint,
    )
    told = printed[1][printed[1].index("Runs that do not fit") :]
    assert_shown(suspects, told[: told.index("\n\nCautions")], hint)


def test_readme_example_from_python(monkeypatch):
    monkeypatch.chdir(ROOT)
    failed, tried = doctest.testfile(str(ROOT / "README.md"), module_relative=False)
    assert tried >= 8
    assert failed == 0


# ------------------------------------------------------------------------------------ commands and options


@pytest.mark.parametrize("path", [p for p in COMMANDS if len(p) == 1], ids="_".join)
def test_readme_lists_every_command(path):
    assert f"| `trackbal {path[0]}` |" in text(ROOT / "README.md")


@pytest.mark.parametrize("path", COMMANDS, ids=lambda p: "_".join(p) or "trackbal")
def test_help_has_an_example_that_would_be_understood(path, capsys):
    assert command([*path, "--help"]) == 0
    said = capsys.readouterr().out
    if len(path) == 3:  # log correct reading and so on: the group above shows how
        return
    assert "Example" in said
    shown_below = said.partition("Example")[2].partition("\nOptions:")[0]
    examples = [line for line in lines_of(shown_below) if line.startswith("trackbal ")]
    assert examples
    for example in examples:
        check_command_line(re.sub(r"\s\((?:or|as).*", "", example), path)


def check_command_line(line: str, expected: tuple[str, ...] = ()) -> None:
    """Fail if a line that starts with trackbal names a command or an option that is not there."""
    words = shlex.split(line, comments=True)[1:]
    path: tuple[str, ...] = ()
    while words and (*path, words[0]) in COMMANDS:
        path = (*path, words.pop(0))
    assert path or words[:1] in (["--version"], ["--help"]), f"no such command: {line}"
    assert path[: len(expected)] == expected
    given = {w.partition("=")[0] for w in words if w.startswith("--")}
    assert given <= options_of(path), f"no such option: {line}"


@each_document
def test_commands_and_options_named_are_there(file):
    page = text(file)
    fenced = re.findall(r"^```\w*\n(.*?)^```$", page, flags=re.M | re.S)
    indented = re.findall(r"(?:^ {4,}\S.*\n)+", page, flags=re.M)
    spans = re.findall(r"`([^`\n]+)`", unfenced(file))
    for piece in (*fenced, *indented, *spans):
        for line in lines_of(piece):
            words = line.removesuffix("&&").split()
            called = words[0] == "trackbal" or words[0].endswith("/trackbal")
            if called and len(words) > 1 and words[1:] != ["log"]:
                check_command_line(line.removesuffix("&&"))
    for span in spans:
        if span.startswith("--"):
            assert span.split()[0] in ALL_OPTIONS, f"no such option: {span}"


# -------------------------------------------------------------------------------------------------- links


def anchors(file: Path) -> set[str]:
    headings = re.findall(r"^#+ (.+)$", unfenced(file), flags=re.M)
    plain = (re.sub(r"[^\w\- ]", "", re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", h)) for h in headings)
    return {h.strip().lower().replace(" ", "-") for h in plain}


@each_document
def test_links_resolve(file):
    for target in re.findall(r"\]\(([^)\s]+)\)", text(file)):
        assert "://" not in target, "the project's own documents need nothing from elsewhere"
        path, _, anchor = target.partition("#")
        to = (file.parent / path).resolve() if path else file
        assert to.is_file(), f"{target} leads nowhere"
        if anchor:
            assert anchor in anchors(to), f"{target}: no such heading"


@pytest.mark.parametrize("page", sorted(ROOT.glob("docs/*.md")), ids=lambda f: f.name)
def test_readme_links_every_page(page):
    assert f"](docs/{page.name})" in text(ROOT / "README.md")


@each_document
def test_files_of_the_project_named_in_code_are_there(file):
    for name in re.findall(r"`((?:trackbal|tests|docs|demo_runs|virtual)/[\w/.*]+)`", text(file)):
        homes = (ROOT, ROOT / "trackbal", ROOT / "tests")
        assert any(list(home.glob(name.rstrip("/"))) for home in homes), f"{name} is not there"


# -------------------------------------------------------------------------------------- the guide to the files


def test_examples_in_the_guide_to_the_files_can_be_read(tmp_path):
    guide = ROOT / "docs" / "files.md"
    rotor = Rotor.parse(blocks(guide, "toml")[0], "rotor.toml")
    run, history, adjustments = blocks(guide, "csv")
    for name, sheet in (("run.csv", run), ("history.csv", history), ("adjustments.csv", adjustments)):
        (tmp_path / name).write_text(sheet, encoding="utf-8")
    assert read_run(rotor, tmp_path / "run.csv").regime_read.all()
    read = read_history(rotor, tmp_path / "history.csv", tmp_path / "adjustments.csv")
    assert read.change[1].min() == -40.0
    influence = Influence.parse(blocks(guide, "json")[0], "influence.json", rotor)
    assert influence.alpha[0, 1, 0] == -0.0021 + 0.0008j
    assert influence.mean_vibration_cov is not None


#: File to spoil, what to put for what, and the command that meets it.
SPOILT = [
    ("run.csv", "0.285,232", "0.285,", "check --rotor rotor.toml --run run.csv"),
    ("run.csv", "hover", "hovr", "check --rotor rotor.toml --run run.csv"),
    ("run.csv", "0.285", '"0,285"', "check --rotor rotor.toml --run run.csv"),
    ("run.csv", "seat_vertical.amp", "seat_vertical.amp [kn]", "check --rotor rotor.toml --run run.csv"),
    ("rotor.toml", "step = 5.0", "step = 0.0", "check --rotor rotor.toml --run run.csv"),
    ("settings.csv", "1,tip_weight,160", "1,tip_weight,999", "advise"),
    ("run.csv", "", "", "check --rotor rotor.toml --run none.csv"),
    ("plan.csv", "", "", "advise"),
]


@pytest.mark.parametrize(("name", "good", "bad", "line"), SPOILT, ids=[f"{n}-{b}" for n, _, b, _ in SPOILT])
def test_errors_in_the_guide_to_the_files_are_what_is_said(name, good, bad, line, tmp_path, monkeypatch, capsys):
    for source, target in (("rotor.toml", "rotor.toml"), ("run2.csv", "run.csv"), ("settings.csv", "settings.csv")):
        shutil.copy(DEMO / source, tmp_path / target)
    monkeypatch.chdir(tmp_path)
    Path("plan.csv").write_text("blade,adjuster,amount\n", encoding="utf-8")
    if line == "advise":
        history = [str(DEMO / "history.csv"), "--adjustments", str(DEMO / "history_adjustments.csv")]
        assert command(["fit", "--rotor", "rotor.toml", "--runs", *history, "--out", "i.json"]) == 0
        line = "advise --rotor rotor.toml --run run.csv --settings settings.csv --influence i.json --plan-out plan.csv"
    Path(name).write_text(text(Path(name)).replace(good, bad, 1), encoding="utf-8")
    capsys.readouterr()
    assert command(line.split()) == 2
    said = capsys.readouterr()
    assert said.out == ""
    errors = [e for b in blocks(ROOT / "docs" / "files.md", "text") for e in b.splitlines()]
    row_of_rotor = re.compile(r"(rotor\.toml, row )\d+")  # moves with every line that the demo's file gains
    assert row_of_rotor.sub(r"\1#", said.err.removesuffix("\n")) in [row_of_rotor.sub(r"\1#", e) for e in errors]


def keys_of(value: object) -> set[str]:
    if isinstance(value, dict):
        return set(value) | set().union(*map(keys_of, value.values()))
    return set().union(*map(keys_of, value)) if isinstance(value, list) else set()


def test_every_key_of_the_json_written_is_in_the_guide(tmp_path, capsys):
    out = str(tmp_path / "influence.json")
    rotor, run = ["--rotor", str(DEMO / "rotor.toml")], ["--run", str(DEMO / "run2.csv")]
    history = ["--runs", str(DEMO / "history.csv"), "--adjustments", str(DEMO / "history_adjustments.csv")]
    settings = ["--settings", str(DEMO / "settings.csv")]
    found: set[str] = set()
    for words in (
        ["check", *rotor, *run],
        ["fit", *rotor, *history, "--out", out],
        ["advise", *rotor, *run, *settings, "--influence", out],
    ):
        command([*words, "--json"])
        found |= keys_of(json.loads(capsys.readouterr().out))
    found |= keys_of(json.loads(text(Path(out))))
    names = Rotor.load(DEMO / "rotor.toml")
    found -= {*names.blades, *(a.name for a in names.adjusters), *(s.name for s in names.sensors)}
    guide = ROOT / "docs" / "files.md"
    quoted = set(re.findall(r"\w+", " ".join([*re.findall(r"`[^`]+`", unfenced(guide)), *blocks(guide, "json")])))
    quality = {"residual_to_limit", "height_residual_to_limit", "largest_condition", "spread", "height_spread"}
    assert found - quality - quoted == set()
