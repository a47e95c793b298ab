"""``python -m tests.pictures DEMO``: the pictures of README and docs, made from a demo, so that they never age.

``DEMO`` is the folder that ``sleepbrux demo`` wrote. Needs Chromium and its driver.
"""

from __future__ import annotations

import base64
import io
import sys
import time
from pathlib import Path

DOCS = Path(__file__).resolve().parents[1] / "sleepbrux" / "docs"
PICTURES = {"night-04.report.html": ("report.png", 800), "study.report.html": ("study.png", 1230)}
WIDTH = 1280


def main(demo: Path) -> None:
    from PIL import Image
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(flag)
    own = Path("/usr/bin/chromedriver")
    browser = webdriver.Chrome(options=options, service=Service(str(own)) if own.exists() else Service())
    try:
        for page, (name, height) in PICTURES.items():
            browser.execute_cdp_cmd(
                "Emulation.setDeviceMetricsOverride",
                {"width": WIDTH, "height": height, "deviceScaleFactor": 1, "mobile": False},
            )
            browser.get((demo / "results" / page).resolve().as_uri())
            time.sleep(2)
            taken = browser.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})["data"]
            Image.open(io.BytesIO(base64.b64decode(taken))).convert("RGB").save(DOCS / name, optimize=True)
            print(DOCS / name)
    finally:
        browser.quit()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
