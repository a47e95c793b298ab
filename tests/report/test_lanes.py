"""Stages, heart rate and the probability of being awake below the strip, where the night has them."""

from dataclasses import replace

import numpy as np
import pytest

from sleepbrux.report.lanes import heart, stages, wake_probability
from sleepbrux.report.night_page import render_night
from sleepbrux.signal.heart import Heart
from sleepbrux.signal.surroundings.model import STAGES, Stages, Surroundings
from sleepbrux.signal.wake import WakeProbability

from .test_in_browser import opened, press, sized, unsized, until


@pytest.fixture(scope="module")
def surrounded(night):
    """One beat a second, two a second from 300 s on, with a minute that is not trusted."""
    beats = np.concatenate((np.arange(0.0, 300.0, 1.0), np.arange(300.0, 600.0, 0.5)))
    trusted = np.ones(len(beats), dtype=np.bool_)
    trusted[0] = False
    trusted[(beats > 400) & (beats <= 460)] = False
    spans = np.array([[0.0, 60.0], [60.0, 300.0], [300.0, 600.0]])
    code = np.array([STAGES.index(s) for s in ("wake", "n2", "rem")], dtype=np.int8)
    surroundings = Surroundings(
        heart=Heart("ECG", "ecg", beats, trusted), stages=Stages(spans, code, "marks")
    )
    return replace(night, swept=replace(night.swept, surroundings=surroundings))


@pytest.fixture(scope="module")
def awake(surrounded):
    n = int(surrounded.swept.duration_s // 30)
    probability = np.resize(np.array([0.9, 0.1, np.nan], np.float32), n)
    trusted = np.resize(np.array([1.0, 0.6, 0.2], np.float32), n)
    found = WakeProbability("ECG", "model", "0" * 64, (), probability, trusted)
    surroundings = replace(surrounded.swept.surroundings, wake_probability=found)
    return replace(surrounded, swept=replace(surrounded.swept, surroundings=surroundings))


def test_heart_rate_is_the_median_of_ten_seconds_and_unknown_where_not_trusted(surrounded):
    bpm = heart(surrounded)["bpm"]
    assert bpm[:29] == [60] * 29
    assert bpm[31:40] == [120] * 9
    assert bpm[41:46] == [None] * 5


def test_stages_keep_their_order_and_times(surrounded):
    assert stages(surrounded)["rows"] == ["wake", "REM", "N2"]
    assert stages(surrounded)["spans"] == [[0.0, 60.0, 0], [60.0, 300.0, 2], [300.0, 600.0, 1]]


def test_the_probability_of_being_awake_is_in_percent_with_its_quality_and_null_where_unknown(awake):
    lane = wake_probability(awake)
    assert (lane["step_s"], lane["from_pct"], lane["label"]) == (30, 50, "ECG")
    assert lane["pct"][:3] == [90, 10, None]
    assert lane["trusted_pct"][:3] == [100, 60, 20]


def test_a_night_without_them_has_no_lanes(night):
    assert heart(night) is stages(night) is wake_probability(night) is None


@pytest.mark.browser
def test_the_lanes_are_drawn_and_the_close_up_stays_on_the_first_screen(
    browser, night, surrounded, awake, tmp_path
):
    heights, ends = [], []
    for name, each in (("bare", night), ("full", surrounded), ("awake", awake)):
        path = tmp_path / f"{name}.html"
        path.write_text(render_night(each), encoding="utf-8")
        opened(browser, path)
        press(browser, "n")
        assert browser.get_log("browser") == []
        heights.append(browser.execute_script("return document.getElementById('strip').clientHeight"))
        sized(browser, 1280, 800)
        until(browser, "document.getElementById('strip').dataset.ready")
        end = "return document.getElementById('close-up').getBoundingClientRect().bottom"
        ends.append(browser.execute_script(end))
        unsized(browser)
    # three stages and the heart rate are added, both channels' lanes are 20 px lower
    assert heights[1] - heights[0] == (6 + 12 * 3) + 46 - 2 * 20
    assert heights[2] - heights[1] == 48
    assert max(ends) <= 800
