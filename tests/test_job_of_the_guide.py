"""The job to copy and paste in docs/maintainer.md: each line as it stands, its screens 80 wide, its end inside."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from trackbal.commands.group import run

pytestmark = pytest.mark.usefixtures("fits_remembered")

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "docs" / "maintainer.md").read_text(encoding="utf-8")


def test_the_job_runs_from_new_to_close(tmp_path, monkeypatch, capsys):
    (job,) = re.findall(r"```bash\n(.*?)```", GUIDE, re.S)
    (tmp_path / "demo_runs").symlink_to(ROOT / "demo_runs")
    (tmp_path / "my_job").mkdir()
    monkeypatch.chdir(tmp_path)
    demo, *lines = job.replace("\\\n", " ").splitlines()
    folder = demo.removeprefix("demo=")
    codes, screens = [], []
    for line in lines:
        words = shlex.split(line.replace("$demo", folder))
        if words[0] == "mkdir":
            continue
        codes.append(run(words[1:]))
        said = capsys.readouterr()
        assert codes[-1] in (0, 1), (line, said.err)
        screens.append(said.out)
    assert next(line.split()[2] for line in lines if " log " in line) == "new" and " log close " in lines[-1]
    too_long = [line for screen in screens for line in screen.splitlines() if len(line) > 80]
    assert all("/" in max(line.split(), key=len) or "my_job" in line for line in too_long), too_long
    advised = [screen for line, screen in zip(lines[1:], screens, strict=True) if "log advise" in line]
    assert "INVESTIGATE" in advised[0] and "Do\n" in advised[1]
    assert "inside limits" in " ".join(screens[-1].split())
