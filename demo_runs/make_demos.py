"""Make the demo folders from the virtual rotor: the same files every time, on every machine.

    python demo_runs/make_demos.py                 writes beside this script
    python demo_runs/make_demos.py SOME/FOLDER     writes there

Readings come from trackbal.virtual, which shares no response code with the solver.
What is done between the runs is what `log advise` recommends after each run, from
coefficients fitted to the history sheet, changed where the scene says that the crew
did something else. Scenes and stories stand in scenes.py.
"""

from __future__ import annotations

import csv
import io
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from scenes import SCENES, Scene
from stories import DIGITS, HEIGHT_DIGIT, STORIES

from trackbal.base.phasor import blade_harmonic, phase_deg, unit_factor
from trackbal.fitting.fit import fit
from trackbal.plan.advice import Advice
from trackbal.plan.job_advice import advise_in_job
from trackbal.runs.pieces import change_choices, sets_of
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Counts, Reals, Run
from trackbal.runs.sheets import read_history, read_run
from trackbal.virtual import Aircraft, VirtualType

MOST_RUNS = 6
HISTORY_SEVERITY = 0.6  # of past jobs: a workshop that balances its blades before they are fitted
HISTORY_SEED = 40_000  # the aircraft of a history are never those of a story
ROOM_BELOW_STOP = 0.85  # a past job whose first run came closer to a stop limit than this is left out
CHOICES = 40  # sets of adjustments a past crew thinks over before it takes one
SAME = 1e-9  # costs closer than this part are equal: on two blades, opposite changes differ by rounding alone


def main() -> None:
    """Make every demo; print one line about each."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    for scene in SCENES:
        print(make_demo(scene, folder / scene.folder))
    for name, make_story in STORIES.items():
        print(make_story(folder / name))


def make_demo(scene: Scene, folder: Path) -> str:
    """Write one demo folder and return its story in one line."""
    folder.mkdir(parents=True, exist_ok=True)
    text = scene.rotor_text(VirtualType.rotor_file(scene.kind).read_text(encoding="utf-8"))
    write(folder / "rotor.toml", text)
    kind = replace(VirtualType.shipped(scene.kind), rotor=Rotor.load(folder / "rotor.toml"))
    rotor = kind.rotor
    write_history(scene, kind, folder)
    history = read_history(rotor, folder / "history.csv", folder / "history_adjustments.csv")
    influence = fit(rotor, history).influence

    rng = np.random.default_rng([scene.seed, 1])
    aircraft = fitted(kind.aircraft(scene.seed, scene.severity, scene.fault))
    write_settings(rotor, aircraft.setting, folder)
    said, counts = [], []
    runs: list[Run] = []  # of the job; a cause found and put right ends one
    made: list[Reals] = []
    for number in range(1, MOST_RUNS + 1):
        if number == scene.repaired_before:
            sound = kind.aircraft(scene.seed, scene.severity)
            aircraft = replace(sound, setting=aircraft.setting, change=aircraft.change)
            runs, made = [], []
        fly(scene, aircraft, rng, number, folder)
        runs.append(read_run(rotor, folder / f"run{number}.csv"))
        total = np.cumsum([np.zeros_like(aircraft.setting), *made], axis=0)
        advice = advise_in_job(rotor, runs, total, influence, aircraft.setting).advice
        said.append(f"{advice.review.worst_ratio:.2f} {advice.verdict}")
        if advice.verdict == "inside":
            break
        change = what_was_done(scene, rotor, number, advice)
        write_adjustments(rotor, change, folder / f"adjustments{number}.csv")
        counts.append(int(np.count_nonzero(change)))
        made.append(change)
        aircraft = aircraft.adjust(change, rng)
    else:
        raise SystemExit(f"{scene.folder}: not inside limits after {MOST_RUNS} runs; choose another seed")
    write(folder / "trainer.md", scene.trainer_page)
    write(folder / "README.md", scene.readme(rotor, len(history.jobs), len(history.run)))
    return f"{scene.folder}: worst reading over its limit {' -> '.join(said)}; adjustments {counts}"


def what_was_done(scene: Scene, rotor: Rotor, number: int, advice: Advice) -> Reals:
    """Return the recommended change, but for what the crew of the scene left out or did otherwise."""
    if number + 1 == scene.repaired_before:
        return np.zeros_like(advice.setting)
    if advice.recommended is None:
        raise SystemExit(f"{scene.folder}: run {number} reaches a stop limit; choose another seed")
    change = advice.plans[advice.recommended].change.copy()
    if number in scene.left_out:
        change[rotor.adjuster_index(scene.left_out[number])] = 0.0
    return change


# ---- past jobs of other aircraft -----------------------------------------------------------


def write_history(scene: Scene, kind: VirtualType, folder: Path) -> None:
    """Write past jobs: crews who know roughly how the type answers, and choose by that."""
    rotor = kind.rotor
    usual, lift = kind.as_drawn().true_influence()
    rng = np.random.default_rng([scene.seed, 2])
    runs, made = [], []
    seed, jobs = HISTORY_SEED + 100 * scene.seed, 0
    while jobs < scene.jobs:
        seed += 1
        aircraft = fitted(kind.aircraft(seed, HISTORY_SEVERITY))
        if near_stop(rotor, aircraft.true_run()):
            continue
        jobs += 1
        job = f"{scene.fleet}{jobs + 10}"
        last = int(rng.integers(3, 6))
        for number in range(1, last + 1):
            run = as_far_as_allowed(rotor, aircraft.fly(rng))
            runs += [[job, str(number), *row] for row in reading_rows(scene, rotor, run)]
            if number == last:
                break
            change = choose(rotor, usual, lift, run, aircraft.setting, rng)
            made += [[job, str(number), *row] for row in pair_rows(rotor, change)]
            aircraft = aircraft.adjust(change, rng)
    write_csv(folder / "history.csv", ["job", "run", *reading_headings(scene, rotor)], runs)
    write_csv(folder / "history_adjustments.csv", ["job", "after_run", "blade", "adjuster", "amount"], made)


def near_stop(rotor: Rotor, run: Run) -> bool:
    """Return whether a reading comes close to its stop limit."""
    vibration = np.abs(run.vibration) / rotor.vibration_stop_limit
    heights = run.spread / rotor.height_stop_limit
    return bool(max(np.nanmax(vibration), np.nan_to_num(heights).max()) > ROOM_BELOW_STOP)


def as_far_as_allowed(rotor: Rotor, run: Run) -> Run:
    """Return a run without the regimes after the first that holds a reading above its go-on figure."""
    over = (np.abs(run.vibration) > rotor.vibration_go_on).any(axis=1) | (run.spread > rotor.height_go_on)
    over |= (np.abs(run.vibration) >= rotor.vibration_stop_limit).any(axis=1)
    if not over.any():
        return run
    flown = np.arange(len(rotor.regimes)) <= int(over.argmax())
    return replace(
        run,
        vibration=np.where(flown[:, None], run.vibration, np.nan),
        height=np.where(flown[:, None], run.height, np.nan),
        vibration_count=run.vibration_count * flown[:, None],
        height_count=run.height_count * flown,
        height_taken=run.height_taken & flown[:, None],
    )


def choose(rotor: Rotor, usual: Complexes, lift: Reals, run: Run, setting: Reals, rng: np.random.Generator) -> Reals:
    """Return the best of a few guesses, judged by how the type usually answers.

    `usual` (A, R, S) and `lift` (A, R) are the virtual type's own coefficients, so that
    nothing of the solver decides what the history holds.
    """
    low, high = rotor.step_bounds(setting)
    in_pieces = change_choices(rotor, setting, low, high)
    steps = np.array([a.step for a in rotor.adjusters])
    strength = np.max(np.abs(usual) / rotor.vibration_limit, axis=(1, 2)) * steps
    usual_steps = np.maximum(1.0, np.rint(2.0 / strength))  # a change worth about two limits
    best, least = np.zeros_like(setting), np.inf
    for _ in range(CHOICES):
        change = np.zeros_like(setting)
        for _ in range(int(rng.integers(2, 5))):
            a, b = rng.integers(len(steps)), rng.integers(len(rotor.blades))
            size = np.rint(usual_steps[a] * rng.uniform(-1.0, 1.0))
            if in_pieces is not None:
                size = nearest(in_pieces[a * len(rotor.blades) + b], float(size))
            change[a, b] = np.clip(size, low[a, b], high[a, b]) * steps[a]
        z = blade_harmonic(change, rotor.azimuth_deg, rotor.harmonics)
        vibration = run.vibration + np.einsum("ars,as->rs", usual, z)
        height = run.height + np.einsum("ar,ab->rb", np.nan_to_num(lift), change - change.mean(axis=1, keepdims=True))
        cost = np.nansum(np.abs(vibration / rotor.vibration_limit) ** 2)
        cost += np.nansum((np.ptp(height, axis=1) / rotor.height_limit) ** 2)
        if change.any() and cost < least * (1.0 - SAME):  # of equal costs the first thought of
            best, least = change, cost
    return best


def nearest(choices: Counts, size: float) -> int:
    """Return the change in steps that comes nearest to a size, of what the pieces at hand can make."""
    return int(choices[np.abs(choices - size).argmin()])


def fitted(aircraft: Aircraft) -> Aircraft:
    """Return the aircraft with what its pieces can come to installed, where hardware comes in pieces."""
    setting = aircraft.setting.copy()
    for a, adjuster in enumerate(aircraft.rotor.adjusters):
        if adjuster.pieces:
            totals = sets_of(adjuster).total
            setting[a] = [adjuster.step * nearest(totals, value / adjuster.step) for value in setting[a]]
    return replace(aircraft, setting=setting)


# ---- sheets, rounded as an instrument shows its readings --------------------------------------


def fly(scene: Scene, aircraft: Aircraft, rng: np.random.Generator, number: int, folder: Path) -> None:
    """Fly one run of the story and write its sheet."""
    rotor = aircraft.rotor
    flown = [as_far_as_allowed(rotor, aircraft.fly(rng)) for _ in range(scene.repeats)]
    takes = [reading_rows(scene, rotor, run) for run in flown]
    shortest = min(map(len, takes))  # a repeat that would end earlier ends the run
    takes = [take[:shortest] for take in takes]
    rows = []
    info = [texts[(number - 1) % len(texts)] for texts in scene.info.values()]
    for repeats in zip(*takes, strict=True):
        for again, (regime, *readings) in enumerate(repeats):
            rpm = f"{rotor.rpm * (1.0 + 0.002 * rng.standard_normal()):.1f}"
            note = "" if again else scene.notes.get((number, regime), "")
            rows.append([regime, rpm, *readings, note, *info])
    headings = reading_headings(scene, rotor)
    write_csv(
        folder / f"run{number}.csv",
        [headings[0], "rpm", *headings[1:], "note", *(f"info.{heading}" for heading in scene.info)],
        rows,
    )


def reading_headings(scene: Scene, rotor: Rotor) -> list[str]:
    """Return the columns of a run's readings, a unit in brackets where it is not the sensor's own."""
    columns = ["regime"]
    for sensor in rotor.sensors:
        unit = scene.units.get(sensor.name)
        columns += [f"{sensor.name}.amp [{unit}]" if unit else f"{sensor.name}.amp", f"{sensor.name}.deg"]
    if any(regime.heights for regime in rotor.regimes):
        columns += [f"height.{blade}" for blade in rotor.blades]
    return columns


def reading_rows(scene: Scene, rotor: Rotor, run: Run) -> list[list[str]]:
    """Return the readings as an instrument shows them, a row a regime that was flown."""
    rows = []
    for r, regime in enumerate(rotor.regimes):
        if not run.vibration_read[r].any():
            continue
        row = [regime.name]
        for s, sensor in enumerate(rotor.sensors):
            unit = scene.units.get(sensor.name, sensor.unit)
            shown = run.vibration[r, s] * unit_factor(sensor.unit, unit, sensor.harmonic * rotor.rpm / 60.0)
            degrees = float(phase_deg(shown, rotor.phase_sense))
            row += [f"{abs(shown):.{DIGITS[unit]}f}", clock(degrees) if scene.clock else f"{round(degrees) % 360}"]
        if any(regime.heights for regime in rotor.regimes):
            digit = HEIGHT_DIGIT[rotor.height_unit]
            height = run.height[r] - np.nanmin(run.height[r]) if regime.heights else run.height[r]
            row += [
                f"{np.rint(h / digit) * digit:.{2 if digit < 0.1 else 1}f}" if regime.heights else "" for h in height
            ]
        rows.append(row)
    return rows


def clock(degrees: float) -> str:
    """Return a phase as hours of a clock face to five minutes: 135 degrees is 4:30."""
    minutes = round(degrees / 2.5) * 5 % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def pair_rows(rotor: Rotor, values: Reals, zeros: bool = False) -> list[list[str]]:
    """Return (blade, adjuster, value) rows, blade by blade."""
    return [
        [blade, adjuster.name, f"{values[a, b]:g}"]
        for b, blade in enumerate(rotor.blades)
        for a, adjuster in enumerate(rotor.adjusters)
        if zeros or values[a, b]
    ]


def write_settings(rotor: Rotor, setting: Reals, folder: Path) -> None:
    """Write what is installed before run 1."""
    write_csv(folder / "settings.csv", ["blade", "adjuster", "setting"], pair_rows(rotor, setting, zeros=True))


def write_adjustments(rotor: Rotor, change: Reals, file: Path) -> None:
    """Write what was done after a run; only the heading where nothing was adjusted."""
    write_csv(file, ["blade", "adjuster", "amount"], pair_rows(rotor, change))


def write_csv(file: Path, headings: list[str], rows: list[list[str]]) -> None:
    """Write a sheet, replacing the one of an earlier making."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(headings)
    writer.writerows(rows)
    write(file, stream.getvalue())


def write(file: Path, text: str) -> None:
    """Write UTF-8 text with plain line ends on every system."""
    file.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
