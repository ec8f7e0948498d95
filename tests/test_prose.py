"""What sources must say and must not hold: errors a public function raises, and no raw control bytes."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = sorted(file for folder in ("trackbal", "tests", "demo_runs") for file in (ROOT / folder).rglob("*.py"))
TEXTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *ROOT.glob("docs/*.md"), *ROOT.glob("trackbal/**/*.toml")]


def silent_raisers(code: str) -> Iterator[str]:
    """Yield the public functions that raise and whose docstring, or their class's, does not say so."""

    def walk(body: list[ast.stmt], lead: str, said: bool) -> Iterator[str]:
        for node in body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                yield from walk(node.body, f"{node.name}.", "aise" in (ast.get_docstring(node) or ""))
            elif isinstance(node, ast.FunctionDef) and (not node.name.startswith("_") or node.name == "__post_init__"):
                raises = any(isinstance(part, ast.Raise) and part.exc for part in ast.walk(node))
                covered = said if node.name == "__post_init__" else "aise" in (ast.get_docstring(node) or "")
                if raises and not covered:
                    yield lead + node.name

    yield from walk(ast.parse(code).body, "", False)


@pytest.mark.parametrize(
    "file",
    [file for file in SOURCES if file.is_relative_to(ROOT / "trackbal") and file.parent.name != "commands"],
    ids=lambda file: str(file.relative_to(ROOT / "trackbal")),
)
def test_public_functions_say_what_they_raise(file):
    assert list(silent_raisers(file.read_text(encoding="utf-8"))) == []


def test_a_silent_raiser_is_found():
    assert list(silent_raisers('def f(x):\n    """Return x."""\n    raise ValueError(x)')) == ["f"]
    assert list(silent_raisers('def f(x):\n    """Return x. Raises ValueError."""\n    raise ValueError(x)')) == []


def test_no_raw_control_bytes_in_sources():
    for file in [*SOURCES, *TEXTS]:
        held = set(file.read_bytes()) & (set(range(32)) | {127}) - set(b"\n")
        assert not held, f"{file.relative_to(ROOT)} holds the control bytes {sorted(held)}: write them as escapes"


def test_modules_that_docstrings_name_are_there():
    names = {file.name for file in SOURCES}
    for file in SOURCES:
        if file.is_relative_to(ROOT / "trackbal"):
            gone = set(re.findall(r"\b[a-z_]+\.py\b", file.read_text(encoding="utf-8"))) - names
            assert not gone, f"{file.relative_to(ROOT)} names {sorted(gone)}"


#: Field words; where a numeric room uses one, the glossary says what it means here.
FIELD_WORDS = (
    *("posterior", "prior", "belief", "innovation", "departure", "blade differences", "unexplained", "unlike"),
    *("misfit", "suspect", "account", "mistake", "explanation", "set aside", "gain", "surprise", "deletion residual"),
    *("circular", "gram", "moment", "information", "score", "family", "variance components", "leave-one-out"),
    *("support", "ladder", "additive bound", "lever", "contrasts", "gap", "blind", "trial", "piece", "preference"),
    *("cell", "entry", "noise", "chance", "coverage", "finding", "stage", "plausibility", "identification", "verdict"),
)
NUMERIC = ("search", "runs", "influence", "check", "aircraft", "estimate", "records", "fitting", "examination", "plan")


def glossary_terms() -> list[str]:
    """Return the words that the glossary defines, in its order."""
    page = (ROOT / "docs/glossary.md").read_text(encoding="utf-8")
    words = page[page.index("## Words") : page.index("## Signs")]
    rows = re.findall(r"^\| ([^|]+) \|", words, flags=re.M)
    return [term.strip() for row in rows if row not in ("word", "---") for term in row.split(",")]


def docstrings_of(file: Path) -> str:
    """Return every docstring of a module."""
    kinds = (ast.Module, ast.ClassDef, ast.FunctionDef)
    nodes = ast.walk(ast.parse(file.read_text(encoding="utf-8")))
    return "\n".join(ast.get_docstring(node) or "" for node in nodes if isinstance(node, kinds))


def test_a_word_stands_in_the_glossary_once():
    terms = glossary_terms()
    assert sorted(terms) == sorted(set(terms))


def test_the_words_of_the_numeric_rooms_stand_in_the_glossary():
    terms = set(glossary_terms())
    said = "\n".join(docstrings_of(file) for room in NUMERIC for file in (ROOT / "trackbal" / room).glob("*.py"))
    for word in FIELD_WORDS:
        root = re.escape(word.removesuffix("s"))
        assert re.search(rf"\b{root}", said, flags=re.I), f"no numeric room says {word}: take it out of this list"
        assert word in terms, f"{word} is used and not explained"


def test_the_glossary_explains_nothing_that_nobody_says():
    pages = "\n".join(file.read_text(encoding="utf-8") for file in TEXTS if file.name != "glossary.md")
    said = pages + "\n".join(docstrings_of(file) for file in SOURCES if file.is_relative_to(ROOT / "trackbal"))
    for term in glossary_terms():
        assert re.search(rf"\b{re.escape(term.removesuffix('s'))}", said, flags=re.I), f"nobody says {term}"
