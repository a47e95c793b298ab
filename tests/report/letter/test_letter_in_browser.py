"""The letter as HTML in a real browser: accessible, and readable on a phone without sideways scrolling."""

import pytest

from sleepbrux.report.letter import Fields, letter_html
from tests.outside.registry import outside

pytestmark = pytest.mark.browser
RUN = (
    "const done = arguments[0];"
    "axe.run(document, {resultTypes: ['violations']}).then((r) => done({passed: r.passes.length,"
    " wrong: r.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.html.slice(0, 120)))}));"
)

SCROLLED = (
    "return [...document.querySelectorAll('.wide')].filter((e) => e.scrollWidth > e.clientWidth)"
    ".map((e) => e.getAttribute('aria-label'))"
)


@pytest.mark.parametrize("width", [390, 1000, 1280])
def test_axe_finds_nothing_and_the_page_is_no_wider_than_the_window(browser, one, four, tmp_path, width):
    for name, letters in (("one", one), ("four", four)):
        path = tmp_path / f"{name}.html"
        path.write_text(letter_html(letters, Fields(question="Why?", own_words="Words.")), encoding="utf-8")
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": False},
        )
        try:
            browser.get(path.as_uri())
            browser.set_script_timeout(120)
            browser.execute_script(outside("axe.min.js").read_text("utf-8"))
            found = browser.execute_async_script(RUN)
            wide = browser.execute_script("return document.documentElement.scrollWidth")
            scrolled = browser.execute_script(SCROLLED)
        finally:
            browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        assert found["passed"] > 15
        assert found["wrong"] == []
        assert wide <= width
        assert scrolled == []
