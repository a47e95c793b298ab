"""The forms beside the way to the letter, by keys alone and against axe, in one session of a headless browser."""

import os
import shutil
from pathlib import Path

import pytest
from selenium.webdriver import ActionChains, Keys

from sleepbrux.study.editing import new_study
from sleepbrux.study.file import load_study
from tests.report.test_accessibility import violations

pytestmark = pytest.mark.browser
STAGES = b"onset,duration,stage\n0,30,W\n30,30,N2\n60,30,REM\n"


def press(hands, *keys):
    for key in keys:
        ActionChains(hands.browser).send_keys(key).perform()


def tab_to(hands, test):
    """Go by the tab key, from the beginning of the page, to what fits."""
    hands.browser.execute_script("document.getElementById('skip').focus()")
    for _ in range(150):
        press(hands, Keys.TAB)
        if hands.browser.execute_script(f"const e = document.activeElement; return {test}"):
            return
    raise AssertionError(f"the tab key never comes to {test}")


def looked_at(hands, name):
    """No violation, and nothing to the side of the window; a picture where one is asked for."""
    for width in (1024, 1280):
        hands.browser.set_window_size(width, 900)
        wide = hands.browser.execute_script("return document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0, (name, width, wide)
        if pictures := os.environ.get("PRACTICE_PICTURES"):
            hands.browser.save_screenshot(str(Path(pictures) / f"form-{name}-{width}.png"))
    assert violations(hands.browser) == [], name


def test_every_form_beside_the_way_by_keys_alone(hands, over, tmp_path):
    file = over.practice.study_file

    hands.go("score")
    tab_to(hands, "e.id === 'rules'")
    press(hands, Keys.ARROW_DOWN)
    hands.until("!document.body.dataset.busy && document.body.dataset.at === 'score'")
    hands.until("document.getElementById('told').innerText.includes('written to the study file')")
    assert load_study(file).criterion != "phasic_tonic_10mvc"
    looked_at(hands, "rules")
    over.do("undo")

    hands.go("compare")
    hands.until("document.querySelectorAll('#answers li').length > 0", 240)
    tab_to(hands, "e.name === 'spread'")
    press(hands, Keys.ARROW_DOWN)
    tab_to(hands, "e.tagName === 'SUMMARY' && e.closest('#plan-form')")
    press(hands, Keys.ENTER)
    tab_to(hands, "e.name === 'ratio'")
    press(hands, "0.4")
    tab_to(hands, "e.name === 'rate'")
    press(hands, "4", Keys.ENTER)
    hands.until("document.querySelectorAll('#planned li').length === 1", 240)
    assert "to 0.4 times" in hands.text("#planned")
    hands.idle()
    looked_at(hands, "plan")

    hands.go("clenches/0")
    hands.until("document.getElementById('clench-trace') !== null", 240)
    tab_to(hands, "e.dataset.do === 'clench-test'")
    press(hands, Keys.ENTER)
    hands.until("document.getElementById('main').innerText.includes('clenches under two conditions')", 240)
    hands.idle()
    looked_at(hands, "clench-test")

    (file.parent / "stages.csv").write_bytes(STAGES)
    hands.go("nights")
    hands.until(
        "document.getElementById('h-drop').parentElement.innerText.includes('stages.csv: sleep stages')"
    )
    looked_at(hands, "beside")
    hands.go("night/0")
    tab_to(hands, "e.name === 'stages'")
    press(hands, Keys.ARROW_DOWN)
    hands.until("document.getElementById('told').innerText.includes('written to the study file')")
    assert load_study(file).night[0].stages == "stages.csv"
    looked_at(hands, "night")
    over.do("undo")
    tab_to(hands, "e.name === 'size'")
    press(hands, Keys.ENTER)
    hands.until("location.pathname === '/sample' && document.body.dataset.ready === '1'")
    assert violations(hands.browser) == []

    other = tmp_path / "other"
    other.mkdir()
    new_study(other / "study.toml", pseudonym="P-02", nights=0)
    (other / "n.csv").write_text("masseter left uV,masseter right uV\n" + "1,2\n3,4\n" * 1500, "utf-8")
    over.practice.open(other / "study.toml")
    hands.come(over.address())
    hands.go("arrival")
    looked_at(hands, "arrival")
    tab_to(hands, "e.name === 'record_duration_s'")
    tab_to(hands, "e.name === 'data_sets'")
    tab_to(hands, "e.name === 'rate_hz'")
    press(hands, "1000", Keys.ENTER)
    hands.until("document.getElementById('told').innerText.includes('1 recording added')")
    assert load_study(other / "study.toml").rate_hz == 1000
    assert [e for e in hands.browser.get_log("browser") if e["level"] == "SEVERE"] == []
    hands.browser.set_window_size(1280, 1600)
    shutil.rmtree(other)
