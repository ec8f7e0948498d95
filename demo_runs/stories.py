"""Stories of days before there is a history: new blades on a hub, a first trial. All invented.

A story is text with commands in it. Making it runs every command in its folder and writes under each what of its
answer tells the story, so that no page says what trackbal does not.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shlex
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from trackbal.base.phasor import phase_deg
from trackbal.commands.group import run as call
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.sheets import write_settings
from trackbal.virtual import VirtualType
from trackbal.virtual.physics import PitchLink, WeightStation

INVENTED = """\
Everything here is invented: the Dunmere fire-and-rescue flying service, its aircraft, its people and
every number. The limits in `rotor.toml`, and every limit named below, are invented too and are not any aircraft's.
"""
GOVERNS = """\
The aircraft's maintenance manual and local rules govern; licensed people carry out, inspect and certify the work.
trackbal advises, and releases nothing.
"""
MOST_RUNS = 8
DIGITS = {"ips": 3, "mm/s": 2, "g": 3, "mil": 2}  # what the instrument shows
HEIGHT_DIGIT = {"mm": 0.5, "in": 0.02}
WHO = "A. Crew"  # who enters it in the logbook of a story


@dataclass(frozen=True)
class Step:
    """A command of a story, without the word trackbal, and the beginnings of the lines of its answer to quote."""

    command: str
    quotes: tuple[str, ...]


def parts_of(page: str) -> list[str | Step]:
    """Return the parts of a page in which a line "$ command :: beginning :: beginning" stands for a step."""
    parts: list[str | Step] = []
    for block in re.split(r"^(\$ .*\n)", page, flags=re.MULTILINE):
        if block.startswith("$ "):
            command, *quotes = block[2:].strip().split(" :: ")
            parts.append(Step(command, tuple(quotes)))
        elif block.strip():
            parts.append(block.strip() + "\n")
    return parts


def told(folder: Path, parts: Sequence[str | Step]) -> str:
    """Return a story with what its commands answer, run in a copy of the folder."""
    with tempfile.TemporaryDirectory() as place:
        for file in folder.iterdir():
            if file.suffix in (".csv", ".toml"):
                (Path(place) / file.name).write_bytes(file.read_bytes())
        return "\n".join(_told(Path(place), part) for part in parts)


def _told(place: Path, part: str | Step) -> str:
    if isinstance(part, str):
        return part
    said = answer(place, part.command)
    quoted = [line for start in part.quotes for line in quotations(said, start)]
    if not quoted:
        raise SystemExit(f"trackbal {part.command}: nothing begins with {part.quotes}, but it said\n{said}")
    return f"    trackbal {part.command}\n\n" + "\n".join(f"> {line}  " for line in quoted) + "\n"


def answer(place: Path, command: str) -> str:
    """Return what a command prints, run in a folder. Raises SystemExit if it refuses to."""
    out, before = io.StringIO(), Path.cwd()
    os.chdir(place)
    try:
        with contextlib.redirect_stdout(out):
            code = call(shlex.split(command))
    finally:
        os.chdir(before)
    if code not in (0, 1):
        raise SystemExit(f"trackbal {command}: exit code {code}")
    return out.getvalue()


def quotations(said: str, start: str) -> Iterator[str]:
    """Yield the lines that begin so, each to the full stop that ends a line, an empty line, or a list.

    What begins with ~ is a pattern, of which the first match alone is quoted.
    """
    if start.startswith("~"):
        found = re.search(start[1:], " ".join(said.split()))
        yield from [] if found is None else [found[0]]
        return
    lines = said.splitlines()
    for i, line in enumerate(lines):
        if line.strip().startswith(start):
            end = i + 1
            while not (line.startswith(" ") or lines[end - 1].endswith((".", ":"))) and "".join(lines[end : end + 1]):
                end += 1
            yield " ".join(" ".join(lines[i:end]).split())


# ------------------------------------------------------------------------------ new blades

SEATING_SEED = 11
SEAT = "seat --rotor rotor.toml --hub hub.csv --limit 0.03"
CARD_SAYS = 2.4  # kg m, by which an old card of one blade is off


NEW_BLADES = f"""\
# Seven new blades for a heavy lifter

{INVENTED}
A Stormhold of the Dunmere service gets seven new blades. Each was weighed on the balancing stand, spanwise and
chordwise (`moments_first.csv`), and the hub's own residuals are known from its overhaul (`hub.csv`). The
workshop's figure for what may remain, 0.03 kg m, is its own, and invented. Each of 5,040 ways to seat seven
blades on such a hub leaves another residual.

## What the order alone can do

$ {SEAT} --moments moments_first.csv --most 0 :: Stormhold main rotor: :: No order

A spread that no order cures is not a matter for weights yet: first somebody looks at the blade that stands out.
Had the figure been believed, this is what would have been hung on:

$ {SEAT} --moments moments_first.csv :: Stormhold main rotor: :: position

The figure of blade 5 turned out to be copied from the card of its last overhaul: it was never put on this stand.
It was weighed like the others (`moments.csv`).

## The same with the blade weighed

$ {SEAT} --moments moments.csv :: Stormhold main rotor: :: position

The order alone does it, and no weight is needed. Every order was compared, for every count of weights. The
weights of the first list would have been the unbalance. Equal moments do not make blades fly alike: the aircraft
still gets its first run, and its track and balance in flight.

## Before the blades go on

- Lifting and handling blades, hoist and sling, droop stops and supports: as the manual says, nobody below.
- Blade bolts and pins are inspected items: type, torque, locking, independent inspection.
- Weights are blade hardware: approved parts, counted out and back.
- A moment holds for the blade as it was weighed: paint, repairs and weights since then change it.

{GOVERNS}
Things to try: `--grade 2.5 --mass 2100` instead of `--limit` holds the residual against ISO 21940-11 for a balance
grade that you name (the grade and the mass here are invented). And leave `--hub` away: which order comes then, and
what would it leave on this hub?
"""


def make_new_blades(folder: Path) -> str:
    """Write the story of seven new blades and one old weighing card."""
    folder.mkdir(parents=True, exist_ok=True)
    kind = VirtualType.shipped("main7")
    radius = kind.physics.blade.radius_m
    text = VirtualType.rotor_file("main7").read_text(encoding="utf-8")
    text = text.replace('name = "tip_weight"\n', f'name = "tip_weight"\nradius_m = {0.96 * radius:.2f}\n')
    (folder / "rotor.toml").write_text(text, encoding="utf-8", newline="\n")
    rng = np.random.default_rng(SEATING_SEED)
    span = np.round(kind.physics.blade.mass_kg * radius / 2.0 + 0.3 * rng.standard_normal(7), 2)
    chord = np.round(0.04 * rng.standard_normal(7), 2)
    hub = np.round(0.04 * rng.standard_normal((7, 2)), 2) + 0.0
    card = span.copy()
    card[4] += CARD_SAYS
    for file, moments in (("moments_first.csv", card), ("moments.csv", span)):
        rows = [f"{b + 1},{m:.2f},{c:.2f}" for b, (m, c) in enumerate(zip(moments, chord + 0.0, strict=True))]
        _write(folder / file, ["blade,span_moment [kg m],chord_moment [kg m]", *rows])
    rows = [f"{k + 1},{along:.2f},{ahead:.2f}" for k, (along, ahead) in enumerate(hub)]
    _write(folder / "hub.csv", ["position,span_moment [kg m],chord_moment [kg m]", *rows])
    story = told(folder, parts_of(NEW_BLADES))
    _write(folder / "story.md", [story])
    return "new_blades: seven blades seated, one weighed again"


# ------------------------------------------------------------------------------ a first trial

TRIAL_SEED, TRIAL_SEVERITY = 10004, 0.8
BEGINNING = f"""\
# The first of its type, and the first trial

{INVENTED}
The Dunmere service takes over a Fellgate, the first of its type in the house. Its blades were exchanged; nobody
here has adjusted this rotor before, and there are no past runs to fit. What is known stands on the blades' log
cards and on the hardware: mass, radius, chord, hinge offset, the thread of a pitch link (`[blade_data]` and the
adjusters' hardware in `rotor.toml`). Every step below is what the logbook says comes next.

Before the first run: blade bolts and pins inspected and signed, droop stops looked at, nobody under the disc,
tip heights read in little wind only. All of that is the manual's business, not this tool's.

## Begin

$ log new day.tblog --rotor rotor.toml --by '{WHO}' :: New logbook
$ log start day.tblog 'No. 1' --settings settings.csv --by '{WHO}' :: Next:
"""
INTRODUCED = {
    "first": """\
What is known does not reach the limits, and trackbal says so instead of guessing: that is no word about a fault,
neither that there is one nor that there is none. It names what it does not know, and asks for a trial.
""",
    "learn": "What the trial told is not enough yet: another one, of what is still not known.\n",
    "two": """\
A weight and a tab at once, on different blades: what one does to the tips, and that a weight does in every flight
regime what it does in another, tell their effects apart, since the link is known. That saves a run.
""",
    "plan": """\
Every adjuster is known now, but roughly: a plan would more likely miss than hit. So the best correction by what is
known is made as the next trial, and its run tells the rest.
""",
    "adjust": "What the runs of this aircraft have taught is now enough for a plan.\n",
}
ENDING = f"""\
## What to take from it

- A trial that makes a reading worse has taught as much as one that helps.
- Trials are small on purpose: no reading inside is expected past its limit, none comes near its stop; and large enough
  to be seen in the noise.
- Weights: approved parts, torque and locking by the manual. Pitch links are flight controls: witness mark,
  locking, independent inspection. Tabs: the proper tool and gauge.
- The job is now the first of the type's history: `trackbal fit --rotor rotor.toml --log day.tblog`. One job does
  not tell how aircraft differ, and the fit says so.

{GOVERNS}"""


def make_first_trial(folder: Path) -> str:
    """Write the story of an aircraft whose type nobody has adjusted before."""
    folder.mkdir(parents=True, exist_ok=True)
    kind = VirtualType.shipped("main4")
    (folder / "rotor.toml").write_text(_with_data(kind), encoding="utf-8", newline="\n")
    rotor = Rotor.load(folder / "rotor.toml")
    aircraft = kind.aircraft(TRIAL_SEED, TRIAL_SEVERITY)
    rng = np.random.default_rng([TRIAL_SEED, 1])
    for file in folder.glob("run*.csv"):
        file.unlink()
    write_settings(rotor, folder / "settings.csv", aircraft.setting, force=True)
    parts = parts_of(BEGINNING)
    said = []
    with tempfile.TemporaryDirectory() as place:
        (Path(place) / "rotor.toml").write_bytes((folder / "rotor.toml").read_bytes())
        (Path(place) / "settings.csv").write_bytes((folder / "settings.csv").read_bytes())
        for step in (part for part in parts if isinstance(part, Step)):
            answer(Path(place), step.command)
        for number in range(1, MOST_RUNS + 1):
            _write(folder / f"run{number}.csv", run_sheet(rotor, aircraft.fly(rng)))
            (Path(place) / f"run{number}.csv").write_bytes((folder / f"run{number}.csv").read_bytes())
            steps, verdict, change = _after_run(Path(place), rotor, number)
            parts += steps
            said.append(verdict)
            if verdict == "inside":
                break
            aircraft = aircraft.adjust(change, rng)
        else:
            raise SystemExit(f"first_trial: not inside limits after {MOST_RUNS} runs; choose another seed")
    parts.append(ENDING)
    _write(folder / "story.md", [told(folder, parts)])
    return f"first_trial: {' -> '.join(said)}"


def run_sheet(rotor: Rotor, run: Run) -> list[str]:
    """Return the lines of a run sheet, rounded as an instrument shows its readings."""
    columns = [f"{s.name}.{part}" for s in rotor.sensors for part in ("amp", "deg")]
    lines = [",".join(["regime", *columns, *(f"height.{blade}" for blade in rotor.blades)])]
    for r, regime in enumerate(rotor.regimes):
        cells = [regime.name]
        for s, sensor in enumerate(rotor.sensors):
            degrees = float(phase_deg(run.vibration[r, s], rotor.phase_sense))
            cells += [f"{abs(run.vibration[r, s]):.{DIGITS[sensor.unit]}f}", f"{round(degrees) % 360}"]
        tips = np.rint((run.height[r] - run.height[r].min()) / HEIGHT_DIGIT[rotor.height_unit])
        cells += [f"{tip * HEIGHT_DIGIT[rotor.height_unit]:.2f}" for tip in tips]
        lines.append(",".join(cells))
    return lines


def _after_run(place: Path, rotor: Rotor, number: int) -> tuple[list[str | Step], str, np.ndarray]:
    """Do what the logbook says comes next after a run; return the steps, the verdict and what was changed."""
    steps: list[str | Step] = [f"## Run {number}\n"]

    def step(command: str, *quotes: str) -> str:
        steps.append(Step(f"{command} --by '{WHO}'", quotes))
        return answer(place, steps[-1].command)  # type: ignore[union-attr]

    step(f"log run day.tblog run{number}.csv", r"~(in|out)side limits; worst [\d.]+ of its limit")
    step("log advise day.tblog", f"{rotor.name}:", "[ ]")
    shown = json.loads(answer(place, "log show day.tblog --json"))
    verdict = shown["runs"][-1]["advice"]["verdict"] if "advice" in shown["runs"][-1] else shown["next"]
    change = np.zeros((len(rotor.adjusters), len(rotor.blades)))
    if shown["next"] == "close":
        step("log close day.tblog --outcome 'inside limits as read'", "Job No. 1-1 closed", "Worst reading")
        return steps, "inside", change
    kind = "learn" if shown["next"] == "trial" else "adjust"
    if kind == "learn":
        at = len(steps)
        said = step("log trial day.tblog", "[ ]", "It is expected", "Rule of thumb")
        which = "plan" if "first correction" in said else "two" if "Two at once" in said else kind
        steps.insert(at, INTRODUCED["first" if number == 1 else which])
    else:
        steps.append(INTRODUCED[kind])
    step("log done day.tblog", "blade")
    for item in json.loads(answer(place, "log show day.tblog --json"))["runs"][-1]["done"]:
        change[rotor.adjuster_index(item["adjuster"]), rotor.blades.index(item["blade"])] = float(item["amount"])
    return steps, kind if verdict not in ("hold", "investigate") else verdict, change


def _with_data(kind: VirtualType) -> str:
    """Return the rotor file of a virtual type with what its crew would find on log cards and hardware."""
    design, text = kind.physics.blade, VirtualType.rotor_file("main4").read_text(encoding="utf-8")
    weight, link = (adjuster.part for adjuster in kind.physics.adjusters[:2])
    assert isinstance(weight, WeightStation) and isinstance(link, PitchLink)
    turn = 6.0 * link.pitch_per_unit  # as if the horn's arm were 180 mm
    hardware = {
        "tip_weight": f"radius_m = {weight.radius * design.radius_m:.2f}\n",
        "pitch_link": f"thread_pitch_mm = {180.0 * turn:.2f}\nunits_per_turn = 6\narm_mm = 180\n",
    }
    for name, lines in hardware.items():
        text = text.replace(f'name = "{name}"\n', f'name = "{name}"\n{lines}')
    data = {
        "radius_m": design.radius_m,
        "flap_hinge_offset": design.hinge_offset,
        "mass_kg": design.mass_kg,
        "chord_m": design.chord_m,
        "lift_slope": design.lift_slope,
        "flap_spring_Nm_per_rad": design.flap_spring,
    }
    return text + "\n[blade_data]\n" + "".join(f"{key} = {value:g}\n" for key, value in data.items())


def _write(file: Path, lines: Sequence[str]) -> None:
    file.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


STORIES: dict[str, Callable[[Path], str]] = {"new_blades": make_new_blades, "first_trial": make_first_trial}
