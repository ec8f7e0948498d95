"""Sheets alone: settings after what was done, a rotor file to start from, and one checked by itself."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from logbook.logbook_cases import TOML

from trackbal.commands.group import run
from trackbal.runs.rotor import Rotor
from trackbal.runs.rotor_template import rotor_template

SETTINGS = "blade,adjuster,setting\n1,tip_weight,120.1\n2,pitch_link,-2\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "rotor.toml").write_text(TOML)
    (tmp_path / "settings.csv").write_text(SETTINGS)
    return tmp_path


def call(capsys, *words: object) -> tuple[int, str, str]:
    code = run([str(word) for word in words])
    said = capsys.readouterr()
    return code, said.out, said.err


def settle(capsys, folder: Path, done: str, *more: str) -> tuple[int, str, str]:
    (folder / "done.csv").write_text("blade,adjuster,amount\n" + done)
    files = ["--rotor", folder / "rotor.toml", "--settings", folder / "settings.csv", "--done", folder / "done.csv"]
    return call(capsys, "settle", *files, "--out", folder / "new.csv", *more)


def test_what_was_done_is_added_to_the_settings(capsys, folder):
    code, out, _ = settle(capsys, folder, "1,tip_weight,0.2\n2,pitch_link,-3\n4,tip_weight,10\n")
    assert code == 0 and ["2", "pitch_link", "shortened", "3", "flats", "-2", "-5"] in [
        x.split() for x in out.splitlines()
    ]
    lines = (folder / "new.csv").read_text().splitlines()
    assert {"1,tip_weight,120.3", "2,pitch_link,-5.0", "4,tip_weight,10.0", "3,pitch_link,0.0"} <= set(lines)
    answer = json.loads(settle(capsys, folder, "1,tip_weight,0.2\n", "--force", "--json")[1])
    assert answer["schema_version"] == 1 and answer["settings"][0]["setting_after"] == 120.3


def test_a_setting_outside_its_range_is_refused_and_nothing_written(capsys, folder):
    code, _, error = settle(capsys, folder, "2,pitch_link,-11\n")
    assert code == 2 and error.count("\n") == 1
    assert "found pitch_link of blade 2 by -11 to -13 flats, expected a setting of -12 to 12 flats" in error
    assert not (folder / "new.csv").exists()


@pytest.mark.parametrize("blades", [2, 3, 4, 5, 7, 12])
def test_the_template_is_a_rotor(capsys, tmp_path, blades):
    rotor = Rotor.parse(rotor_template(blades), "template")
    assert len(rotor.blades) == blades and rotor.azimuth_deg[1] == pytest.approx(360.0 / blades)
    file = tmp_path / "rotor.toml"
    assert call(capsys, "rotor-template", "--blades", blades, "--out", file)[0] == 0
    code, out, _ = call(capsys, "check", "--rotor", file)
    assert code == 0 and "have a second person do it too" in " ".join(out.split())
    assert call(capsys, "rotor-template", "--blades", blades, "--out", file)[0] == 2  # it exists
    assert call(capsys, "rotor-template", "--blades", 4, "--out", tmp_path / "x", "--name", 'a"b')[0] == 2


@pytest.mark.parametrize(
    ("good", "bad", "line", "said"),
    [
        ('unit = "g"\nharmonic = 2', 'unit = "gg"\nharmonic = 2', 'unit = "gg"', "one of ips"),
        ("rpm = 240.0", "rpm = 240.0.0", "rpm = 240.0.0", "valid TOML"),
        ("vibration_stop = 1.2", "vibration_stop = 0.1", "vibration_stop", "a stop not below"),
        ('label = "Hover"', 'lable = "Hover"', "lable", "did you mean label"),
        ("height_spread = 20.0\n", "", "[limits]", "one for flat_pitch"),
    ],
)
def test_an_error_in_a_rotor_file_names_its_line(capsys, folder, good, bad, line, said):
    text = TOML.replace(good, bad, 1)
    assert text != TOML
    (folder / "rotor.toml").write_text(text)
    code, _, error = call(capsys, "check", "--rotor", folder / "rotor.toml")
    number = next(i for i, found in enumerate(text.splitlines(), 1) if line in found)
    assert code == 2 and f"rotor.toml, row {number}" in error and said in error, error


def test_a_rotor_is_shown_with_its_limits(capsys, folder):
    code, out, _ = call(capsys, "check", "--rotor", folder / "rotor.toml")
    assert code == 0 and max(map(len, out.splitlines())) <= 80
    assert ["hover", "tail", "0.1", "0.6", "g"] in [x.split() for x in out.splitlines()]
    answer = json.loads(call(capsys, "check", "--rotor", folder / "rotor.toml", "--json")[1])
    assert answer["limits"][0] == {
        "regime": "flat_pitch",
        "reading": "cockpit_vertical",
        "unit": "ips",
        "limit": 0.2,
        "go_on": None,
        "stop": 1.2,
    }


def test_blades_named_by_words_make_tables_that_fit(capsys, folder):
    text = TOML.replace('["1", "2", "3", "4"]', '["northern upper", "eastern upper", "southern upper", "western"]')
    (folder / "rotor.toml").write_text(text)
    code, out, _ = call(capsys, "check", "--rotor", folder / "rotor.toml")
    assert code == 0 and max(map(len, out.splitlines())) <= 80


def test_a_ground_regime_after_one_in_flight_is_pointed_out(capsys, folder):
    (folder / "rotor.toml").write_text(re.sub(r'(label = "Cruise"\n.*\n)airborne = true', r"\1", TOML))
    assert "in the order in which they are flown" in " ".join(
        call(capsys, "check", "--rotor", folder / "rotor.toml")[1].split()
    )


def test_a_sheet_from_standard_input(capsys, folder, monkeypatch):
    import io
    import sys

    sheet = b"regime,cockpit_vertical.amp,cockpit_vertical.deg\nhover,0.1,20\n"
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(sheet)))
    code, out, _ = call(capsys, "check", "--rotor", folder / "rotor.toml", "--run", "-", "--json")
    assert code == 1 and json.loads(out)["readings"][0]["value"] == pytest.approx(0.1)  # little of a whole run
