"""Beats of a real ECG against its experts, artefacts, and the heart rate before an onset."""

import warnings
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.recording.memory import from_array
from sleepbrux.signal import heart as room

ECG = Path(__file__).resolve().parents[3] / "shared" / "data" / "ecg" / "100"
TOLERANCE_S = 0.15


def beats_at(rate_per_min, seconds, start=0.5):
    return np.arange(start, seconds, 60.0 / rate_per_min)


def heart_of(beats):
    beats = np.asarray(beats, dtype=np.float64)
    return room.Heart("ECG", "ecg", beats, room.trust(beats, np.ones(len(beats), dtype=bool)))


def ecg(beats, seconds, rate=250, noise=0.01, seed=0):
    """QRS-like spikes of 1 mV at these seconds, in µV."""
    t = np.arange(round(seconds * rate)) / rate
    signal = np.random.default_rng(seed).normal(0, noise, len(t))
    for beat in beats:
        near = slice(*np.searchsorted(t, [beat - 0.1, beat + 0.1]))
        signal[near] += np.exp(-0.5 * ((t[near] - beat) / 0.011) ** 2)
        signal[near] -= 0.2 * np.exp(-0.5 * ((t[near] - beat - 0.035) / 0.012) ** 2)
    return 1000 * signal


def matched(found_s, true_s):
    """One-to-one pairs within the tolerance, both lists sorted."""
    pairs, k = 0, 0
    for beat in true_s:
        while k < len(found_s) and found_s[k] < beat - TOLERANCE_S:
            k += 1
        if k < len(found_s) and found_s[k] <= beat + TOLERANCE_S:
            pairs, k = pairs + 1, k + 1
    return pairs


@pytest.fixture(scope="module")
def record_100():
    """MIT-BIH Arrhythmia Database, record 100 (Moody & Mark 2001): 30 min, 2,273 beats."""
    if not ECG.with_suffix(".dat").exists():
        pytest.skip("needs ../shared/data/ecg (MIT-BIH record 100)")
    wfdb = pytest.importorskip("wfdb")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        record, marks = wfdb.rdrecord(str(ECG)), wfdb.rdann(str(ECG), "atr")
    beats = [s for s, c in zip(marks.sample, marks.symbol, strict=True) if c in "NLRBAaJSVrFejnE/fQ"]
    return from_array(record.p_signal[:, 0] * 1000, 360, ["ECG"]), np.array(beats) / 360


@pytest.mark.shows("outside-beats")
def test_mit_bih_record_100_beat_by_beat(record_100):
    recording, true_s = record_100
    assert len(true_s) == 2273
    found = room.find_beats(recording, recording.channels[0])
    hits = matched(found.beats_s, true_s)
    assert hits / len(true_s) >= 0.999  # sensitivity
    assert hits / len(found.beats_s) >= 0.999  # positive predictive value


def test_the_early_beats_of_record_100_do_not_say_the_heart_rate(record_100):
    recording, _ = record_100
    found = room.find_beats(recording, recording.channels[0])
    # 33 atrial premature beats and one ventricular one among 2,273
    assert 0.90 < found.trusted.mean() < 0.99
    start, stop = found.intervals()
    # the record's heart rate is 70 to 89 a minute (record notes of the database, from memory)
    assert 55 < 60 / (stop - start).max() < 60 / (stop - start).min() < 105


def test_the_block_length_changes_no_beat(record_100, monkeypatch):
    recording, _ = record_100
    whole = room.find_beats(recording, recording.channels[0])
    monkeypatch.setattr(room, "CORE_S", 173.0)
    parts = room.find_beats(recording, recording.channels[0])
    assert matched(parts.beats_s, whole.beats_s) == len(whole.beats_s) == len(parts.beats_s)


def test_every_beat_of_a_clean_ecg_is_found_where_it_is():
    true_s = beats_at(66, 120)
    recording = from_array(ecg(true_s, 120), 250, ["ECG II"])
    found = room.find_beats(recording, recording.channels[0])
    assert len(found.beats_s) == len(true_s)
    assert np.abs(found.beats_s - true_s).max() < 0.02
    assert found.trusted[1:].mean() > 0.98


def test_muscle_noise_over_the_ecg_gives_no_trusted_interval():
    signal = ecg(beats_at(60, 180), 180)
    signal[60 * 250 : 80 * 250] += np.random.default_rng(1).normal(0, 1500, 20 * 250)
    recording = from_array(signal, 250, ["ECG"])
    found = room.find_beats(recording, recording.channels[0])
    inside = (found.beats_s > 61) & (found.beats_s < 79)
    assert found.trusted[inside].mean() < 0.1
    assert found.trusted[(found.beats_s > 90) & (found.beats_s < 170)].all()


def test_no_interval_crosses_a_gap():
    signal = ecg(beats_at(60, 120), 120)
    signal[50 * 250 : 51 * 250] = np.nan
    recording = from_array(signal, 250, ["ECG"])
    found = room.find_beats(recording, recording.channels[0])
    start, stop = found.intervals()
    assert not ((start < 50) & (stop > 51)).any()


@pytest.mark.parametrize("signal", [np.zeros(2500), np.full(2500, 7.0), np.ones(3)])
def test_a_flat_or_tiny_channel_has_no_beat(signal):
    recording = from_array(signal, 250, ["ECG"])
    assert len(room.find_beats(recording, recording.channels[0]).beats_s) == 0


def test_an_early_beat_an_extra_beat_and_a_missed_beat_are_not_trusted():
    steady = beats_at(60, 60)
    assert heart_of(steady).trusted[1:].all()
    early = steady.copy()
    early[20] -= 0.35
    assert not heart_of(early).trusted[20:22].any()
    extra = np.sort(np.append(steady, steady[20] + 0.45))
    assert not heart_of(extra).trusted[21:23].any()
    missed = np.delete(steady, 20)
    assert not heart_of(missed).trusted[20]
    for changed in (early, extra, missed):
        assert heart_of(changed).trusted[30:].all()


def test_a_sudden_rise_by_a_third_stays_trusted():
    beats = np.concatenate((beats_at(60, 30), 30 + beats_at(80, 10, 0.25), 40 + beats_at(60, 20)))
    assert heart_of(beats).trusted[1:].all()


def test_rate_before_an_onset_is_the_highest_of_the_window():
    # steady at 60 a minute, then one interval of 0.75 s (80 a minute) that ends at 100.0
    beats = np.append(np.arange(0.25, 99.5, 1.0), 100.0)
    heart = heart_of(np.append(beats, np.arange(101.0, 130.0)))
    onsets = np.array([100.2, 102.5, 60.0])
    assert room.highest_before(heart, onsets, 1.0) == pytest.approx([80, 60, 60])
    assert room.highest_before(heart, onsets, 5.0) == pytest.approx([80, 80, 60])
    assert room.usual_before(heart, onsets, 60, 10) == pytest.approx([60, 60, 60])


def test_nothing_is_said_of_an_onset_before_the_ecg_begins_or_after_it_ends():
    heart = heart_of(np.arange(100.0, 200.0))
    onsets = np.array([50.0, 150.0, 230.0])
    assert np.isnan(room.highest_before(heart, onsets, 1.0)).tolist() == [True, False, True]
    known = room.judged_seconds(heart, 300, 1.0, 60.0, 10.0)
    assert not known[50]
    assert not known[120]  # no 30 s of heart rate in the minute that ends 10 s before
    assert known[190]
    assert not known[230]


def test_a_pulse_wave_gives_its_rate():
    t = np.arange(0, 300, 1 / 64)
    wave = np.sin(2 * np.pi * 1.1 * t) + 0.4 * np.sin(4 * np.pi * 1.1 * t + 0.5)
    recording = from_array(wave, 64, ["Pleth"])
    channel = room.usable_heart(recording.channels)
    found = room.find_beats(recording, channel)
    assert found.kind == "pulse wave"
    assert room.night_mean_rate(found, ((0, 300),)) == pytest.approx(66, abs=0.5)


def test_an_ecg_comes_before_a_pulse_wave_and_a_series_of_rates_is_not_a_wave():
    both = from_array(np.ones((2, 500)), 250, ["Pleth", "ECG"])
    assert room.usable_heart(both.channels).label == "ECG"
    assert room.usable_heart(from_array(np.ones((1, 50)), 1, ["Heart rate"]).channels) is None
