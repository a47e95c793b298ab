"""The review page in a real headless browser: keys, mouse, a second window, a killed server."""

import json
import os
import signal
import time

import numpy as np
import pytest

from sleepbrux.archive.journal.file import journal_path, load_journal
from tests.report.test_accessibility import violations
from tests.report.test_all_pages import TINY
from tests.report.test_in_browser import sized, unsized

from .conftest import SECONDS

pytestmark = pytest.mark.browser


def until(browser, script, seconds=20.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = browser.execute_script(f"return {script}")
        if value:
            return value
        time.sleep(0.02)
    raise AssertionError(f"never true: {script}")


def opened(browser, address, reader="AB"):
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(address)
    until(browser, "document.body.dataset.ready === '1'")
    if reader:
        field = browser.find_element("id", "who")
        field.clear()
        field.send_keys(reader)
        browser.find_element("id", "trace").click()
    return browser


def press(browser, *keys):
    from selenium.webdriver import ActionChains

    for key in keys:
        ActionChains(browser).send_keys(key).perform()


def seq(browser, n):
    until(browser, f"document.body.dataset.seq === '{n}'")


def shown(browser, name="episodes_per_hour"):
    return float(
        browser.execute_script(
            f"return document.querySelector('[data-measure={name}] td:last-child').textContent"
        )
    )


def drag(browser, x_from, x_to, *, shift=False):
    """Drag on the trace between two shares of its width."""
    from selenium.webdriver import ActionChains, Keys

    trace = browser.find_element("id", "trace")
    width = trace.size["width"]
    actions = ActionChains(browser)
    if shift:
        actions.key_down(Keys.SHIFT)
    actions.move_to_element_with_offset(trace, int((x_from - 0.5) * width), 0).click_and_hold()
    actions.move_by_offset(int((x_to - x_from) * width / 2), 0)
    actions.move_by_offset(int((x_to - x_from) * width) - int((x_to - x_from) * width / 2), 0).release()
    if shift:
        actions.key_up(Keys.SHIFT)
    actions.perform()


def at(browser, second):
    """Share of the trace's width at which a second of the night lies."""
    return browser.execute_script(
        "const t = document.getElementById('trace'), w = t.clientWidth, d = t.dataset;"
        "return (84 + (arguments[0] - d.from) / (d.to - d.from) * (w - 94)) / w",
        second,
    )


def test_accept_reject_relabel_and_undo_by_keys(browser, served):
    page = opened(browser, served.address())
    before = shown(page)
    press(page, "n", "a")
    seq(page, 1)
    press(page, "n", "r")
    until(page, "document.getElementById('ask').open")
    press(page, "1")
    seq(page, 2)
    assert shown(page) == pytest.approx(before * 2 / 3, abs=0.02)
    press(page, "n", "l")
    until(page, "document.getElementById('ask').open")
    press(page, "3")
    seq(page, 3)
    press(page, "u")
    seq(page, 4)
    said = [(e.action, e.target, e.reason, e.kind, e.who) for e in served.journal.entries]
    assert said == [
        ("accept", "e0", "", "", "AB"),
        ("reject", "e1", "swallow, cough or sigh", "", "AB"),
        ("relabel", "e2", "", "mixed", "AB"),
        ("undo", "", "", "", "AB"),
    ]
    text = page.find_element("id", "sentence").text
    assert "1 accepted as they were, 1 rejected, 0 relabelled" in text
    assert page.get_log("browser") == []


def test_a_reason_may_be_written(browser, served):
    page = opened(browser, served.address())
    press(page, "n", "r")
    until(page, "document.getElementById('ask').open")
    field = page.find_element("id", "ask-text")
    field.send_keys("1 snore & <b>bruit</b>\n")
    seq(page, 1)
    assert served.journal.entries[0].reason == "1 snore & <b>bruit</b>"
    assert "<b>bruit</b>" in page.find_element("id", "told").text or page.execute_script(
        "return !document.querySelector('#told b')"
    )


def test_an_edge_is_moved_by_keys_and_by_mouse(browser, served):
    from selenium.webdriver import Keys

    page = opened(browser, served.address())
    first = served.desk.state()["episodes"][0]
    press(page, "n", "]")
    press(page, *[Keys.ARROW_RIGHT] * 3, Keys.ENTER)
    seq(page, 1)
    moved = served.journal.entries[0]
    assert moved.stop_s == pytest.approx(first["b"] + 0.03, abs=1e-6)
    assert moved.start_s == pytest.approx(first["a"])
    until(page, "document.getElementById('edit').hidden")
    drag(page, at(page, moved.stop_s), at(page, moved.stop_s + 2))
    seq(page, 2)
    dragged = served.journal.entries[1]
    span = page.execute_script("const d = document.getElementById('trace').dataset; return d.to - d.from")
    assert dragged.stop_s == pytest.approx(moved.stop_s + 2, abs=span / 100)
    assert dragged.start_s == pytest.approx(first["a"])


def test_an_event_is_added_by_mouse_and_by_keys(browser, served):
    from selenium.webdriver import Keys

    page = opened(browser, served.address())
    drag(page, at(page, 100), at(page, 115), shift=True)
    until(page, "!document.getElementById('edit').hidden")
    press(page, Keys.ENTER)
    until(page, "document.getElementById('ask').open")
    press(page, "1")
    seq(page, 1)
    entry = served.journal.entries[0]
    assert (entry.action, entry.level, entry.kind) == ("add", "episode", "phasic")
    assert (entry.start_s, entry.stop_s) == pytest.approx((100, 115), abs=1.0)
    press(page, "e", Keys.ESCAPE)
    press(page, "p", "p", "e", Keys.ENTER)
    until(page, "document.getElementById('ask').open")
    assert served.journal.seq == 1


def test_bursts_are_decided_too(browser, served):
    page = opened(browser, served.address())
    press(page, "b", "n", "r")
    until(page, "document.getElementById('ask').open")
    press(page, "2")
    seq(page, 1)
    assert served.journal.entries[0].target == "b0"
    assert "1 bursts changed" in page.find_element("id", "sentence").text


def test_everything_by_buttons(browser, served):
    page = opened(browser, served.address())
    for name in ("next", "accept"):
        page.find_element("css selector", f"[data-do={name}]").click()
    seq(page, 1)
    page.find_element("css selector", "[data-do=reject]").click()
    page.find_element("css selector", "#ask-choices button:nth-child(2)").click()
    seq(page, 2)
    page.find_element("css selector", "#open-panel [data-do=undo]").click()
    seq(page, 3)
    names = {b.get_attribute("data-do") for b in page.find_elements("css selector", "[data-do]")}
    assert {
        "relabel",
        "left",
        "right",
        "add",
        "in",
        "out",
        "all",
        "help",
        "level",
        "also",
        "accepted",
        "undecided",
        "onward",
    } <= names
    unnamed = page.execute_script(
        "return [...document.querySelectorAll('button')].filter((b) => "
        "!(b.textContent.trim() || b.getAttribute('aria-label'))).length"
    )
    assert unnamed == 0


def test_without_a_name_nothing_is_decided(browser, served):
    page = opened(browser, served.address(), reader="")
    page.execute_script("sessionStorage.clear(); document.getElementById('who').value = ''")
    press(page, "n", "a")
    until(page, "document.getElementById('alert').textContent.includes('initials')")
    assert served.journal.seq == 0


def test_a_second_window_is_told_and_overwrites_nothing(browser, served):
    page = opened(browser, served.address())
    first = page.current_window_handle
    page.switch_to.new_window("tab")
    second = page.current_window_handle
    try:
        opened(page, served.address(), reader="CD")
        # this window never hears of the other, though it looks again whenever it comes to the front
        page.execute_script(
            "const f = window.fetch; window.fetch = (path, options) => "
            "path.startsWith('/api/progress') ? new Promise(() => {}) : f(path, options)"
        )
        page.switch_to.window(first)
        press(page, "n", "a")
        seq(page, 1)
        page.switch_to.window(second)
        assert page.execute_script("return document.body.dataset.seq") == "0"
        page.execute_script(
            "document.querySelector('[data-do=next]').click();"
            "document.querySelector('[data-do=reject]').click();"
            "document.querySelector('#ask-choices button').click()"
        )
        until(page, "document.getElementById('alert').textContent.includes('Another window')")
        seq(page, 1)
        assert [(e.who, e.action) for e in served.journal.entries] == [("AB", "accept")]
    finally:
        page.switch_to.window(second)
        page.close()
        page.switch_to.window(first)


def test_who_has_no_pass_sees_nothing_of_the_night_and_is_asked_for_the_code(browser, served):
    browser.get("about:blank")
    browser.get(served.origin + "/")
    browser.execute_script("sessionStorage.clear()")
    for address in (served.origin + "/", served.address("wrong")):
        browser.get("about:blank")
        browser.get(address)
        until(browser, "!document.getElementById('door').hidden")
        assert browser.execute_script("return document.getElementById('main').hidden")
    until(browser, "document.getElementById('alert').textContent.includes('opens nothing')")
    code = served.entrance.code()
    field = browser.find_element("id", "code")
    field.send_keys("WRONG-WRONG\n")
    until(browser, "document.getElementById('alert').textContent.includes('opens nothing')")
    field.clear()
    field.send_keys(code.lower() + "\n")
    until(browser, "document.body.dataset.ready === '1'")
    assert browser.execute_script("return document.getElementById('door').hidden")


def test_the_file_for_the_browser_leads_to_the_page_and_is_gone(browser, served):
    from sleepbrux.review.access import Door

    door = Door(served.entrance, served.origin + "/")
    browser.get("about:blank")
    browser.get(door.path.as_uri())
    until(browser, "document.body.dataset.ready === '1'")
    assert not door.folder.exists()
    where = browser.execute_script("return location.href")
    assert where.startswith(served.origin)
    assert "pass" not in where


def test_hostile_labels_are_text_and_nothing_is_asked_outside(browser, served):
    page = opened(browser, served.address())
    press(page, "n", "+", "-", "0")
    until(page, "Number(document.getElementById('trace').dataset.drawn) > 3")
    assert page.execute_script("return window.hacked === undefined")
    assert "<img src=x" in page.find_element("id", "name").text
    asked = []
    for entry in page.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.append(message["params"]["request"]["url"])
    own = f"http://127.0.0.1:{served.port}/"
    assert any(u.startswith(own + "api/trace") for u in asked)
    outside = [u for u in asked if not u.startswith((own, "data:", "about:", "chrome"))]
    assert outside == []
    assert not any(served.entrance.token in u for u in asked)


def test_the_trace_follows_zoom_from_extremes_to_samples(browser, served):
    page = opened(browser, served.address())
    basis = "document.getElementById('trace').dataset.basis"
    until(page, f"{basis} === 'extremes extremes'")
    press(page, *["+"] * 9)
    until(page, f"{basis} === 'samples samples'")
    inked = page.execute_script(
        "const c = document.getElementById('trace'), g = c.getContext('2d');"
        "const d = g.getImageData(0, 0, c.width, c.height).data; let n = 0;"
        "for (let i = 0; i < d.length; i += 4) if (d[i] < 60 && d[i + 1] < 60 && d[i + 2] < 70) n++;"
        "return n"
    )
    assert inked > 500
    press(page, "0")
    until(page, f"{basis} === 'extremes extremes'")


def test_a_sample_hides_labels_until_decided(browser, sampled):
    page = opened(browser, sampled.address())
    n = len(sampled.desk.state("AB")["items"])
    assert n >= 4
    text = page.find_element("tag name", "main").text
    for word in ("tonic episode", "near miss", "% MVC"):
        assert word not in text
    press(page, "a")
    seq(page, 2)
    until(page, "document.getElementById('revealed').textContent.includes('It is:')")
    press(page, "x", "r")
    seq(page, 3)
    press(page, "x", "2")
    seq(page, 4)
    judged = [e for e in sampled.journal.entries if e.action == "judge"]
    assert [e.accepted for e in judged] == [True, False, True]
    assert judged[2].kind == "tonic"
    result = page.find_element("id", "result").text
    assert "share of automatic episodes that a reader of this trace accepts" in result
    assert "precision" in result
    assert page.execute_script("return document.getElementById('measures').hidden")


@pytest.mark.skipif(os.name != "posix", reason="kill -9")
def test_kill_9_of_the_server_loses_no_decision_that_the_page_showed(browser, archive, process):
    child, address, code = process
    browser.get("about:blank")
    browser.get(address)
    until(browser, "document.readyState === 'complete'")
    browser.execute_script("sessionStorage.clear()")
    browser.refresh()
    until(browser, "!document.getElementById('door').hidden")
    browser.find_element("id", "code").send_keys(code + "\n")
    page = browser
    until(page, "document.body.dataset.ready === '1'")
    page.find_element("id", "who").send_keys("AB")
    page.find_element("id", "trace").click()
    for k in (1, 2):
        press(page, "x", "a")
        seq(page, k)
    press(page, "x")
    page.execute_script("document.querySelector('[data-do=accept]').click()")
    child.send_signal(signal.SIGKILL)  # in the middle of the third
    child.wait()
    kept = load_journal(journal_path(archive))
    acknowledged = int(page.execute_script("return document.body.dataset.seq"))
    assert kept.seq >= acknowledged >= 2
    press(page, "n", "a")
    until(page, "document.getElementById('alert').textContent.includes('does not answer')")
    assert load_journal(journal_path(archive)).seq == kept.seq


def told(page):
    return page.find_element("id", "told").text


def did(page):
    return page.find_element("id", "did").text


def selection(page, name):
    until(page, f"document.getElementById('trace').dataset.chosen === '{name}'")


# keys do what they say


def test_a_n_a_n_decides_every_episode_in_turn_and_says_so(browser, served):
    page = opened(browser, served.address())
    press(page, "n")
    for k in range(3):
        selection(page, f"e{k}")
        press(page, "a")
        seq(page, k + 1)
        assert did(page).startswith("Accepted: ")
        assert f"episode {k + 1}," in did(page)
        assert told(page).startswith(f"Selected: {k + 1} of 3: ")
        assert "accepted" in told(page)
        press(page, "n")
    until(page, "document.getElementById('told').textContent.includes('This is the last of 3.')")
    assert [(e.action, e.target) for e in served.journal.entries] == [("accept", f"e{k}") for k in range(3)]


def test_a_again_writes_no_second_decision(browser, served):
    page = opened(browser, served.address())
    press(page, "n", "a")
    seq(page, 1)
    press(page, "a")
    until(page, "document.getElementById('told').textContent.startsWith('Accepted already.')")
    assert served.journal.seq == 1


def test_s_accepts_and_goes_on_to_the_next_undecided_one_and_says_both(browser, served):
    page = opened(browser, served.address())
    press(page, "n", "n", "a")
    seq(page, 1)
    press(page, "p", "s")
    seq(page, 2)
    selection(page, "e2")  # e1 is decided
    assert "phasic episode 1" in did(page)
    assert told(page).startswith("Selected: 3 of 3: ")
    press(page, "s")
    seq(page, 3)
    until(page, "document.getElementById('told').textContent.includes('counts is decided')")


def test_the_last_decision_stands_beside_its_undo_key(browser, served):
    page = opened(browser, served.address())
    button = page.find_element("css selector", "#done-line .undo")
    assert not button.is_displayed()
    press(page, "n", "r")
    until(page, "document.getElementById('ask').open")
    press(page, "2")
    seq(page, 1)
    assert did(page) == "Rejected: phasic episode 1, " + did(page)[-20:-12] + " (movement)."
    assert button.text == "take it back u"
    assert "rejected phasic episode 1" in page.find_element("id", "undo").text
    button.click()
    seq(page, 2)
    assert did(page).startswith("Taken back: rejected phasic episode 1, ")
    assert not button.is_displayed()


def test_single_letter_keys_can_be_turned_off(browser, served):
    page = opened(browser, served.address())
    press(page, "?")
    until(page, "document.getElementById('help').open")
    page.find_element("id", "letters").click()
    page.execute_script("document.getElementById('help').close()")
    page.find_element("id", "trace").click()
    press(page, "n", "a", "x", "0")
    assert page.execute_script("return document.getElementById('trace').dataset.chosen") == ""
    page.find_element("css selector", "[data-do=next]").click()
    selection(page, "e0")
    page.find_element("css selector", "[data-do=accept]").click()
    seq(page, 1)
    page.execute_script("sessionStorage.removeItem('letters')")


# what counts


def test_keys_visit_what_counts_and_a_switch_shows_the_rest(browser, edged):
    page = opened(browser, edged.address())
    switch = page.find_element("id", "also")
    assert "+1 uncounted" in switch.text
    press(page, "n")
    selection(page, "e1")  # e0 lies before lights off
    assert told(page).startswith("Selected: 1 of 2: tonic episode 1, ")
    press(page, "p")
    selection(page, "e1")
    assert told(page).startswith("This is the first of 2.")
    assert len(page.find_elements("css selector", "#list li")) == 2
    press(page, "o", "p")
    selection(page, "e0")
    assert told(page).startswith("Selected: 1 of 3: phasic episode, ")
    assert "does not count" in told(page)
    assert switch.get_attribute("aria-pressed") == "true"
    assert len(page.find_elements("css selector", "#list li")) == 3
    press(page, "o", "n")
    selection(page, "e1")


# the trace


def scale(page, name):
    value, said = page.execute_script(f"return document.getElementById('trace').dataset.{name}").split()
    return float(value), said


def test_the_signal_is_drawn_whole_by_its_own_scale_however_weak_the_clench_was(browser, loud):
    page = opened(browser, loud.address())
    until(page, "document.getElementById('trace').dataset.basis === 'extremes extremes'")
    high = np.nanmax(loud.desk.trace.view(0, 0, SECONDS, 800).high)
    full, said = scale(page, "signal0")
    assert high > 250  # the stated clench is 40 uV
    assert full >= high
    assert said == "whole"
    assert scale(page, "envelope0")[1] == "whole"
    for _ in range(6):
        press(page, "n")
        assert scale(page, "signal0")[1] == "whole"
    press(page, "0", *["v"] * 4)
    until(page, "document.getElementById('trace').dataset.signal0.endsWith('cut')")


COUNT = """
const c = document.getElementById('trace'), g = c.getContext('2d'), r = c.width / c.clientWidth;
const d = g.getImageData(84 * r, arguments[0] * r, c.width - 94 * r, (arguments[1] - arguments[0]) * r).data;
let n = 0;
for (let i = 0; i < d.length; i += 4)
  if (d[i] - d[i + 1] > 50 && d[i + 2] - d[i + 1] > 15) n++;
return n;
"""


def test_the_threshold_stands_on_the_envelope_and_not_on_the_signal(browser, served):
    page = opened(browser, served.address())
    until(page, "document.getElementById('trace').dataset.basis === 'extremes extremes'")
    time.sleep(0.3)
    signal, envelope = (20, 20 + 98), (20 + 102, 20 + 102 + 66)
    assert page.execute_script(COUNT, *signal) == 0
    assert page.execute_script(COUNT, *envelope) > 200


def test_the_legend_names_every_sign_of_this_night(browser, served, sampled):
    page = opened(browser, served.address())
    text = page.find_element("id", "legend").text
    for word in (
        "phasic",
        "tonic",
        "mixed",
        "accepted",
        "rejected",
        "threshold",
        "does not count",
        "outside the analysed time",
    ):
        assert word in text
    page = opened(browser, sampled.address())
    assert "threshold" not in page.find_element("id", "legend").text


# a reload


def test_a_reload_keeps_night_level_selection_and_reader(browser, several):
    page = opened(browser, several.address())
    press(page, "d")
    until(page, "document.body.dataset.ready === '1' && document.title.length > 5")
    until(page, "document.getElementById('nights').value === '1'")
    page.find_element("id", "trace").click()
    press(page, "b", "n", "n")
    selection(page, "b1")
    page.refresh()
    until(page, "document.body.dataset.ready === '1'")
    selection(page, "b1")
    assert page.find_element("id", "who").get_attribute("value") == "AB"
    assert page.execute_script("return document.getElementById('nights').value") == "1"
    assert "bursts" in page.find_element("id", "told").text or "burst" in told(page)
    assert "pass" not in page.current_url


# several nights


def test_one_page_serves_all_nights_and_each_decision_goes_to_its_own(browser, several):
    page = opened(browser, several.address())
    texts = [o.text for o in page.find_elements("css selector", "#nights option")]
    assert texts == ["first, 0 of 3 decided", "second, 0 of 3 decided", "third: cannot be reviewed"]
    press(page, "n", "a")
    seq(page, 1)
    press(page, "d")
    until(page, "document.getElementById('did').textContent.includes('Now: second.')")
    assert did(page).startswith("first: 2 of 3 not decided.")
    until(page, "document.body.dataset.ready === '1'")
    seq(page, 0)
    page.find_element("id", "trace").click()
    press(page, "n", "r")
    until(page, "document.getElementById('ask').open")
    press(page, "1")
    seq(page, 1)
    until(page, "document.querySelectorAll('#nights option')[1].textContent.includes('1 of 3')")
    press(page, "d")  # the third cannot be reviewed
    until(page, "document.getElementById('did').textContent.includes('last night of the list')")
    said = [[(e.action, e.target) for e in load_journal(p).entries] for p in several.paths]
    assert said == [[("accept", "e0")], [("reject", "e0")]]
    page.execute_script(
        "const s = document.getElementById('nights'); s.value = '0';s.dispatchEvent(new Event('change'))"
    )
    until(page, "document.body.dataset.ready === '1'")
    seq(page, 1)
    assert did(page).startswith("Last decision: accepted phasic episode 1")


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light")])
def test_no_rule_of_accessibility_is_broken_and_nothing_runs_out_sideways(browser, served, width, scheme):
    try:
        sized(browser, width, 900, scheme)
        opened(browser, served.address())
        press(browser, "n")
        assert violations(browser) == []
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        assert browser.execute_script(TINY) == []
        skip = browser.find_element("css selector", "a.skip")
        assert skip.get_attribute("href").endswith("#trace")
        browser.execute_script("document.querySelector('a.skip').focus()")
        assert (
            browser.execute_script("return document.querySelector('a.skip').getBoundingClientRect().left")
            >= 0
        )
    finally:
        unsized(browser)
