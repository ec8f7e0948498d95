"""The files: one of another rotor, one that is damaged, one that would run something, half-written ones."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from invented_cases import invented_case
from plain_reference import Case

from trackbal.base.errors import FileExists, visible, visible_json
from trackbal.base.files import Outputs
from trackbal.commands.group import run as run_command
from trackbal.influence.coefficients import Influence
from trackbal.runs.meaning import meaning
from trackbal.runs.rotor import Rotor

CASE = invented_case(51, size=1.5)


@pytest.fixture
def advise(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """Return a function that writes a case's files, made for the rotor of another if one is given, and advises."""

    def ask(case: Case, *more: str, made_for: Case | None = None) -> tuple[int, str, str]:
        if made_for is not None:
            made_for.write(tmp_path)
            bound = meaning(Rotor.load(tmp_path / "rotor.toml"))
            case = replace(case, influence=case.influence | {"made_for": bound})
        code = run_command(["advise", *map(str, case.write(tmp_path)), *more])
        out = capsys.readouterr()
        return code, out.out, out.err

    return ask


def sensors_with(**changes: Any) -> list[dict[str, Any]]:
    return [CASE.sensors[0] | changes, *CASE.sensors[1:]]


def adjusters_with(**changes: Any) -> list[dict[str, Any]]:
    return [CASE.adjusters[0] | changes, *CASE.adjusters[1:]]


OTHER_ROTORS = {
    "sensor-unit": (CASE.with_rotor(sensors=sensors_with(unit="mm/s")), "sensor s0: unit"),
    "harmonic": (CASE.with_rotor(sensors=sensors_with(harmonic=3)), "sensor s0: harmonic 1 then, 3 now"),
    "adjuster-unit": (CASE.with_rotor(adjusters=adjusters_with(unit="oz")), "adjuster a0: unit u then, oz now"),
    "azimuth": (CASE.with_rotor(azimuth_deg=[0.0, 100.0, 240.0]), "azimuth_deg 0, 120, 240 then"),
    "height-unit": (CASE.with_rotor(height_unit="in"), "height_unit mm then, in now"),
    "speed": (CASE.with_rotor(rpm=300.0), "rpm 240 then, 300 now"),
}


@pytest.mark.parametrize(("other", "said"), OTHER_ROTORS.values(), ids=OTHER_ROTORS)
def test_coefficients_of_another_rotor_are_refused(advise: Any, other: Case, said: str) -> None:
    code, _, err = advise(other, made_for=CASE)
    assert code == 2 and err.count("\n") == 1
    assert "influence.json, column made_for" in err and said in err


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (CASE.with_rotor(phase_sense="lead"), "phase_sense lag then, lead now"),
        (CASE.with_rotor(adjusters=adjusters_with(step=5.0)), "adjuster a0: step 10.0 then, 5.0 now"),
        (CASE.with_rotor(rpm=250.0), "rpm 240 then, 250 now"),
        (CASE.with_rotor(regimes=[CASE.regimes[0] | {"rpm": 200.0}, CASE.regimes[1]]), "r0: rpm 240 then, 200 now"),
    ],
    ids=["phase-sense", "step", "speed", "regime-speed"],
)
def test_what_makes_nothing_else_of_coefficients_is_said(advise: Any, other: Case, said: str) -> None:
    _, out, _ = advise(other, "--json", made_for=CASE)
    assert any(said in caution for caution in json.loads(out)["cautions"])


def test_a_file_that_does_not_say_what_it_is_for_is_used_and_named(advise: Any) -> None:
    _, out, _ = advise(CASE, "--json")
    assert sum("names no units or azimuths" in c for c in json.loads(out)["cautions"]) == 1
    _, out, _ = advise(CASE, "--json", made_for=CASE)
    assert not any("names no units or azimuths" in c for c in json.loads(out)["cautions"])


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("sensors", []),
        ("rpm", "fast"),
        ("rpm", 0),
        ("blades", [1]),
        ("azimuth_deg", [0, "x", 2]),
        ("phase_sense", 3),
        ("regime_rpm", {"r0": "x"}),
    ],
)
def test_what_a_file_is_for_is_read_strictly(advise: Any, key: str, value: Any) -> None:
    broken = replace(CASE, influence=CASE.influence | {"made_for": {key: value}})
    code, _, err = advise(broken)
    assert code == 2 and f"made_for.{key}" in err and err.count("\n") == 1


def test_a_regime_read_without_any_row_makes_no_plan_likely(advise: Any) -> None:
    rows = [row for row in CASE.influence["rows"] if row["regime"] != "r1"]
    part = replace(CASE, influence=CASE.influence | {"rows": rows})
    answer = json.loads(advise(part, "--json")[1])
    assert answer["without_influence"] == ["r1"]
    assert sum("says nothing of r1" in c for c in answer["cautions"]) == 1
    if answer["verdict"] == "adjust":
        assert "not known (no influence for r1)" in " ".join(advise(part)[1].split())
    assert json.loads(advise(CASE, "--json")[1])["without_influence"] == []


def test_what_a_fit_writes_is_bound_and_stays_so(tmp_path: Path) -> None:
    CASE.write(tmp_path)
    rotor = Rotor.load(tmp_path / "rotor.toml")
    from trackbal.fitting.merge import restrict
    from trackbal.influence.influence_writer import influence_document

    loaded = Influence.load(tmp_path / "influence.json", rotor)
    assert "made_for" not in influence_document(rotor, restrict(rotor, loaded, regimes=["r0"]))
    bound = replace(loaded, made_for=meaning(rotor))
    assert influence_document(rotor, restrict(rotor, bound, regimes=["r0"]))["made_for"] == meaning(rotor)


# ------------------------------------------------------------------------------ outputs together


def test_outputs_stand_or_fall_together(tmp_path: Path) -> None:
    """The second cannot be put in place: the first goes again, and a file that was replaced is back."""
    old, taken = tmp_path / "old", tmp_path / "taken"
    old.write_text("before")
    with pytest.raises(FileExists), Outputs([(tmp_path / "new", "1"), (taken, "2")], force=False):
        taken.write_text("theirs")
    assert sorted(os.listdir(tmp_path)) == ["old", "taken"] and taken.read_text() == "theirs"
    with pytest.raises(KeyError), Outputs([(old, "after"), (tmp_path / "new", "1")], force=True) as outputs:
        outputs.place()
        assert old.read_text() == "after"
        raise KeyError
    assert sorted(os.listdir(tmp_path)) == ["old", "taken"] and old.read_text() == "before"


def test_what_cannot_be_shown_is_not_written(tmp_path: Path) -> None:
    """Standard output on a full disk: one line, exit code 2, no plan and no card."""
    files = list(map(str, CASE.write(tmp_path)))
    before = sorted(os.listdir(tmp_path))
    outputs = ["--plan-out", str(tmp_path / "plan.csv"), "--card", str(tmp_path / "card.html")]
    done = trackbal(["advise", *files, *outputs], stdout="/dev/full")
    assert done.returncode == 2 and done.stderr.splitlines()[-1].startswith(
        "trackbal: standard output: found 'No space"
    )
    assert sorted(os.listdir(tmp_path)) == before


class FullDisk(io.StringIO):
    """Standard output of which nothing reaches the disk."""

    def flush(self) -> None:
        raise OSError(28, "No space left on device")


WRITING = [
    "settle --rotor rotor.toml --settings settings.csv --done done.csv --out out.csv",
    "estimate --rotor rotor.toml --out out.json",
    "trial --rotor rotor.toml --run run.csv --influence known.json --trial-out out.csv",
    "restrict --rotor rotor.toml influence.json --regime r0 --out out.json --json",
    "rotor-template --blades 3 --out out.toml",
    "convert run.csv --rotor rotor.toml --draft out.toml --kind run",
]


@pytest.mark.parametrize("line", WRITING)
def test_no_command_writes_what_it_could_not_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], line: str
) -> None:
    CASE.write(tmp_path)
    unknown = CASE.influence | {
        "rows": [row for row in CASE.influence["rows"] if "a1" not in (row.get("adjuster"), *row.get("adjusters", ()))]
    }
    (tmp_path / "known.json").write_text(json.dumps(unknown | {"unidentified": [{"adjuster": "a1"}]}))
    (tmp_path / "done.csv").write_text("blade,adjuster,amount\nb1,a0,10\n")
    monkeypatch.chdir(tmp_path)
    with monkeypatch.context() as patched:
        patched.setattr("sys.stdout", FullDisk())
        assert run_command(line.split()) == 2
    assert "No space left" in capsys.readouterr().err and not list(tmp_path.glob("out.*"))
    assert run_command(line.split()) in (0, 1) and list(tmp_path.glob("out.*"))


def trackbal(
    arguments: Sequence[str | bytes], stdout: str | None = None, **more: Any
) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own, within 5 s of its own time and 1 GB."""
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_AS, (2**30, 2**30)); "
        "from trackbal.commands import main; main()"
    )
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "TRACKBAL_BY": "tester"} | more.pop("env", {})
    with open(stdout or os.devnull, "w") as full:
        return subprocess.run(
            [sys.executable, "-c", code, *arguments],
            stdout=full if stdout else subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            errors="surrogateescape",
            timeout=60,
            env=environment,
            check=False,
            **more,
        )


@pytest.mark.parametrize("command", ["check", "--version", "jobs"])
def test_a_full_disk_behind_the_output_is_one_line(tmp_path: Path, command: str) -> None:
    files = list(map(str, CASE.write(tmp_path)[:4]))
    book = str(tmp_path / "a.tblog")
    run_command(["log", "new", book, "--rotor", files[1]])
    lines = {"check": ["check", *files], "--version": ["--version"], "jobs": ["log", "jobs", book]}
    done = trackbal(lines[command], stdout="/dev/full")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1) and "Traceback" not in done.stderr


def test_a_terminal_of_another_encoding_is_served(tmp_path: Path) -> None:
    case = CASE.with_rotor(name="Prüfling №5")
    case = replace(case, influence=case.influence | {"rotor": "Prüfling №5"})
    for encoding in ("ascii", "latin-1", "cp437"):
        done = trackbal(["advise", *map(str, case.write(tmp_path))], env={"PYTHONIOENCODING": encoding})
        assert done.returncode in (0, 1), done.stderr
        assert "Traceback" not in done.stderr


@pytest.mark.parametrize("argument", [b"\xff", b"a\xffb.toml", b"\x1b[2J"])
def test_arguments_that_are_no_text_are_one_line(argument: bytes) -> None:
    for line in ([b"check", b"--rotor", argument, b"--run", b"x"], [argument], [b"log", b"show", argument]):
        done = trackbal(line)
        assert (done.returncode, done.stderr.count("\n")) == (2, 1)
        assert "\x1b" not in done.stderr and "Traceback" not in done.stderr


# ------------------------------------------------------------------------------ what reaches the terminal


def test_nothing_from_a_file_acts_on_the_terminal(advise: Any, tmp_path: Path) -> None:
    for name in ("x\x1b[2J\x1b[1;1HINSIDE LIMITS", "x\x9b2J", "x\u202ey", "x\ud800", "x\x07\x08"):
        other = replace(CASE, influence=CASE.influence | {"rotor": name})
        for more in ((), ("--json",), ("--all",)):
            code, out, err = advise(other, *more)
            assert code in (0, 1), err
            assert not any(c in out + err for c in "\x1b\x9b\u202e\ud800\x07\x08")
    assert json.loads(advise(other, "--json")[1])["cautions"]
    assert visible("a\tb\nc\x1b\u200bä№…") == "a\tb\nc\\x1b\\u200bä№…"
    assert json.loads(visible_json(json.dumps("\x9b\u202e\ud800", ensure_ascii=False))) == "\x9b\u202e\ud800"


# ------------------------------------------------------------------------------ files that never end, or are damaged


@pytest.mark.parametrize("role", [0, 1, 2, 3])
@pytest.mark.parametrize("kind", ["fifo", "/dev/zero"])
def test_what_never_ends_is_not_waited_for(advise: Any, tmp_path: Path, role: int, kind: str) -> None:
    """role: rotor, run, influence, settings."""
    files = CASE.write(tmp_path)
    pipe = tmp_path / "pipe"
    if kind == "fifo":
        os.mkfifo(pipe)
    arguments = list(map(str, files))
    arguments[2 * role + 1] = str(pipe) if kind == "fifo" else kind
    assert run_command(["advise", *arguments]) == 2


def test_a_covariance_beyond_belief_is_advice_or_one_line(advise: Any) -> None:
    rows = [row | ({"cov": [[1e50, 0.0], [0.0, 1e50]]} if "re" in row else {}) for row in CASE.influence["rows"]]
    code, out, err = advise(replace(CASE, influence=CASE.influence | {"rows": rows}), "--json")
    assert code in (0, 1, 2) and err.count("\n") == (code == 2)
    if code < 2:
        assert all(0.0 <= plan["chance"] <= 1.0 for plan in json.loads(out)["plans"])


# ------------------------------------------------------------------------------ settings that were not given


def test_settings_that_a_sheet_does_not_list_are_named(advise: Any, tmp_path: Path) -> None:
    part = replace(CASE, settings={("a0", "b1"): 10.0, ("a1", "b1"): 0.5, ("a1", "b2"): 0.0, ("a1", "b3"): 0.0})
    said = json.loads(advise(part, "--json")[1])["cautions"]
    assert any("taken as 0: a0 on blades b2, b3." in caution for caution in said)
    whole = replace(CASE, settings={(a["name"], b): 0.0 for a in CASE.adjusters for b in CASE.blades})
    assert not any("taken as 0" in c or "0 is taken" in c for c in json.loads(advise(whole, "--json")[1])["cautions"])
