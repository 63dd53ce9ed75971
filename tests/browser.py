"""A real headless browser for the tests of pages."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    # every name resolves to nothing: a page that asks for anything outside fails at it
    "--host-resolver-rules=MAP * ~NOTFOUND",
)


@contextmanager
def chromium(*extra: str) -> Iterator[webdriver.Chrome]:
    """Headless Chromium that cannot reach a network and keeps its console's messages."""
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if binary is None or driver is None:
        pytest.skip("needs Debian's chromium and chromedriver")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = Options()
        options.binary_location = binary
        for flag in (*FLAGS, f"--user-data-dir={profile}", *extra):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        browser = webdriver.Chrome(options=options, service=Service(driver))
        try:
            yield browser
        finally:
            browser.quit()


def set_view(browser: webdriver.Chrome, width: int, height: int, *, touch: bool = False) -> None:
    """Make the page's view exactly this large, CSS pixels."""
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": touch}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def save_picture(browser: webdriver.Chrome, path: Path) -> None:
    """Write a screenshot of the view as PNG."""
    path.write_bytes(browser.get_screenshot_as_png())


def console_errors(browser: webdriver.Chrome) -> list[str]:
    """Messages of level SEVERE since the last call."""
    return [entry["message"] for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]
