"""A logbook without influence: textbook estimates from the rotor file take its place, and say so."""

from __future__ import annotations

from trackbal.influence.coefficients import Influence
from trackbal.influence.influence_writer import influence_text
from trackbal.logbook.entries import add_influence
from trackbal.logbook.records import influence_if_any, load_influence
from trackbal.logbook.store import Book
from trackbal.runs.rotor import Rotor
from trackbal.trials.textbook import SOURCE, textbook_influence


def influence_to_go_by(book: Book, rotor: Rotor, author: str) -> tuple[int, Influence]:
    """Return entry and influence of a rotor; where the logbook has none, textbook estimates are entered as such."""
    with book.writing():
        if influence_if_any(book, rotor) is None:
            text = influence_text(rotor, textbook_influence(rotor))
            add_influence(book, text, SOURCE, rotor, author, "no influence yet")
        return load_influence(book, rotor)
