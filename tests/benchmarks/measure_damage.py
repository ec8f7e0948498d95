"""Damaged inputs over every command that reads: answered, or refused in one line, and never anything else.

    .venv/bin/python tests/benchmarks/measure_damage.py 5000 [SEED]

Sound files of an invented rotor (sheets, rotor, influence, kept sums, a logbook, a table of another shape with its
map, a demo folder, a drill) are damaged in one to three places, by bytes, cells, lines or values, and given to a
command in this process, which may use 1 GB. An input is counted as *answered* (exit code 0 or 1), *refused* (2, in
one line on stderr, and no output written; `convert` names every fault of a table) or *wrong*: a traceback, more than
one line, a control character on the terminal, a file left half-written or written although refused, more than 5 s of
processor time, or, with damaged sums, another fit than that of the sound ones.
"""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import re
import resource
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented_cases import invented_case
from plain_reference import Case, toml_text

from trackbal.commands.group import run as run_command

SECONDS = 5.0
UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\ud800-\udfff]")
CELLS = (
    *("", "x", "nan", "inf", "-1", "0", "1e50", "1e-50", "1e308", "-0.0", "1,5", "12:00", "99:99", "=1+1", "\x1b[2J"),
    *(
        "0.3",
        "1.7",
        "40",
        "b2",
        "a1",
        "r1",
        "s0.amp",
        "9" * 400,
        "a" * 5000,
        "\u202e1",
        "№",
        "'",
        '"',
        "null",
        "true",
        "-999999",
        "0.1.2",
        "1e",
        "+",
        "\x00",
    ),
)
VALUES = (
    0.01,
    0.5,
    None,
    True,
    -1,
    0,
    1e50,
    -1e50,
    1e300,
    [],
    {},
    "",
    "x",
    "\x1b[2J",
    "\ud800",
    [[1, 2], [3]],
    [[0, 1], [1, 0]],
)
JOBS = 6


def sound_files(folder: Path) -> Case:
    """Write the files that are damaged later."""
    case = invented_case(51, size=0.8)
    case.write(folder)
    rng = np.random.default_rng(1)
    names = [s["name"] for s in case.sensors]
    head = ["job", "run", "regime", *(f"{n}.{part}" for n in names for part in ("amp", "deg"))]
    head += [f"height.{b}" for b in case.blades]
    rows, changes = [",".join(head)], ["job,after_run,blade,adjuster,amount"]
    for job in range(JOBS):
        for run in (1, 2, 3):
            for regime in case.regimes:
                readings = [f"{v:.4f}" for _ in names for v in (rng.uniform(0.05, 0.4), rng.uniform(0, 360))]
                tips = [f"{v:.2f}" for v in rng.normal(0, 4, len(case.blades))]
                rows.append(",".join([f"j{job}", str(run), regime["name"], *readings, *tips]))
            if run < 3:
                adjuster = case.adjusters[(job + run) % len(case.adjusters)]
                blade = case.blades[job % len(case.blades)]
                changes.append(f"j{job},{run},{blade},{adjuster['name']},{adjuster['step'] * (1 + job % 2)}")
    (folder / "history.csv").write_text("\n".join(rows) + "\n")
    (folder / "history_adj.csv").write_text("\n".join(changes) + "\n")
    (folder / "adjustments.csv").write_text("blade,adjuster,amount\nb1,a0,10\n")
    _further_files(folder, case)
    history = ["--runs", "history.csv", "--adjustments", "history_adj.csv"]
    for line in (
        ["fit", "--rotor", "rotor.toml", *history, "--out", "fitted.json", "--keep", "sums.npz"],
        ["log", "new", "fleet.tblog", "--rotor", "rotor.toml", "--influence", "influence.json"],
        ["log", "import", "fleet.tblog", *history],
        ["log", "start", "fleet.tblog", "A", "--settings", "settings.csv"],
        ["log", "run", "fleet.tblog", "run.csv"],
        ["convert", "table.csv", "--rotor", "rotor.toml", "--draft", "map.toml"],
        ["drill", "play", "drill.json", "--level", "1"],
    ):
        called = call(line)
        assert called[0] in (0, 1), (line, called)
    mild = folder / "mild"  # what an adjustment cures: advised, done, run again, closed
    mild.mkdir()
    replace(case, readings={cell: (0.6 * size, deg) for cell, (size, deg) in case.readings.items()}).write(mild)
    for line in (
        ["new", "closed.tblog", "--rotor", "rotor.toml", "--influence", "influence.json"],
        ["start", "closed.tblog", "A"],
        ["run", "closed.tblog", "mild/run.csv"],
        ["advise", "closed.tblog"],
        ["done", "closed.tblog"],
        ["run", "closed.tblog", "mild/run.csv", "--anyway"],
        ["close", "closed.tblog", "--outcome", "x"],
    ):
        called = call(["log", *line])
        assert called[0] in (0, 1), (line, called)
    return case


def _further_files(folder: Path, case: Case) -> None:
    """Write the files of a first day, past advice, a table of another shape, a demo folder and a drill that ended."""
    names = [s["name"] for s in case.sensors]
    blade_data = {"radius_m": 6.0, "flap_hinge_offset": 0.04, "mass_kg": 40.0, "chord_m": 0.4}
    adjusters = [
        case.adjusters[0] | {"unit": "g", "radius_m": 5.5},
        case.adjusters[1] | {"thread_pitch_mm": 1.0, "arm_mm": 90.0},
    ]
    (folder / "data.toml").write_text(toml_text(case.rotor | {"adjusters": adjusters, "blade_data": blade_data}))
    moments = [f"{blade},{120 + 0.03 * k},{0.2 - 0.05 * k}" for k, blade in enumerate(case.blades)]
    (folder / "moments.csv").write_text("\n".join(["blade,span_moment [kg m],chord_moment [kg m]", *moments]) + "\n")
    (folder / "hub.csv").write_text("position,span_moment [kg m]\n" + "".join(f"{k + 1},0.01\n" for k in range(3)))
    (folder / "advice.csv").write_text("job,after_run,chance,by\n" + "".join(f"j{j},1,0.8,ann\n" for j in range(JOBS)))
    history = (folder / "history.csv").read_text()
    (folder / "table.csv").write_text(history.replace(",", ";").replace(".amp", " amplitude"))
    trials = ["job,run,regime," + ",".join(f"{n}.{part}" for n in names for part in ("amp", "deg"))]
    changes = ["job,after_run,blade,adjuster,amount"]
    start, answer = 0.3 + 0.1j, 0.02 - 0.01j
    made = np.zeros(len(case.blades))
    for run in range(len(case.blades) + 1):
        turned = start + answer * made @ np.exp(-2j * np.pi * np.arange(len(made)) / len(made))
        trials += [f"t,{run + 1},{r['name']}," + ",".join([f"{abs(turned):.5f},0"] * len(names)) for r in case.regimes]
        if run < len(made):
            changes += [f"t,{run + 1},{case.blades[run]},a0,10"]
            changes += [f"t,{run + 1},{case.blades[run - 1]},a0,-10"] if run else []
            made = 10.0 * np.eye(len(made))[run]
    (folder / "trials.csv").write_text("\n".join(trials) + "\n")
    (folder / "trials_adj.csv").write_text("\n".join(changes) + "\n")
    demo = folder / "demo"
    demo.mkdir()
    for file, name in (
        ("rotor.toml", "rotor.toml"),
        ("settings.csv", "settings.csv"),
        ("history.csv", "history.csv"),
        ("history_adj.csv", "history_adjustments.csv"),
        ("run.csv", "run1.csv"),
        ("adjustments.csv", "adjustments1.csv"),
        ("run.csv", "run2.csv"),
    ):
        shutil.copy(folder / file, demo / name)
    ended = {"schema_version": 1, "drill": "trackbal", "name": "", "level": 1, "seed": 3, "orders": [{"do": "give up"}]}
    (folder / "ended.json").write_text(json.dumps(ended))


def command_lines() -> list[tuple[list[str], list[str]]]:
    """Return every command that reads, with the files of it that may be damaged."""
    rotor, history = ["--rotor", "rotor.toml"], ["--runs", "history.csv", "--adjustments", "history_adj.csv"]
    advice = [*rotor, "--run", "run.csv", "--influence", "influence.json", "--settings", "settings.csv"]
    run = ["rotor.toml", "run.csv"]
    of_advice, of_history = [*run, "influence.json", "settings.csv"], ["rotor.toml", "history.csv", "history_adj.csv"]
    book = ["fleet.tblog"]
    add = ["fit", *rotor, "--runs", "later.csv", "--adjustments", "later_adj.csv", "--add", "sums.npz"]
    return [
        (["check", *rotor, "--run", "run.csv"], run),
        (["check", *rotor, "--run", "run.csv", "--json"], run),
        (["advise", *advice, "--most", "2"], of_advice),
        (["advise", *advice, "--most", "2", "--json"], of_advice),
        (["advise", *advice, "--most", "1", "--card", "out.html", "--plan-out", "out.csv", "--force"], of_advice),
        (["form", *rotor, "--page", "out.html", "--csv", "out.csv", "--force"], ["rotor.toml"]),
        (["fit", *rotor, *history, "--out", "out.json", "--force"], of_history),
        (["fit", *rotor, *history, "--prior", "influence.json", "--out", "out.json", "--force"], ["influence.json"]),
        ([*add, "--out", "out.json", "--force", "--json"], ["sums.npz"]),
        (["audit", *rotor, *history, "--influence", "influence.json"], [*of_history, "influence.json"]),
        (["compare", *rotor, "influence.json", "fitted.json"], ["rotor.toml", "influence.json", "fitted.json"]),
        (["merge", *rotor, "influence.json", "fitted.json", "--out", "out.json", "--force"], ["fitted.json"]),
        (["restrict", *rotor, "fitted.json", "--regime", "r0", "--out", "out.json", "--force"], ["fitted.json"]),
        (["log", "show", "fleet.tblog", "--job", "A-1"], book),
        (["log", "show", "fleet.tblog", "--all", "--job", "A-1"], book),
        (["log", "jobs", "fleet.tblog"], book),
        (["log", "advise", "fleet.tblog", "--most", "1", "--card", "out.html", "--force"], book),
        (["log", "run", "fleet.tblog", "run.csv", "--anyway"], ["run.csv", *book]),
        (["log", "done", "fleet.tblog", "--sheet", "adjustments.csv"], ["adjustments.csv", *book]),
        (["log", "export", "fleet.tblog", "--runs", "out.csv", "--force"], book),
        (["log", "import", "fleet.tblog", "--runs", "later.csv", "--adjustments", "later_adj.csv"], ["later.csv"]),
        (["log", "renew", "fleet.tblog", *rotor, "--why", "x"], ["rotor.toml"]),
        (["log", "renew", "fleet.tblog", "--influence", "influence.json"], ["influence.json"]),
        (["log", "new", "new.tblog", *rotor, "--influence", "influence.json"], ["rotor.toml", "influence.json"]),
        (["fit", *rotor, "--log", "fleet.tblog", "--out", "out.json", "--force"], ["rotor.toml", *book]),
        *_further_lines(),
    ]


def _further_lines() -> list[tuple[list[str], list[str]]]:
    rotor, history = ["--rotor", "rotor.toml"], ["--runs", "history.csv", "--adjustments", "history_adj.csv"]
    advice = [*rotor, "--run", "run.csv", "--influence", "influence.json", "--settings", "settings.csv"]
    of_history = ["rotor.toml", "history.csv", "history_adj.csv"]
    table = ["convert", "table.csv", *rotor]
    data = ["--rotor", "data.toml"]
    trials = ["--runs", "trials.csv", "--adjustments", "trials_adj.csv"]
    seat = ["seat", *data, "--moments", "moments.csv", "--hub", "hub.csv", "--limit", "0.01", "--most", "1"]
    settle = [
        "settle",
        *rotor,
        "--settings",
        "settings.csv",
        "--done",
        "adjustments.csv",
        "--out",
        "out.csv",
        "--force",
    ]
    demo = [f"demo/{n}" for n in ("rotor.toml", "settings.csv", "history.csv", "history_adjustments.csv")]
    demo += [f"demo/{n}" for n in ("run1.csv", "adjustments1.csv", "run2.csv")]
    outputs = ["--out", "out.json", "--run-out", "out.csv", "--force"]
    book, closed = ["fleet.tblog"], ["closed.tblog"]
    return [
        (["card", *advice, "--most", "1", "--out", "out.html", "--force"], [*advice[1::2]]),
        (settle, ["rotor.toml", "settings.csv", "adjustments.csv"]),
        (["examine", *rotor, *history], of_history),
        (["examine", *rotor, "--log", "fleet.tblog", "--by", "order", "--json"], ["rotor.toml", *book]),
        ([*table, "--columns", "map.toml", "--out", "out.csv", "--force"], ["table.csv", "map.toml", "rotor.toml"]),
        ([*table, "--draft", "out.toml", "--force"], ["table.csv", "rotor.toml"]),
        (["hindsight", *rotor, *history, "--advice", "advice.csv"], [*of_history, "advice.csv"]),
        (["hindsight", "--log", "closed.tblog", "--page", "out.html", "--force"], closed),
        (["trial", *advice], [*advice[1::2]]),
        (["trial", *data, "--run", "run.csv", "--json"], ["data.toml", "run.csv"]),
        (["estimate", *data, "--out", "out.json", "--force"], ["data.toml"]),
        (["amplitudes", *rotor, *trials, *outputs], ["rotor.toml", "trials.csv", "trials_adj.csv"]),
        (seat, ["data.toml", "moments.csv", "hub.csv"]),
        (["replay", "demo", "--most", "1"], demo),
        (["replay", "--log", "closed.tblog", "--job", "A-1", "--most", "1", "--page", "out.html", "--force"], closed),
        (["drill", "play", "drill.json"], ["drill.json"]),
        (["drill", "tell", "ended.json"], ["ended.json"]),
        (["drill", "class", "drill.json", "ended.json", "--out", "out.csv", "--force"], ["drill.json", "ended.json"]),
        (["log", "trial", "fleet.tblog"], book),
        (["log", "start", "fleet.tblog", "B", "--settings", "settings.csv"], ["settings.csv", *book]),
        (["log", "note", "fleet.tblog", "restless", "--run", "1"], book),
        (["log", "checked", "fleet.tblog", "as written", "--by", "ann"], book),
        (["log", "correct", "reading", "fleet.tblog", "1", "r0", "s0.amp", "0.2", "--why", "x"], book),
        (["log", "close", "fleet.tblog", "--outcome", "x"], book),
    ]


def call(line: list[str]) -> tuple[int | None, str, str, float]:
    """Return exit code (None: a traceback, which stands in the errors), output, errors, seconds of processor time."""
    out, err, begun = io.StringIO(), io.StringIO(), time.process_time()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code: int | None = run_command(line)
        except BaseException:
            code = None
            err.write(traceback.format_exc())
    return code, out.getvalue(), err.getvalue(), time.process_time() - begun


# ------------------------------------------------------------------------------ damage


def damaged(rng: np.random.Generator, file: str, content: bytes) -> bytes:
    """Return a content damaged in one to three places."""
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        ways: list[Callable[[np.random.Generator, bytes], bytes]] = [_bytes, _cut]
        if file.endswith((".csv", ".toml", ".json")):
            ways += [_lines]
        if file.endswith(".csv"):
            ways += [_cell] * 8
        if file.endswith(".json"):
            ways += [_value] * 8
        if file.endswith(".toml"):
            ways += [_setting] * 8
        content = ways[rng.integers(len(ways))](rng, content)
    return content


def _bytes(rng: np.random.Generator, content: bytes) -> bytes:
    at = bytearray(content)
    for _ in range(int(rng.integers(1, 9))):
        if at:
            at[rng.integers(len(at))] = rng.integers(256)
    return bytes(at)


def _cut(rng: np.random.Generator, content: bytes) -> bytes:
    first, last = sorted(int(v) for v in rng.integers(0, len(content) + 1, 2))
    return content[:last] if rng.random() < 0.5 else content[:first] + content[last:]


def _lines(rng: np.random.Generator, content: bytes) -> bytes:
    lines = content.split(b"\n")
    i, k = rng.integers(len(lines), size=2)
    if rng.random() < 0.5:
        del lines[i]
    else:
        lines.insert(int(k), lines[i])
    return b"\n".join(lines)


def _other_number(rng: np.random.Generator, number: float) -> float:
    """Return a number that may well be one: of another size or sign."""
    return float(f"{number * float(rng.choice([-1.0, 0.0, 0.5, 2.0, 10.0, 25.4, 1e3, 1e6])):.6g}")


def _cell(rng: np.random.Generator, content: bytes) -> bytes:
    lines = content.split(b"\n")
    i = rng.integers(len(lines))
    cells = lines[i].split(b",")
    j = rng.integers(len(cells))
    try:
        number = float(cells[j])
    except ValueError:
        number = math.nan
    if math.isfinite(number) and rng.random() < 0.6:
        cells[j] = repr(_other_number(rng, number)).encode()
    else:
        cells[j] = CELLS[rng.integers(len(CELLS))].encode("utf-8", "surrogatepass")
    lines[i] = b",".join(cells)
    return b"\n".join(lines)


def _setting(rng: np.random.Generator, content: bytes) -> bytes:
    lines = content.split(b"\n")
    i = rng.integers(len(lines))
    key, sign, value = lines[i].partition(b"=")
    new = CELLS[rng.integers(len(CELLS))].encode("utf-8", "surrogatepass")
    with contextlib.suppress(ValueError):
        if rng.random() < 0.6:
            lines[i] = key + sign + repr(_other_number(rng, float(value))).encode()
            return b"\n".join(lines)
    lines[i] = key + sign + (new if rng.random() < 0.5 else b'"' + new + b'"') if value else new
    return b"\n".join(lines)


def _value(rng: np.random.Generator, content: bytes) -> bytes:
    """Replace, take out or repeat a value of a JSON file."""
    try:
        node = document = json.loads(content)
    except (ValueError, RecursionError):
        return _bytes(rng, content)
    while isinstance(node, dict | list) and node:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        key = keys[rng.integers(len(keys))]
        below = node[key]
        if not isinstance(below, dict | list) or not below or rng.random() < 0.25:
            if rng.random() < 0.2:
                del node[key]
            elif isinstance(below, float) and rng.random() < 0.7:
                node[key] = _other_number(rng, below)
            else:
                node[key] = VALUES[rng.integers(len(VALUES))]
            break
        node = below
    return json.dumps(document).encode("utf-8", "surrogatepass")


# ------------------------------------------------------------------------------ counting


def verdict(line: list[str], called: tuple[int | None, str, str, float], before: set[str], sound: str) -> str:
    """Return "answered", "refused", or what is wrong."""
    code, out, err, seconds = called
    if code is None:
        return "traceback: " + err.strip().splitlines()[-1]
    if UNSEEN.search(out + err):
        return "control character"
    if seconds > SECONDS:
        return f"{seconds:.1f} s"
    if any(name.endswith(".tmp") for name in set(os.listdir()) - before):
        return "half-written file"
    if code == 2:
        if any(Path().glob("out.*")) or Path("new.tblog").exists():
            return "a file written although refused"
        if line[0] == "convert":  # names every fault of a table
            return "refused" if "nothing is written" in err or _one_error(err) else "no fault named"
        return "refused" if _one_error(err) else "several lines"
    if "--add" in line and out != sound:
        return "another fit from damaged sums"
    return "answered"


def _one_error(err: str) -> bool:
    """Return whether the last line says what is wrong; warnings may stand before it."""
    lines = err.strip().splitlines()
    return bool(lines) and lines[-1].startswith("trackbal: ") and sum(x.startswith("trackbal: ") for x in lines) == 1


def main(inputs: int, seed: int) -> None:
    """Damage inputs and print the counts."""
    resource.setrlimit(resource.RLIMIT_AS, (2**30, 2**30))
    counts: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as name:
        os.chdir(name)
        os.environ["TRACKBAL_BY"] = "tester"
        sound_files(Path(name))
        for file in ("history", "history_adj"):
            text = Path(f"{file}.csv").read_text().replace("\nj", "\nk")
            Path(f"{file.replace('history', 'later')}.csv").write_text(text)
        lines = command_lines()
        contents = {file: Path(file).read_bytes() for _, files in lines for file in files}
        sound = call(next(line for line, _ in lines if "--add" in line))[1]
        for number in range(inputs):
            rng = np.random.default_rng([seed, number])
            line, files = lines[number % len(lines)]
            file = files[rng.integers(len(files))]
            for each, content in contents.items():
                Path(each).write_bytes(content)
            for left in (*Path().glob("out.*"), Path("new.tblog")):
                left.unlink(missing_ok=True)
            Path(file).write_bytes(damaged(rng, file, contents[file]))
            before = set(os.listdir())
            said = verdict(line, call(line), before, sound)
            command = " ".join(line[:2] if line[0] in ("log", "drill") else line[:1])
            counts.setdefault(command, Counter())[said if said in ("answered", "refused") else "wrong"] += 1
            if said not in ("answered", "refused"):
                print(f"input {number}: {' '.join(line)}: {file}: {said}", flush=True)
        os.chdir("/")
    print("| command | answered | refused in one line | wrong |\n|---|---|---|---|")
    for command, found in sorted(counts.items()):
        print(f"| {command} | {found['answered']} | {found['refused']} | {found['wrong']} |")
    total = sum(counts.values(), Counter())
    print(f"| all | {total['answered']} | {total['refused']} | {total['wrong']} |")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1)
