"""Criteria that ask for the heart rate: computed with an ECG, refused without one.

Castroflorio et al., IEEE J Biomed Health Inform 2013;17:994-1001 (threshold and heart-rate rule read in
the abstract). Ikeda et al., J Orofac Pain 1996;10:270-282 (threshold read, duration and heart rate from
memory).
"""

import numpy as np
import pytest

from sleepbrux import reference as calibration
from sleepbrux.archive.file import load_night, save_night
from sleepbrux.core.errors import CriterionError, UsageError
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import find_window
from sleepbrux.scoring.night import rescore, score, score_night
from sleepbrux.signal.swept import sweep_recording
from tests.nights import LABELS, RATE, recording_of, rhythm, signal_of


def test_castroflorio_asks_for_a_rise_of_more_than_25_per_cent_within_1_s():
    rule = load_criterion("castroflorio2013_emg_hr")
    assert rule.threshold.level_pct_mvc == 10
    heart = rule.heart_rate
    assert (heart.rise_pct, heart.comparison, heart.within_s) == (25, ">", 1)
    assert rule.sources["heart_rate.rise_pct"].status == "read"


def test_ikeda_asks_for_3_s_and_5_per_cent_and_says_that_both_are_recalled():
    rule = load_criterion("ikeda1996")
    assert (rule.threshold.level_pct_mvc, rule.burst.minimum_s) == (10, 3)
    assert rule.heart_rate.rise_pct == 5
    assert rule.sources["burst.minimum_s"].status == "from memory"
    assert rule.sources["heart_rate.rise_pct"].status == "from memory"


@pytest.mark.parametrize("name", ["castroflorio2013_emg_hr", "ikeda1996"])
def test_they_are_not_computed_as_if_the_heart_rate_did_not_matter(name):
    recording = recording_of([rhythm(20, 4)], seconds=60)
    with pytest.raises(UsageError, match=r"needs the heart rate.*no ECG channel"):
        score_night(recording, calibration.given(LABELS[:1], 200.0), name)


ONSETS = (120.0, 180.0, 240.0)
RISE_PCT = (40.0, 12.0, 0.0)  # what the heart does in the second before each
SECONDS = 300


def beats_of():
    """60 a minute, and from 2 s before each onset to 4 s after it faster by its rise."""
    found, now = [], 0.4
    while now < SECONDS - 0.2:
        found.append(now)
        near = [r for a, r in zip(ONSETS, RISE_PCT, strict=True) if a - 2 <= now < a + 4]
        now += 1.0 / (1 + near[0] / 100) if near else 1.0
    return found


def with_heart(label="ECG", noise_from=None, seconds=SECONDS):
    """Three events of 3.5 s, a rise of the heart rate before each, and an ECG that shows it."""
    jaw = signal_of([(a, a + 3.5, 80.0) for a in ONSETS], seconds=seconds)
    t = np.arange(len(jaw)) / RATE
    ecg = np.random.default_rng(1).normal(0, 10, len(t))
    for beat in beats_of():
        near = slice(*np.searchsorted(t, [beat - 0.1, beat + 0.1]))
        ecg[near] += 1000 * np.exp(-0.5 * ((t[near] - beat) / 0.011) ** 2)
    if noise_from is not None:
        ecg[int(noise_from * RATE) :] = np.random.default_rng(2).normal(
            0, 800, len(t[int(noise_from * RATE) :])
        )
    return from_array(np.stack((jaw, ecg)), RATE, [LABELS[0], label])


@pytest.fixture(scope="module")
def swept():
    return sweep_recording(with_heart())


def scored(swept, rule):
    return score(
        swept,
        criterion=rule,
        window=find_window((), SECONDS),
        reference=calibration.given(LABELS[:1], 200.0),
    )


def onsets(night):
    table = night.episodes
    return [round(float(s * table.grid.slot_s)) for s in table.starts[night.selection.episodes]]


@pytest.mark.parametrize(
    ("rise", "counted"),
    [(5.0, [120, 180]), (10.0, [120, 180]), (20.0, [120]), (25.0, [120]), (45.0, [])],
)
def test_only_events_with_the_rise_count(swept, rise, counted):
    rule = load_criterion("castroflorio2013_emg_hr").derive({"heart_rate.rise_pct": rise})
    night = scored(swept, rule)
    assert len(night.episodes) == 3  # the others stay in the table
    assert onsets(night) == counted


def test_a_rise_seconds_before_the_onset_needs_a_window_that_reaches_it(swept):
    rule = load_criterion("ikeda1996")
    assert onsets(scored(swept, rule)) == [120, 180]


def test_the_night_mean_is_another_baseline(swept):
    rule = load_criterion("castroflorio2013_emg_hr").derive({"heart_rate.baseline": "night_mean"})
    assert onsets(scored(swept, rule)) == [120]


def test_hours_hold_only_time_in_which_the_heart_rate_is_known(swept):
    all_known = scored(swept, load_criterion("ikeda1996")).measures["valid_hours"].value
    noisy = sweep_recording(with_heart(noise_from=200))
    night = scored(noisy, load_criterion("ikeda1996"))
    # the first 40 s have no half minute of heart rate that ends 10 s before
    assert 255 / 3600 < all_known < 262 / 3600
    assert night.measures["valid_hours"].value < 165 / 3600
    assert onsets(night) == [120, 180]


def test_a_pulse_wave_is_refused_for_a_window_of_one_second():
    wave = sweep_recording(with_heart("Pleth"))
    with pytest.raises(UsageError, match="pulse wave 'Pleth' comes too late"):
        scored(wave, load_criterion("castroflorio2013_emg_hr"))


def test_rescoring_from_the_archive_keeps_the_heart(swept, tmp_path):
    night = scored(swept, load_criterion("ikeda1996"))
    save_night(night, tmp_path / "a.night.h5")
    loaded = load_night(tmp_path / "a.night.h5")
    again = rescore(loaded, "castroflorio2013_emg_hr")
    assert onsets(again) == onsets(scored(swept, load_criterion("castroflorio2013_emg_hr")))


def test_the_settings_are_changed_like_any_other():
    rule = load_criterion("castroflorio2013_emg_hr").derive({"heart_rate.rise_pct": 20.0})
    assert rule.heart_rate.rise_pct == 20
    with pytest.raises(CriterionError, match="has no section heart_rate"):
        load_criterion("lavigne1996").derive({"heart_rate.rise_pct": 20.0})
