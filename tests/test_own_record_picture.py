"""The picture of what a record of one's own is worth shows the figures that stand in the page beside it."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

DOCS = Path(__file__).parents[1] / "docs"
PAGE = (DOCS / "closed_loop.md").read_text(encoding="utf-8")
_spec = importlib.util.spec_from_file_location("own_record_picture", DOCS / "own_record_picture.py")
assert _spec is not None and _spec.loader is not None
drawn = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(drawn)


def test_the_lines_of_the_picture_are_the_rows_of_the_page() -> None:
    rows = re.findall(r"^\| (\d) \| (\d+) \| ([\d.]+) \| ([\d.]+) \| ([\d.]+) \| [\d.]+ \| [\d.]+ \|$", PAGE, re.M)
    told = {int(jobs): tuple(map(float, rest)) for jobs, _, *rest in rows}
    assert sorted(told) == [0, 1, 2, 4]
    lines = {line.get_label(): line for line in drawn.draw().axes[0].get_lines()}
    names = ("inside after one plan", "inside after two plans", "chance said of the first plan")
    for i, name in enumerate(names):
        x, y = lines[name].get_data()
        assert {int(a): round(float(b), 3) for a, b in zip(x, y, strict=True)} == {k: v[i] for k, v in told.items()}
    assert "(pictures/own_record.png)" in PAGE and drawn.PICTURE.exists()
    at_least = {"0": 0.6, "4": 1.005}  # what the axis shows
    assert all(at_least["0"] <= v <= at_least["4"] for row in told.values() for v in row)
