"""Where a burst begins and ends: how near its edges come on EMG-shaped noise.

The requirement, on rectangular bursts of 60-140 Hz Gaussian noise of 0.2, 0.5 and 3 s, at 2, 4 and 10
times the threshold, over rest at a tenth and at half of it: median error of the onset at most 10 ms,
of the offset at most 15 ms, 95th percentiles at most 30 ms, mean error of the duration at most 10 ms
either way. At 1.5 times the threshold the medians hold.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest

from sleepbrux.criteria import load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import Window
from sleepbrux.reference import given
from sleepbrux.scoring.events import amplitude_of
from sleepbrux.scoring.night import score_night
from sleepbrux.signal.envelope import odd_frames

from .tables import FRAME, MASSETERS, emg

RULES = load_criterion("phasic_tonic_10mvc")
RAW = RULES.derive({"envelope.edges": "crossing"})
MVC_UV = 200.0
THRESHOLD_UV = 20.0
FRAME_MS = 10
ROUNDING_MS = 1e-6


class Edges(NamedTuple):
    """Errors in ms, one a burst that was found; what was lost or split; found lengths in s."""

    onset_ms: np.ndarray
    offset_ms: np.ndarray
    lost: int
    split: int
    found_s: np.ndarray

    @property
    def duration_ms(self) -> np.ndarray:
        return self.offset_ms - self.onset_ms


def bursts_of(signal_uv, rate, criterion):
    """On- and offsets of the bursts of one channel, in s."""
    night = score_night(
        from_array(signal_uv[None], rate, MASSETERS[:1]),
        given(MASSETERS[:1], MVC_UV, amplitude=amplitude_of(criterion, None)),
        criterion,
        window=Window(((0.0, len(signal_uv) / rate),), "whole test night"),
    )
    (found,) = night.bursts
    slot = float(found.grid.slot_s)
    return found.starts * slot, found.stops * slot


def rectangles(rng, starts, stops, rate, times, rest):
    """Noise at ``times`` the threshold inside the bursts, at ``rest`` times between them."""
    n = int((stops[-1] + 5) * rate)
    signal_uv = emg(rng, n, rate=rate) * rest * THRESHOLD_UV
    active = emg(rng, n, rate=rate) * times * THRESHOLD_UV
    for a, b in zip(starts, stops, strict=True):
        inside = slice(int(np.ceil(a * rate)), int(np.ceil(b * rate)))
        signal_uv[inside] = active[inside]
    return signal_uv


def trial(times, rest, duration_s, *, n, seed=1, rate=1000, criterion=RULES):
    """Score ``n`` bursts whose onsets fall anywhere in a frame."""
    rng = np.random.default_rng(seed)
    starts = 5 + np.arange(n) * (duration_s + 4) + rng.uniform(0, 1, n)
    stops = starts + duration_s
    on, off = bursts_of(rectangles(rng, starts, stops, rate, times, rest), rate, criterion)
    onset, offset, found_s, lost, split = [], [], [], 0, 0
    for a, b in zip(starts, stops, strict=True):
        at = np.flatnonzero((on < b + 0.3) & (off > a - 0.3))
        if not len(at):
            lost += 1
            continue
        split += len(at) > 1
        onset.append(on[at[0]] - a)
        offset.append(off[at[-1]] - b)
        found_s.append(off[at[-1]] - on[at[0]])
    return Edges(np.array(onset) * 1e3, np.array(offset) * 1e3, lost, split, np.array(found_s))


def median_size(errors):
    return np.median(np.abs(errors))


def large(errors):
    return np.percentile(np.abs(errors), 95)


def count_for(duration_s):
    return 150 if duration_s > 1 else 400


@pytest.mark.parametrize("duration_s", [0.2, 0.5, 3.0])
@pytest.mark.parametrize("times", [2, 4, 10])
@pytest.mark.parametrize("rest", [0.1, 0.5])
def test_edges_of_clear_bursts_lie_within_the_requirement(rest, times, duration_s):
    found = trial(times, rest, duration_s, n=count_for(duration_s))
    assert (found.lost, found.split) == (0, 0)
    assert median_size(found.onset_ms) <= 10
    assert median_size(found.offset_ms) <= 15
    assert large(found.onset_ms) <= 30
    assert large(found.offset_ms) <= 30
    assert abs(found.duration_ms.mean()) <= 10


@pytest.mark.parametrize("duration_s", [0.2, 0.5, 3.0])
@pytest.mark.parametrize("rest", [0.1, 0.5])
def test_medians_hold_at_one_and_a_half_times_the_threshold(rest, duration_s):
    n = count_for(duration_s)
    found = trial(1.5, rest, duration_s, n=n)
    assert found.lost <= 0.02 * n
    assert median_size(found.onset_ms) <= 10
    assert median_size(found.offset_ms) <= 15


@pytest.mark.parametrize("rate", [300, 512, 999.39, 2000])
def test_the_requirement_does_not_depend_on_the_sampling_rate(rate):
    found = trial(4, 0.1, 0.5, n=300, rate=rate)
    assert (found.lost, found.split) == (0, 0)
    assert median_size(found.onset_ms) <= 10
    assert median_size(found.offset_ms) <= 15
    assert large(found.onset_ms) <= 30
    assert large(found.offset_ms) <= 30
    assert abs(found.duration_ms.mean()) <= 10


@pytest.mark.parametrize("times", [1.5, 2, 4, 10])
@pytest.mark.parametrize("rest", [0.1, 0.5])
def test_a_burst_of_0_18_s_hardly_ever_passes_for_one_of_0_25_s(rest, times):
    found = trial(times, rest, 0.18, n=400, seed=2)
    assert len(found.found_s) >= 0.95 * 400
    assert (found.found_s >= 0.25 - 1e-9).mean() < 0.05


@pytest.mark.parametrize("times", [4, 10])
@pytest.mark.parametrize("rest", [0.1, 0.5])
def test_a_burst_of_0_30_s_hardly_ever_misses_0_25_s(rest, times):
    found = trial(times, rest, 0.30, n=400, seed=3)
    assert (found.found_s < 0.25 - 1e-9).mean() < 0.05


@pytest.mark.parametrize("rest", [0.1, 0.5])
def test_two_bursts_0_15_s_apart_stay_two(rest):
    rng = np.random.default_rng(4)
    n = 400
    first = 5 + np.arange(n) * 6 + rng.uniform(0, 1, n)
    starts = np.stack((first, first + 0.65), axis=1).ravel()
    signal_uv = rectangles(rng, starts, starts + 0.5, 1000, 4, rest)
    on, off = bursts_of(signal_uv, 1000, RULES)
    two = [((on < a + 1.3) & (off > a - 0.15)).sum() == 2 for a in first]
    assert np.mean(two) >= 0.95


@pytest.mark.parametrize("times", [4, 10])
def test_raw_crossings_lengthen_a_burst_by_up_to_the_window_and_corrected_edges_do_not(times):
    raw = trial(times, 0.1, 0.5, n=80, criterion=RAW)
    corrected = trial(times, 0.1, 0.5, n=80)
    # 13 frames reach 6 to either side; a frame more where the filter rings or the edge cuts a frame
    assert 60 <= np.median(raw.duration_ms) <= 130
    assert raw.duration_ms.max() <= 130 + 2 * FRAME_MS + ROUNDING_MS
    assert abs(np.median(corrected.duration_ms)) <= 10


@pytest.mark.parametrize("name", ["maeda2019_2xbaseline", "gallo1999_contraction"])
def test_presets_that_keep_raw_crossings_are_those_whose_paper_states_its_envelope(name):
    criterion = load_criterion(name)
    assert criterion.envelope.edges == "crossing"
    as_it_is = trial(10, 0.1, 0.5, n=40, criterion=criterion)
    corrected = trial(10, 0.1, 0.5, n=40, criterion=criterion.derive({"envelope.edges": "corrected"}))
    window_ms = FRAME_MS * odd_frames(criterion.envelope.window_s, FRAME)
    assert 0.5 * window_ms <= np.median(as_it_is.duration_ms) <= window_ms + 2 * FRAME_MS
    assert np.median(corrected.duration_ms) < 0.5 * np.median(as_it_is.duration_ms)


def test_edges_do_not_move_with_the_gain_of_the_amplifier():
    rng = np.random.default_rng(5)
    starts = 5 + np.arange(20) * 5 + rng.uniform(0, 1, 20)
    signal_uv = rectangles(rng, starts, starts + 0.5, 1000, 4, 0.3)
    relative = load_criterion("aasm")
    once = bursts_of(signal_uv, 1000, relative)
    for gain in (0.25, 8.0):
        again = bursts_of(signal_uv * gain, 1000, relative)
        assert all(np.array_equal(a, b) for a, b in zip(once, again, strict=True))


@pytest.mark.parametrize(("times", "rest"), [(1.5, 0.1), (2, 0.1), (2, 0.5), (4, 0.5)])
def test_no_more_than_one_burst_in_a_hundred_breaks_in_two(times, rest):
    found = trial(times, rest, 3.0, n=200, seed=11)
    assert found.split <= 2


@pytest.mark.parametrize("rest", [0.1, 0.5])
@pytest.mark.parametrize("times", [2, 4, 10])
def test_slopes_of_60_ms_are_met_within_20_ms_of_where_the_amplitude_crosses(times, rest):
    rng, rate, n, ramp_s, length_s = np.random.default_rng(8), 1000, 200, 0.06, 0.6
    starts = 5 + np.arange(n) * (length_s + 4) + rng.uniform(0, 1, n)
    t = np.arange(int((starts[-1] + 8) * rate)) / rate
    place = np.clip(np.searchsorted(starts, t, side="right") - 1, 0, n - 1)
    rise, fall = (t - starts[place]) / ramp_s, (starts[place] + length_s - t) / ramp_s
    slope = np.clip(np.minimum(rise, fall), 0, 1)
    signal_uv = THRESHOLD_UV * (
        emg(rng, len(t), rate=rate) * times * slope
        + emg(rng, len(t), rate=rate) * rest * np.sqrt(1 - slope**2)
    )
    on, off = bursts_of(signal_uv, rate, RULES)
    cross = starts + ramp_s / times, starts + length_s - ramp_s / times
    for found, true in zip((on, off), cross, strict=True):
        errors = np.array([np.abs(found - at).min() for at in true]) * 1e3
        assert np.median(errors) <= 20
