"""A matplotlib picture as SVG inside a page: the same bytes every time, ids of its own, described in words."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from typing import TYPE_CHECKING

from trackbal.pages.html import Html, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_REFERENCE = re.compile(r"#([A-Za-z_][\w.-]*)")


def new_axes(size_mm: tuple[float, float], margins_mm: tuple[float, float, float, float]) -> Axes:
    """Return the Axes of a new figure of a size (width, height), with margins (left, right, bottom, top)."""
    from matplotlib.figure import Figure

    width, height = size_mm
    left, right, bottom, top = margins_mm
    figure = Figure(figsize=(width / 25.4, height / 25.4), dpi=72.0)
    box = (left / width, bottom / height, 1.0 - (left + right) / width, 1.0 - (bottom + top) / height)
    return figure.add_axes(box)


def picture(
    draw: Callable[[Axes], object],
    *,
    key: str,
    title: str,
    description: str,
    size_mm: tuple[float, float],
    margins_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
) -> Html:
    """Return what `draw` draws as an inline SVG element.

    Parameters
    ----------
    draw : callable
        Draws on the Axes it is given.
    key : str
        Letters, digits and hyphens; begins every id in the picture and must differ between
        the pictures of a page.
    title, description : str
        The text alternative.
    """
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # a person's own style file must not move labels
        matplotlib.rcParams.update({"svg.fonttype": "path", "svg.hashsalt": key, "path.simplify": False})
        axes = new_axes(size_mm, margins_mm)
        draw(axes)
        source = _save(axes.get_figure(root=True))
    return _inline(source, key, title, description)


def _save(figure: Figure | None) -> str:
    assert figure is not None
    stream = io.StringIO()
    figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None})
    return stream.getvalue()


def _inline(source: str, key: str, title: str, description: str) -> Html:
    """Strip what only a stand-alone file needs: namespaces, metadata, comments, unused ids."""
    root = ET.fromstring(source)
    used = {name for e in root.iter() for value in e.attrib.values() for name in _REFERENCE.findall(value)}
    out = ET.Element(
        "svg",
        {
            "viewBox": root.attrib["viewBox"],
            "width": root.attrib["width"],
            "height": root.attrib["height"],
            "role": "img",
            "aria-labelledby": f"{key}-title {key}-desc",
            "style": "stroke-linejoin:round;stroke-linecap:butt",
        },
    )
    ET.SubElement(out, "title", {"id": f"{key}-title"}).text = plain(title).strip()
    ET.SubElement(out, "desc", {"id": f"{key}-desc"}).text = plain(description).strip()
    for child in root:
        _copy(child, out, key, used)
    return Html(ET.tostring(out, encoding="unicode"))


def _copy(element: ET.Element, parent: ET.Element, key: str, used: set[str]) -> None:
    name = element.tag.rpartition("}")[2]
    if name in ("metadata", "style"):
        return
    attributes = {}
    for full, value in element.attrib.items():
        attribute = full.rpartition("}")[2]
        if attribute == "id":
            if value in used:
                attributes["id"] = f"{key}-{value}"
        elif "#" in value and ("url(" in value or attribute == "href"):
            attributes[attribute] = _REFERENCE.sub(rf"#{key}-\1", value)
        else:
            attributes[attribute] = " ".join(value.split())
    copied = ET.SubElement(parent, name, attributes)
    for child in element:
        _copy(child, copied, key, used)
