"""The page in a real headless browser, from file://."""

import base64
import json
import re
import time
import unicodedata

import pytest

from sleepbrux.core.purpose import PURPOSE
from sleepbrux.criteria import criterion_ids
from sleepbrux.report.night_page import render_night
from sleepbrux.report.wording import rate_words

from .conftest import bursts_of, scored

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_path(night, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "night.html"
    path.write_text(render_night(night), encoding="utf-8")
    return path


def until(browser, script, seconds=10.0):
    """Value of an expression once it is true."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = browser.execute_script(f"return {script}")
        if value:
            return value
        time.sleep(0.02)
    raise AssertionError(f"never true: {script}")


def opened(browser, path):
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(path.as_uri())
    until(browser, "document.getElementById('strip').dataset.drawn === '1'")
    return browser


@pytest.fixture
def shown(browser, page_path):
    return opened(browser, page_path)


def state(browser):
    data = browser.execute_script("return Object.assign({}, document.getElementById('strip').dataset)")
    return float(data["from"]), float(data["to"]), int(data["selected"])


def press(browser, key):
    from selenium.webdriver import ActionChains

    ActionChains(browser).send_keys(key).perform()
    browser.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")


def requests(browser):
    """What the page asked for; the browser's own start page asks for things too."""
    for entry in browser.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent" and message["params"]["documentURL"].startswith(
            "file:"
        ):
            yield message["params"]["request"]["url"]


def test_it_loads_offline_without_a_request_or_an_error(shown):
    urls = list(requests(shown))
    assert any(u.startswith("file:") for u in urls)  # the log works
    assert [u for u in urls if not u.startswith(("file:", "data:", "blob:"))] == []
    assert shown.get_log("browser") == []
    assert not shown.execute_script("return document.getElementById('viewer').hidden")
    assert (
        shown.execute_script("return getComputedStyle(document.getElementById('static')).display") == "none"
    )


def test_the_strip_is_drawn(shown):
    colours = shown.execute_script(
        "const c = document.getElementById('strip');"
        "const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
        "const s = new Set();"
        "for (let i = 0; i < d.length; i += 4) s.add(d[i] << 16 | d[i + 1] << 8 | d[i + 2]);"
        "return [c.width, s.size, s.has(0x1d242b), s.has(0x0b6c93), s.has(0xbd5a00)]"
    )
    assert colours[0] > 500
    assert colours[1] > 20
    assert colours[2:] == [True, True, True]


def ready(browser):
    until(browser, "document.getElementById('strip').dataset.ready")


def text_of(browser, id_):
    return browser.execute_script(f"return document.getElementById('{id_}').textContent")


def test_the_first_episode_that_counts_is_open_and_n_and_p_go_on_from_it(shown, night):
    ready(shown)
    until(shown, "document.getElementById('strip').dataset.selected === '0'")
    whole = state(shown)[:2]
    for expected in (1, 2):
        press(shown, "n")
        assert state(shown)[2] == expected
    press(shown, "p")
    assert state(shown) == (*whole, 1)  # the whole night stays in view
    until(shown, "document.getElementById('close-up').dataset.episode === '1'")
    assert text_of(shown, "told").startswith(f"Episode 2 of {len(night.episodes)}")


def test_at_the_last_episode_the_key_says_so(shown, night):
    ready(shown)
    for _ in range(len(night.episodes) + 1):
        press(shown, "n")
    assert state(shown)[2] == len(night.episodes) - 1
    assert text_of(shown, "told").endswith("This is the last that counts.")


def test_keys_visit_what_counts_and_the_close_up_has_the_number_of_the_table(browser, tmp_path):
    path = tmp_path / "early.html"
    early = scored(bursts=[*bursts_of(1, first_s=8.0), *bursts_of(2)])
    assert early.selection.episodes.tolist() == [1, 2]
    path.write_text(render_night(early), encoding="utf-8")
    shown = opened(browser, path)
    ready(shown)
    seen = [state(shown)[2]]
    titles = [text_of(shown, "close-title")]
    for key in ("n", "n", "p", "p"):
        press(shown, key)
        seen.append(state(shown)[2])
        titles.append(text_of(shown, "close-title"))
    assert seen == [1, 2, 2, 1, 1]
    assert titles[:2] == ["Close-up of episode 1", "Close-up of episode 2"]
    # what does not count is reached by its row only
    shown.execute_script("document.querySelector('tr[data-episode=\"0\"] button').click()")
    until(shown, "document.getElementById('close-up').dataset.episode === '0'")
    assert text_of(shown, "close-title") == "Close-up of an episode that does not count, 22:40:08"
    assert text_of(shown, "told").startswith("Not counted")
    cells = "return [...document.querySelectorAll('.episodes button')].map((b) => b.textContent)"
    assert shown.execute_script(cells) == ["1", "2", "show"]


def test_letters_can_be_switched_off_and_stay_off(browser, page_path):
    shown = opened(browser, page_path)
    ready(shown)
    shown.execute_script("document.getElementById('letters').click()")
    press(shown, "n")
    assert state(shown)[2] == 0
    shown.execute_script("document.querySelector('[data-do=next]').click()")
    assert state(shown)[2] == 1 or until(shown, "document.getElementById('strip').dataset.selected === '1'")
    shown = opened(browser, page_path)
    ready(shown)
    press(shown, "n")
    assert state(shown)[2] == 0
    shown.execute_script("document.getElementById('letters').click()")
    press(shown, "n")
    assert state(shown)[2] == 1


def sized(browser, width, height, scheme="light"):
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    feature = {"name": "prefers-color-scheme", "value": scheme}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
    browser.execute_async_script("setTimeout(arguments[0], 120)")


def unsized(browser):
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_answer_strip_and_close_up_are_on_the_first_screen(shown):
    ready(shown)
    sized(shown, 1280, 800)
    try:
        boxes = shown.execute_script(
            "return ['.answer', 'p.limit', '.next-step', '#strip', '#close-up'].map((q) => {"
            "const r = document.querySelector(q).getBoundingClientRect(); return [r.top, r.bottom]; })"
        )
    finally:
        unsized(shown)
    ends = [b for pair in boxes for b in pair]
    assert ends == sorted(ends)  # one below the other, none over another
    assert boxes[0][0] >= 0
    assert boxes[-1][1] <= 800


SENTENCES = (
    "return ['.answer', '.among', 'p.limit', '.next-step', '#told', '#close-note'].flatMap((q) =>"
    " [...document.querySelectorAll(q)].map((e) => e.innerText))"
)


def test_sentences_of_the_first_screen_are_short_and_name_no_rule(shown, night):
    ready(shown)
    texts = shown.execute_script(SENTENCES)
    sentences = [s for text in texts for s in re.split(r"(?<=[.:]) ", text) if s]
    assert len(sentences) >= 6
    assert max(len(s.split()) for s in sentences) <= 25, sentences
    assert not [s for s in sentences for rule in criterion_ids() if rule in s]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 768, 1280])
def test_no_text_lies_over_another_and_none_is_small(shown, width, scheme):
    ready(shown)
    sized(shown, width, 800, scheme)
    try:
        small, over = shown.execute_script(OVERLAPS)
    finally:
        unsized(shown)
    assert small == []
    assert over == []


OVERLAPS = """
const seen = (e) => e.getBoundingClientRect().width && e.textContent.trim();
const shown = [...document.querySelectorAll('svg text')].filter(seen);
const small = shown.filter((e) => {
  const svg = e.ownerSVGElement, scale = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
  return parseFloat(getComputedStyle(e).fontSize) * scale < 11;
}).map((e) => e.textContent);
const over = [];
shown.forEach((a, i) => shown.slice(i + 1).forEach((b) => {
  if (a.ownerSVGElement !== b.ownerSVGElement) return;
  const p = a.getBoundingClientRect(), q = b.getBoundingClientRect();
  const x = Math.min(p.right, q.right) - Math.max(p.left, q.left);
  const y = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
  if (x > 2 && y > 4) over.push(a.textContent + ' / ' + b.textContent);
}));
return [small, over];
"""


def test_zoom_arrows_and_reset_change_the_shown_range(shown):
    whole = state(shown)[:2]
    press(shown, "+")
    low, high, _ = state(shown)
    assert high - low == pytest.approx((whole[1] - whole[0]) / 2, rel=1e-3)
    shown.execute_script("document.getElementById('strip').focus()")
    press(shown, "\ue014")  # arrow right
    assert state(shown)[0] > low
    press(shown, "-")
    press(shown, "0")
    assert state(shown)[:2] == whole


def test_the_wheel_zooms_and_the_mouse_drags_a_focused_strip(shown):
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.actions.wheel_input import ScrollOrigin

    strip = shown.find_element("id", "strip")
    whole = state(shown)[:2]
    shown.execute_script("arguments[0].focus()", strip)
    ActionChains(shown).scroll_from_origin(ScrollOrigin.from_element(strip), 0, -240).perform()
    until(shown, f"Number(document.getElementById('strip').dataset.to) < {whole[1] - 1}")
    low, high, _ = state(shown)
    ActionChains(shown).click_and_hold(strip).move_by_offset(-120, 0).release().perform()
    until(shown, f"Number(document.getElementById('strip').dataset.from) > {low + 1}")
    assert state(shown)[1] - state(shown)[0] == pytest.approx(high - low, rel=1e-3)


def test_a_row_of_the_table_moves_the_strip(shown):
    shown.execute_script("document.querySelector('tr[data-episode=\"3\"] button').click()")
    until(shown, "document.getElementById('strip').dataset.selected === '3'")
    assert shown.execute_script("return document.querySelectorAll('tr.chosen').length") == 1


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_nothing_runs_out_of_the_page_sideways(shown, width):
    shown.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    try:
        shown.execute_async_script("setTimeout(arguments[0], 100)")
        assert shown.execute_script("return document.documentElement.scrollWidth") <= width
        assert shown.execute_script("return document.getElementById('strip').clientWidth") > 250
    finally:
        shown.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_every_control_has_a_name(shown):
    nameless = shown.execute_script(
        "return Array.from(document.querySelectorAll('button, canvas, svg[role], [role=group]'))"
        ".filter((e) => !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') ||"
        " e.textContent.trim())).length"
    )
    assert nameless == 0


def printed(browser):
    options = {"printBackground": True, "preferCSSPageSize": True}
    return base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", options)["data"])


def test_it_prints_on_three_pages_and_says_the_result_and_the_cautions(shown, night):
    import io

    import pypdf

    ready(shown)
    pages = pypdf.PdfReader(io.BytesIO(printed(shown))).pages
    assert len(pages) <= 3
    # typefaces join letters ("ff" becomes one)
    texts = ["".join(unicodedata.normalize("NFKC", p.extract_text()).split()) for p in pages]
    for text in texts:
        assert ("divideby" in text) == ("Rates,perhour" in text)  # a heading on the page of its table
    assert not texts[-1].startswith("sleepbruxdescribes")  # nor the foot alone on a page
    text = "".join(texts)
    for words in (rate_words(night), "Breathing before a splint", PURPOSE):
        assert "".join(words.split()) in text


@pytest.mark.shows("hostile-file")
def test_hostile_labels_and_marks_do_not_run(browser, hostile, tmp_path):
    path = tmp_path / "hostile.html"
    path.write_text(render_night(hostile, mark_texts=True), encoding="utf-8")
    opened(browser, path)
    press(browser, "n")
    assert browser.execute_script("return window.hacked === undefined")
    assert browser.execute_script("return document.querySelectorAll('img').length") == 0
    assert browser.get_log("browser") == []


@pytest.mark.shows("hostile-file")
def test_a_script_that_is_not_ours_is_refused(browser, page_path, tmp_path):
    path = tmp_path / "injected.html"
    page = page_path.read_text("utf-8")
    evil = "<script>window.hacked=1</script><img src=x onerror='window.hacked=2'>"
    path.write_text(page.replace("<main>", f"<main>{evil}"), encoding="utf-8")
    opened(browser, path)
    assert browser.execute_script("return window.hacked === undefined")
    browser.get_log("browser")
