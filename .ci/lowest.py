"""Print the lowest versions that a pyproject.toml admits for use and for tests, as requirements for pip."""

import sys
import tomllib
from pathlib import Path

project = tomllib.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))["project"]
extras = project["optional-dependencies"]
for requirement in [*project["dependencies"], *extras["xlsx"], *extras["test"]]:
    name, lowest = requirement.split(">=")  # fails for a bound of another kind
    print(f"{name}=={lowest}")
