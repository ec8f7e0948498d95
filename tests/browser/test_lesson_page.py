"""The lesson's slides in a browser, by keyboard: on, back, revealed; large enough; printed with and without answers."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from chromium import HERE, protocol_events, start

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from demo_fits import demo_lesson
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from trackbal.pages.lesson_page import lesson_page

pytestmark = pytest.mark.skipif(not HERE, reason="no browser here: apt-get install chromium chromium-driver")

#: Of every slide: its title, whether it leaves a screen of 1080p, and its smallest letters, in pixels.
LOOK = """
return [...document.querySelectorAll('.slide')].map(slide => {
  document.querySelectorAll('.slide.now').forEach(one => one.classList.remove('now'));
  slide.classList.add('now');
  const sizes = [...slide.querySelectorAll('h2, pre, p')].map(e => parseFloat(getComputedStyle(e).fontSize));
  const wide = [...slide.querySelectorAll('pre, svg')].map(e => Math.max(e.getBoundingClientRect().right,
    e.getBoundingClientRect().left + e.scrollWidth));
  const low = [...slide.querySelectorAll('pre, svg')].map(e => e.getBoundingClientRect().bottom);
  const width = e => e.getBoundingClientRect().width / e.viewBox.baseVal.width;
  const scales = [...slide.querySelectorAll('svg')].map(width);
  return [slide.querySelector('h2').textContent, Math.max(...wide), Math.max(...low), Math.min(...sizes),
    6.5 * Math.min(99, ...scales)];
});
"""


@pytest.fixture(scope="module")
def browser():
    started = start()
    screen = {"width": 1920, "height": 1080, "deviceScaleFactor": 1, "mobile": False}
    started.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    yield started
    started.quit()


@pytest.fixture
def shown(browser, tmp_path):
    file = tmp_path / "lesson.html"
    file.write_text(lesson_page(demo_lesson("two_blade_tail")), encoding="utf-8")
    protocol_events(browser)
    browser.get("about:blank")
    browser.get(file.as_uri())
    return browser


def press(browser, *keys):
    for key in keys:
        browser.find_element(By.TAG_NAME, "body").send_keys(key)


def title(browser):
    (now,) = browser.find_elements(By.CSS_SELECTOR, ".slide.now")
    return now.find_element(By.TAG_NAME, "h2").text


def told(browser):
    return browser.execute_script("return getComputedStyle(document.querySelector('.now .told')).visibility")


def test_arrows_move_and_conclusions_are_revealed_on_request(shown):
    assert title(shown).startswith("The rotor")
    press(shown, Keys.ARROW_LEFT)
    assert title(shown).startswith("The rotor")
    while title(shown) != "Run 1: your turn":
        press(shown, Keys.ARROW_RIGHT)
    press(shown, Keys.ARROW_RIGHT)
    assert title(shown) == "Run 1: what stands out"
    assert told(shown) == "hidden"
    press(shown, Keys.SPACE)
    assert title(shown) == "Run 1: what stands out"
    assert told(shown) == "visible"
    press(shown, Keys.SPACE, Keys.ARROW_LEFT)
    assert title(shown) == "Run 1: what stands out"
    press(shown, Keys.ARROW_LEFT)
    assert title(shown) == "Run 1: your turn"
    press(shown, Keys.END)
    assert title(shown).startswith("Cautions")
    fetched = [e for e in protocol_events(shown) if e["method"] == "Network.requestWillBeSent"]
    assert all(e["params"]["request"]["url"].startswith(("file:", "about:", "data:")) for e in fetched)
    assert [entry for entry in shown.get_log("browser") if entry["level"] == "SEVERE"] == []


@pytest.mark.parametrize(
    "demo", ["two_blade_tail", "three_blades", pytest.param("seven_blades", marks=pytest.mark.long)]
)
def test_every_slide_fits_1080p_with_letters_of_at_least_30_pixels(browser, tmp_path, demo):
    file = tmp_path / "lesson.html"
    file.write_text(lesson_page(demo_lesson(demo)), encoding="utf-8")
    browser.get(file.as_uri())
    for name, right, bottom, smallest, drawn in browser.execute_script(LOOK):
        assert right <= 1920, name
        assert bottom <= 1030, name  # the line below says which keys to press
        assert smallest >= 30.0, name
        assert drawn >= 30.0, name


def test_printed_with_and_without_answers(shown):
    shown.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    seen = "return [...document.querySelectorAll('.slide.answer')].map(e => e.getBoundingClientRect().height > 0)"
    shown.execute_script("window.print = () => {}")
    press(shown, "a")
    assert all(shown.execute_script(seen))
    visible = "return [...document.querySelectorAll('.told')].every(e => getComputedStyle(e).visibility === 'visible')"
    assert shown.execute_script(visible)
    press(shown, "w")
    assert not any(shown.execute_script(seen))
    breaks = "return [...document.querySelectorAll('.question')].map(e => getComputedStyle(e).breakAfter)"
    assert set(shown.execute_script(breaks)) == {"page"}  # what follows a question answers it: the next sheet
    shown.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
