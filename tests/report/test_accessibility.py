"""The page against the rules of axe, an accessibility checker that nobody here wrote."""

from dataclasses import replace

import pytest

from sleepbrux.core.provenance import Review
from sleepbrux.report.night_page import render_night
from sleepbrux.scoring.robustness import side_by_side
from tests.outside.registry import outside

from .conftest import LABELS, scored
from .test_in_browser import opened, press, sized, unsized, until

pytestmark = pytest.mark.browser
RUN = (
    "const done = arguments[0];"
    "axe.run(document, {resultTypes: ['violations']}).then((r) => done({passed: r.passes.length,"
    " wrong: r.violations.map((v) => v.id + ': ' + v.nodes.map((n) => n.html.slice(0, 120)))}));"
)


def violations(browser):
    browser.set_script_timeout(300)
    browser.execute_script(outside("axe.min.js").read_text("utf-8"))
    found = browser.execute_async_script(RUN)
    assert found["passed"] > 25
    return found["wrong"]


def pages(night):
    review = Review(("AB",), "2026-03-02T07:00:00Z", "2026-03-02T07:10:00Z", *range(4, 13))
    seen = replace(night, review=review, supersedes="0123-4567-89ab")
    yield "reviewed", render_night(seen, others=side_by_side(night), mark_texts=True)
    yield (
        "nothing valid",
        render_night(
            scored("aasm", mvc=False, flat=(0.0, 120.0), seconds=120.0, marks=(), labels=LABELS[:1])
        ),
    )


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light")])
def test_no_rule_is_broken_with_everything_unfolded(browser, night, tmp_path, width, scheme):
    try:
        for name, page in pages(night):
            path = tmp_path / f"{name}.html"
            path.write_text(page, encoding="utf-8")
            sized(browser, width, 900, scheme)
            opened(browser, path)
            press(browser, "n")
            browser.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
            assert violations(browser) == [], name
    finally:
        unsized(browser)


def test_the_checker_finds_what_is_wrong(browser, night, tmp_path):
    path = tmp_path / "wrong.html"
    page = render_night(night).replace("</main>", "<p id='pale'>pale</p><input type='text'></main>")
    path.write_text(page, encoding="utf-8")
    opened(browser, path)
    browser.execute_script("document.getElementById('pale').style.color = '#ddd'")
    found = " ".join(violations(browser))
    assert "color-contrast" in found
    assert "label" in found


def test_keyboard_alone_reaches_every_control(browser, night, tmp_path):
    path = tmp_path / "keys.html"
    path.write_text(render_night(night), encoding="utf-8")
    opened(browser, path)
    until(browser, "document.getElementById('strip').dataset.ready")
    seen = set()
    for _ in range(400):
        press(browser, "\ue004")  # tab
        here = browser.execute_script(
            "const e = document.activeElement;"
            "return e === document.body ? '' : e.dataset.do || e.id || e.tagName"
        )
        if not here:
            break
        seen.add(here)
    assert {"previous", "next", "in", "out", "earlier", "later", "all", "strip", "letters"} <= seen
    assert "SUMMARY" in seen
