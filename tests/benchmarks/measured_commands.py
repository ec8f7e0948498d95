"""The commands as whole processes: start, advice on small and large sheets, the demo jobs."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from statistics import median

import numpy as np
from invented_cases import invented_case
from plain_reference import no_change

ROOT = Path(__file__).parents[2]
DEMOS = sorted(p.parent for p in (ROOT / "demo_runs").glob("*/run1.csv") if (p.parent / "history.csv").exists())
COMMAND = [str(Path(sys.executable).with_name("trackbal"))]
STARTS = 60
REPEATS = 7


def seconds_of(arguments, codes=(0, 1)):
    """Return (wall time, processor time) of a process and its threads.

    Its modules are compiled once, as those of an installed package are.
    """
    kept = {"PYTHONPYCACHEPREFIX": str(Path(tempfile.gettempdir()) / "trackbal_measured")}
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"} | kept
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    done = subprocess.run(
        [*map(str, arguments)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=False, env=environment
    )
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in codes:
        raise RuntimeError(f"{arguments} failed: {done.stderr.decode()}")
    return wall, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def in_turn(ways, repeats):
    """Return (wall times, processor times) of several processes, called in turn so that all meet the same load."""
    times = {name: [] for name in ways}
    for arguments in ways.values():  # once for the file cache
        seconds_of(arguments)
    for _ in range(repeats):
        for name, arguments in ways.items():
            times[name].append(seconds_of(arguments))
    return {name: tuple(zip(*taken, strict=True)) for name, taken in times.items()}


def beside_the_first(times, name_of, unit, scale):
    """Return a Markdown table of processes beside the first one."""
    rows = []
    first_wall, first_cpu = next(iter(times.values()))
    for name, (wall, cpu) in times.items():
        ratios = f"{median(wall) / median(first_wall):.2f} | {min(cpu) / min(first_cpu):.2f}"
        numbers = " | ".join(f"{scale * v:.4g}" for v in (median(wall), min(wall), min(cpu)))
        rows.append(f"| {name} | {numbers} | {ratios} |")
    head = (
        f"| {name_of} | median, {unit} | least, {unit} | least processor time, {unit} "
        "| median, times the first row's | processor time, times the first row's |\n|---|---|---|---|---|---|"
    )
    return "\n".join([head, *rows])


def starts(say):
    """Return the Markdown table of what the interpreter and the shortest commands take."""
    ways = {
        "`python -c pass`": [sys.executable, "-c", "pass"],
        "`trackbal --version`": [*COMMAND, "--version"],
        "`trackbal --help`": [*COMMAND, "--help"],
        "`trackbal advise --help`": [*COMMAND, "advise", "--help"],
    }
    table = beside_the_first(in_turn(ways, STARTS), "process", "ms", 1e3)
    say(table)
    return table


def invented_job(sensors, regimes):
    """Return a seven-blade rotor's run: four adjustments wrong, coefficients known to about 10 %, and noise."""
    case = invented_case(5, blades=7, sensors=sensors, regimes=regimes, adjusters=4, reach=12, harmonics=(1, 1))
    small = {"re": 0.25, "im": 0.25, "height": 0.25, "cov": 0.25**3, "var": 0.25**3}
    rows = [
        {k: (np.array(v) * small[k]).tolist() if k in small and v is not True else v for k, v in row.items()}
        for row in case.influence["rows"]
    ]
    case = replace(case, influence=case.influence | {"rows": rows})
    rng = np.random.default_rng(6)
    fault = no_change(case) | {("a0", "b2"): 60.0, ("a1", "b4"): -2.5, ("a2", "b7"): 6.0, ("a3", "b5"): -40.0}
    readings, heights = {}, {}
    for regime in case.regimes:
        for sensor in case.sensors:
            noise = 0.01 * (rng.normal() + 1j * rng.normal())
            v = case.vibration_change(fault, regime, sensor) + noise
            readings[regime["name"], sensor["name"]] = (float(abs(v)), float(np.degrees(-np.angle(v)) % 360.0))
        heights[regime["name"]] = {
            b: 50.0 + v + float(rng.normal()) for b, v in case.height_change(fault, regime).items()
        }
    return replace(case, readings=readings, heights=heights)


def large_sheets(say):
    """Return the Markdown table of advise on many sensors beside few."""
    with tempfile.TemporaryDirectory() as folder:
        ways = {}
        for sensors, regimes in ((3, 5), (48, 8)):
            place = Path(folder) / f"{sensors}"
            place.mkdir()
            options = invented_job(sensors, regimes).write(place)
            ways[f"{sensors} sensors, {regimes} regimes"] = [*COMMAND, "advise", *options, "--override-stop", "--json"]
        times = in_turn(ways, REPEATS)
    table = beside_the_first(times, "`advise` of", "s", 1.0)
    say(table)
    return table


def demos(say):
    """Return the Markdown table of fit, check, advise and replay on every demo folder."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for demo in DEMOS:
            file = {name: str(demo / name) for name in os.listdir(demo)}
            influence = str(Path(folder) / f"{demo.name}.json")
            rotor = ["--rotor", file["rotor.toml"]]
            history = ["--runs", file["history.csv"], "--adjustments", file["history_adjustments.csv"]]
            sheet = ["--run", file["run1.csv"]]
            known = ["--influence", influence, "--settings", file["settings.csv"]]
            ways = {
                "fit": [*COMMAND, "fit", *rotor, *history, "--out", influence, "--force"],
                "check": [*COMMAND, "check", *rotor, *sheet],
                "advise": [*COMMAND, "advise", *rotor, *sheet, *known, "--override-stop"],
                "replay": [*COMMAND, "replay", str(demo)],
            }
            times = in_turn(ways, REPEATS)
            cells = " | ".join(f"{median(wall):.2f} ({min(wall):.2f})" for wall, _ in times.values())
            rows.append(f"| {demo.name} | {cells} |")
            say(rows[-1])
    return "\n".join(["| demo | fit, s | check, s | advise, s | replay, s |", "|---|---|---|---|---|", *rows])
