"""Commands of the trainer: replay."""

from __future__ import annotations

import sys

import click

from trackbal.commands.options import chance_option, most_option, say


@click.command()
@click.argument("folder", metavar="DEMO_FOLDER")
@click.option("--pause", is_flag=True, help="Wait for Enter between the steps, on a terminal.")
@most_option
@chance_option
def replay(folder: str, pause: bool, most: int | None, chance: float) -> int:
    """Walk through a job run by run, as a trainer would show it.

    \b
    Example:
      trackbal replay demo_runs/seven_blades
    """
    from trackbal.lessons.demo_folder import read_demo
    from trackbal.lessons.lesson import prepare_lesson
    from trackbal.lessons.lesson_text import lesson_steps

    steps = lesson_steps(prepare_lesson(read_demo(folder), most=most, chance=chance))
    for number, step in enumerate(steps):
        if number:
            say()
            if pause and sys.stdin.isatty():
                say("(Enter to go on) ", nl=False, err=True)
                sys.stdin.readline()
        say(f"{step.title}\n{'-' * len(step.title)}\n{step.text}")
    return 0
