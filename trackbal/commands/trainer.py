"""Commands of the trainer: replay."""

from __future__ import annotations

import shutil
import sys
from typing import TYPE_CHECKING

import click

from trackbal.commands.options import Output, chance_option, force_option, most_option, say

if TYPE_CHECKING:
    from trackbal.lessons.lesson import Lesson
    from trackbal.lessons.lesson_opening import Step


@click.command()
@click.argument("folder", metavar="DEMO_FOLDER", required=False)
@click.option("--log", "book_file", metavar="BOOK", help="A closed job of this logbook instead of a folder.")
@click.option("--job", "job_name", metavar="NAME", help="Which job of the logbook.")
@click.option("--pause", is_flag=True, help="On a terminal: one step at a time, forward and back; answers typed.")
@click.option("--page", "page_file", cls=Output, metavar="LESSON.html", help="Write slides for a projector instead.")
@most_option
@chance_option
@force_option
def replay(
    folder: str | None,
    book_file: str | None,
    job_name: str | None,
    pause: bool,
    page_file: str | None,
    most: int | None,
    chance: float,
    force: bool,
) -> int:
    """Walk through a job run by run, as a trainer would show it.

    Facts come first, then what the class is asked, and only then what is concluded.

    \b
    Example:
      trackbal replay demo_runs/seven_blades --pause
    """
    from trackbal.base.files import Outputs, check_free
    from trackbal.lessons.lesson_text import lesson_steps

    check_free(page_file, force=force)
    lesson = _lesson(folder, book_file, job_name, most, chance)
    if page_file is not None:
        from trackbal.pages.lesson_page import lesson_page

        with Outputs([(page_file, lesson_page(lesson))], force=force):
            say(f"Written to {page_file}.")
        return 0
    steps = lesson_steps(lesson)
    if pause and sys.stdin.isatty():
        _walk(lesson, steps)
        return 0
    for number, step in enumerate(steps):
        if number:
            say()
        say(f"{step.title}\n{'-' * len(step.title)}\n{step.text}")
    return 0


def _lesson(folder: str | None, book_file: str | None, job_name: str | None, most: int | None, chance: float) -> Lesson:
    from trackbal.lessons.demo_folder import read_demo
    from trackbal.lessons.lesson import prepare_lesson

    if (folder is None) == (book_file is None):
        raise click.UsageError("give either a demo folder, or --log BOOK and --job NAME")
    if (book_file is None) != (job_name is None):
        raise click.UsageError("--log BOOK and --job NAME go together")
    if folder is not None:
        return prepare_lesson(read_demo(folder), most=most, chance=chance)
    from trackbal.lessons.lesson_book import lesson_of_job
    from trackbal.logbook.store import Book

    assert book_file is not None
    assert job_name is not None
    with Book.open(book_file) as book:
        return lesson_of_job(book, job_name, most=most, chance=chance)


def _walk(lesson: Lesson, steps: tuple[Step, ...]) -> None:
    """Show the steps screen by screen; Enter goes on, b goes back, q ends, and questions take an answer."""
    from trackbal.base.text_layout import screens

    room = shutil.get_terminal_size((80, 24)).lines - 4  # title, line below it, an empty line, the prompt
    answers: dict[tuple[int, str], str] = {}
    at, part = 0, 0
    while at < len(steps):
        step = steps[at]
        held = answers.get((step.run, step.about), "") if step.part == "answer" else ""
        of = screens(f"{step.text}\n\n{held}" if held else step.text, room)
        part = len(of) - 1 if part < 0 else part
        title = step.title + (f" ({part + 1} of {len(of)})" if len(of) > 1 else "")
        click.clear()
        say(f"{title}\n{'-' * len(title)}\n{of[part]}")
        typed = _asked(lesson, step, answers, last=at == len(steps) - 1 and part == len(of) - 1)
        if typed == "q":
            return
        if typed == "b":
            at, part = (at, part - 1) if part else (max(at - 1, 0), -1 if at else 0)
        else:
            at, part = (at, part + 1) if part < len(of) - 1 else (at + 1, 0)


def _asked(lesson: Lesson, step: Step, answers: dict[tuple[int, str], str], *, last: bool) -> str:
    """Return "b", "q" or "": where to go. What else is typed at a question is kept as its answer."""
    from trackbal.base.errors import InputError
    from trackbal.base.text_layout import wrap
    from trackbal.lessons.answers import HOW_NEXT, HOW_PLAN, next_answer, plan_answer

    question = step.part == "question"
    if question:
        say("\n" + wrap("Type " + (HOW_PLAN if step.about == "plan" else HOW_NEXT)))
    while True:
        on = "end" if last else "on"
        say(f"(Enter: {on}, b: back, q: quit{', or your answer' if question else ''}) ", nl=False, err=True)
        typed = sys.stdin.readline()
        if not typed:
            return "q"
        typed = typed.strip()
        if typed.lower() in ("", "b", "q"):
            return typed.lower()
        if not question:
            continue
        try:
            answer = plan_answer if step.about == "plan" else next_answer
            answers[step.run, step.about] = answer(lesson, lesson.visits[step.run - 1], typed)
            return ""
        except InputError as error:
            say(wrap(str(error)))
