"""The map in DEVELOPERS.md and the imports of the package say the same: rooms, arrows downwards, no circles."""

from __future__ import annotations

import ast
import re
import sys
from functools import cache
from graphlib import TopologicalSorter
from importlib import import_module
from pathlib import Path

import pytest

from trackbal.commands.group import run

ROOT = Path(__file__).parents[1]
PACKAGE = "trackbal"
EVERY_ROOM = "every room"


def module_files(root: Path) -> dict[str, Path]:
    """Return dotted name -> file of every module, packages' own __init__ among them."""
    found = {}
    for file in sorted((root / PACKAGE).rglob("*.py")):
        parts = file.relative_to(root).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = file
    return found


def imports_of(code: str, modules: set[str]) -> set[str]:
    """Return the modules of the package that a piece of code imports anywhere, those named in strings among them."""
    found = set()
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name the whole path"
            source = node.module or ""
            found |= {name if (name := f"{source}.{alias.name}") in modules else source for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value != PACKAGE:
            found.add(node.value)  # commands and public names are loaded by name
    return found & modules


def room_of(module: str) -> str:
    """Return the room a module stands in; that of the package's own __init__ is the package."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else PACKAGE


FILES = module_files(ROOT)
IMPORTS = {name: imports_of(file.read_text(encoding="utf-8"), set(FILES)) - {name} for name, file in FILES.items()}
ROOMS = {room_of(name) for name in FILES}


def mapped_rooms(page: str) -> dict[str, set[str]]:
    """Return room -> rooms it may import, in the order of the map."""
    rooms: dict[str, set[str]] = {}
    for room, allowed in re.findall(r"^\| `(\w+)/` \|.*\|([^|]*)\|$", page, flags=re.M):
        assert room not in rooms, f"{room}/ stands twice on the map"
        rooms[room] = ROOMS - {room} if allowed.strip() == EVERY_ROOM else set(re.findall(r"`(\w+)`", allowed))
    return rooms


def mapped_modules(page: str) -> list[str]:
    """Return the dotted names of the modules that the map lists."""
    found = []
    for section in re.split(r"^#### ", page, flags=re.M)[1:]:
        room, _, rest = section.partition("\n")
        listed = re.findall(r"^\| `(\w+)` \|", rest.partition("\n## ")[0], flags=re.M)
        found += [f"{PACKAGE}.{room.strip()}.{name}" for name in listed]
    return found


PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def forbidden(imports: dict[str, set[str]], rooms: dict[str, set[str]]) -> list[str]:
    """Return every import that leads to a room the map does not allow, as "from -> to"."""
    return [
        f"{module} -> {target}"
        for module, targets in imports.items()
        for target in sorted(targets)
        if room_of(target) != room_of(module) and room_of(target) not in rooms[room_of(module)]
    ]


def test_every_module_stands_on_the_map_once_and_nothing_else_does():
    modules = [name for name, file in FILES.items() if file.name != "__init__.py"]
    assert sorted(mapped_modules(PAGE)) == sorted(modules)
    assert set(mapped_rooms(PAGE)) == ROOMS


def test_rooms_are_listed_from_the_ground_up():
    above: set[str] = set()
    for room, allowed in mapped_rooms(PAGE).items():
        if room != "commands":  # every room, itself the last
            assert allowed <= above, f"{room}/ may import what stands below it on the map: {sorted(allowed - above)}"
        above.add(room)
    assert list(mapped_rooms(PAGE))[-1] == "commands"


def test_imports_lead_where_the_map_allows():
    assert forbidden(IMPORTS, mapped_rooms(PAGE)) == []


def test_no_circle_of_modules():
    TopologicalSorter(IMPORTS).prepare()  # raises CycleError, which names the circle


def test_every_room_says_its_purpose_in_a_sentence():
    for room in ROOMS:
        file = FILES[PACKAGE if room == PACKAGE else f"{PACKAGE}.{room}"]
        assert (ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))) or "").split("\n")[0].endswith(".")


@pytest.mark.parametrize(
    "code",
    [
        "from trackbal.plan import quadratic",
        "from trackbal.plan.quadratic import Quadratic",
        "import trackbal.plan.quadratic",
        "def late():\n    from trackbal.plan.quadratic import Quadratic\n    return Quadratic",
        'HOMES = {"Quadratic": "trackbal.plan.quadratic"}',
    ],
)
def test_an_upward_import_is_found_however_it_is_written(code):
    upwards = {"trackbal.search.box_qp": imports_of(code, set(FILES))}
    assert forbidden(upwards, mapped_rooms(PAGE)) == ["trackbal.search.box_qp -> trackbal.plan.quadratic"]


def walked(arguments: list[str]) -> tuple[list[str], set[tuple[str, str]]]:
    """Return the rooms in which a command calls functions, as first entered, and (caller's, called) of each change."""
    package = str(ROOT / PACKAGE)
    order: list[str] = []
    changes: set[tuple[str, str]] = set()

    @cache
    def room(file: str) -> str | None:
        return room_of(".".join(Path(file).relative_to(ROOT).parts)) if file.startswith(package) else None

    def called(frame, event, _argument) -> None:
        if event != "call" or (here := room(frame.f_code.co_filename)) is None:
            return
        if here not in order:
            order.append(here)
        caller = frame.f_back
        while caller is not None and (there := room(caller.f_code.co_filename)) != here:
            if there is not None:
                changes.add((there, here))
                break
            caller = caller.f_back

    for name in FILES:  # what an import calls is no part of the way
        import_module(name)
    before = sys.getprofile()
    sys.setprofile(called)
    try:
        assert run(arguments) in (0, 1)
    finally:
        sys.setprofile(before)
    return order, changes


def test_the_way_of_a_fit_and_of_advice_is_as_the_page_says_and_leads_down(tmp_path, capsys):
    demo = ROOT / "demo_runs" / "washers_tail"
    rotor, influence = ["--rotor", str(demo / "rotor.toml")], str(tmp_path / "influence.json")
    past = ["--runs", str(demo / "history.csv"), "--adjustments", str(demo / "history_adjustments.csv")]
    sheet = ["--run", str(demo / "run1.csv"), "--settings", str(demo / "settings.csv"), "--influence", influence]
    allowed = mapped_rooms(PAGE)
    for name, arguments in (("fit", [*rotor, *past, "--out", influence]), ("advise", [*rotor, *sheet])):
        order, changes = walked([name, *arguments, "--json"])
        (line,) = re.findall(rf"^- `{name}`: (.*)$", PAGE, flags=re.M)
        assert [room for room in order if room not in ("commands", "base")] == re.findall(r"`(\w+)`", line)
        # only what shows progress, handed down by a command, is called from below
        upwards = {(a, b) for a, b in changes if b not in allowed[a] and b != "commands"}
        assert not upwards
    capsys.readouterr()
