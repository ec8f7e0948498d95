"""The page of an examination: what is not alike over time or from group to group, with pictures, and all tables."""

from __future__ import annotations

from functools import partial

from trackbal.examination.comparisons import Comparison
from trackbal.examination.examination import Examination
from trackbal.pages.examination_plots import comparison
from trackbal.pages.html import Html, join, page, table, tag
from trackbal.pages.svg import picture
from trackbal.reports.examination_report import comparison_words, report
from trackbal.reports.p_value import p_value_text

MOST_PICTURES = 40
SIZE_MM, MARGINS_MM = (85.0, 52.0), (13.0, 2.0, 8.0, 2.0)


def examination_page(found: Examination) -> str:
    """Return the page of an examination as HTML that needs nothing else. The same input gives the same bytes."""
    answered = sorted((c for c in found.comparisons if c.levels), key=lambda c: (not c.found, c.p))
    rows = []
    for c in answered:
        what, levels = comparison_words(found.rotor, c)
        rows.append((c.by, what, "no" if c.found else "nothing against it", p_value_text(c.adjusted), levels))
    shown = answered[:MOST_PICTURES]
    pictures = [_picture(found, c, n) for n, c in enumerate(shown)]
    words = (
        "Each dot is a job: how far what an amount does, or a sensor's gain or phase, departs from the type's mean, "
        "with its standard error. The line is the trend, the bars are the groups' means with theirs. The chance allows "
        "for all questions asked."
    )
    if len(shown) < len(answered):
        words += f" The firmest {len(shown)} of {len(answered)} are drawn."
    body = [
        tag("h1", f"Examination: {found.rotor.name}"),
        tag("h2", "Are jobs alike over time and from group to group?"),
        tag("p", words),
        table(["By", "What", "Alike", "Chance", "Departure"], rows, kinds="ttttt", cls="readings"),
        tag("figure", tag("div", *pictures, cls="figures")),
        tag("h2", "All that was examined"),
        tag("pre", report(found)),
    ]
    return page(f"Examination: {found.rotor.name}", body)


def _picture(found: Examination, c: Comparison, number: int) -> Html:
    what, levels = comparison_words(found.rotor, c)
    svg = picture(
        partial(comparison, found=c),
        key=f"comparison-{number}",
        title=f"{what} by {c.by}",
        description=levels,
        size_mm=SIZE_MM,
        margins_mm=MARGINS_MM,
    )
    mark = tag("b", "Not alike. ") if c.found else ""
    return tag("div", tag("h3", f"{what}, by {c.by}"), svg, tag("p", join([mark, Html(""), levels]), cls="note"))
