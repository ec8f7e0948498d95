"""Break the code on purpose, one small change at a time, and see whether the tests notice.

    .venv/bin/python tests/mutants.py --seed 1 --count 100 --out mutants.csv

Draws single changes (a comparison, a sign, an operator, a constant, `and` for `or`, `all` for `any`, `min` for
`max`, the start of a range) from the modules of the numeric core: three of each module, then from all that are
left. It first runs the tests that guard those modules on the code as it is, and stops if they are not green. Then
it applies each change to a copy of the project and runs the tests that guard the module until one says that an
answer is wrong. A change counts as noticed by an assertion if a test does, by a crash if tests end in other
errors alone (mutant_reports.py tells them apart), by time if they do not end. What no test notices is printed
for somebody to judge: a change of speed, of a starting point or of a branch that cannot be reached leaves every
answer as it was.
"""

from __future__ import annotations

import argparse
import ast
import csv
import hashlib
import json
import multiprocessing
import os
import random
import shutil
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from queue import Queue

from mutant_reports import run_tests

ROOT = Path(__file__).parents[1]
os.environ["OMP_NUM_THREADS"] = "1"
os.environ["PYTEST_ADDOPTS"] = ""
FORKS = multiprocessing.get_context("forkserver")
FORKS.set_forkserver_preload(["mutant_reports"])

_OF_EACH = 3  # changes of every module, however small, before the others

#: Module of the package -> tests that guard it, the quickest first.
GUARDS: dict[str, tuple[str, ...]] = {
    "search/additive_bounds": ("test_search_proof.py", "test_search.py"),
    "search/box_qp": ("test_search_proof.py", "test_search.py", "test_search_choices.py"),
    "search/branching": ("test_search_proof.py", "test_search.py", "test_search_choices.py"),
    "search/search": ("test_search_proof.py", "test_search.py", "test_search_choices.py"),
    "search/supports": ("test_search_proof.py", "test_search.py", "test_search_choices.py"),
    "search/whole_steps": ("test_search_proof.py", "test_search.py", "test_search_choices.py"),
    "search/choices": ("test_search_choices.py",),
    "search/work": ("test_search_work.py",),
    "base/covariance": ("test_covariance.py", "test_fitting_components.py"),
    "influence/coefficients": ("test_quadratic.py", "test_forecast.py", "test_influence_file.py"),
    "influence/influence_reader": ("test_influence_file.py",),
    "influence/influence_writer": ("test_influence_file.py",),
    "estimate/job_statistics": ("test_estimate_by_hand.py", "test_fitting_components.py", "test_fitting.py"),
    "estimate/mixed": (
        "test_fitting_components.py",
        "test_estimate_by_hand.py",
        "test_fitting_prior.py",
        "test_fitting.py",
    ),
    "estimate/estimate": (
        "test_estimate_by_hand.py",
        "test_fitting_components.py",
        "test_fitting_prior.py",
        "test_fitting.py",
    ),
    "estimate/likeness": ("test_likeness_and_blade_differences.py",),
    "estimate/blade_differences": ("test_likeness_and_blade_differences.py",),
    "fitting/residuals": ("test_fit_page.py",),
    "plan/quadratic": ("test_quadratic.py", "test_advice.py"),
    "plan/chance": ("test_posterior_oracle.py", "test_chance.py", "test_disc.py"),
    "plan/disc": ("test_disc.py", "test_chance.py"),
    "plan/advice": (
        "test_advice_parts.py",
        "test_advice.py",
        "test_advice_verdict.py",
        "test_preferences.py",
        "test_elsewhere.py",
        "test_safety_stand.py",
        "test_learn_verdict.py",
        "test_commands_advise.py",
    ),
    "aircraft/posterior": ("test_posterior_oracle.py", "test_own_aircraft.py", "test_chance.py"),
    "aircraft/covariances": ("test_posterior_oracle.py", "test_own_aircraft.py", "test_chance.py"),
    "aircraft/entries": ("test_posterior_oracle.py", "test_own_aircraft.py", "test_chance.py"),
    "aircraft/type_model": ("test_posterior_oracle.py", "test_own_aircraft.py", "test_chance.py"),
    "aircraft/surprise": ("test_posterior_oracle.py", "test_surprise.py", "test_learning.py"),
    "check/review": ("test_review.py", "test_safety_stand.py"),
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

    def applied_to(self, source: bytes) -> bytes:
        """Return the changed module."""
        return source[: self.start] + self.text.encode() + source[self.end :]


def _evaluated(node: ast.AST) -> Iterator[ast.AST]:
    """Yield the nodes below one but those of annotations, which nothing evaluates."""
    for name, value in ast.iter_fields(node):
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and name not in ("annotation", "returns"):
                yield child
                yield from _evaluated(child)


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

    for node in _evaluated(ast.parse(source)):
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


def _differs(change: Mutant) -> bool:
    """Return whether the changed module compiles, to something else."""
    source = (ROOT / "trackbal" / f"{change.module}.py").read_bytes()
    try:
        return ast.dump(ast.parse(change.applied_to(source))) != ast.dump(ast.parse(source))
    except SyntaxError:
        return False


def draw(seed: int) -> Iterator[Mutant]:
    """Yield all changes in the order of a seed: three of each module in any order, then the others in any order."""
    first, others = [], []
    for module in GUARDS:
        source = (ROOT / "trackbal" / f"{module}.py").read_text(encoding="utf-8")
        of_module = list(mutants_of(module, source))
        random.Random(f"{seed} {module}").shuffle(of_module)  # whatever has changed in other modules
        first += of_module[:_OF_EACH]
        others += of_module[_OF_EACH:]
    for part in (first, others):
        random.Random(seed).shuffle(part)
        yield from filter(_differs, part)


class Copy:
    """A copy of the project to break and to test in."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "project"
        self._report = folder / "report.jsonl"
        shutil.copytree(ROOT, self.root, ignore=shutil.ignore_patterns(".*", "build", "*.egg-info", "__pycache__"))
        self._age = 0

    def judged(
        self, tests: tuple[str, ...], limit: int, seconds: dict[str, float], *, compiled: bool = False
    ) -> tuple[str, str, dict[str, float]]:
        """Run files of tests until one test says wrong, `limit` seconds of processor time at most.

        Return how something was noticed, or "nothing", by which test, and the seconds each test took. `seconds`
        are those on the code as it is; `compiled`: keep what is compiled.
        """
        self._report.write_text("")
        run = FORKS.Process(target=run_tests, args=(self.root, tests, self._report, seconds, compiled, limit))
        run.start()
        run.join()
        late = run.exitcode == -signal.SIGXCPU
        told = [json.loads(line) for line in self._report.read_text(encoding="utf-8").splitlines()]
        took = {test: s for how, test, s in told if how == "took"}
        for how, by, _ in sorted(line for line in told if line[0] != "took"):  # an assertion before a crash
            return how, by, took
        if not late and run.exitcode != 0:
            raise RuntimeError((self.root.parent / "said.txt").read_text())
        return ("time" if late else "nothing"), "", took

    def broken(self, change: Mutant, tests: tuple[str, ...], limit: int, seconds: dict[str, float]) -> tuple[str, str]:
        """Judge one change, and undo it; else as `judged`."""
        file = self.root / "trackbal" / f"{change.module}.py"
        original, when = file.read_bytes(), file.stat().st_mtime
        file.write_bytes(change.applied_to(original))
        self._age += 10  # no compiled file is taken for that of another change of the same length
        os.utime(file, (when + self._age, when + self._age))
        try:
            return self.judged(tests, limit, seconds)[:2]
        finally:
            file.write_bytes(original)
            os.utime(file, (when, when))


def digest() -> str:
    """Return what package and tests are, in a word."""
    files = [f for folder in ("trackbal", "tests") for f in sorted((ROOT / folder).rglob("*")) if f.is_file()]
    kept = [f for f in files if "__pycache__" not in f.parts and f.name != "mutants.py"]
    return hashlib.sha256(b"".join(str(f).encode() + f.read_bytes() for f in kept)).hexdigest()


def baseline(copy: Copy, drawn: list[Mutant], memory: Path) -> dict[str, float]:
    """Run each file of tests that guards on the code as it is, and return each test's seconds. Stop if not green.

    What `memory` says is green is not run again while package and tests are the same.
    """
    known = json.loads(memory.read_text()) if memory.exists() else {}
    if known.get("digest") != digest():
        known = {"digest": digest(), "seconds": {}}
    for name in sorted({name for one in drawn for name in GUARDS[one.module]} - set(known["seconds"])):
        how, by, took = copy.judged((name,), 3600, {}, compiled=True)
        if how != "nothing":
            raise SystemExit(f"the code as it is does not pass: {how} {by}")
        known["seconds"][name] = took
        memory.write_text(json.dumps(known))
        print(f"green: {len(took)} tests of {name} in {sum(took.values()):.0f} s", flush=True)
    return {test: s for took in known["seconds"].values() for test, s in took.items()}


def table(rows: list[tuple[str, str]]) -> str:
    """Return how many changes of each module were noticed how, as lines of Markdown."""
    kinds = ("assertion", "crash", "time", "nothing")
    lines = ["| module | changes | " + " | ".join(kinds) + " |", "|---|" + "---|" * (len(kinds) + 1)]
    tally = Counter(rows)
    for module in [*GUARDS, "all"]:
        of = [sum(n for (m, how), n in tally.items() if module in (m, "all") and how == kind) for kind in kinds]
        if sum(of):
            lines.append(f"| {module} | {sum(of)} | " + " | ".join(map(str, of)) + " |")
    return "\n".join(lines)


def main() -> None:
    """Draw, break, test, tell."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--start", type=int, default=0, help="go on after so many changes of this seed")
    parser.add_argument("--only", default="", help="modules whose name starts so")
    parser.add_argument("--skip", default="-", help="but not those whose name starts so")
    parser.add_argument("--jobs", type=int, default=1, help="changes judged side by side, each in its own copy")
    parser.add_argument("--out", type=Path, default=Path("mutants.csv"), help="added to where it is there")
    wanted = parser.parse_args()
    asked = (m for m in draw(wanted.seed) if m.module.startswith(wanted.only) and not m.module.startswith(wanted.skip))
    drawn = list(islice(asked, wanted.start, wanted.start + wanted.count))
    told: list[tuple[str, str]] = []
    with ExitStack() as stack, wanted.out.open("a", newline="", encoding="utf-8") as stream:
        copies: Queue[Copy] = Queue()
        for _ in range(wanted.jobs):
            copies.put(Copy(Path(stack.enter_context(tempfile.TemporaryDirectory()))))
        copy = copies.get()
        seconds = baseline(copy, drawn, wanted.out.with_suffix(".green.json"))
        copies.put(copy)
        rows = csv.writer(stream)

        def judge(one: Mutant) -> None:
            copy = copies.get()
            began = time.monotonic()
            usual = sum(s for test, s in seconds.items() if test.split("::")[0][6:] in GUARDS[one.module])
            how, by = copy.broken(one, GUARDS[one.module], int(30.0 + 3.0 * usual), seconds)
            took = time.monotonic() - began
            copies.put(copy)
            told.append((one.module, how))
            rows.writerow([one.module, one.line, one.start, one.before, one.text, how, by, round(took, 1)])
            stream.flush()
            print(f"{one.module}:{one.line} {one.before!r} -> {one.text!r}: {how} {by} ({took:.0f} s)", flush=True)

        with ThreadPoolExecutor(wanted.jobs) as pool:
            list(pool.map(judge, drawn))
    print(table(told))


if __name__ == "__main__":
    main()
