"""``python -m tests.page_pictures``: coarse pictures of every page, to be looked at before they change.

The suite holds each page at three widths, light and dark, and each sheet against `FOLDER`. A change that is meant
is looked at first: this command writes the pictures into ``tests/.golden``; with ``--accept`` it puts their coarse
forms into `FOLDER`. With names of pages it makes those only. Needs Chromium and its driver.

The letters are those of one font, which comes with matplotlib, so that a machine's own fonts move nothing; the texts of
the strip alone, which a canvas draws, have the machine's.
"""

from __future__ import annotations

import base64
import io
import json
import math
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

FOLDER = Path(__file__).parent / "golden" / "pages"
LOOK = Path(__file__).parent / ".golden"
WIDTHS = {390: 30, 1024: 32, 1280: 40}
"""Width of the window, and of a cell of the coarse picture, in pixels."""
SCHEMES = ("light", "dark")
LEVELS = "0123456789abcdefghijklmnopqrstuvwxyz"
REACH = 3  # rows that a line more or less may move all below it
APART = 3.0  # levels in the mean of a row, of 36
MOST_ROWS = 0.02  # that may differ
MOST_LONGER = 0.05  # a page may be longer or shorter
READY = {
    "night": "document.getElementById('strip').dataset.ready",
    "robustness": "document.getElementById('strip').dataset.ready",
    "review": "document.body.dataset.ready === '1'",
}
STATE = """
const canvas = document.querySelector('canvas[data-drawn]');
return [canvas && canvas.dataset.drawn, performance.getEntriesByType('resource').length,
  document.documentElement.scrollHeight].join(' ');
"""
PLAIN = """
const style = document.createElement('style');
style.textContent = "@font-face { font-family: Held; src: url(data:font/ttf;base64," + arguments[0] + "); }" +
  "* { font-family: Held !important; caret-color: transparent !important; transition: none !important; }";
document.head.append(style);
const done = arguments[1];
document.fonts.load('12px Held').then(() => document.fonts.ready).then(() => setTimeout(done, 150));
"""


def font() -> str:
    """The font of all pictures, in base64."""
    import matplotlib as mpl

    return base64.b64encode((Path(mpl.get_data_path()) / "fonts/ttf/DejaVuSans.ttf").read_bytes()).decode()


def grid(picture: bytes, cell: int) -> list[str]:
    """A picture as rows of cells, a letter for how bright each is."""
    from PIL import Image

    grey = np.asarray(Image.open(io.BytesIO(picture)).convert("L"), dtype=np.float64)
    high, wide = (max(n // cell, 1) for n in grey.shape)
    means = grey[: high * cell, : wide * cell].reshape(high, cell, wide, cell).mean(axis=(1, 3))
    codes = np.minimum(means / 256 * len(LEVELS), len(LEVELS) - 1).astype(int)
    return ["".join(LEVELS[code] for code in row) for row in codes.tolist()]


def differing(held: Sequence[str], now: Sequence[str]) -> float:
    """Share of the rows of either picture that have no like in the other, near the same place."""
    if len(held[0]) != len(now[0]) or abs(len(held) - len(now)) > max(MOST_LONGER * len(held), 2):
        return 1.0
    a, b = (np.array([[LEVELS.index(c) for c in row] for row in rows], dtype=float) for rows in (held, now))

    def lost(one: Any, other: Any) -> float:
        found = 0
        for k, row in enumerate(one):
            at = round(k * len(other) / len(one))
            near = other[max(at - REACH, 0) : at + REACH + 1]
            found += not len(near) or float(np.abs(near - row).mean(axis=1).min()) > APART
        return found / len(one)

    return max(lost(a, b), lost(b, a))


@contextmanager
def as_on(browser: Any, width: int, scheme: str) -> Iterator[None]:
    """A window of a width, in a scheme, in which a font may be put into any page."""
    _window(browser, width, 800)
    feature = {"name": "prefers-color-scheme", "value": scheme}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
    browser.execute_cdp_cmd("Page.enable", {})
    browser.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
    try:
        yield
    finally:
        browser.execute_cdp_cmd("Page.setBypassCSP", {"enabled": False})
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def _window(browser: Any, width: int, height: int) -> None:
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def _settled(browser: Any, end: float) -> None:
    """Wait until nothing is drawn, fetched or moved any more."""
    before, same = "", 0
    while same < 4 and time.monotonic() < end:
        time.sleep(0.12)
        now = browser.execute_script(STATE)
        before, same = now, same + 1 if now == before else 0


def taken(browser: Any, address: str, width: int, ready: str = "") -> bytes:
    """The whole page as a picture: in a window as high as the page, so that a canvas is drawn for it."""
    _window(browser, width, 800)
    browser.get("about:blank")
    browser.get(address)
    end = time.monotonic() + 30
    while ready and not browser.execute_script(f"return {ready}"):
        assert time.monotonic() < end, f"never true: {ready}"
        time.sleep(0.02)
    browser.set_script_timeout(60)
    browser.execute_async_script(PLAIN, font())
    _settled(browser, end)
    size = browser.execute_cdp_cmd("Page.getLayoutMetrics", {})["cssContentSize"]
    _window(browser, width, math.ceil(size["height"]))
    _settled(browser, end)
    found = browser.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})
    return base64.b64decode(found["data"])


def pictures(browser: Any, name: str, address: str) -> dict[str, bytes]:
    """A page at every width, light and dark."""
    found = {}
    for width in WIDTHS:
        for scheme in SCHEMES:
            with as_on(browser, width, scheme):
                found[f"{width} {scheme}"] = taken(browser, address, width, READY.get(name, ""))
    return found


def coarse(made: Mapping[str, bytes]) -> dict[str, list[str]]:
    """Pictures of a page in their coarse form."""
    return {key: grid(data, WIDTHS[int(key.split()[0])]) for key, data in made.items()}


def sheet_pictures(pdf: bytes) -> dict[str, bytes]:
    """Each page of a sheet."""
    import pypdfium2

    found = {}
    for k, page in enumerate(pypdfium2.PdfDocument(pdf), start=1):
        buffer = io.BytesIO()
        page.render(scale=1.5).to_pil().save(buffer, format="png")
        found[f"page {k}"] = buffer.getvalue()
    return found


def coarse_sheet(made: Mapping[str, bytes]) -> dict[str, list[str]]:
    """Pages of a sheet in their coarse form."""
    return {key: grid(data, 30) for key, data in made.items()}


def held(name: str) -> dict[str, list[str]]:
    """What somebody has looked at."""
    found: dict[str, list[str]] = json.loads((FOLDER / f"{name}.json").read_text("utf-8"))
    return found


def _keep(name: str, made: Mapping[str, bytes], found: Mapping[str, list[str]], *, accept: bool) -> None:
    LOOK.mkdir(exist_ok=True)
    for key, data in made.items():
        (LOOK / f"{name} {key}.png".replace(" ", "-")).write_bytes(data)
    if accept:
        FOLDER.mkdir(exist_ok=True)
        (FOLDER / f"{name}.json").write_text(json.dumps(found, indent=0) + "\n", "utf-8")


def main(arguments: Sequence[str]) -> None:
    from tests.report.every_page import every_page, held_night, review_served, sheets
    from tests.report.page_browser import headless

    accept, names = "--accept" in arguments, {a for a in arguments if not a.startswith("-")}
    with tempfile.TemporaryDirectory() as folder, headless() as browser:
        out = Path(folder)
        addresses = {name: path.as_uri() for name, path in every_page(out, held_night()).items()}
        for name, address in addresses.items():
            if not names or name in names:
                made = pictures(browser, name, address)
                _keep(name, made, coarse(made), accept=accept)
        if not names or "review" in names:
            with review_served(out) as served:
                made = {}
                for width in WIDTHS:
                    for scheme in SCHEMES:
                        with as_on(browser, width, scheme):
                            key = f"{width} {scheme}"
                            made[key] = taken(browser, served.address(), width, READY["review"])
                _keep("review", made, coarse(made), accept=accept)
        for name, pdf in sheets(out).items():
            if not names or name in names:
                made = sheet_pictures(pdf)
                _keep(name, made, coarse_sheet(made), accept=accept)
    print(f"{'accepted into ' + str(FOLDER) if accept else 'look at the pictures in ' + str(LOOK)}")


if __name__ == "__main__":
    main(sys.argv[1:])
