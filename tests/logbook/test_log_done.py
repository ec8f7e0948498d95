"""What was done, asked adjustment by adjustment: which way, in words; kept answer by answer; taken up again."""

from __future__ import annotations

from pathlib import Path

import pytest
from logbook_cases import Command, sheet, show

from trackbal.logbook.deeds import record_advice
from trackbal.logbook.records import find_job, load_influence, load_job
from trackbal.logbook.store import Book
from trackbal.runs.words import many, past_words

HIGH = {"flat_pitch": (0.5, 40.0), "hover": (0.4, 50.0), "cruise": (0.6, 60.0), "descent": (0.3, 20.0)}


ADVISED = [("1", "tip_weight", 70.0), ("3", "pitch_link", -3.0)]


@pytest.fixture
def advised(book: Path, files: Path, command: Command) -> list[tuple[str, str, float]]:
    """Return what is advised after a first run: (blade, adjuster, amount), two items."""
    command("run", book, sheet(files / "run1.csv", HIGH))
    items = {(blade, adjuster): f"{amount:g}" for blade, adjuster, amount in ADVISED}
    with Book.open(book, write=True) as opened:
        record = load_job(opened, find_job(opened, None))
        answer = {"verdict": "adjust", "recommended": 0, "plans": [{"chance": 0.5}]}
        record_advice(opened, record, load_influence(opened, record.rotor)[0], answer, items, "tester", lambda: None)
    return ADVISED


def done(command: Command, book: Path) -> dict[tuple[str, str], float] | None:
    items = show(command, book)["runs"][0]["done"]
    return None if items is None else {(i["blade"], i["adjuster"]): float(i["amount"]) for i in items}


def _verb(adjuster: str, amount: float) -> str:
    return {"tip_weight": ("add", "remove"), "pitch_link": ("lengthen", "shorten")}[adjuster][amount < 0]


def test_a_bare_number_has_the_advised_sense(book: Path, command: Command, advised: list) -> None:
    (blade, adjuster, amount), (blade_2, adjuster_2, amount_2) = advised
    size = abs(amount) - (10 if adjuster == "tip_weight" else 1)
    code, out, error = command("done", book, "--ask", keys=f"{size:g}\n\n\n")
    assert code == 0, error
    assert done(command, book) == {
        (blade, adjuster): size * (1 if amount > 0 else -1),
        (blade_2, adjuster_2): amount_2,
    }
    past = past_words(_verb(adjuster, amount))
    assert f"{past}? Enter: {abs(amount):g}, 0: not done" in out
    assert f"blade {blade}, {adjuster.replace('_', ' ')}: {past} {size:g}" in out and "setting 0 to" in out


@pytest.mark.parametrize("answer", ["{sign}{size:g}", "{other} {size:g}", "{size:g} {other_past}"])
def test_the_other_way_is_said_back_and_confirmed(book: Path, command: Command, advised: list, answer: str) -> None:
    index = [adjuster for _, adjuster, _ in advised].index("pitch_link")
    blade, adjuster, amount = advised[index]
    other = _verb(adjuster, -amount)
    words = {"sign": "-" if amount > 0 else "+", "other": other, "other_past": past_words(other), "size": abs(amount)}
    typed = answer.format(**words)
    before = [""] * index
    after = [""] * (len(advised) - index - 1)
    keys = [*before, typed, "no", typed, "", typed, "yes", *after, ""]
    code, out, error = command("done", book, "--ask", keys="\n".join(keys))
    assert code == 0, error
    out = " ".join(out.split())
    assert out.count("THE OTHER WAY than advised") == 3 and out.count("Not taken; nothing recorded.") == 2
    found = done(command, book)
    assert found is not None and found[blade, adjuster] == -amount
    assert f"THE OTHER WAY: advised was to {_verb(adjuster, amount)}" in " ".join(out.split())


def test_a_part_of_a_step_and_the_same_sign_are_confirmed_too(book: Path, command: Command, advised: list) -> None:
    sign = "+" if advised[0][2] > 0 else "-"
    _, out, _ = command("done", book, "--ask", keys=f"0.5\nno\n{sign}1\nno\nstop")
    out = " ".join(out.split())
    assert "no whole number of steps" in out and out.count("Was it so?") == 2
    assert done(command, book) is None


@pytest.mark.parametrize("end", ["^C", "stop"])
@pytest.mark.parametrize("after", range(4))
def test_broken_off_anywhere_and_taken_up_again(
    book: Path, files: Path, command: Command, advised: list, after: int, end: str
) -> None:
    keys = ["0", "", "4 tip_weight add 10", ""]
    code, out, _ = command("done", book, "--ask", keys="\n".join([*keys[:after], end]))
    assert code == 1 and "every answer is kept" in out
    assert done(command, book) is None
    if after:
        for refused in (("run", book, files / "run1.csv"), ("done", book), ("done", book, "--nothing")):
            code, _, error = command(*refused)
            assert code == 2 and "--ask" in error, refused
        assert "answered" in command("show", book)[1]
    code, out, error = command("done", book, "--ask", keys="\n".join(keys[after:]))
    assert code == 0, error
    assert ("Answered before:" in out) == (after > 0)
    assert done(command, book) == {advised[1][:2]: advised[1][2], ("4", "tip_weight"): 10.0}


def test_back_none_and_help(book: Path, command: Command, advised: list) -> None:
    keys = ["back", "?", "0", "back", "none", "", "0", "back", "back", "0", "", ""]
    code, out, error = command("done", book, "--ask", keys="\n".join(keys))
    assert code == 0, error
    assert "This is the first one." in out and "the other way" in out and "answered:" in out
    assert done(command, book) == {advised[1][:2]: advised[1][2]}


def test_an_amount_outside_the_range_is_refused_at_its_own_question(
    book: Path, command: Command, advised: list
) -> None:
    _, out, _ = command("done", book, "--ask", keys="9000\nstop")
    assert "found tip_weight of blade 1 at 9000 g, expected 0 to 600" in " ".join(out.split())
    assert done(command, book) is None


def test_answers_dropped(book: Path, command: Command, advised: list) -> None:
    command("done", book, "--ask", keys="0\nstop")
    assert command("done", book, "--ask", "--drop")[0] == 0
    assert command("done", book, "--ask", "--drop")[0] == 2
    assert command("done", book)[0] == 0
    assert done(command, book) == {(b, a): x for b, a, x in advised}


def test_what_else_was_done_needs_its_sense(book: Path, command: Command, advised: list) -> None:
    extra = next(b for b in "1234" if (b, "pitch_link") not in [i[:2] for i in advised])
    keys = [
        "0",
        "0",
        "nonsense",
        f"{extra} pitch_link 2",
        f"{extra} pitch_link -2",
        "no",
        f"blade {extra} pitch link shortened 2 flats",
        "",
    ]
    code, out, error = command("done", book, "--ask", keys="\n".join(keys))
    assert code == 0, error
    assert "a blade, an adjuster and what was done" in out
    assert "expected the sense too: lengthen or shorten" in out
    assert done(command, book) == {(extra, "pitch_link"): -2.0}


def test_nothing_after_an_item_is_refused_and_says_which(book: Path, command: Command, advised: list) -> None:
    command("done", book, "--item", "3", "tip_weight", "20")
    code, _, error = command("done", book, "--nothing")
    assert code == 2 and "tip_weight 20 of blade 3" in error and "log correct done" in error
    assert done(command, book) == {("3", "tip_weight"): 20.0}


def test_an_item_is_said_back_in_words(book: Path, command: Command) -> None:
    command("run", book, keys="0.31 124\nskip\nskip\nskip\nskip\n")
    _, out, _ = command("done", book, "--item", "1", "pitch_link", "-3")
    assert "blade 1, pitch link: shortened 3 flats, setting 0 to -3" in out


def test_participles_and_plurals() -> None:
    verbs = {
        "lengthen": "lengthened",
        "add": "added",
        "remove": "removed",
        "bend down": "bent down",
        "trim": "trimmed",
        "apply": "applied",
        "screw in": "screwed in",
        "verlängern": "verlängern",
    }
    assert {verb: past_words(verb) for verb in verbs} == verbs
    assert [many(unit) for unit in ("flat", "notch", "g", "deg")] == ["flats", "notches", "g", "deg"]
