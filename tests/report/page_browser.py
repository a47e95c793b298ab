"""Headless Chromium with its performance and console logs."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any


def browser_path() -> str | None:
    names = ("chromium", "chromium-browser", "google-chrome", "chrome")
    return next((path for path in map(shutil.which, names) if path), None)


@contextmanager
def headless() -> Iterator[Any]:
    """A browser with a profile of its own; there must be one (`browser_path`)."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        for flag in (
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--no-first-run",
            "--window-size=1280,1600",
            f"--user-data-dir={profile}",
        ):
            options.add_argument(flag)
        options.binary_location = browser_path() or ""
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        own = Path("/usr/bin/chromedriver")
        driver = webdriver.Chrome(options=options, service=Service(str(own)) if own.exists() else Service())
        try:
            yield driver
        finally:
            driver.quit()
