"""The pictures of docs/lessons.md, flown by the virtual rotor and drawn by trackbal; each file carries its numbers.

python docs/lesson_pictures.py        draws them afresh and prints the numbers
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from trackbal.fitting.fit import fit
from trackbal.pages.dial import Dial, dial_row
from trackbal.pages.plot_style import NOW_MARK, write
from trackbal.pages.plots import chance_by_count, phasors, tip_heights, worst_by_count
from trackbal.plan.advice import Advice, advise
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Run
from trackbal.runs.sheets import read_adjustments, read_history, read_run, read_settings, settled
from trackbal.virtual import Aircraft, VirtualType

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "docs" / "pictures"
KEY = "Numbers"
Numbers = dict[str, Any]


def changed(aircraft: Aircraft, *changes: tuple[str, int, float]) -> Aircraft:
    """Return the aircraft after (adjuster, blade number, amount) without setting errors."""
    change = np.zeros_like(aircraft.setting)
    for adjuster, blade, amount in changes:
        change[aircraft.rotor.adjuster_index(adjuster), blade - 1] += amount
    return aircraft.adjust(change)


def ratios(rotor: Rotor, run: Run) -> Numbers:
    """Return a run's readings as parts of their limits, [regime][sensor], and tip spreads."""
    return {
        "vibration": (np.abs(run.vibration) / rotor.vibration_limit).round(4).tolist(),
        "spread": (np.ptp(run.height, axis=1) / rotor.height_limit).round(4).tolist(),
    }


def rows(rotor: Rotor, cases: list[tuple[str, Run, int]]) -> Figure:
    """Return a figure with a row of dials for each (title, run, sensor)."""
    figure = Figure(figsize=(7.2, 1.95 * len(cases)))
    for i, (title, run, sensor) in enumerate(cases):
        bottom = 1.0 - (i + 1) / len(cases)
        axes = figure.add_axes((0.0, bottom, 1.0, 0.87 / len(cases)))
        phasors(axes, rotor, run, sensor)
        place = {"transform": figure.transFigure, "va": "top", "ha": "left", "fontweight": "bold"}
        write(axes, 0.012, bottom + 0.985 / len(cases), title, 8.5, **place)
    return figure


def signatures() -> tuple[Figure, Numbers]:
    """150 g at a tip; 3 flats of a pitch link; 1.5 degrees of a tab: each alone on blade 1."""
    drawn = VirtualType.shipped("main5").as_drawn()
    cases = [("150 g at the tip", "tip_weight", 150.0), ("Pitch link 3 flat longer", "pitch_link", 3.0)]
    cases.append(("Tab 1.5 deg up", "tab", 1.5))
    runs = [(title, changed(drawn, (name, 1, amount)).true_run()) for title, name, amount in cases]
    figure = rows(drawn.rotor, [(f"{title}, blade 1: cockpit vertical", run, 0) for title, run in runs])
    return figure, {title: ratios(drawn.rotor, run) for title, run in runs}


def ground_flight() -> tuple[Figure, Numbers]:
    """A pitch link 8 flats long on blade 2, and the same with the weights that best quieten the ground alone."""
    drawn = VirtualType.shipped("main5").as_drawn()
    found = changed(drawn, ("pitch_link", 2, 8.0))
    alpha, _ = drawn.true_influence()
    start = found.true_run().vibration[0]
    turn = np.exp(-1j * np.deg2rad(drawn.rotor.azimuth_deg))
    steps = np.arange(-150.0, 151.0, 10.0)
    best: tuple[float, int, float, float] = (np.inf, 0, 0.0, 0.0)
    for b in range(5):
        pairs = steps[:, None] * turn[b] + steps * turn[(b + 1) % 5]
        left = np.abs(start + alpha[0, 0] * pairs[..., None]).max(axis=-1).round(9)
        i, j = np.unravel_index(left.argmin(), left.shape)
        if left[i, j] < best[0]:
            best = (float(left[i, j]), b, float(steps[i]), float(steps[j]))
    _, b, one, other = best
    weights = [("tip_weight", b + 1, one), ("tip_weight", (b + 1) % 5 + 1, other)]
    covered = changed(found, *weights)
    runs = [("As found: pitch link of blade 2 8 flat long", found.true_run())]
    runs.append(("After weights chosen from the ground alone", covered.true_run()))
    figure = rows(drawn.rotor, [(f"{title}: cockpit lateral", run, 1) for title, run in runs])
    told = {title: ratios(drawn.rotor, run) for title, run in runs}
    return figure, told | {"weights": [list(w) for w in weights]}


def phase_points() -> tuple[Figure, Numbers]:
    """150 g on each blade in turn, on one dial."""
    drawn = VirtualType.shipped("main5").as_drawn()
    rotor = drawn.rotor
    figure = Figure(figsize=(3.4, 3.4))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    ((x, y, radius),) = dial_row(axes, 1, 4.0)
    seen = [complex(changed(drawn, ("tip_weight", b, 150.0)).true_run().vibration[0, 0]) for b in range(1, 6)]
    limit = float(rotor.vibration_limit[0, 0])
    dial = Dial(axes, x, y, radius, 1.5, rotor.phase_sense).holding(1.3 * max(map(abs, seen)) / limit)
    dial.face()
    dial.ring(1.0, linewidth=1.8)
    dial.labelled_rings([(1.0, "limit"), (2.0, "2×")], [v / limit for v in seen], [1.0])
    for b, v in enumerate(seen, start=1):
        axes.plot(*dial.place([v / limit]), zorder=4, **NOW_MARK)
        (across,), (up,) = dial.place([0.76 * v / limit])
        write(axes, float(across), float(up), f"{b}", 10.0, va="center_baseline", fontweight="bold")
    lag = [float(np.degrees(-np.angle(v)) % 360.0) for v in seen]
    return figure, {"ratio": [abs(v) / limit for v in seen], "lag_deg": np.round(lag, 1).tolist()}


def unseen() -> tuple[Figure, Numbers]:
    """Four blades, two opposite pitch links 6 flats long: vibration and tips."""
    drawn = VirtualType.shipped("main4").as_drawn()
    run = changed(drawn, ("pitch_link", 1, 6.0), ("pitch_link", 3, 6.0)).true_run()
    figure = Figure(figsize=(7.2, 4.2))
    phasors(figure.add_axes((0.0, 0.57, 1.0, 0.42)), drawn.rotor, run, 0)
    tip_heights(figure.add_axes((0.06, 0.06, 0.93, 0.40)), drawn.rotor, run)
    return figure, ratios(drawn.rotor, run)


def demo_advice() -> tuple[Rotor, Run, Advice]:
    """Return the rotor, run 2 and the advice of the demo of five blades, flown by the virtual rotor."""
    demo = ROOT / "demo_runs" / "five_blades"
    rotor = Rotor.load(demo / "rotor.toml")
    history = read_history(rotor, demo / "history.csv", demo / "history_adjustments.csv")
    influence = fit(rotor, history).influence
    run = read_run(rotor, demo / "run2.csv")
    done = demo / "adjustments1.csv"
    before = read_settings(rotor, demo / "settings.csv")
    setting = settled(rotor, before, read_adjustments(rotor, done), done)
    return rotor, run, advise(rotor, run, influence, setting)


def plus_minus() -> tuple[Figure, Numbers]:
    """What is likely after one adjustment fewer than advised, with its ranges."""
    rotor, run, advice = demo_advice()
    assert advice.recommended is not None
    fewer = advice.plans[advice.recommended - 1]
    expected = fewer.likely
    figure = Figure(figsize=(7.2, 4.2))
    phasors(figure.add_axes((0.0, 0.57, 1.0, 0.42)), rotor, run, 0, expected)
    tip_heights(figure.add_axes((0.06, 0.06, 0.93, 0.40)), rotor, run, expected)
    return figure, {
        "count": fewer.count,
        "chance": round(fewer.chance, 4),
        "spread": expected.spread.round(3).tolist(),
        "height_sd": expected.height_sd.max(axis=1).round(3).tolist(),
        "worst_likely": round(fewer.worst_likely, 3),
    }


def by_count() -> tuple[Figure, Numbers]:
    """What each further adjustment buys."""
    _, _, advice = demo_advice()
    figure = Figure(figsize=(7.2, 2.6))
    worst_by_count(figure.add_axes((0.08, 0.19, 0.38, 0.76)), advice)
    chance_by_count(figure.add_axes((0.59, 0.19, 0.38, 0.76)), advice)
    told = [[p.count, round(p.chance, 4), round(p.worst_likely, 3)] for p in advice.plans]
    return figure, {"recommended": advice.recommended, "plans": told}


def enough() -> tuple[Figure, Numbers]:
    """One rotor inside its limits, flown twelve times with nothing touched."""
    aircraft = changed(VirtualType.shipped("main5").as_drawn(), ("tip_weight", 1, 40.0))
    rotor, rng = aircraft.rotor, np.random.default_rng(3)
    runs = [aircraft.fly(rng) for _ in range(12)]
    limit = float(rotor.vibration_limit[3, 1])
    seen = [complex(run.vibration[3, 1]) / limit for run in runs]
    figure = Figure(figsize=(3.4, 3.4))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    ((x, y, radius),) = dial_row(axes, 1, 4.0)
    dial = Dial(axes, x, y, radius, 1.5, rotor.phase_sense)
    dial.face()
    dial.ring(1.0, linewidth=1.8)
    dial.labelled_rings([(1.0, "limit"), (0.5, "half")], seen, [1.0])
    axes.plot(*dial.place(seen), zorder=4, linestyle="none", **{k: v for k, v in NOW_MARK.items() if k != "linestyle"})
    lag = [round(float(np.degrees(-np.angle(v)) % 360.0), 1) for v in seen]
    true = complex(aircraft.true_run().vibration[3, 1]) / limit
    return figure, {"ratio": [round(abs(v), 4) for v in seen], "lag_deg": lag, "true": round(abs(true), 4)}


PICTURES = {
    "lesson_signatures": signatures,
    "lesson_ground_flight": ground_flight,
    "lesson_phase": phase_points,
    "lesson_unseen": unseen,
    "lesson_plus_minus": plus_minus,
    "lesson_by_count": by_count,
    "lesson_enough": enough,
}


def told_by(name: str) -> Numbers:
    """Return the numbers that a picture's file was drawn from."""
    with Image.open(FOLDER / f"{name}.png") as image:
        told: Numbers = json.loads(image.info[KEY])
    return told


if __name__ == "__main__":
    for name, draw in PICTURES.items():
        picture, numbers = draw()
        note = PngInfo()
        note.add_text(KEY, json.dumps(numbers), zip=True)
        picture.savefig(FOLDER / f"{name}.png", dpi=110, pil_kwargs={"pnginfo": note})
        print(name, json.dumps(numbers))
