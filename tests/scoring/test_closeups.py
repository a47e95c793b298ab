"""The filtered signal around episodes: what is kept, from which channel, and that it is the signal."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from sleepbrux.archive.file import load_night, save_night
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark
from sleepbrux.reference import given
from sleepbrux.scoring.closeups import trace_of, triggering, with_traces
from sleepbrux.scoring.night import rescore, score_night
from sleepbrux.signal.extremes import bin_samples, extremes
from tests.nights import LABELS, rhythm, signal_of

RATE = 1000
SECONDS = 300.0


def data_of():
    left = signal_of(rhythm(60, 5, level_uv=90.0), seconds=SECONDS, seed=1)
    right = signal_of(rhythm(200, 5, level_uv=120.0), seconds=SECONDS, seed=2)
    return np.stack((left, right))


@pytest.fixture(scope="module")
def recording():
    data = data_of()
    data[:, 204_500:205_010] = np.nan  # a gap inside the second episode
    return from_array(data, RATE, LABELS, marks=[Mark(0.0, 0.0, "Lights off")])


@pytest.fixture(scope="module")
def night(recording):
    return with_traces(score_night(recording, given(LABELS, 200.0)), recording)


def test_each_episode_is_traced_in_the_channel_that_triggered_it(night):
    assert len(night.episodes) >= 2
    first = float(night.episodes.starts[0] * night.episodes.grid.slot_s)
    assert triggering(night)[0] == 0
    assert triggering(night)[-1] == 1
    assert night.traces.channel.tolist() == triggering(night).tolist()
    assert night.traces.first_s[0] == pytest.approx(first - 5, abs=0.021)


def test_the_extremes_are_those_of_the_filtered_signal(night):
    """Filtered from the very start by scipy's own design; ours settles for two seconds only."""
    sos = np.concatenate(
        (butter(4, 20, "high", fs=RATE, output="sos"), butter(2, 450, "low", fs=RATE, output="sos"))
    )
    signal = sosfilt(sos, data_of()[0])
    traces = night.traces
    n = int(traces.offsets[1])
    first = round(traces.first_s[0] * RATE)
    bins = signal[first : first + n * 20].reshape(n, 20)
    np.testing.assert_allclose(traces.low[:n], bins.min(axis=1), atol=0.05)
    np.testing.assert_allclose(traces.high[:n], bins.max(axis=1), atol=0.05)


def test_a_gap_is_unknown_and_nothing_else_is(night):
    k = len(night.traces) - 1
    low = night.traces.low[night.traces.offsets[k] : night.traces.offsets[k + 1]]
    at = night.traces.first_s[k] + np.arange(len(low)) * night.traces.step_s[k]
    unknown = np.isnan(low)
    assert unknown.any()
    assert (at[unknown] > 204.4).all()
    assert (at[unknown] < 205.05).all()


def test_they_survive_the_archive_and_another_rule(night, tmp_path):
    save_night(night, tmp_path / "x.night.h5")
    again = load_night(tmp_path / "x.night.h5")
    for name in ("channel", "first_s", "step_s", "offsets", "low", "high"):
        np.testing.assert_array_equal(getattr(again.traces, name), getattr(night.traces, name))
    assert trace_of(night) == list(range(len(night.episodes)))
    other = rescore(again, "aasm")
    assert other.traces is again.traces
    assert all(-1 <= k < len(night.traces) for k in trace_of(other))


def test_an_archive_without_them_is_read(night, tmp_path):
    save_night(replace(night, traces=None), tmp_path / "y.night.h5")
    bare = load_night(tmp_path / "y.night.h5")
    assert bare.traces is None
    assert trace_of(bare) == [-1] * len(night.episodes)


def test_equal_nights_leave_equal_bytes(night, tmp_path):
    for name in ("a", "b"):
        save_night(night, tmp_path / f"{name}.night.h5")
    assert (tmp_path / "a.night.h5").read_bytes() == (tmp_path / "b.night.h5").read_bytes()


def test_a_negative_gain_keeps_low_below_high(recording):
    channel = replace(recording.channels[0], gain=-recording.channels[0].gain)
    found = extremes(recording, [channel], [(0, 50.0, 70.0)])
    assert (found.low <= found.high).all()


def test_bins_are_the_samples_nearest_to_20_ms():
    assert [bin_samples(Fraction(r)) for r in (100, 512, 1000, 2000)] == [2, 10, 20, 40]
    assert bin_samples(Fraction(20)) == 1
