"""What is taken out as heart or spike is no muscle, and what is left of either counts nowhere."""

import numpy as np
import pytest

from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.scoring.bursts import find_bursts
from sleepbrux.scoring.thresholds import thresholds
from sleepbrux.signal.envelope import follow
from sleepbrux.signal.quality import examine
from sleepbrux.signal.sweep import sweep
from sleepbrux.synth.heart import qrs
from tests.signal.test_contact import shaped

SECONDS, RATE = 900, 1000


def muscle(bursts, *, seed=1, rate=RATE, median_hz=106):
    """Rest of 2.6 µV and bursts of (start_s, stop_s, µV)."""
    rng = np.random.default_rng(seed)
    level = np.full(SECONDS * rate, 2.6)
    for start, stop, uv in bursts:
        level[round(start * rate) : round(stop * rate)] = uv
    return level * shaped(rng, len(level), rate, median_hz) + rng.normal(0, 0.8, len(level))


def looked_at(data, rate=RATE, beats_s=None):
    """Frames before and after, what can be scored, and the codes of the notes."""
    recording = from_array(data[None], rate, ["EMG Masseter L"])
    (frames,) = sweep(recording, recording.channels)
    after, quality = examine(frames, beats_s)
    return frames, after, quality, {note.code for note in quality.notes}


def kept(bursts, frames, after):
    """Level that is left of the bursts, as a share."""
    inside = np.zeros(len(frames.energy), dtype=bool)
    for start, stop, _ in bursts:
        inside[round(100 * start) + 1 : round(100 * stop)] = True
    return np.sqrt(after.energy[inside].mean() / frames.energy[inside].mean())


TRAINS = [(s + 1.1 * k, s + 1.1 * k + 0.6, 80.0) for s in range(20, 860, 60) for k in range(5)]


@pytest.mark.parametrize("rate", [200, 256, 512])
@pytest.mark.parametrize("bursts", [[], TRAINS])
def test_emg_alone_has_no_heart_at_a_low_rate(rate, bursts):
    for median_hz in (60, 140):
        assert "heart-removed" not in looked_at(muscle(bursts, rate=rate, median_hz=median_hz), rate)[3]


@pytest.mark.parametrize("per_second", [0.8, 1.05, 1.5])
@pytest.mark.parametrize("length", [0.06, 0.1])
def test_twitches_at_the_pace_of_a_heart_are_no_heart(per_second, length):
    rng = np.random.default_rng(5)
    at = np.cumsum(rng.normal(1 / per_second, 0.02, int(800 * per_second))) + 20
    twitches = [(a, a + length, 60.0) for a in at[at < SECONDS - 20]]
    frames, after, _, codes = looked_at(muscle(twitches))
    assert "heart-removed" not in codes
    assert kept(twitches, frames, after) > 0.95


@pytest.mark.parametrize("length", [0.06, 0.08])
def test_twitches_of_60_to_80_ms_are_no_spikes(length):
    at = np.cumsum(np.random.default_rng(6).uniform(5, 10, 100)) + 5
    twitches = [(a, a + length, 60.0) for a in at if a < SECONDS - 5]
    frames, after, _, _ = looked_at(muscle(twitches))
    assert kept(twitches, frames, after) > 0.9


@pytest.mark.parametrize("per_second", [8, 12, 15])
def test_a_motor_unit_that_fires_is_not_excluded(per_second):
    data, rng = muscle([]), np.random.default_rng(7)
    t = np.arange(-8, 9) / RATE / 0.0022
    unit = -80 * 1.65 * t * np.exp(-0.5 * t * t)
    for start in range(30, 860, 28):
        for at in start + np.cumsum(rng.normal(1 / per_second, 0.12 / per_second, 8 * per_second)):
            data[round(at * RATE) - 8 : round(at * RATE) + 9] += unit
    _, _, quality, _ = looked_at(data)
    assert (~quality.usable).duration_s < 10  # of 240 s of firing


@pytest.mark.parametrize("by_ecg", [False, True])
@pytest.mark.parametrize("irregular", [False, True])
@pytest.mark.parametrize("height_uv", [100.0, 200.0])
def test_what_is_left_of_heart_beats_counts_nowhere(height_uv, irregular, by_ecg):
    rng = np.random.default_rng(8)
    spread = rng.normal(0.85, 0.25, 1300) if irregular else rng.normal(1.0, 0.05, 1000)
    beats = np.cumsum(spread.clip(0.35, 1.9)) + 2
    beats = beats[beats < SECONDS - 2]
    data, shape = muscle(TRAINS), height_uv * qrs(RATE)
    clean = looked_at(data)
    for beat in beats:
        first = round(beat * RATE) - len(shape) // 2
        data[first : first + len(shape)] += shape
    bad = looked_at(data, beats_s=beats if by_ecg else None)
    for name in ("phasic_tonic_10mvc", "aasm"):
        counts = []
        for _, frames, quality, _ in (clean, bad):
            rule = load_criterion(name)
            window_s = rule.envelope.window_s
            level = follow(frames, quality.usable, amplitude="rms", window_s=window_s)
            threshold = thresholds(level, quality.usable, rule, 200.0)
            found = find_bursts(level, quality.usable, rule, threshold, label="L")
            counts.append(np.bincount(found.kind, minlength=4).tolist())
        assert counts[0] == counts[1]


@pytest.mark.parametrize("n", range(1, 12))
def test_any_count_of_spikes_is_looked_at(n):
    data = muscle([])
    for second in range(30, 30 + 20 * n, 20):
        data[second * RATE] += 3000
    assert "spikes-removed" in looked_at(data)[3]
