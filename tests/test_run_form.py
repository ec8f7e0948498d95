"""The blank run sheet: the page and the CSV agree, and a filled sheet is read."""

from __future__ import annotations

import csv
import html
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from page_checks import Page, assert_contrast, assert_stands_alone
from page_rotors import rotor_of

from trackbal.base.errors import InputError
from trackbal.commands.group import run as trackbal
from trackbal.pages.run_form import blank_page, blank_sheet, sheet_headings
from trackbal.runs.sheets import read_run
from trackbal.virtual import VirtualType, type_names

ROTORS = [rotor_of(2, 1, 1), rotor_of(8, 8, 6), *(VirtualType.shipped(name).rotor for name in type_names())]


@pytest.mark.parametrize("rotor", ROTORS, ids=lambda r: r.name)
def test_a_filled_sheet_is_read(rotor, tmp_path):
    file = tmp_path / "run.csv"
    rows = list(csv.DictReader(io.StringIO(blank_sheet(rotor))))
    assert [row["regime"] for row in rows] == [regime.name for regime in rotor.regimes]
    file.write_text(blank_sheet(rotor))
    with pytest.raises(InputError, match="no readings"):
        read_run(rotor, file)
    for r, row in enumerate(rows):
        row |= {"rpm": f"{rotor.rpm:g}", "note": "steady", "info.wind": "5 kt"}
        for s, sensor in enumerate(rotor.sensors):
            row[f"{sensor.name}.amp"] = f"0.{r}{s}"
            row[f"{sensor.name}.deg"] = "4:30"
        for b, blade in enumerate(rotor.blades if rotor.regimes[r].heights else ()):
            row[f"height.{blade}"] = str(b)
    with file.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, sheet_headings(rotor))
        writer.writeheader()
        writer.writerows(rows)
    run = read_run(rotor, file)
    assert run.vibration_read.all()
    assert run.height_read.tolist() == [regime.heights for regime in rotor.regimes]
    turn = 1.0 if rotor.phase_sense == "lead" else -1.0
    assert run.vibration[0, -1] == pytest.approx(0.01 * (len(rotor.sensors) - 1) * np.exp(turn * 0.75j * np.pi))
    assert ("wind", "5 kt") in [(h, t) for _, h, t in run.info]


@pytest.mark.parametrize("rotor", ROTORS, ids=lambda r: r.name)
def test_the_page_has_the_boxes_of_the_sheet_in_its_order(rotor):
    source = blank_page(rotor)
    assert_stands_alone(source, fillable=True)
    assert_contrast(source)
    blocks = source.partition("<script")[0].split("<section")[1:]
    assert len(blocks) == len(rotor.regimes)
    for block, regime in zip(blocks, rotor.regimes, strict=True):
        heights = {f"height.{blade}" for blade in rotor.blades}
        wanted = [h for h in sheet_headings(rotor)[1:] if regime.heights or h not in heights]
        assert [html.unescape(q) for q in re.findall(r'data-q="([^"]*)"', block)] == wanted
        assert regime.label in Page(block[block.index("<h3>") : block.index("</h3>") + len("</h3>")]).words


def test_units_limits_and_phase_sense_stand_beside_the_boxes_and_no_file_words():
    words = Page(blank_page(rotor_of(3, 1, 5)).partition("<script")[0] + "</body></html>").words
    assert "ips peak; limit 0.2" in words and "mil peak to peak" in words and "degrees, lag" in words
    assert "Phase is lag: degrees of rotation from the tach pulse" in words
    assert words.index("Break off when a reading reaches its STOP figure") < words.index("rotor speed")
    assert "info." not in words and "CSV" not in words and "row of" not in words
    lead = Page(blank_page(replace(rotor_of(3, 1, 1), phase_sense="lead"))).words
    assert "degrees, lead" in lead and "Phase is lead: minus the degrees" in lead


def test_the_users_own_figures_for_going_on_stand_beside_the_boxes():
    rotor = rotor_of(3, 2, 1)
    assert "go on up to" not in Page(blank_page(rotor)).words
    first = replace(rotor.regimes[0], go_on=0.45, go_on_height_spread=33.0)
    words = Page(blank_page(replace(rotor, regimes=(first, rotor.regimes[1])))).words
    assert words.count("go on up to 0.45") == 1 and words.count("go on up to 33") == 1
    assert "only if the manual's figure for it is met and the pilot agrees" in words


def test_hostile_names_stay_text():
    bad = "</b><script>x</script>"
    rotor = rotor_of(2, 1, 1)
    rotor = replace(
        rotor,
        name=bad,
        height_unit="mm",
        blades=(bad, "2"),
        sensors=(replace(rotor.sensors[0], name=bad),),
        regimes=(replace(rotor.regimes[0], name=bad, label=bad),),
    )
    assert_stands_alone(blank_page(rotor), fillable=True)


def test_the_command(tmp_path, capsys):
    rotor_file = str(VirtualType.rotor_file("main4"))
    sheet, printed = tmp_path / "run.csv", tmp_path / "run.html"
    assert trackbal(["form", "--rotor", rotor_file]) == 2
    assert "nothing to write" in capsys.readouterr().err
    assert trackbal(["form", "--rotor", rotor_file, "--csv", str(sheet), "--page", str(printed)]) == 0
    rotor = VirtualType.shipped("main4").rotor
    assert sheet.read_text() == blank_sheet(rotor) and printed.read_text() == blank_page(rotor)
    sheet.write_text("mine")
    assert trackbal(["form", "--rotor", rotor_file, "--csv", str(sheet), "--page", str(tmp_path / "new.html")]) == 2
    assert sheet.read_text() == "mine" and not (tmp_path / "new.html").exists()
