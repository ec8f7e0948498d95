"""The physics file: shipped types load, and every mistake gets one line that names its key."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from plain_virtual import plain_files

from trackbal.base.errors import InputError
from trackbal.runs.rotor import Rotor
from trackbal.virtual import VirtualType, type_names


@pytest.mark.parametrize("name", type_names())
def test_shipped_types_load_and_say_they_are_invented(name):
    kind = VirtualType.shipped(name)
    file = VirtualType.rotor_file(name)
    assert Rotor.load(file).name == kind.rotor.name
    for text in (file.read_text(), (file.parent / "physics.toml").read_text()):
        assert "Invented" in text.splitlines()[0]
    assert "limits are invented" in file.read_text()


def test_shipped_types_exercise_the_conventions():
    kinds = [VirtualType.shipped(n).rotor for n in type_names()]
    assert {k.phase_sense for k in kinds} == {"lag", "lead"}
    assert {k.height_unit for k in kinds} == {"mm", "in"}
    assert {"ips", "mm/s", "g"} <= {s.unit for k in kinds for s in k.sensors}
    assert {len(k.blades) for k in kinds} == {2, 3, 4, 5, 7}
    main7 = VirtualType.shipped("main7").rotor
    assert (len(main7.adjusters), len(main7.regimes), len(main7.sensors)) == (4, 5, 3)


MISTAKES = [
    pytest.param(
        "radius_m = 6.0", "radius_m = -6.0", r"blade\.radius_m: found -6\.0, expected a number above 0", id="sign"
    ),
    pytest.param("chord_m = 0.4", "cord_m = 0.4", r"blade\.chord_m: found 'nothing'", id="missing"),
    pytest.param("thrust_N = 0.0", "thrust_N = 0.0\nspeed = 3", "found 'speed'.*expected one of", id="unknown-key"),
    pytest.param("thrust_N = 0.0", "thrust_N = 0.0\nadvance_ratio = 0.6", "advance_ratio: found 0.6", id="too-fast"),
    pytest.param('name = "hover"', 'name = "hoover"', "found 'hoover', expected one of hover", id="regime"),
    pytest.param('name = "tab"', 'name = "link"', "found 'link', expected a name not used before", id="twice"),
    pytest.param("side = 1.0", "sideways = 1.0", "sideways.*expected one of thrust", id="load"),
    pytest.param("side_0 = 1.0", "side_9 = 1.0", "side_9.*expected one of side_0", id="sensor"),
    pytest.param("frequency_hz", 'when = "air"\nfrequency_hz', "none for hover", id="no-mode"),
    pytest.param("outer = 0.8", "outer = 1.8", "outer: found 1.8", id="beyond-the-tip"),
    pytest.param("setting_error = 1.0", "setting_error = 1.0\ninitial = 9000", "initial: found 9000", id="range"),
    pytest.param("hinge_offset = 0.04", "hinge_offset = 0.6", "hinge_offset: found 0.6", id="hinge"),
    pytest.param("root_cutout = 0.2", "root_cutout = 0.01", "root_cutout: found 0.01", id="cutout"),
    pytest.param("tab_moment = 0.0", "", r"variation\.tab_moment: found 'nothing'", id="variation"),
]


@pytest.mark.parametrize(("good", "bad", "message"), MISTAKES)
def test_a_mistake_is_named_in_one_line(tmp_path, good, bad, message):
    rotor, physics = plain_files(tmp_path)
    text = physics.read_text()
    assert good in text
    physics.write_text(text.replace(good, bad, 1))
    with pytest.raises(InputError, match=message) as caught:
        VirtualType.load(rotor, physics)
    assert "\n" not in str(caught.value) and "physics.toml" in str(caught.value)


def test_an_adjuster_left_out_is_named(tmp_path):
    rotor, physics = plain_files(tmp_path)
    text = physics.read_text()
    start = text.index('[[adjusters]]\nname = "tab"')
    physics.write_text(text[:start] + text[text.index("[faults]") :])
    with pytest.raises(InputError, match="no entry for tab"):
        VirtualType.load(rotor, physics)


def test_the_document_names_every_key_and_type_and_its_example_runs(capsys):
    root = Path(__file__).parents[2]
    document = (root / "docs" / "virtual_rotor.md").read_text()
    example = document.split("```python\n")[1].split("```")[0]
    exec(compile(example, "virtual_rotor.md", "exec"), {})
    assert str(type_names()) in capsys.readouterr().out
    reference = document[document.index("## physics.toml") :]
    for name in type_names():
        assert f"| {name} |" in reference
        physics = tomllib.loads((VirtualType.rotor_file(name).parent / "physics.toml").read_text())
        for table in physics.values():
            for entry in table if isinstance(table, list) else [table]:
                for key in entry:
                    assert f"`{key}`" in reference, key
