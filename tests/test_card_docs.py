"""The documentation of card and pictures: its Python runs, and it names the options and functions there are."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from click.testing import CliRunner

from trackbal.commands.group import group
from trackbal.pages import fit_plots, plots

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "docs" / "card_and_pictures.md").read_text(encoding="utf-8")


def test_the_python_example_draws_its_pictures(tmp_path, monkeypatch):
    (example,) = re.findall(r"```python\n(.*?)```", TEXT, re.S)
    shutil.copytree(ROOT / "demo_runs" / "heavy_lift_seven_blades", tmp_path / "demo_runs/heavy_lift_seven_blades")
    (tmp_path / "docs/pictures").mkdir(parents=True)
    monkeypatch.chdir(tmp_path)
    exec(compile(example, "docs/card_and_pictures.md", "exec"), {})
    for name in ("dials", "tips"):
        assert (tmp_path / f"docs/pictures/{name}.png").stat().st_size > 10_000
        assert (ROOT / f"docs/pictures/{name}.png").stat().st_size < 120_000


def test_options_and_functions_named_exist():
    used = re.search(r"```sh\n(trackbal card.*?)```", TEXT, re.S)[1]
    told = CliRunner().invoke(group, ["card", "--help"]).output
    for option in re.findall(r"--[a-z-]+", used):
        assert option in told
    for module, function in re.findall(r"`(plots|fit_plots)\.(\w+)\(", TEXT):
        assert callable(getattr({"plots": plots, "fit_plots": fit_plots}[module], function))
