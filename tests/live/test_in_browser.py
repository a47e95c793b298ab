"""The page of the session in a real headless browser."""

import time

import pytest

from sleepbrux.live.engine import Event
from sleepbrux.live.words import CAUTIONS
from sleepbrux.report.clench_page import level_rows

from .conftest import Paced, Served
from .fake import session_for

pytestmark = pytest.mark.browser


def until(browser, script, seconds=60.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = browser.execute_script(f"return {script}")
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError(f"never true: {script}")


def opened(browser, served):
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get(served.address())
    until(browser, "document.body.dataset.ready === '1'")


def text_of(browser, name):
    return browser.execute_script(f"return document.getElementById('{name}').textContent")


def errors(browser):
    return [e for e in browser.get_log("browser") if e["level"] == "SEVERE"]


def test_a_session_by_itself_ends_with_the_table_and_figure_of_the_test(browser, served):
    opened(browser, served)
    until(browser, "document.querySelectorAll('#contact tbody tr').length === 2")
    until(browser, "document.body.dataset.over === '1'", 150)
    session = served.session
    shown = text_of(browser, "result")
    for channel in session.result.channels:
        for row in level_rows(channel):
            for cell in row:
                assert cell in shown
    assert browser.execute_script("return document.querySelectorAll('#result svg').length") >= 4
    assert [p.name for p in session.written] == ["chair.clench.html", "chair.clench.json"]
    assert all(p.exists() for p in session.written)
    assert "chair.clench.html" in text_of(browser, "files")
    assert len(browser.execute_script("return window.chairDelays")) > 100
    assert errors(browser) == []


def test_cautions_stand_on_the_screen_and_nothing_scores_or_praises(browser, by_hand):
    opened(browser, by_hand)
    page = browser.execute_script("return document.body.innerText").casefold()
    for caution in CAUTIONS:
        assert caution.casefold() in page
    for word in ("score", "well done", "great", "excellent", "goal", "target", "level up", "points"):
        assert word not in page.replace("no treatment", "")
    assert not browser.execute_script("return document.querySelectorAll('meter, progress').length")


def test_a_click_begins_the_rest_and_a_dropped_trial_is_struck_through(browser, by_hand):
    opened(browser, by_hand)
    until(browser, "!document.getElementById('begin').disabled")
    browser.find_element("id", "begin").click()
    until(browser, "document.getElementById('due').textContent.startsWith('Rest: sit still')")
    assert by_hand.session.protocol.phase == "rest"
    until(browser, "document.querySelectorAll('#trials select').length >= 1", 90)
    browser.execute_script(
        "const s = document.querySelector('#trials select'); s.value = 'moved';"
        "s.dispatchEvent(new Event('change'));"
    )
    until(browser, "document.querySelector('#trials .dropped')")
    assert by_hand.session.protocol.trials[0].dropped == "moved"
    assert errors(browser) == []


def test_a_window_without_the_pass_is_asked_for_the_code(browser, by_hand):
    browser.get("about:blank")
    browser.get(by_hand.origin + "/")
    browser.execute_script("sessionStorage.clear()")
    browser.refresh()
    until(browser, "!document.getElementById('door').hidden")
    browser.find_element("id", "code").send_keys(by_hand.entrance.code())
    browser.find_element("css selector", "#door button").click()
    until(browser, "document.body.dataset.ready === '1'")


@pytest.mark.parametrize("width", [1280, 375])
def test_the_page_has_no_violation_that_a_checker_finds(browser, by_hand, width):
    from tests.report.test_accessibility import violations

    browser.set_window_size(width, 1200)
    try:
        opened(browser, by_hand)
        until(browser, "document.querySelectorAll('#contact tbody tr').length === 2")
        assert "; ".join(violations(browser)) == ""
    finally:
        browser.set_window_size(1280, 1600)


HEARD = """
window.heard = [];
class Context {
  constructor() { this.currentTime = 0; this.destination = {}; }
  createGain() { return { gain: {}, connect() {} }; }
  createOscillator() {
    const frequency = { value: 0 };
    return { frequency, connect() {}, start() { window.heard.push(frequency.value); }, stop() {} };
  }
}
window.AudioContext = Context;
"""
CUE_HZ, END_HZ = 880, 440


def test_a_cue_is_always_seen_and_heard_only_where_the_tone_is_on(browser, signal, tmp_path):
    """The tone is asked of the browser's audio interface, which here is a double: no machine is listened to."""
    session = session_for(Paced(signal, factor=8.0), tmp_path / "chair.bdf", ("splint",))
    session.protocol.self_going = False
    served = Served(session)
    try:
        opened(browser, served)
        browser.execute_script(HEARD)
        assert not browser.find_element("id", "tone").is_selected()
        until(browser, "!document.getElementById('begin').disabled")
        browser.find_element("id", "begin").click()
        cue = "document.getElementById('due').textContent.startsWith('Now: bite')"
        rest = "document.getElementById('due').textContent.startsWith('Rest: teeth apart')"
        until(browser, cue)
        until(browser, rest)
        tones = f"window.heard.filter((hz) => hz === {CUE_HZ} || hz === {END_HZ})"
        assert browser.execute_script(f"return {tones}") == []
        browser.find_element("id", "tone").click()
        until(browser, cue)
        assert browser.execute_script(f"return {tones}") == [CUE_HZ]
        until(browser, rest)
        assert browser.execute_script(f"return {tones}") == [CUE_HZ, END_HZ]
        browser.find_element("id", "tone").click()
        until(browser, cue)
        assert browser.execute_script(f"return {tones}") == [CUE_HZ, END_HZ]
        assert errors(browser) == []
    finally:
        served.stop()


def test_a_warning_is_seen_always_and_heard_unless_turned_off(browser, by_hand):
    opened(browser, by_hand)
    browser.execute_script(HEARD)
    by_hand.session._tell(Event(1.0, "contact", "EMG Masseter L: first"))
    until(browser, "document.getElementById('alert').textContent === 'EMG Masseter L: first'")
    assert browser.execute_script("return window.heard") == [300]
    browser.find_element("id", "sound").click()
    by_hand.session._tell(Event(2.0, "contact", "EMG Masseter L: second"))
    until(browser, "document.getElementById('alert').textContent === 'EMG Masseter L: second'")
    assert browser.execute_script("return window.heard") == [300]
