"""A headless Chromium for the tests of pages, driven by selenium and Debian's chromium-driver."""

from __future__ import annotations

import base64
import json
import shutil
from typing import Any

from selenium.common.exceptions import WebDriverException
from selenium.webdriver import Chrome, ChromeOptions, ChromeService

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
HERE = PROGRAM is not None and DRIVER is not None

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-proxy-server",
)


def start() -> Chrome:
    """Return a browser with one empty page; quit it when done."""
    options = ChromeOptions()
    options.binary_location = PROGRAM or ""
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return Chrome(options, ChromeService(DRIVER))


def protocol_events(browser: Chrome) -> list[dict[str, Any]]:
    """Return what the page and its network did since the last call: method and params of each event."""
    return [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]


def printed(browser: Chrome, wide: float, high: float, tries: int = 3) -> bytes:
    """Return the page as PDF, on paper of these millimetres; a browser short of time may need to be asked again."""
    size = {"paperWidth": wide / 25.4, "paperHeight": high / 25.4}
    for left in reversed(range(tries)):
        try:
            pdf = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", size)["data"])
        except WebDriverException:
            if not left:
                raise
            continue
        if b"/Font" in pdf or not left:
            return pdf
    raise AssertionError("not reached: the last try returns or raises")
