"""What every page must hold: parsed with the standard library's HTML parser."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html.parser import HTMLParser

VOID = {"meta", "br", "wbr", "img", "input", "hr", "link"}


class Page(HTMLParser):
    """The elements and the text of a page; fails on tags that do not nest."""

    def __init__(self, source: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None], tuple[str, ...]]] = []
        self.text: list[str] = []
        self.comments: list[str] = []
        self.texts_by_tag: dict[str, list[str]] = {}
        self._open: list[str] = []
        self.feed(source)
        self.close()
        assert self._open == [], f"never closed: {self._open}"

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), tuple(self._open)))
        self.text.append("" if tag == "wbr" else " ")
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), tuple(self._open)))

    def handle_endtag(self, tag):
        assert self._open and self._open[-1] == tag, f"</{tag}> closes {self._open[-3:]}"
        self.text.append(" ")
        self._open.pop()

    def handle_comment(self, data):
        self.comments.append(data)

    def handle_data(self, data):
        if self._open and self._open[-1] != "style":
            self.text.append(data)
            self.texts_by_tag.setdefault(self._open[-1], []).append(data)

    @property
    def words(self) -> str:
        return " ".join("".join(self.text).split())

    def all(self, tag):
        return [attrs for name, attrs, _ in self.elements if name == tag]


def assert_stands_alone(source: str, *, fillable: bool = False) -> None:
    """Fail if the page has a script, a handler, or refers to anything outside itself.

    A page to fill in has boxes, its data, and one script, the only one that its policy allows.
    """
    if fillable:
        data, script = re.findall(r"<script[^>]*>(.*?)</script>", source, re.S)
        assert source.count("<script") == 2 and "<" not in data and json.loads(data)
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"script-src &#x27;sha256-{digest}&#x27;" in source or f"script-src 'sha256-{digest}'" in source
        for word in ("fetch(", "XMLHttpRequest", "innerHTML", "eval(", "import(", "WebSocket", "://"):
            assert word not in script, word
        source = re.sub(r"<script[^>]*>.*?</script>", "", source, flags=re.S)
        source = re.sub(r"</?(form|label|input|button)\b[^>]*>", "", source)
    page = Page(source)
    names = {name for name, _, _ in page.elements}
    allowed = {
        *("html", "head", "meta", "title", "style", "body", "h1", "h2", "h3", "p", "strong", "div", "span", "b", "i"),
        *("ul", "li", "table", "caption", "thead", "tbody", "tr", "th", "td", "wbr", "figure", "figcaption", "section"),
        *("svg", "desc", "g", "path", "defs", "use", "clippath", "rect", "circle"),
    }
    assert names <= allowed, names - allowed
    assert not page.comments
    ids = [attrs["id"] for _, attrs, _ in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    for _, attrs, _ in page.elements:
        for key, value in attrs.items():
            assert not key.startswith("on"), key
            assert key not in ("src", "srcset", "action", "formaction", "data", "poster", "xmlns"), key
            if key in ("href", "xlink:href"):
                assert value.startswith("#") and value[1:] in ids
            for reference in re.findall(r"url\(([^)]*)\)", value or ""):
                assert reference.startswith("#") and reference[1:] in ids
    style = re.search(r"<style>(.*?)</style>", source, re.S)[1]
    assert "@import" not in style and "url(" not in style
    assert "://" not in re.sub(r"<body>.*", "", source, flags=re.S)


def assert_pictures_are_told(source: str) -> int:
    """Fail if a picture has no text alternative; return how many there are."""
    page = Page(source)
    ids = {attrs["id"] for _, attrs, _ in page.elements if "id" in attrs}
    pictures = page.all("svg")
    for attrs in pictures:
        assert attrs["role"] == "img"
        named = attrs["aria-labelledby"].split()
        assert len(named) == 2 and set(named) <= ids
    described = [t for t in page.texts_by_tag.get("desc", []) if t.strip()]
    assert len(described) == len(pictures)
    return len(pictures)


def luminance(colour: str) -> float:
    """Return the relative luminance of #rrggbb (W3C, WCAG 2.2, "relative luminance")."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (W3C, WCAG 2.2, "contrast ratio")."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def assert_contrast(source: str) -> None:
    """Fail if a colour of text in the style sheet is too faint on the page (WCAG 2.2, 1.4.3: 4.5 to 1)."""
    style = re.search(r"<style>(.*?)</style>", source, re.S)[1]
    backgrounds = set(re.findall(r"background(?:-color)?:\s*([^;}]+)", style))
    assert backgrounds == {"#ffffff"}
    colours = set(re.findall(r"(?<![-\w])color:\s*([^;}]+)", style))
    assert len(colours) >= 2
    for colour in colours:
        assert contrast(colour.strip(), "#ffffff") >= 4.5, colour
