"""The run sheet filled in on a tablet: typed, warned, kept, saved, and read by the commands as any sheet."""

from __future__ import annotations

import csv
import json
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from chromium import HERE, start
from selenium.webdriver.common.by import By

from trackbal.commands.group import run as trackbal
from trackbal.pages.run_form import blank_page
from trackbal.runs.rotor import Rotor
from trackbal.runs.sheets import read_run, write_run

pytestmark = pytest.mark.skipif(not HERE, reason="no browser here: apt-get install chromium chromium-driver")

DEMO = Path(__file__).resolve().parents[2] / "demo_runs" / "three_blades"
TABLET = {"width": 820, "height": 1180, "deviceScaleFactor": 1, "mobile": False}
LONG = pytest.mark.long
TWELVE_MM = 12.0 / 25.4 * 96.0  # CSS pixels


@pytest.fixture(scope="module")
def browser():
    started = start()
    started.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", TABLET)
    yield started
    started.quit()


@pytest.fixture
def sheet(browser, tmp_path):
    """Return the rotor of a demo, its page opened with nothing kept, in a folder that takes what is saved."""
    return opened(browser, tmp_path, DEMO)


def opened(browser, tmp_path: Path, demo: Path) -> Rotor:
    rotor = Rotor.load(demo / "rotor.toml")
    browser.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path)})
    file = tmp_path / "form.html"
    file.write_text(blank_page(rotor), encoding="utf-8")
    browser.get(file.as_uri())
    browser.execute_script("localStorage.clear(); location.reload()")
    return rotor


def sections(browser, regime: int):
    return browser.find_elements(By.CSS_SELECTOR, f'section[data-regime="{regime}"]')


def box(browser, regime: int, quantity: str, nth: int = 0):
    section = sections(browser, regime)[nth]
    return next(b for b in section.find_elements(By.TAG_NAME, "input") if b.get_attribute("data-q") == quantity)


def type_in(browser, regime: int, quantity: str, value: str, nth: int = 0) -> None:
    found = box(browser, regime, quantity, nth)
    found.clear()
    found.send_keys(value)


def said(browser, regime: int) -> str:
    return browser.find_elements(By.CSS_SELECTOR, ".said")[regime].text


def fill(browser, rotor: Rotor, file: Path) -> None:
    """Type a run sheet, cell by cell."""
    names, seen = [regime.name for regime in rotor.regimes], Counter()
    with file.open(newline="", encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            regime = names.index(row["regime"])
            if seen[regime]:
                sections(browser, regime)[-1].find_element(By.CSS_SELECTOR, ".again").click()
            seen[regime] += 1
            for quantity, value in row.items():
                here = [b.get_attribute("data-q") for b in browser.find_elements(By.TAG_NAME, "input")]
                if quantity != "regime" and value and quantity in here:
                    type_in(browser, regime, quantity, value, -1)


def saved(browser, folder: Path) -> Path:
    browser.find_element(By.ID, "save").click()
    file = folder / "run_sheet.csv"
    for _ in range(100):
        if file.exists():
            return file
        time.sleep(0.05)
    raise AssertionError(browser.find_element(By.ID, "summary").text)


def advice(capsys, folder: Path, run: Path, demo: Path = DEMO) -> dict:
    influence = folder / "influence.json"
    rotor = ["--rotor", str(demo / "rotor.toml")]
    if not influence.exists():
        history = ["--runs", str(demo / "history.csv"), "--adjustments", str(demo / "history_adjustments.csv")]
        assert trackbal(["fit", *rotor, *history, "--out", str(influence)]) == 0
    capsys.readouterr()
    settings = ["--settings", str(demo / "settings.csv")]
    code = trackbal(["advise", *rotor, "--run", str(run), *settings, "--influence", str(influence), "--json"])
    told = capsys.readouterr()
    assert code in (0, 1), told.err
    return json.loads(told.out)


def test_what_is_typed_and_saved_gives_the_same_advice(browser, sheet, tmp_path, capsys):
    fill(browser, sheet, DEMO / "run2.csv")
    assert browser.find_element(By.ID, "summary").text == ""
    file = saved(browser, tmp_path)
    assert advice(capsys, tmp_path, file) == advice(capsys, tmp_path, DEMO / "run2.csv")


@pytest.mark.parametrize(
    ("name", "run"),
    [("two_blade_tail", "run1"), ("four_blade_tail", "run2"), pytest.param("seven_blades", "run2", marks=LONG)],
)
def test_the_same_of_rotors_with_other_blades(browser, tmp_path, capsys, name, run):
    demo = DEMO.parent / name
    rotor = opened(browser, tmp_path, demo)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= TABLET["width"]
    typed = demo / f"{run}.csv"
    if "[" in typed.read_text():  # the page asks in the sensor's own unit
        typed = tmp_path / "own_units.csv"
        write_run(rotor, typed, read_run(rotor, demo / f"{run}.csv"), force=False)
    fill(browser, rotor, typed)
    file = saved(browser, tmp_path)
    assert advice(capsys, tmp_path, file, demo) == advice(capsys, tmp_path, typed, demo)


def test_half_a_reading_is_not_saved(browser, sheet, tmp_path, capsys):
    fill(browser, sheet, DEMO / "run2.csv")
    name = sheet.sensors[0].name
    for part, said_of_it in (("deg", "an amplitude without a phase"), ("amp", "a phase without an amplitude")):
        whole = box(browser, 1, f"{name}.{part}").get_attribute("value")
        box(browser, 1, f"{name}.{part}").clear()
        browser.find_element(By.ID, "save").click()
        told = browser.find_element(By.ID, "summary").text
        assert told.startswith(f"Not saved: {sheet.regimes[1].name}") and said_of_it in told
        type_in(browser, 1, f"{name}.{part}", whole)
    assert saved(browser, tmp_path).exists()


def test_stop_limits_and_doubts_are_said_while_typing(browser, sheet):
    stop, sensor = sheet.vibration_stop_limit[0, 0], sheet.sensors[0].name
    type_in(browser, 0, f"{sensor}.amp", f"{stop:g}")
    assert f"at or above the stop limit of {stop:g}" in said(browser, 0) and "phase is missing" in said(browser, 0)
    type_in(browser, 0, f"{sensor}.amp", "37.9")
    assert "times its limit" in said(browser, 0)
    type_in(browser, 0, f"{sensor}.amp", "0")
    assert "a working pick-up reads some vibration" in said(browser, 0)
    type_in(browser, 0, f"{sensor}.amp", "0,31")
    assert "a decimal point, please" in browser.find_element(By.TAG_NAME, "body").text
    browser.find_element(By.ID, "save").click()
    assert browser.find_element(By.ID, "summary").text.startswith("Not saved: 1 box cannot be read")
    type_in(browser, 0, f"{sensor}.amp", "0.1")
    for blade, height in zip(sheet.blades, ("5", "9", "150"), strict=True):
        type_in(browser, 0, f"height.{blade}", height)
    words = said(browser, 0)
    assert f"Blade {sheet.blades[2]}: 150 mm is 143 from the other tips" in words and "STOP. Tips 145 mm" in words
    assert "hard to believe" in browser.find_element(By.ID, "summary").text


def test_what_is_typed_is_kept_and_a_regime_may_be_read_again(browser, sheet, tmp_path):
    sensor = sheet.sensors[0].name
    type_in(browser, 1, f"{sensor}.amp", "0.12")
    type_in(browser, 1, f"{sensor}.deg", "4:30")
    browser.find_elements(By.CSS_SELECTOR, "button.again")[1].click()
    assert len(browser.find_elements(By.TAG_NAME, "section")) == len(sheet.regimes) + 1
    second = browser.find_elements(By.CSS_SELECTOR, 'section[data-regime="1"]')[1]
    again = [b for b in second.find_elements(By.TAG_NAME, "input") if b.get_attribute("data-q").startswith(sensor)]
    for found, value in zip(again, ("0.14", "140"), strict=True):
        found.send_keys(value)
    type_in(browser, 1, "note", 'gusts, "strong"')
    browser.refresh()
    assert box(browser, 1, f"{sensor}.amp").get_attribute("value") == "0.12"
    with saved(browser, tmp_path).open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["regime"], row[f"{sensor}.amp"], row[f"{sensor}.deg"]) for row in rows] == [
        (sheet.regimes[1].name, "0.12", "4:30"),
        (sheet.regimes[1].name, "0.14", "140"),
    ]
    assert rows[0]["note"] == 'gusts, "strong"'


def test_boxes_are_large_enough_for_gloves(browser, sheet):
    for found in browser.find_elements(By.CSS_SELECTOR, "input, button"):
        assert found.size["height"] >= TWELVE_MM
        assert found.size["width"] >= TWELVE_MM


def test_hostile_names_stay_text_where_they_are_said(browser, sheet, tmp_path):
    bad = "</script><img src=x onerror='window.hit=1'>\"]"
    hostile = replace(
        sheet,
        name=bad,
        blades=(bad, "2", "3"),
        sensors=(replace(sheet.sensors[0], name=bad), *sheet.sensors[1:]),
        regimes=(replace(sheet.regimes[0], name=bad, label=bad), *sheet.regimes[1:]),
    )
    file = tmp_path / "hostile.html"
    file.write_text(blank_page(hostile), encoding="utf-8")
    browser.get(file.as_uri())
    type_in(browser, 0, f"{bad}.amp", "37.9")
    type_in(browser, 0, f"{bad}.deg", "120")
    type_in(browser, 0, f"height.{bad}", "900")
    type_in(browser, 0, "height.2", "1")
    assert bad in said(browser, 0)
    assert browser.execute_script("return [window.hit ?? null, document.images.length]") == [None, 0]
    with saved(browser, tmp_path).open(newline="", encoding="utf-8") as stream:
        (row,) = csv.DictReader(stream)
    assert (row["regime"], row[f"{bad}.amp"], row[f"height.{bad}"]) == (bad, "37.9", "900")
