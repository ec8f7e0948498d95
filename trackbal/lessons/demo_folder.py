"""A demo folder: one aircraft's runs with what was done between them, and past jobs of its type."""

from __future__ import annotations

import re
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import numpy as np

from trackbal.base.errors import InputError
from trackbal.runs.rotor import STEP_SLACK, Rotor
from trackbal.runs.run import History, Reals, Run
from trackbal.runs.sheets import read_adjustments, read_history, read_run, read_settings


@dataclass(frozen=True)
class Demo:
    """What a demo folder holds.

    Parameters
    ----------
    rotor : Rotor
    history : History
        Past jobs of other aircraft of the type.
    runs : tuple of Run
    changes : tuple of ndarray, shape (A, B)
        What was done after each run but the last, and after the last if that was written down;
        in the adjusters' units.
    settings : tuple of ndarray, shape (A, B)
        What was installed during each run.
    """

    rotor: Rotor
    history: History
    runs: tuple[Run, ...]
    changes: tuple[Reals, ...]
    settings: tuple[Reals, ...]


def read_demo(folder: str | PathLike[str]) -> Demo:
    """Read a demo folder.

    It holds rotor.toml, history.csv, history_adjustments.csv, settings.csv, run1.csv, run2.csv ...
    and adjustments1.csv, adjustments2.csv ...; the adjustments after the last run may be left out.

    Raises
    ------
    InputError
        If a file is missing or cannot be used, or an adjustment leaves its adjuster's range.
    """
    place = Path(folder)
    if not place.is_dir():
        raise InputError(folder, "no such folder", "a demo folder, as docs/trainer.md describes it")
    _refuse_other_folders(place)
    rotor = Rotor.load(place / "rotor.toml")
    count = _numbered(place, "run")
    made = _numbered(place, "adjustments")
    if count == 0:
        raise InputError(place / "run1.csv", "no such file", "the readings of the first run")
    if made < count - 1:
        missing = place / f"adjustments{made + 1}.csv"
        raise InputError(missing, "no such file", f"what was done after run {made + 1}")
    if made > count:
        raise InputError(place / f"adjustments{made}.csv", f"no run{made}.csv", "adjustments that follow a run")
    history = read_history(rotor, place / "history.csv", place / "history_adjustments.csv")
    runs = tuple(read_run(rotor, place / f"run{k}.csv") for k in range(1, count + 1))
    settings = [read_settings(rotor, place / "settings.csv")]
    changes = []
    for k in range(1, made + 1):
        file = place / f"adjustments{k}.csv"
        changes.append(read_adjustments(rotor, file))
        settings.append(settings[-1] + changes[-1])
        _check_range(rotor, file, changes[-1], settings[-1])
    return Demo(rotor, history, runs, tuple(changes), tuple(settings[:count]))


def _refuse_other_folders(place: Path) -> None:
    """Say what a folder is for that holds no finished job: a story to type along with, or a folder of demo folders."""
    if (place / "story.md").is_file() and not (place / "history.csv").exists():
        command = re.search(r"^ {4}(trackbal .*)$", (place / "story.md").read_text(encoding="utf-8"), re.MULTILINE)
        begin = f", whose first command is {command[1]}" if command else ""
        raise InputError(
            place,
            "a story, not a finished job with past runs",
            f"a folder with history.csv; a story is typed along with: go to that folder and follow its story.md{begin}",
        )
    if not (place / "rotor.toml").exists():
        inside = sorted(file.parent.name for file in place.glob("*/history.csv"))
        if inside:
            raise InputError(place, "several demo folders", f"one of them: {', '.join(inside)}")


def _numbered(place: Path, stem: str) -> int:
    """Return how many files stem1.csv, stem2.csv ... there are; InputError if their numbers have a gap."""
    numbers = set()
    for file in place.glob(f"{stem}*.csv"):
        digits = re.fullmatch(rf"{stem}(\d+)\.csv", file.name)
        if digits is None:
            continue
        if not re.fullmatch(r"[1-9]\d{0,5}", digits[1]):
            raise InputError(file, file.name, f"{stem}1.csv, {stem}2.csv and so on, without leading zeros")
        numbers.add(int(digits[1]))
    missing = set(range(1, max(numbers, default=0) + 1)) - numbers
    if missing:
        first = min(missing)
        raise InputError(place / f"{stem}{first}.csv", "no such file", f"{stem}1.csv to {stem}{max(numbers)}.csv")
    return len(numbers)


def _check_range(rotor: Rotor, file: Path, change: Reals, setting: Reals) -> None:
    """Refuse adjustments after which an adjuster stands outside its range."""
    for a, adjuster in enumerate(rotor.adjusters):
        slack = STEP_SLACK * adjuster.step
        outside = (setting[a] < adjuster.minimum - slack) | (setting[a] > adjuster.maximum + slack)
        for b in np.flatnonzero(outside & (change[a] != 0.0)):
            raise InputError(
                file,
                f"{adjuster.name} of blade {rotor.blades[b]} brought to {setting[a, b]:g} {adjuster.unit}",
                f"a setting within {adjuster.minimum:g} to {adjuster.maximum:g}",
            )
