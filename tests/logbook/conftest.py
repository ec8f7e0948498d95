"""A logbook on an invented rotor, and a way to call the commands."""

from __future__ import annotations

from pathlib import Path

import pytest
from invented_rotor import ROTOR
from logbook_cases import TOML, Command, invented_influence

from trackbal.commands.group import run as run_command
from trackbal.influence.influence_writer import write_influence


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """Return a folder with rotor.toml and influence.json."""
    (tmp_path / "rotor.toml").write_text(TOML)
    write_influence(tmp_path / "influence.json", ROTOR, invented_influence())
    return tmp_path


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """Return a function that runs `trackbal log ...` and gives exit code, stdout and stderr."""
    monkeypatch.setenv("TRACKBAL_BY", "tester")

    def call(*arguments: object, keys: str | None = None) -> tuple[int, str, str]:
        if keys is not None:
            answers = iter(keys.split("\n"))

            def answer(prompt: str = "") -> str:
                print(prompt, end="")
                text = next(answers, None)
                if text is None:
                    raise EOFError
                if text == "^C":
                    raise KeyboardInterrupt
                return text

            monkeypatch.setattr("click.termui.visible_prompt_func", answer)
        code = run_command(["log", *map(str, arguments)])
        out = capsys.readouterr()
        return code, out.out, out.err

    return call


@pytest.fixture
def book(files: Path, command: Command) -> Path:
    """Return a logbook with an open job on aircraft A."""
    file = files / "fleet.tblog"
    code, _, error = command("new", file, "--rotor", files / "rotor.toml", "--influence", files / "influence.json")
    assert code == 0, error
    assert command("start", file, "A")[0] == 0
    return file
