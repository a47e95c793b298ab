"""What lies below the muscle's band neither hides a burst nor makes one: a night with it and without."""

from functools import cache

import numpy as np
import pytest
from scipy import signal
from scipy.interpolate import PchipInterpolator

from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import find_window
from sleepbrux.reference import given
from sleepbrux.scoring.events import find_events
from sleepbrux.signal.slow_swings import _shifted
from sleepbrux.signal.swept import sweep_recording
from tests.signal.test_contact import shaped

RATE, SECONDS, MVC_UV = 1000, 900, 200.0
LABELS = ["EMG Masseter L", "EMG Masseter R"]
CRITERIA = ("phasic_tonic_10mvc", "submaximal_12mvc", "aasm", "maeda2019_2xbaseline")


def trains():
    """(start, stop, µV) of every burst: each 20 s five of 0.6 s, or one of 4 s."""
    rng = np.random.default_rng(31)  # a seed that no limit was chosen on
    found = []
    for second in range(15, SECONDS - 15, 20):
        level = MVC_UV * float(np.exp(rng.uniform(np.log(0.5), np.log(2.0))))
        if rng.random() < 0.25:
            found.append((second, second + 4.0, level))
        else:
            found += [(second + 1.1 * k, second + 1.1 * k + 0.6, level) for k in range(5)]
    return found


@cache
def night(median_hz=106):
    rng = np.random.default_rng(5)
    level = np.full((2, SECONDS * RATE), 2.6)
    for start, stop, uv in trains():
        level[:, round(start * RATE) : round(stop * RATE)] = uv
    noise = np.stack([shaped(rng, level.shape[1], RATE, median_hz) for _ in range(2)])
    return level * noise + rng.normal(0, 0.8, level.shape)


def slow_swings(range_uv):
    """A swing below 4 Hz under each burst and nowhere else."""
    rng = np.random.default_rng(6)
    low = signal.butter(4, 3.5, fs=RATE, output="sos")
    wander = signal.sosfiltfilt(low, rng.standard_normal(SECONDS * RATE))
    wander *= range_uv / 4 / wander.std()
    window = np.zeros(SECONDS * RATE)
    for start, stop, _ in trains():
        a, b = round((start - 0.3) * RATE), round((stop + 0.3) * RATE)
        window[a:b] = np.maximum(window[a:b], signal.windows.tukey(b - a, 0.6))
    return wander * window


def pop(rng):
    """Up in 5-20 ms to 1-5 mV, the other way to 0.2-1.1 of it, back in 100-200 ms."""
    rise, lobe, after = rng.uniform(0.005, 0.02), rng.uniform(0.2, 1.1), rng.uniform(0.015, 0.04)
    back = rng.uniform(0.1, 0.2)
    at = (-1, 0, rise, rise + after, rise + after + 0.35 * back, rise + after + back, 5)
    curve = PchipInterpolator(at, (0, 0, 1, -lobe, -0.35 * lobe, 0, 0))
    size = np.exp(rng.uniform(np.log(1000), np.log(5000))) * rng.choice([-1, 1])
    return size * curve(np.arange(300) / RATE - 0.02)


def pops(where):
    rng = np.random.default_rng(7)
    if where == "on bursts":
        times = [rng.uniform(a + 0.05, b - 0.25) for a, b, _ in trains()]
    else:
        times = []
        for second in range(25, SECONDS - 15, 20):
            start = second + rng.uniform(0, 3)
            times += (start + np.cumsum(rng.uniform(0.12, 0.45, rng.integers(1, 6)))).tolist()
    total = np.zeros(SECONDS * RATE)
    for second in times:
        total[round(second * RATE) :][:300] += pop(rng)
    return total


def sweat():
    """Skin potential that wanders by some 300 µV below 0.5 Hz."""
    low = signal.butter(2, 0.5, fs=RATE, output="sos")
    drift = signal.sosfiltfilt(low, np.random.default_rng(8).standard_normal(SECONDS * RATE))
    return 300 * drift / drift.std()


def crackle():
    """Trains of small pops of 20-150 µV at rest, 2 s long."""
    rng = np.random.default_rng(9)
    total = np.zeros(SECONDS * RATE)
    for second in range(27, SECONDS - 15, 60):
        for start in second + np.cumsum(rng.uniform(0.1, 0.5, 6)):
            total[round(start * RATE) :][:300] += pop(rng) * 0.03
    return total


ADDED = {
    "slow 1 mV": lambda: slow_swings(1000.0),
    "slow 3 mV": lambda: slow_swings(3000.0),
    "pops on bursts": lambda: pops("on bursts"),
    "pops at rest": lambda: pops("at rest"),
    "sweat": sweat,
    "crackle": crackle,
}


@cache
def swept(name="", median_hz=106):
    data = night(median_hz).copy()
    if name:
        data[0] += ADDED[name]()
    return sweep_recording(from_array(data, RATE, LABELS))


def scored(name, criterion, median_hz=106):
    one = swept(name, median_hz)
    return find_events(
        one,
        criterion=load_criterion(criterion),
        window=find_window((), one.duration_s),
        reference=given(LABELS, dict.fromkeys(LABELS, MVC_UV)),
    )


@pytest.mark.parametrize("criterion", CRITERIA)
@pytest.mark.parametrize("name", ADDED)
def test_what_lies_below_the_band_changes_no_episode(name, criterion):
    clean, bad = scored("", criterion), scored(name, criterion)
    kinds = [[e.episodes.kind[k] for k in e.selection.episodes] for e in (clean, bad)]
    assert len(kinds[0]) > 30
    assert kinds[0] == kinds[1]


@pytest.mark.parametrize("median_hz", [60, 106, 140])
@pytest.mark.parametrize("name", ["slow 1 mV", "pops on bursts"])
def test_no_time_is_lost_to_it_whatever_the_muscles_spectrum(name, median_hz):
    assert {r for q in swept(name, median_hz).quality for r in q.faults} == {"settling"}


def test_a_burst_under_a_pop_keeps_its_peak():
    clean, bad = (swept(name).envelope(0, "rms", 0.125).level for name in ("", "pops on bursts"))
    change = np.array(
        [
            bad[round(100 * a) : round(100 * b)].max() / clean[round(100 * a) : round(100 * b)].max()
            for a, b, _ in trains()
        ]
    )
    assert np.mean(np.abs(change - 1) <= 0.1) >= 0.85
    assert abs(np.median(change) - 1) <= 0.03
    assert change.max() < 1.25


def test_a_clean_night_is_not_touched():
    for median_hz in (60, 106, 140):
        for quality in swept("", median_hz).quality:
            assert set(quality.faults) == {"settling"}
            if median_hz > 60:  # a spectrum so low has peaks of a pop's shape, a few in a quarter of an hour
                assert not [note for note in quality.notes if note.code == "pops-repaired"]


@pytest.mark.parametrize("n", [0, 1, 2, 7])
def test_shifted_frames_repeat_the_first_and_the_last(n):
    values = np.random.default_rng(n).normal(size=(3, n))
    shifted, lone = _shifted(values, 9), _shifted(values[1], 9)
    for lag in range(-9, 10):
        at = np.clip(np.arange(n) + lag, 0, n - 1)
        np.testing.assert_array_equal(shifted(lag), values[:, at])
        np.testing.assert_array_equal(lone(lag), values[1, at])
