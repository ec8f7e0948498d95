"""The documentation of card and pictures: its Python runs, and it names the options and functions there are."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from docs_pictures import FOLDER, draw, told_by

from trackbal.commands.group import group
from trackbal.pages import fit_plots, plots

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "docs" / "card_and_pictures.md").read_text(encoding="utf-8")


NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """Return a folder in which the example of the guide has been run."""
    folder = tmp_path_factory.mktemp("checkout")
    shutil.copytree(ROOT / "demo_runs" / "three_blades", folder / "demo_runs/three_blades")
    (folder / FOLDER).mkdir(parents=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        draw()
    return folder


def same_words(one, other):
    """Return whether texts are the same; a number may have been rounded the other way at its last digit."""
    if NUMBER.sub("#", one) != NUMBER.sub("#", other):
        return False
    pairs = zip(NUMBER.findall(one), NUMBER.findall(other), strict=True)
    return all(abs(float(a) - float(b)) <= 1.001 * 10.0 ** -len(a.partition(".")[2]) for a, b in pairs)


@pytest.mark.parametrize("name", ["dials", "tips"])
def test_the_pictures_of_the_guide_show_what_its_example_draws(drawn, name):
    """To half a point, some pixel: less is not seen, and fonts are set to fractions of it."""
    file = FOLDER / f"{name}.png"
    assert 10_000 < (ROOT / file).stat().st_size < 120_000
    hint = "run python tests/docs_pictures.py and look at the pictures"
    made, kept = told_by(drawn / file), told_by(ROOT / file)
    assert len(made["words"]) == len(kept["words"]), hint
    for (text, *place), (kept_text, *kept_place) in zip(made["words"], kept["words"], strict=True):
        assert same_words(text, kept_text), (text, kept_text, hint)
        assert place == pytest.approx(kept_place, abs=0.5), (text, hint)
    for kind in ("lines", "areas"):
        assert [len(points) for points in made[kind]] == [len(points) for points in kept[kind]], hint
        for points, kept_points in zip(made[kind], kept[kind], strict=True):
            assert np.array(points) == pytest.approx(np.array(kept_points), abs=0.5), hint


def test_options_and_functions_named_exist():
    used = re.search(r"```sh\n(trackbal card.*?)```", TEXT, re.S)[1]
    told = CliRunner().invoke(group, ["card", "--help"]).output
    for option in re.findall(r"--[a-z-]+", used):
        assert option in told
    for module, function in re.findall(r"`(plots|fit_plots)\.(\w+)\(", TEXT):
        assert callable(getattr({"plots": plots, "fit_plots": fit_plots}[module], function))
