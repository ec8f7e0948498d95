"""The pictures of one run by themselves, as a page: what was read, without advice."""

from __future__ import annotations

from trackbal.pages.card_pictures import pictures_section
from trackbal.pages.html import Html, page, tag
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run


def run_pictures_page(rotor: Rotor, run: Run, title: str) -> str:
    """Return a page with the vibration dials and tip heights of a run."""
    return page(title, [Html(tag("h1", title)), pictures_section(rotor, run, None)])
