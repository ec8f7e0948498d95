"""The stories among the demos: the script makes what is committed, and every command in them says what is quoted."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest
from demo_fits import ROOT

pytestmark = pytest.mark.usefixtures("fits_remembered")

NAMES = sorted(p.parent.name for p in ROOT.glob("*/story.md"))
NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def stories() -> Iterator[ModuleType]:
    """Return demo_runs/stories.py as a module."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(ROOT))
        yield import_module("stories")


def test_there_is_a_story_for_every_folder(stories: ModuleType) -> None:
    assert sorted(stories.STORIES) == NAMES


def assert_same(made: str, kept: str, told: object) -> None:
    """Fail if texts differ by more than the last digit of a number, which rounds otherwise on another machine."""
    assert NUMBER.sub("#", made) == NUMBER.sub("#", kept), told
    for one, other in zip(NUMBER.findall(made), NUMBER.findall(kept), strict=True):
        digits = len(other.partition(".")[2])
        assert abs(float(one) - float(other)) <= 1.001 * 10.0**-digits, (told, one, other)


@pytest.mark.parametrize("name", NAMES)
def test_the_script_makes_the_committed_story(name: str, stories: ModuleType, tmp_path: Path) -> None:
    stories.STORIES[name](tmp_path)
    hint = "run python demo_runs/make_demos.py and look at what changed"
    assert sorted(f.name for f in tmp_path.iterdir()) == sorted(f.name for f in (ROOT / name).iterdir()), hint
    for file in tmp_path.iterdir():
        assert_same(file.read_text(encoding="utf-8"), (ROOT / name / file.name).read_text(encoding="utf-8"), hint)


@pytest.mark.parametrize("name", NAMES)
def test_every_command_of_a_story_says_what_is_quoted(name: str, stories: ModuleType, tmp_path: Path) -> None:
    """In the order of the page, as a reader would type them, in a copy of the folder."""
    folder = tmp_path / name
    shutil.copytree(ROOT / name, folder)
    page = (ROOT / name / "story.md").read_text(encoding="utf-8")
    asked = re.findall(r"^    trackbal (.+)\n\n((?:> .+\n)+)", page, flags=re.MULTILINE)
    assert len(asked) == page.count("\n    trackbal ") >= 3
    for command, quoted in asked:
        said = " ".join(stories.answer(folder, command).split())
        for line in quoted.splitlines():
            words = NUMBER.sub("#", line.removeprefix("> ").strip())
            assert words in NUMBER.sub("#", said), (command, line)


@pytest.mark.parametrize("name", NAMES)
def test_a_story_carries_its_cautions(name: str) -> None:
    page = (ROOT / name / "story.md").read_text(encoding="utf-8")
    for words in ("invented", "maintenance manual", "licensed people", "releases nothing", "[Bb]lade bolts"):
        assert re.search(words, page), words
