"""The trainer's drill: begun, played, told, and a class's results."""

from __future__ import annotations

import csv
import io
import sys
from typing import TYPE_CHECKING

import click

from trackbal.commands.options import Output, echo_json, force_option, json_option, say
from trackbal.commands.waiting import working

if TYPE_CHECKING:
    from trackbal.drill.play import Drill
    from trackbal.drill.record import Record


@click.group()
def drill() -> None:
    """Practise on a virtual rotor with hidden faults.

    \b
    Example:
      trackbal drill play mine.json --level 1 --seed 7
    """


@drill.command()
def levels() -> int:
    """List the levels.

    \b
    Example:
      trackbal drill levels
    """
    from trackbal.base.text_layout import wrap
    from trackbal.drill.levels import LEVELS

    for level in LEVELS:
        say(wrap(level.story, f"{level.number}  {level.kind:8}"))
    return 0


@drill.command()
@click.argument("file", metavar="DRILL.json")
@click.option("--level", type=int, help="Begin a drill of this level; see trackbal drill levels.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="The same seed, the same drill.")
@click.option("--name", default="", help="Who plays; stands in the class's results.")
@force_option
def play(file: str, level: int | None, seed: int, name: str, force: bool) -> int:
    """Begin a drill, or take it up again where it was broken off.

    \b
    Example:
      trackbal drill play mine.json --level 3 --seed 12 --name "crew 2"
    """
    from trackbal.drill.record import Record
    from trackbal.drill.screen import opening, readings

    if level is None:
        record = Record.load(file)
    else:
        record = Record.new(level, seed, name)
        record.save(file, force=force)
    say(opening(record.drill.scenario))
    say()
    say(readings(record.drill))
    _ask(file, record)
    state = record.drill.state
    if state == "open":
        say(f"Kept in {file}; the same command without --level takes it up again.")
        return 0
    say(f"trackbal drill tell {file} says what was hidden.")
    return 0 if state == "won" else 1


def _ask(file: str, record: Record) -> None:
    """Take orders until the drill ends, the input ends or the trainee breaks off."""
    from trackbal.base.errors import InputError, TrackbalError
    from trackbal.base.text_layout import wrap
    from trackbal.drill.orders import HELP, read_order
    from trackbal.drill.play import play as carry_out
    from trackbal.drill.screen import planned, readings

    found = record.drill
    while found.state == "open":
        say("order (? for help): ", nl=False)
        typed = sys.stdin.readline()
        if not typed or typed.strip().lower() == "stop":
            say()
            return
        if not typed.strip():
            continue
        if typed.strip() == "?":
            say(wrap(HELP))
            continue
        try:
            order = read_order(found.rotor, typed.strip(), found.planned, found.setting)
        except InputError as error:
            say(str(error))
            continue
        before = len(found.flights), found.flights[-1].repeats
        said = carry_out(found, order)
        record.save(file)
        if order.deed == "look":
            try:
                say(_shown(file, found, order.what))
            except TrackbalError as error:
                say(str(error))
        if (len(found.flights), found.flights[-1].repeats) != before:
            say(readings(found))
        if said:
            say(wrap(said))
        if order.deed in ("adjust", "undo"):
            say(planned(found))


def _shown(file: str, found: Drill, what: str) -> str:
    """Return what a trainee asked to see; pictures go into files beside the drill's."""
    from trackbal.drill.screen import influence_table, readings, record_text

    if what == "readings":
        return readings(found)
    if what.startswith("influence"):
        return influence_table(found, every=what.endswith("all"))
    if what == "record":
        return record_text(found)
    from trackbal.pages.blank_dial import blank_dial_page
    from trackbal.pages.run_pictures import run_pictures_page

    stem = file.removesuffix(".json")
    if what == "sketch":
        return _beside(f"{stem}_dial.html", blank_dial_page(found.rotor))
    run, again = len(found.flights), found.flights[-1].repeats
    title = f"{found.rotor.name}: run {run}" + (f", mean of {again} readings" if again > 1 else "")
    name = f"{stem}_run{run}" + (f"_mean{again}" if again > 1 else "")
    return _beside(f"{name}.html", run_pictures_page(found.rotor, found.run, title))


def _beside(file: str, text: str) -> str:
    """Write a page if it is not there yet; return where it is."""
    from pathlib import Path

    from trackbal.base.files import write_whole

    if not Path(file).is_file() or Path(file).read_bytes() != text.encode():
        write_whole(file, text, force=False)
    return f"Open {file} in a browser."


@drill.command()
@click.argument("file", metavar="DRILL.json")
def tell(file: str) -> int:
    """Say how a drill went, what was hidden, and where the best path was left.

    \b
    Example:
      trackbal drill tell mine.json
    """
    from trackbal.drill.record import Record
    from trackbal.drill.screen import debrief_text

    record = Record.load(file)
    if record.drill.state == "open":
        say("This drill is still open: end it, or type give up, before it is told.")
        return 1
    say(debrief_text(_debrief(record.drill)))
    return 0


def _debrief(found: Drill):  # type: ignore[no-untyped-def]
    from trackbal.drill.debrief import debrief
    from trackbal.drill.own_play import play_out
    from trackbal.drill.play import begin

    by_trackbal = begin(found.scenario)
    play_out(by_trackbal)
    return debrief(found, by_trackbal)


@drill.command("class")
@click.argument("files", metavar="DRILL.json...", nargs=-1, required=True)
@click.option("--out", cls=Output, metavar="CLASS.csv", help="The file to write; without it, shown.")
@force_option
def class_(files: tuple[str, ...], out: str | None, force: bool) -> int:
    """Write a class's results as CSV, one line a drill.

    \b
    Example:
      trackbal drill class crew1.json crew2.json --out class.csv
    """
    from trackbal.base.files import check_free, write_whole
    from trackbal.drill.debrief import COLUMNS, class_row
    from trackbal.drill.record import Record

    check_free(out, force=force)
    stream = io.StringIO()
    rows = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
    rows.writeheader()
    for file in files:
        record = Record.load(file)
        rows.writerow(class_row(record.name or file, _debrief(record.drill)))
    if out is None:
        say(stream.getvalue(), nl=False)
    else:
        write_whole(out, stream.getvalue(), force=force)
    return 0


@drill.command()
@click.option("--level", type=int, required=True, help="See trackbal drill levels.")
@click.option("--first", type=click.IntRange(min=0), default=1, show_default=True, help="The first seed.")
@click.option("--count", "number", type=click.IntRange(1, 10_000), default=10, show_default=True, help="How many.")
@json_option
def own(level: int, first: int, number: int, as_json: bool) -> int:
    """Put trackbal itself through drills of a level: a ceiling to hold a class against.

    \b
    Example:
      trackbal drill own --level 3 --count 20
    """
    from trackbal.drill.levels import level_of
    from trackbal.drill.own_play import score

    with working("Playing"):
        found = score(level_of(level), range(first, first + number))
    if as_json:
        echo_json(found)
    else:
        say(
            f"level {level}: {found['won']} of {found['drills']} won; mean {found['runs']:.2f} runs, "
            f"{found['adjustments']:.2f} adjustments, {found['minutes']:.0f} minutes"
        )
    return 0
