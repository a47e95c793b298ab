"""The section of the page: which signals there were, both counts, the curve, and what stays unknown."""

import re

import numpy as np
import pytest

from sleepbrux import reference as calibration
from sleepbrux.recording.memory import from_array
from sleepbrux.report.night_page import render_night
from sleepbrux.report.surroundings import faster_than_chewing_pct, signals
from sleepbrux.scoring.context.curve import control_moments, heart_curve, rise_shares
from sleepbrux.scoring.night import rescore, score_night
from sleepbrux.signal.heart import Heart
from tests.nights import LABELS, recording_of, rhythm, signal_of


@pytest.fixture(scope="module")
def page(night):
    return render_night(night)


@pytest.fixture(scope="module")
def bare():
    return score_night(
        recording_of([rhythm(20, 4), rhythm(20, 4)], seconds=90), calibration.given(LABELS, 200.0)
    )


def rows_of(page, table):
    body = page.split(f'<table id="{table}">')[1].split("</table>")[0]
    cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in body.split("<tr>")[2:]]
    return {row[0]: row[1:] for row in cells}


def test_both_counts_stand_side_by_side(page, night):
    rows = rows_of(page, "both-ways")
    m = night.measures
    assert rows["all episodes by the rules"][0] == f"{m['episode_count'].value:.0f}"
    outside = rows["outside wake and body movements"]
    assert outside[0] == f"{m['episodes_outside_wake_and_movement_count'].value:.0f}"
    assert "scored as sleep" in outside[2]
    assert "These signals took no event away" in page


def test_every_signal_is_named_whether_it_is_there_or_not(page, bare):
    with_all, without = rows_of(page, "signals"), rows_of(render_night(bare), "signals")
    assert with_all.keys() == without.keys()
    assert all(row[0] != "none" for row in with_all.values())
    assert all(row[0] == "none" for row in without.values())


def test_a_night_without_signals_says_what_cannot_be_counted(bare):
    page = render_night(bare)
    outside = rows_of(page, "both-ways")["outside wake and body movements"]
    assert outside[:2] == ["n/a", "n/a"]
    assert outside[2].startswith("the recording has neither sleep stages nor")
    assert "all of them count" in page
    assert "not computable" in page
    assert 'id="heart-curve"' not in page
    assert "positive predictive value of 0.23" in page


def test_the_curve_is_drawn_and_described(page):
    assert 'id="heart-curve"' in page
    assert "Mean heart rate around the onset of" in page


def test_the_page_says_how_often_the_chewing_label_is_wrong(page):
    # 1.0 +- 0.3 Hz (Po et al., J Sleep Res 2013;22:593-599): 1 - Phi(0.833)
    assert faster_than_chewing_pct() == pytest.approx(20.2, abs=0.1)
    assert "about one rhythmic episode in five" in page


def test_hours_are_those_of_sleep_only_where_the_rules_say_so(night, bare):
    assert "sleep was not recorded, so time awake counts" in render_night(bare)
    assert "sleep was not recorded" not in render_night(night)
    asleep = rescore(night, night.criterion.derive({"context.wake": "drop_scored"}))
    page = render_night(asleep)
    assert "per hour of scored sleep" in page
    assert "or the rules leave them out" not in page  # the time is gone, not the events alone
    moved = render_night(rescore(night, night.criterion.derive({"context.movement": "drop"})))
    assert "or the rules leave them out" in moved
    assert "The rules of this page leave events out: those in body movements." in moved


def test_a_label_from_a_file_cannot_become_markup():
    jaw, leg = (signal_of(rhythm(20, 4), seconds=60, seed=k) for k in (0, 1))
    recording = from_array(np.stack((jaw, leg)), 1000, [LABELS[0], "EMG Leg <script>alert(1)</script>"])
    night = score_night(recording, calibration.given(LABELS[:1], 200.0))
    assert "<script>alert" not in render_night(night)
    assert "&lt;script&gt;alert" in render_night(night)


def test_a_leg_alone_makes_movements_computable_and_a_chin_does_not():
    def had(label):
        jaw, other = (signal_of(rhythm(20, 4), seconds=60, seed=k) for k in (0, 1))
        recording = from_array(np.stack((jaw, other)), 1000, [LABELS[0], label])
        night = score_night(recording, calibration.given(LABELS[:1], 200.0))
        return next(s for s in signals(night) if s.name.startswith("body movement")).changed

    assert "not computable" not in had("EMG Leg L")
    assert "not computable" in had("EMG Chin")


def beating(beats):
    return Heart("ECG", "ecg", np.array(beats), np.arange(len(beats)) > 0)


def test_the_curve_is_the_mean_over_onsets_in_percent_of_the_usual_rate():
    # 60 a minute; 90 a minute for 10 s from each onset on
    onsets, beats, now = [100.0, 200.0], [], 0.0
    while now < 300:
        beats.append(now)
        now += 2 / 3 if any(a <= now < a + 10 for a in onsets) else 1.0
    curve = heart_curve(beating(beats), np.array(onsets))
    at = dict(zip(curve.offset_s.tolist(), curve.mean_pct.tolist(), strict=True))
    assert curve.n_episodes == 2
    assert (at[-5.0], at[5.0], at[25.0]) == pytest.approx((100, 150, 100))
    assert heart_curve(beating(beats), np.array([100.0])) is None


def test_moments_that_are_no_onset_rise_as_often_as_the_heart_does_anyway():
    beats = np.cumsum(np.tile([1.0] * 19 + [0.8], 40))
    n, shares = rise_shares(beating(beats), np.arange(100.0, 702.0, 7.0), 5.0, (5, 20, 30))
    assert n == 86
    assert 20 < shares[0] == shares[1] < 40  # 5 of every 19.8 s are within reach of it
    assert shares[2] == 0


def test_control_moments_keep_a_minute_from_every_episode(night):
    moments = control_moments(night.episodes, night.selection)
    slot = float(night.episodes.grid.slot_s)
    for a, b in zip(night.episodes.starts * slot, night.episodes.stops * slot, strict=True):
        assert not ((moments > a - 59) & (moments < b + 59)).any()
