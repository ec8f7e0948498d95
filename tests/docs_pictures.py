"""The pictures of docs/card_and_pictures.md, drawn by the example in it; each file carries what it shows.

python tests/docs_pictures.py        draws them afresh
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.text import Text
from PIL import Image
from PIL.PngImagePlugin import PngInfo

ROOT = Path(__file__).resolve().parents[1]
GUIDE = ROOT / "docs" / "card_and_pictures.md"
FOLDER = Path("docs/pictures")  # where the example writes, from the folder it runs in
KEY = "Shown"


def shown(figure: Figure) -> dict[str, Any]:
    """Return the words of a picture with their places, and the points of its lines and areas, in 1/72 inch."""
    figure.draw_without_rendering()
    scale = 72.0 / figure.dpi

    def places(artist: Line2D | Patch) -> list[list[float]]:
        path = artist.get_path()
        points = artist.get_transform().transform(path.vertices)
        return np.round(points * scale, 1).tolist()

    texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    words = [
        [t.get_text(), *np.round(t.get_transform().transform(t.get_position()) * scale, 1).tolist()] for t in texts
    ]
    lines = [places(a) for a in figure.findobj(Line2D) if a.get_visible()]
    areas = [places(a) for a in figure.findobj(Patch) if a.get_visible()]
    return {"words": words, "lines": lines, "areas": areas}


def draw() -> None:
    """Run the example of the guide in the present folder; what each picture shows is written into its file."""
    (example,) = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.S)
    save = Figure.savefig

    def save_with_numbers(figure: Figure, file: str, **more: Any) -> None:
        told = PngInfo()
        told.add_text(KEY, json.dumps(shown(figure)), zip=True)
        save(figure, file, pil_kwargs={"pnginfo": told}, **more)

    with patch.object(Figure, "savefig", save_with_numbers):
        exec(compile(example, str(GUIDE), "exec"), {})


def told_by(file: Path) -> dict[str, Any]:
    """Return what a picture's file says that it shows."""
    with Image.open(file) as image:
        told: dict[str, Any] = json.loads(image.info[KEY])
    return told


if __name__ == "__main__":
    os.chdir(ROOT)
    draw()
