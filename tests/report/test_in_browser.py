"""The page in a real headless browser, from file://."""

import base64
import json
import time

import pytest

from sleepbrux.report import render_night

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
    assert shown.execute_script("return document.getElementById('static').hidden")


def test_the_strip_is_drawn(shown):
    colours = shown.execute_script(
        "const c = document.getElementById('strip');"
        "const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
        "const s = new Set();"
        "for (let i = 0; i < d.length; i += 4) s.add(d[i] << 16 | d[i + 1] << 8 | d[i + 2]);"
        "return [c.width, s.size, s.has(0x20262d), s.has(0x0b6c93), s.has(0xbd5a00)]"
    )
    assert colours[0] > 500
    assert colours[1] > 20
    assert colours[2:] == [True, True, True]


def test_n_and_p_go_from_episode_to_episode(shown, night):
    assert state(shown)[2] == -1
    for expected in (0, 1, 2):
        press(shown, "n")
        assert state(shown)[2] == expected
    press(shown, "p")
    low, high, selected = state(shown)
    assert selected == 1
    start = float(night.episodes.starts[1] * night.episodes.grid.slot_s)
    assert low <= start <= high
    until(shown, "document.getElementById('close-up').dataset.episode === '1'")
    told = shown.execute_script("return document.getElementById('told').textContent")
    assert told.startswith(f"Episode 2 of {len(night.episodes)}")


def test_the_close_up_has_the_number_of_the_table_and_an_uncounted_episode_has_none(browser, tmp_path):
    path = tmp_path / "early.html"
    early = scored(bursts=[*bursts_of(1, first_s=8.0), *bursts_of(2)])
    assert early.selection.episodes.tolist() == [1, 2]
    path.write_text(render_night(early), encoding="utf-8")
    shown = opened(browser, path)
    titles, numbers, told = [], [], []
    for k in range(3):
        press(shown, "n")
        until(shown, f"document.getElementById('close-up').dataset.episode === '{k}'")
        titles.append(shown.execute_script("return document.getElementById('close-title').textContent"))
        told.append(shown.execute_script("return document.getElementById('told').textContent"))
        cell = f'.episodes tr[data-episode="{k}"] button'
        numbers.append(shown.execute_script(f"return document.querySelector('{cell}').textContent"))
    assert titles == [
        "Close-up of an episode that does not count, 22:40:08",
        "Close-up of episode 1",
        "Close-up of episode 2",
    ]
    assert numbers == ["show", "1", "2"]
    assert [t.split(",")[0] for t in told] == ["Not counted", "Episode 1 of 2", "Episode 2 of 2"]


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


@pytest.mark.parametrize("width", [400, 1280])
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
        "return Array.from(document.querySelectorAll('button, canvas, svg[role], [role=region]'))"
        ".filter((e) => !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') ||"
        " e.textContent.trim())).length"
    )
    assert nameless == 0


def test_it_prints(shown):
    pdf = base64.b64decode(shown.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})["data"])
    assert pdf.startswith(b"%PDF")
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page/") > 0


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
