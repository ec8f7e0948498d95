"""Break the code on purpose, one small change at a time, and see whether the tests notice.

    .venv/bin/python tests/mutants.py --seed 1 --count 100 --out mutants.csv

Draws single changes (a comparison, a sign, an operator, a constant, `and` for `or`, `all` for `any`, `min` for
`max`, the start of a range) from the modules of the numeric core, applies each to a copy of the project and runs
the tests that guard that module until the first failure. A change counts as noticed by an assertion if a test
says that an answer is wrong, by a crash if one ends in any other error, by time if they do not end. What no
test notices is printed for somebody to judge: a change of speed, of a starting point or of a branch that
cannot be reached leaves every answer as it was.
"""

from __future__ import annotations

import argparse
import ast
import csv
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]

#: Module of the package -> tests that guard it, the quickest first.
GUARDS: dict[str, tuple[str, ...]] = {
    "search/additive_bounds": ("test_search_proof.py", "test_search.py"),
    "search/box_qp": ("test_search_proof.py", "test_search.py"),
    "search/branching": ("test_search_proof.py", "test_search.py"),
    "search/search": ("test_search_proof.py", "test_search.py"),
    "search/supports": ("test_search_proof.py", "test_search.py"),
    "search/whole_steps": ("test_search_proof.py", "test_search.py"),
    "influence/coefficients": ("test_influence_file.py", "test_quadratic.py", "test_forecast.py"),
    "influence/influence_reader": ("test_influence_file.py",),
    "influence/influence_writer": ("test_influence_file.py",),
    "estimate/job_statistics": ("test_fitting.py", "test_fitting_components.py"),
    "estimate/mixed": ("test_fitting_components.py", "test_fitting.py"),
    "estimate/estimate": ("test_fitting.py", "test_fitting_components.py", "test_fit_residuals.py"),
    "estimate/likeness": ("test_likeness_and_blade_differences.py",),
    "estimate/blade_differences": ("test_likeness_and_blade_differences.py",),
    "fitting/residuals": ("test_fit_page.py",),
    "plan/quadratic": ("test_quadratic.py", "test_advice.py"),
    "plan/chance": ("test_posterior_oracle.py", "test_chance.py", "test_disc.py"),
    "plan/disc": ("test_disc.py", "test_chance.py"),
    "plan/advice": ("test_advice_parts.py", "test_advice.py", "test_advice_verdict.py", "test_commands_advise.py"),
    "aircraft/posterior": ("test_posterior_oracle.py", "test_own_aircraft.py", "test_chance.py"),
    "aircraft/surprise": ("test_posterior_oracle.py", "test_surprise.py", "test_learning.py"),
    "check/review": ("test_review.py",),
}

_COMPARISONS = {
    ast.Lt: ("<", "<="),
    ast.LtE: ("<=", "<"),
    ast.Gt: (">", ">="),
    ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
}
_OPERATORS = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.BitAnd: ("&", "|"),
    ast.BitOr: ("|", "&"),
}
_CALLS = {"all": "any", "any": "all", "min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum"}


@dataclass(frozen=True)
class Mutant:
    """One change: the text of a module from `start` to `end` (offsets) becomes `text`."""

    module: str
    line: int
    start: int
    end: int
    before: str
    text: str


def mutants_of(module: str, source: str) -> Iterator[Mutant]:
    """Yield every single change of a module that is drawn from."""
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line.encode()))
    data = source.encode()

    def offset(line: int, column: int) -> int:
        return starts[line - 1] + column

    def between(left: ast.expr, right: ast.expr, old: str, new: str) -> Iterator[Mutant]:
        first = offset(left.end_lineno or 0, left.end_col_offset or 0)
        last = offset(right.lineno, right.col_offset)
        at = data.find(old.encode(), first, last)
        if at >= 0:
            yield Mutant(module, left.end_lineno or 0, at, at + len(old), old, new)

    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in _COMPARISONS:
            yield from between(node.left, node.comparators[0], *_COMPARISONS[type(node.ops[0])])
        elif isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
            if not isinstance(node.left, ast.Constant) or not isinstance(node.left.value, str):
                yield from between(node.left, node.right, *_OPERATORS[type(node.op)])
        elif isinstance(node, ast.BoolOp):
            old, new = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
            yield from between(node.values[0], node.values[1], old, new)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
            at = offset(node.lineno, node.col_offset)
            old = {ast.USub: "-", ast.Not: "not ", ast.Invert: "~"}[type(node.op)]
            yield Mutant(module, node.lineno, at, at + len(old), old, "")
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.end_col_offset:
            at, end = offset(node.lineno, node.col_offset), offset(node.lineno, node.end_col_offset)
            value = node.value
            changed = value + 1 if isinstance(value, int) else (value * 1.1 if value else 0.1)
            yield Mutant(module, node.lineno, at, end, data[at:end].decode(), repr(changed))
        elif isinstance(node, ast.Attribute | ast.Name):
            name = node.attr if isinstance(node, ast.Attribute) else node.id
            if name in _CALLS:
                end = offset(node.end_lineno or 0, node.end_col_offset or 0)
                yield Mutant(module, node.end_lineno or 0, end - len(name), end, name, _CALLS[name])


def verdict(project: Path, tests: tuple[str, ...], seconds: float) -> tuple[str, str]:
    """Run some tests until one fails; return (how the change was noticed, or "nothing", and by which test)."""
    present = [f"tests/{name}" for name in tests if (project / "tests" / name).exists()]
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-rfE", *present]
    environment = {**os.environ, "PYTHONPATH": str(project), "OMP_NUM_THREADS": "1", "PYTEST_ADDOPTS": ""}
    try:
        done = subprocess.run(command, cwd=project, env=environment, capture_output=True, text=True, timeout=seconds)
    except subprocess.TimeoutExpired:
        return "time", ""
    if done.returncode == 0:
        return "nothing", ""
    if done.returncode not in (1, 2):
        raise RuntimeError(done.stdout + done.stderr)
    summary = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    by = summary[0].split()[1] if summary else ""
    errors = [line for line in done.stdout.splitlines() if line.startswith("E   ")]
    said = any(
        line.split()[1:2] and line.split()[1].startswith(("assert", "AssertionError", "Failed:")) for line in errors
    )
    return ("assertion" if said else "crash"), by


def main() -> None:
    """Draw, break, test, tell."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--only", default="", help="modules whose name starts so")
    parser.add_argument("--seconds", type=float, default=300.0, help="for the tests of one change")
    parser.add_argument("--out", type=Path, default=Path("mutants.csv"))
    wanted = parser.parse_args()
    drawn: list[Mutant] = []
    for module in GUARDS:
        file = ROOT / "trackbal" / f"{module}.py"
        if module.startswith(wanted.only) and file.exists():
            drawn += mutants_of(module, file.read_text(encoding="utf-8"))
    random.Random(wanted.seed).shuffle(drawn)
    tally: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder, wanted.out.open("w", newline="", encoding="utf-8") as stream:
        project = Path(folder) / "project"
        shutil.copytree(ROOT, project, ignore=shutil.ignore_patterns(".*", "build", "*.egg-info", "__pycache__"))
        rows = csv.writer(stream)
        rows.writerow(["module", "line", "before", "after", "noticed by", "test", "seconds"])
        for one in drawn[: wanted.count]:
            file = project / "trackbal" / f"{one.module}.py"
            original = file.read_bytes()
            file.write_bytes(original[: one.start] + one.text.encode() + original[one.end :])
            began = time.monotonic()
            how, by = verdict(project, GUARDS[one.module], wanted.seconds)
            file.write_bytes(original)
            tally[how] += 1
            rows.writerow([one.module, one.line, one.before, one.text, how, by, round(time.monotonic() - began, 1)])
            stream.flush()
            print(f"{one.module}:{one.line} {one.before!r} -> {one.text!r}: {how} {by}", flush=True)
    print(", ".join(f"{how} {count}" for how, count in tally.most_common()))


if __name__ == "__main__":
    main()
