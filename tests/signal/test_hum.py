"""Mains taken out of a night leaves its bursts where they are: the same night with hum and without."""

from functools import cache
from pathlib import Path

import numpy as np
import pytest

import sleepbrux.criteria
from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import find_window
from sleepbrux.reference import given
from sleepbrux.scoring.bursts import find_bursts
from sleepbrux.scoring.events import amplitude_of, find_events
from sleepbrux.scoring.thresholds import thresholds
from sleepbrux.signal.swept import sweep_recording

RATE, SECONDS, MVC_UV = 1000, 900, 200.0
LABELS = ["EMG Masseter L", "EMG Masseter R"]
PRESETS = sorted(p.stem for p in (Path(sleepbrux.criteria.__file__).parent / "presets").glob("*"))
OTHER_CHANNELS = {
    "castroflorio2013_emg_hr",
    "ikeda1996",
    "aasm_chin",
}  # rules that read an ECG too, or a chin
HUMS = {
    "weak": ((50.02, 3.0, 0.0),),
    "usual": ((50.02, 9.0, 0.0),),
    "strong and wandering": ((60.05, 100.0, 0.1),),
    "both mains": ((50.0, 20.0, 0.0), (60.03, 20.0, 0.0)),
}


def night():
    """Both sides: rest, and every 20 s a train of bursts of 30-150 % MVC or one long one."""
    from tests.signal.test_contact import shaped

    rng = np.random.default_rng(77)  # a seed that no limit was chosen on
    level = np.full((2, SECONDS * RATE), 2.6)
    for second in range(15, SECONDS - 15, 20):
        amplitude = MVC_UV * float(np.exp(rng.uniform(np.log(0.3), np.log(1.5))))
        long = rng.random() < 0.25
        for k in range(1 if long else 5):
            start = second + k * 1.1
            stop = start + (4.0 if long else 0.6)
            level[:, round(start * RATE) : round(stop * RATE)] = amplitude
    noise = np.stack([shaped(rng, level.shape[1], RATE, 106) for _ in range(2)])
    return level * noise + rng.normal(0, 0.8, level.shape)


def hum(parts):
    t = np.arange(SECONDS * RATE) / RATE
    total = np.zeros(len(t))
    for hz, amplitude, wander_hz in parts:
        turned = 2 * np.pi * (hz * t + np.cumsum(wander_hz * np.sin(2 * np.pi * t / 300)) / RATE)
        total += amplitude * (np.sin(turned) + 0.3 * np.sin(3 * turned + 1))
    return total


@cache
def swept(name=""):
    data = night() + (hum(HUMS[name]) if name else 0.0)
    return sweep_recording(from_array(data, RATE, LABELS))


@cache
def bursts(name, preset):
    night, criterion = swept(name), load_criterion(preset)
    found = []
    for k, quality in enumerate(night.quality):
        window_s = criterion.envelope.window_s
        amplitude = criterion.envelope.amplitude or "rms"
        envelope = night.envelope(k, amplitude, window_s)
        threshold = thresholds(envelope, quality.usable, criterion, MVC_UV)
        found.append(find_bursts(envelope, quality.usable, criterion, threshold, label=LABELS[k]))
    return found


def pairs(a, b):
    """(i, j) of the bursts of two scorings that overlap one to one."""
    first, after = np.searchsorted(b.stops, a.starts, "right"), np.searchsorted(b.starts, a.stops)
    i = np.flatnonzero(after - first == 1)
    return i, first[i]


@pytest.mark.parametrize("preset", PRESETS)
@pytest.mark.parametrize("name", HUMS)
def test_hum_changes_no_count_no_kind_and_no_edge(name, preset):
    edges, kinds, n_before, n_after = [], [], 0, 0
    for clean, hummed in zip(bursts("", preset), bursts(name, preset), strict=True):
        n_before, n_after = n_before + (clean.kind > 0).sum(), n_after + (hummed.kind > 0).sum()
        i, j = pairs(clean, hummed)
        kinds += (clean.kind[i] != hummed.kind[j]).tolist()
        moved = (hummed.starts[j] - clean.starts[i], hummed.stops[j] - clean.stops[i])
        edges += (10.0 * np.stack(moved, axis=1)).tolist()
    assert n_before >= 16
    assert abs(n_after - n_before) <= max(0.01 * n_before, 1)
    assert np.mean(kinds) <= 0.01
    assert np.abs(np.mean(edges, axis=0)).max() <= 5.0
    assert np.median(np.abs(edges)) == 0


@pytest.mark.parametrize("preset", [p for p in PRESETS if p not in OTHER_CHANNELS])
@pytest.mark.parametrize("name", HUMS)
def test_hum_changes_no_episode(name, preset):
    criterion = load_criterion(preset)
    amplitude = amplitude_of(criterion, None)
    found = [
        find_events(
            one,
            criterion=criterion,
            window=find_window((), one.duration_s),
            reference=given(LABELS, dict.fromkeys(LABELS, MVC_UV), amplitude=amplitude),
        )
        for one in (swept(), swept(name))
    ]
    clean, hummed = ([e.episodes.kind[k] for k in e.selection.episodes] for e in found)
    assert len(clean) > 30
    assert hummed == clean
