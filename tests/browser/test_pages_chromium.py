"""The pages in a browser: no error, nothing cut off at three widths, and in print on A4 and Letter.

Needs Debian's chromium and chromium-driver; skipped where they are missing.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from chromium import HERE, printed, protocol_events, start

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from how_much import much
from page_rotors import curable_run, history_of, influence_of, rotor_of, run_of

from trackbal.fitting.fit import fit
from trackbal.pages.card import CardLabels, card
from trackbal.pages.fit_page import fit_page
from trackbal.pages.run_form import blank_page
from trackbal.plan.advice import advise

pytestmark = pytest.mark.skipif(not HERE, reason="no browser here: apt-get install chromium chromium-driver")

WIDTHS = (390, 820, 1280)  # a phone, a tablet, a screen; CSS pixels
SIZES = {"small": (2, 1, 1), "usual": (5, 4, 2), "large": (8, 8, 6)}
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # mm; ISO 216 and ANSI/ASME Y14.1

#: Elements whose content is wider than they are, and those that reach beyond the window.
CUT_OFF = """
return (() => {
  const found = [];
  for (const e of document.body.querySelectorAll('*')) {
    if (e.closest('svg') && e.tagName !== 'svg') continue;
    const box = e.getBoundingClientRect();
    const hidden = getComputedStyle(e).position === 'absolute' || e.closest('thead');
    if (hidden && innerWidth < 640) continue;
    if (box.right > innerWidth + 0.5 || box.left < -0.5) found.push(e.tagName + ' leaves the window: ' + e.textContent);
    else if (e.clientWidth && e.scrollWidth > e.clientWidth + 1) found.push(e.tagName + ' overflows: ' + e.textContent);
  }
  return found.map(text => text.slice(0, 120));
})()
"""


def pages_of(size):
    rotor = rotor_of(*SIZES[size])
    run, influence = run_of(rotor, size=1.5), influence_of(rotor)
    labels = CardLabels("No. 7", "Run 1", "A. Person", "influence.json", "settings.csv")
    stopped = run_of(rotor, size=20.0)
    history = history_of(rotor, influence, jobs=4)
    return {
        "card": card(rotor, run, influence, advise(rotor, run, influence), labels),
        "stop": card(rotor, stopped, influence, advise(rotor, stopped, influence)),
        "form": blank_page(rotor),
        "fit": fit_page(rotor, history, fit(rotor, history)),
    }


@pytest.fixture(scope="module")
def browser():
    started = start()
    yield started
    started.quit()


@pytest.fixture(scope="module", params=["small", "usual", pytest.param("large", marks=pytest.mark.long)])
def pages(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    made = pages_of(request.param)
    for name, source in made.items():
        (folder / f"{name}.html").write_text(source, encoding="utf-8")
    return folder, list(made)


def show(browser, file, width):
    """Show a page in a window of this width; what was logged before is forgotten."""
    screen = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    for log in ("browser", "performance"):
        browser.get_log(log)
    browser.get(file.as_uri())


@contextmanager
def in_print(browser):
    """Lay the page out as on paper."""
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    yield
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def cut_off(browser):
    return browser.execute_script(CUT_OFF)


def width_of(browser):
    return browser.execute_script("return document.documentElement.scrollWidth")


@pytest.mark.parametrize("width", WIDTHS)
def test_no_error_and_nothing_cut_off(browser, pages, width):
    folder, names = pages
    for name in names:
        show(browser, folder / f"{name}.html", width)
        assert width_of(browser) <= width, name
        assert cut_off(browser) == [], name
        assert browser.execute_script("return document.querySelectorAll('svg').length") > 0 or name == "form"
        assert browser.get_log("browser") == [], name
        events = protocol_events(browser)
        asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
        assert asked == [(folder / f"{name}.html").as_uri()], name


@pytest.mark.parametrize("paper", list(PAPERS))
def test_print_keeps_the_width_of_the_paper(browser, pages, paper):
    """On paper a page is laid out as wide as its print area; wider content would be shrunk or cut."""
    folder, names = pages
    wide, high = PAPERS[paper]
    area = (wide - 24.0) / 25.4 * 96.0  # margins of 12 mm either side, as the page's styles say
    for name in names:
        show(browser, folder / f"{name}.html", round(area))
        with in_print(browser):
            assert width_of(browser) <= round(area), name
            assert cut_off(browser) == [], name
        pdf = printed(browser, wide, high)
        assert pdf.startswith(b"%PDF-")
        box = [float(v) for v in re.search(rb"/MediaBox\s*\[([^\]]+)\]", pdf)[1].split()]
        assert box[2:] == pytest.approx([wide / 25.4 * 72.0, high / 25.4 * 72.0], abs=1.5)
        sheets = len(re.findall(rb"/Type\s*/Page\b", pdf))
        assert 1 <= sheets <= 40, name


@cache
def card_of_a_plan(blades, more):
    """Return a card and how many adjustments its plan has; `more`: made longer to so many."""
    rotor = rotor_of(blades, 3, 2)
    influence = influence_of(rotor, sd=0.03, noise=0.03)
    run = curable_run(rotor, influence)
    setting = np.zeros((3, blades))
    setting[0] = 250.0
    advice = advise(rotor, run, influence, setting)
    assert advice.verdict == "adjust"
    if more:
        change = np.zeros((3, blades))
        change[:2, : more // 2] = [[rotor.adjusters[0].step], [rotor.adjusters[1].step]]
        plans = list(advice.plans)
        plans[advice.recommended] = replace(plans[advice.recommended], change=change)
        advice = replace(advice, plans=tuple(plans))
    labels = CardLabels("No. 7", "Run 1", "A. Person", "influence.json", "settings.csv")
    return card(rotor, run, influence, advice, labels), more or advice.plans[advice.recommended].count


@pytest.mark.parametrize(("blades", "more"), [(2, 0), (4, 0), (5, 0), (7, 8)])
@pytest.mark.parametrize("paper", list(PAPERS))
def test_what_to_do_and_the_signatures_stand_on_the_first_sheet(browser, tmp_path, paper, blades, more):
    """Of plans up to 8 adjustments, four of them on flight controls, each with its inspection."""
    file = tmp_path / "card.html"
    source, count = card_of_a_plan(blades, more)
    file.write_text(source, encoding="utf-8")
    wide, high = PAPERS[paper]
    show(browser, file, round((wide - 24.0) / 25.4 * 96.0))
    with in_print(browser):
        bottom = browser.execute_script("return document.querySelector('.sign').getBoundingClientRect().bottom")
        rows = browser.execute_script("return document.querySelectorAll('.todo tbody tr').length")
        tick, list_ = browser.execute_script(
            "return ['.first', '.todo'].map(s => document.querySelector(s).getBoundingClientRect().top)"
        )
    assert rows == count
    assert tick < list_  # what was compared is ticked before the list
    assert bottom <= (high - 26.0) / 25.4 * 96.0  # margins of 13 mm above and below


def test_what_a_page_asks_for_and_its_errors_are_noticed(browser, tmp_path):
    file = tmp_path / "bad.html"
    file.write_text("<body><img src='none.png'><script>nothing.here()</script></body>")
    show(browser, file, 820)
    assert {entry["level"] for entry in browser.get_log("browser")} == {"SEVERE"}
    events = protocol_events(browser)
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert asked == [file.as_uri(), (tmp_path / "none.png").as_uri()]


def test_the_look_for_what_is_cut_off_finds_it(browser, tmp_path):
    file = tmp_path / "bad.html"
    file.write_text("<body><p style='white-space:nowrap'>" + "too long for a phone " * 20 + "</p></body>")
    show(browser, file, 390)
    assert cut_off(browser) != []
    assert width_of(browser) > 390


def test_names_that_are_markup_do_nothing_and_do_not_widen_the_page(browser, tmp_path):
    bad = "<script>window.hit=1</script><img src=x onerror='window.hit=1'>" + "x" * 90
    rotor = rotor_of(5, 3, 2)
    influence = influence_of(rotor, sd=0.03, noise=0.03)
    run = replace(curable_run(rotor, influence), source=bad)
    rotor = replace(
        rotor,
        name=bad,
        blades=tuple(f"{b}{bad}" for b in range(5)),
        sensors=tuple(replace(s, name=f"{i}{bad}") for i, s in enumerate(rotor.sensors)),
        regimes=tuple(replace(r, name=f"{i}{bad}", label=bad) for i, r in enumerate(rotor.regimes)),
        adjusters=tuple(
            replace(a, name=f"{i}{bad}", positive=bad, negative=bad) for i, a in enumerate(rotor.adjusters)
        ),
    )
    setting = np.full((3, 5), 250.0) * np.array([[1.0], [0.0], [0.0]])
    advice = advise(rotor, run, influence, setting)
    assert advice.verdict == "adjust"
    pages = {
        "card": card(rotor, run, influence, advice, CardLabels(bad, bad, bad, bad, bad)),
        "form": blank_page(rotor),
    }
    for name, source in pages.items():
        file = tmp_path / f"{name}.html"
        file.write_text(source, encoding="utf-8")
        for width in WIDTHS:
            show(browser, file, width)
            assert browser.execute_script("return typeof window.hit") == "undefined"
            own = 2 if name == "form" else 0  # the rotor as data, and what reads it
            assert browser.execute_script("return document.scripts.length + document.images.length") == own
            assert width_of(browser) <= width, (name, width)
            assert cut_off(browser) == [], (name, width)


#: Width and height of the widest circle of each dial, mm on paper.
DIALS = """
return [...document.querySelectorAll('svg[aria-labelledby^="dial-"]')].map(svg => {
  const boxes = [...svg.querySelectorAll('path')].filter(p => getComputedStyle(p).fill === 'none')
    .map(p => p.getBoundingClientRect()).filter(b => Math.abs(b.width - b.height) < 1.0);
  return Math.max(...boxes.map(b => b.width)) / 96 * 25.4;
})
"""


@cache
def card_of_regimes(regimes):
    rotor = rotor_of(4, regimes, 2)
    influence = influence_of(rotor, sd=0.03, noise=0.03)
    run, setting = curable_run(rotor, influence), np.zeros((3, 4))
    setting[0] = 250.0
    return card(rotor, run, influence, advise(rotor, run, influence, setting)), rotor.sensors[0].name


@pytest.mark.parametrize("regimes", much([1, 3, 8], [1, 2, 3, 4, 5, 8]))
@pytest.mark.parametrize("paper", list(PAPERS))
def test_dials_are_30_mm_across_and_more_and_stand_with_their_legend(browser, tmp_path, paper, regimes):
    file = tmp_path / "card.html"
    source, sensor = card_of_regimes(regimes)
    file.write_text(source, encoding="utf-8")
    wide, high = PAPERS[paper]
    show(browser, file, round((wide - 24.0) / 25.4 * 96.0))
    with in_print(browser):
        across = browser.execute_script(DIALS)
    assert len(across) == 2 * regimes and min(across) >= 30.0
    sheets = sheets_of(browser, tmp_path, wide, high)
    (legend,) = [i for i, text in enumerate(sheets) if "read now; heavy circle: the limit" in text]
    assert "h times the rotation)." in sheets[legend].split("read now; heavy circle")[1]
    assert sensor in sheets[legend].split("h times the rotation).")[1]
    for i, text in enumerate(sheets):  # the foot of a sheet is a line of its own
        assert len(text.split()) > 30 or "as part of the limit" in text or "Tip heights" in text, (i, text)


def sheets_of(browser, folder, wide, high):
    """Return the words of each printed sheet."""
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext here: apt-get install poppler-utils")
    (folder / "card.pdf").write_bytes(printed(browser, wide, high))
    done = subprocess.run(["pdftotext", "-layout", str(folder / "card.pdf"), "-"], capture_output=True, check=True)
    return [" ".join(sheet.split()) for sheet in done.stdout.decode().split("\f") if sheet.strip()]


HEADINGS = """
const texts = [...document.querySelectorAll('h1, h2, h3, caption, thead tr')].map(e => e.innerText);
return texts.map(text => text.replace(/\\s+/g, ' ').trim());
"""


@cache
def page_of_a_fit(blades, regimes, jobs):
    rotor = rotor_of(blades, regimes, 2)
    history = history_of(rotor, influence_of(rotor), jobs=jobs)
    return fit_page(rotor, history, fit(rotor, history, robust=False))


@pytest.mark.parametrize("paper", list(PAPERS))
def test_no_heading_of_the_fit_page_stands_alone_at_the_end_of_a_sheet(browser, tmp_path, paper):
    """Neither a title, nor the head of a table without a row of it, nor the words over pictures without them."""
    wide, high = PAPERS[paper]
    sheets = 0
    for blades, regimes, jobs in ((3, 3, 12), (5, 4, 11)):
        file = tmp_path / "fit.html"
        file.write_text(page_of_a_fit(blades, regimes, jobs), encoding="utf-8")
        show(browser, file, round((wide - 24.0) / 25.4 * 96.0))
        headings = set(browser.execute_script(HEADINGS))
        for text in lines_of(browser, tmp_path, wide, high):
            sheets += 1
            assert text[-1] not in headings, (blades, regimes, jobs, text[-3:])
    assert sheets > 6


def lines_of(browser, folder, wide, high):
    """Return the lines of each printed sheet, without the one at its foot."""
    sheets_of(browser, folder, wide, high)
    done = subprocess.run(["pdftotext", "-layout", str(folder / "card.pdf"), "-"], capture_output=True, check=True)
    pages = [[" ".join(line.split()) for line in page.splitlines()] for page in done.stdout.decode().split("\f")]
    kept = [[line for line in page if line and not line.startswith("Fit: ")] for page in pages]
    return [page for page in kept if page]
