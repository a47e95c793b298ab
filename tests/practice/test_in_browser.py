"""The page in a real headless browser: every screen against axe, keys alone, two windows, reload, Quit."""

import os
import shutil
import time
from pathlib import Path

import pytest
from selenium.webdriver import ActionChains, Keys

from sleepbrux.reference import load_proposal
from sleepbrux.study.editing import Place, set_fields
from sleepbrux.study.file import load_study
from tests.recording.build import edf, emg
from tests.report.test_accessibility import violations

from .hands import Hands

pytestmark = pytest.mark.browser
SCREENS = ("nights", "night/3", "arrival", "clenches/0", "score", "compare", "letter", "files")
EVIL = "<img src=x onerror=window.hacked=1>"


def press(browser, *keys):
    for key in keys:
        ActionChains(browser).send_keys(key).perform()


def clean(browser):
    return [e for e in browser.get_log("browser") if e["level"] == "SEVERE"]


def settled(hands, screen):
    """A screen once everything on it is there."""
    hands.go(screen)
    waits = {
        "clenches/0": "document.getElementById('clench-trace') !== null",
        "compare": "document.querySelectorAll('#answers li').length > 0",
        "letter": "document.getElementById('preview') !== null",
        "arrival": "!document.getElementById('main').innerText.includes('being looked at')",
    }
    hands.until(waits.get(screen, "true"), 240)
    hands.idle()


def test_every_screen_passes_axe_and_fits_the_window(hands, browser):
    pictures = os.environ.get("PRACTICE_PICTURES")
    for screen in SCREENS:
        settled(hands, screen)
        for width in (1280, 1024):
            browser.set_window_size(width, 900)
            time.sleep(0.15)
            wide = browser.execute_script("return document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0, (screen, width, wide)
            if pictures:
                browser.save_screenshot(str(Path(pictures) / f"{screen.replace('/', '-')}-{width}.png"))
        assert violations(browser) == [], screen
        assert browser.execute_script("return document.querySelector('.next-step') !== null"), screen
    browser.set_window_size(1280, 1600)
    hands.click("[data-do=leave]")
    hands.at("people")
    assert violations(browser) == []
    assert clean(browser) == []


def test_clenches_by_keys_alone(hands, browser, over):
    (over.practice.home / "chair.edf.clenches.toml").unlink()
    settled(hands, "clenches/0")
    trace = hands.find("#clench-trace")
    browser.execute_script("arguments[0].focus()", trace)
    before = browser.execute_script(
        "return [...document.querySelectorAll('[data-edge=a]')].map((e) => +e.value)"
    )
    press(browser, "n", "[", Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, "n", "r")
    assert trace.get_attribute("data-taken") == "1,2"
    assert trace.get_attribute("data-moved").startswith("2=")
    browser.execute_script("document.getElementById('by').focus()")
    press(browser, "A", "B", Keys.ENTER)
    hands.until("document.getElementById('main').innerText.includes('Accepted by AB')")
    found = load_proposal(over.practice.home / "chair.edf")
    assert found.accepted
    assert [a for a, _ in found.clenches_s] == pytest.approx([before[0], before[1] + 0.1], abs=0.002)
    hands.click("[data-do=undo]")
    hands.until("!document.getElementById('main').innerText.includes('Accepted by AB')")
    assert not (over.practice.home / "chair.edf.clenches.toml").exists()


def test_a_clench_is_refused_and_moved_by_mouse(hands, browser, over):
    (over.practice.home / "chair.edf.clenches.toml").unlink()
    settled(hands, "clenches/0")
    hands.click("[data-take='3']")
    trace = hands.find("#clench-trace")
    assert trace.get_attribute("data-taken") == "1,2"
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", trace)
    place = browser.execute_script(
        "const s = JSON.parse(document.getElementById('clench-data').textContent), p = s.channels[0].parts[0];"
        "const t = document.getElementById('clench-trace'), w = t.clientWidth - 72;"
        "const x = (v) => 64 + (v - p.start_s) / (p.low.length * p.step_s) * w;"
        "const c = s.clenches[0], each = w / (p.low.length * p.step_s), middle = t.clientWidth / 2;"
        "return [x(c.stop_s) - middle, each, s.channels[0].parts.length, x((c.start_s + c.stop_s) / 2) - middle]"
    )
    assert place[2] == 1
    ActionChains(browser).move_to_element_with_offset(trace, round(place[3]), 20).click().perform()
    assert trace.get_attribute("data-at") == "1"
    moves = ActionChains(browser).move_to_element_with_offset(trace, round(place[0]), 20).click_and_hold()
    moves.move_by_offset(4, 0).move_by_offset(4, 0).release().perform()
    moved = trace.get_attribute("data-moved")
    assert moved.startswith("1="), moved
    end = float(moved.split(":")[1])
    start = browser.execute_script(
        "return JSON.parse(document.getElementById('clench-data').textContent).clenches[0].stop_s"
    )
    assert end == pytest.approx(start + 8 / place[1], abs=2 / place[1])


def test_what_a_person_types_is_not_lost_to_what_comes_from_elsewhere(hands, browser, over):
    hands.go("letter")
    field = hands.find("#f-question")
    field.send_keys("half a sen")
    over.do("night", n=0, note="from another window")
    time.sleep(0.5)
    field.send_keys("tence")
    assert field.get_attribute("value") == "half a sentence"
    field.send_keys(Keys.TAB)
    hands.until("!document.body.dataset.busy")
    assert over.practice.letter_fields()["question"] == "half a sentence"


def test_a_second_window_and_an_editor_are_seen(hands, browser, over):
    first = browser.current_window_handle
    browser.switch_to.new_window("tab")
    second = Hands(browser)
    second.come(over.address())
    second.choose("#worn-0", "night guard")
    second.until("document.querySelector('#worn-0').value === 'night guard' && !document.body.dataset.busy")
    browser.switch_to.window(first)
    hands.until("document.querySelector('#worn-0').value === 'night guard'")
    set_fields(over.practice.study_file, Place("night", ("night-01",)), {"condition": "none"})
    browser.execute_script("dispatchEvent(new Event('focus'))")
    hands.until("document.querySelector('#worn-0').value === 'none'")
    browser.switch_to.window(next(h for h in browser.window_handles if h != first))
    browser.close()
    browser.switch_to.window(first)


def test_a_reload_shows_the_same_screen_and_a_wrong_entry_goes_back(hands, browser, over):
    hands.go("night/2")
    browser.refresh()
    hands.at("night/2")
    set_fields(over.practice.study_file, Place(), {"baseline": "none"})
    field = hands.find("[name=morning_jaw_pain]")
    field.send_keys("77", Keys.TAB)
    hands.until("!document.getElementById('alert').hidden")
    assert "morning_jaw_pain" in hands.text("#alert")
    assert hands.find("[name=morning_jaw_pain]").get_attribute("value") == ""
    assert load_study(over.practice.study_file).night[2].morning_jaw_pain is None


def test_names_that_are_code_are_shown_as_text(hands, browser, over):
    set_fields(over.practice.study_file, Place("night", ("night-01",)), {"condition": EVIL, "note": EVIL})
    set_fields(over.practice.study_file, Place(), {"pseudonym": EVIL[:70]})
    for screen in ("nights", "night/0", "score", "files"):
        browser.get("about:blank")
        hands.come(over.address())
        hands.go(screen)
        assert "<img" in hands.text("header h1")
        assert browser.execute_script("return window.hacked === undefined")
    assert EVIL not in browser.title
    assert clean(browser) == []


def test_a_similar_name_is_asked_about_in_a_dialog(hands, browser, over):
    hands.choose("#worn-1", "other …")
    hands.type("#other-1", "Nightguard\n")
    hands.until("document.getElementById('ask').open")
    assert "same appliance" in hands.text("#ask")
    assert load_study(over.practice.study_file).night[1].condition == "none"
    hands.click("#ask-answers button")
    hands.until("document.querySelector('#worn-1').value === 'night guard'")
    assert load_study(over.practice.study_file).night[1].condition == "night guard"


def test_nights_by_keys_alone_and_quit(hands, browser, over):
    browser.execute_script("document.getElementById('skip').focus()")
    seen = []
    for _ in range(60):
        press(browser, Keys.TAB)
        seen.append(
            browser.execute_script("const e = document.activeElement; return e.id || e.textContent || e.name")
        )
        if seen[-1] == "worn-0":
            break
    assert seen[-1] == "worn-0", seen
    press(browser, "n", "i")
    hands.until("document.querySelector('#worn-0').value === 'night guard' && !document.body.dataset.busy")
    assert load_study(over.practice.study_file).night[0].condition == "night guard"
    assert browser.execute_script("return document.activeElement.id") == "worn-0"
    hands.click("#quit")
    hands.until("document.body.dataset.ended === '1'")
    over.thread.join(20)
    assert not over.thread.is_alive()


def test_a_window_says_that_another_study_was_opened_and_a_review_decides_nothing_in_it(
    hands, browser, over, study, tmp_path
):
    other = tmp_path / "other"
    shutil.copytree(study, other)
    over.practice.open(other / "study.toml")
    hands.until("document.getElementById('alert').innerText.includes('Another study was opened')")
    browser.get(f"{over.origin}/review#night=0")
    hands.until("document.body.dataset.ready === '1'")
    hands.type("#who", "AB")
    over.practice.open(study / "study.toml")
    browser.execute_script("document.activeElement.blur()")
    press(browser, "n", "a")
    hands.until("document.getElementById('alert').innerText.includes('another study was opened')")
    assert not [path for folder in (study, other) for path in folder.rglob("*.review.jsonl")]


def test_a_refusal_is_shown_where_the_person_looks(hands, browser):
    browser.set_window_size(1280, 500)
    hands.go("night/2")
    field = hands.find("[name=perceived_sleep]")
    browser.execute_script("arguments[0].scrollIntoView({block: 'end'})", field)
    field.send_keys("77", Keys.TAB)
    hands.until("!document.getElementById('alert').hidden")
    top, bottom, height, focused = browser.execute_script(
        "const b = document.getElementById('alert').getBoundingClientRect();"
        "return [b.top, b.bottom, innerHeight, document.activeElement.id]"
    )
    browser.set_window_size(1280, 1600)
    assert 0 <= top < bottom <= height
    assert focused == "alert"


def test_a_link_in_a_new_tab_needs_no_code_and_leads_to_the_review_too(hands, browser, over):
    first = browser.current_window_handle
    try:
        for place in ("/#score", "/review#night=1"):
            browser.execute_script(f"window.open('{over.origin}{place}', '_blank', 'noopener')")
            browser.switch_to.window(next(h for h in browser.window_handles if h != first))
            hands.until("document.body.dataset.ready === '1'")
            assert browser.execute_script("return document.getElementById('door').hidden")
            browser.close()
            browser.switch_to.window(first)
        # the token is in no cookie, since one is sent to every port of the machine
        assert browser.get_cookies() == []
    finally:
        browser.switch_to.window(first)


def test_initials_are_asked_for_before_the_reason(hands, browser, over):
    browser.get(f"{over.origin}/review#night=0")
    hands.until("document.body.dataset.ready === '1'")
    browser.execute_script("document.getElementById('who').value = ''; document.activeElement.blur()")
    press(browser, "n", "r")
    hands.until("!document.getElementById('alert').hidden")
    assert browser.execute_script("return document.activeElement.id") == "who"
    assert not browser.execute_script("return document.getElementById('ask').open")
    hands.type("#who", "AB")
    browser.execute_script("document.activeElement.blur()")
    press(browser, "r")
    hands.until("document.getElementById('ask').open")


def test_quit_never_ends_at_the_form_for_the_code(hands, browser, over):
    hands.click("#quit")
    hands.until("document.body.dataset.ended === '1'")
    over.thread.join(20)
    time.sleep(0.5)
    browser.execute_script("dispatchEvent(new Event('focus'))")
    time.sleep(0.3)
    assert browser.execute_script("return document.getElementById('door').hidden")
    assert browser.execute_script("return document.getElementById('alert').hidden")


def test_the_header_is_one_line_at_1024_px(hands, browser, over):
    over.do("night", n=0, note="a longer remark that can be taken back")
    browser.set_window_size(1024, 900)
    for screen in ("nights", "compare"):
        hands.go(screen)
        tall = browser.execute_script(
            "return document.querySelector('header').getBoundingClientRect().height"
        )
        assert tall < 56, (screen, tall)
    browser.set_window_size(1280, 1600)


FOLDER = """
const file = (name, text) => ({ name, isFile: true, isDirectory: false, file: (done) => done(new File([text], name)) });
const folder = (name, ...all) => ({ name, isFile: false, isDirectory: true, createReader: () => {
  const parts = [all, []]; return { readEntries: (done) => done(parts.shift()) }; } });
const entry = folder("recordings", file("odd.edf", "no recording"), file(".hidden.edf", "x"), file("a.json", "{}"),
  folder("below", file("low.edf", arguments[0])));
const event = new Event("drop", { cancelable: true, bubbles: true });
Object.defineProperty(event, "dataTransfer", { value: { files: [], items: [{ webkitGetAsEntry: () => entry }] } });
document.dispatchEvent(event);
"""


def test_a_folder_is_dropped_and_an_odd_file_in_it_is_told_in_one_sentence(hands, browser, over, tmp_path):
    recording = edf(emg(), patient="X X X X").to_bytes()
    browser.execute_script("window.scrollTo(0, document.body.scrollHeight)")
    browser.execute_script(
        FOLDER.replace("arguments[0]", repr(recording.hex()) + ".match(/../g)").replace(
            "new File([text], name)",
            "new File([Array.isArray(text) ? new Uint8Array(text.map((b) => parseInt(b, 16))) : text], name)",
        )
    )
    hands.until("document.getElementById('alert').innerText.includes('Not kept: odd.edf: ')")
    assert hands.text("#alert").count("odd.edf") == 1
    hands.idle()
    home = over.practice.home
    assert (home / "low.edf").read_bytes() == recording
    assert not [name for name in ("odd.edf", ".hidden.edf", "a.json") if (home / name).exists()]
    assert "low.edf" in [r.recording for r in load_study(over.practice.study_file).reference]
    # the same by the button
    chosen = tmp_path / "chosen"
    chosen.mkdir()
    (chosen / "more.edf").write_bytes(edf(emg(label="EMG Masseter R")).to_bytes())
    browser.find_element("id", "folder").send_keys(str(chosen))
    hands.until("document.getElementById('arrived').innerText.includes('more.edf: copied')")
    hands.idle()
    assert (home / "more.edf").exists()


def test_a_night_that_was_closed_meanwhile_is_opened_again_and_its_recording_read_again(hands, browser, over):
    browser.get(f"{over.origin}/review#night=0")
    hands.until("document.body.dataset.ready === '1'")
    trace = hands.find("#trace")
    hands.until("(document.getElementById('trace').dataset.basis || '').startsWith('extremes')")
    process = over.practice.reviewer.process_id
    over.practice.reviewer.stop()
    browser.execute_script(
        "document.getElementById('trace').dataset.basis = ''; dispatchEvent(new Event('resize'))"
    )
    press(browser, "n", "p")
    hands.until("(document.getElementById('trace').dataset.basis || '') !== ''")
    hands.until("document.getElementById('trace').dataset.basis.split(' ').every((b) => b !== 'none')")
    assert trace.get_attribute("data-ready") == "true"
    assert over.practice.reviewer.process_id not in (None, process)
    assert hands.browser.execute_script("return document.getElementById('alert').hidden")
