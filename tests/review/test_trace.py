"""What a view shows, against the definition: the filtered samples themselves."""

import numpy as np
import pytest
from scipy.signal import sosfilt

from sleepbrux import reference as calibration
from sleepbrux.core.errors import RecordingError
from sleepbrux.review.trace import Trace, check_same, packed
from sleepbrux.scoring.night import score_night
from sleepbrux.signal.filters import emg_band_pass
from tests.nights import LABELS, RATE, recording_of, rhythm, signal_of

SECONDS = 300
BURSTS = [*rhythm(20, 4), (60.0, 63.0, 90.0)]


@pytest.fixture(scope="module")
def recording():
    return recording_of([BURSTS, BURSTS], seconds=SECONDS)


@pytest.fixture(scope="module")
def night(recording):
    return score_night(recording, calibration.given(LABELS, 200.0))


@pytest.fixture(scope="module")
def trace(night, recording):
    trace = Trace(night, recording, check_same(night, recording))
    trace.build()
    return trace


@pytest.fixture(scope="module")
def filtered():
    signal = signal_of(BURSTS, seconds=SECONDS)
    sections = emg_band_pass(recording_of([[]], seconds=1).channels[0].rate)
    sos = np.insert(sections, 3, 1.0, axis=1)
    return sosfilt(sos, signal - signal[0])


@pytest.mark.parametrize(("start", "stop", "width"), [(0, 300, 300), (0, 300, 40), (10, 90, 500)])
def test_wide_views_hold_the_extremes_of_each_pixel(trace, filtered, start, stop, width):
    view = trace.view(0, start, stop, width)
    assert view.basis == "extremes"
    assert len(view.low) == width
    per = (stop - start) * RATE / width
    for p in range(0, width, 7):
        a, b = int(start * RATE + p * per), int(start * RATE + (p + 1) * per)
        level = max(64, int(per / 8)) + 1  # borders are rounded to bins
        surroundings = filtered[max(a - level, 0) : b + level]
        assert view.high[p] <= surroundings.max() * (1 + 1e-4) + 1e-3
        assert view.low[p] >= surroundings.min() * (1 + 1e-4) - 1e-3
        inner = filtered[a + level : b - level] if b - a > 2 * level + 1 else filtered[(a + b) // 2 :][:1]
        if len(inner) > 1:
            assert view.high[p] >= inner.max() - 1e-2
            assert view.low[p] <= inner.min() + 1e-2


def test_no_peak_is_lost_at_any_zoom(trace, filtered):
    highest = filtered.max()
    for span in (300, 150, 75, 40):
        at = filtered.argmax() / RATE
        start = float(np.clip(at - span / 2, 0, 300 - span))
        assert np.nanmax(trace.view(0, start, start + span, 1000).high) == pytest.approx(highest, rel=1e-3)


def test_close_views_are_the_filtered_samples(trace, filtered):
    view = trace.view(0, 60.0, 60.4, 1000)
    assert view.basis == "samples"
    at = np.round((view.first_s + np.arange(len(view.low)) * view.step_s) * RATE).astype(int)
    assert at[0] == 59999
    assert np.abs(view.low - filtered[at]).max() < 0.01


def test_without_the_recording_there_is_no_signal_and_the_envelope_all_the_same(night):
    trace = Trace(night, None)
    trace.build()
    assert trace.view(1, 0, 300, 200).basis == "none"
    level = night.swept.envelope(1, night.amplitude, night.criterion.envelope.window_s).level
    for start, stop, width in ((0, 300, 200), (60, 61, 1000)):
        view = trace.envelope(1, start, stop, width)
        assert view.basis == "envelope"
        a, b = int(start / 0.01), int(stop / 0.01)
        assert np.nanmax(view.high) == pytest.approx(np.nanmax(level[a:b]), rel=1e-6)


def test_the_threshold_stands_on_the_envelope_that_is_shown(night):
    trace = Trace(night, None)
    for k, bursts in enumerate(night.bursts):
        limit = night.threshold_uv[night.swept.frames[k].channel.label]
        grid = bursts.grid
        assert len(bursts.starts) > 3
        for a, b in zip(bursts.starts, bursts.stops, strict=True):
            view = trace.envelope(k, grid.seconds(a) - 0.1, grid.seconds(b) + 0.1, 2000)
            assert np.nanmax(view.high) >= limit
            assert min(view.low[0], view.low[-1]) < limit


def test_a_gap_is_not_drawn(night):
    data = np.stack([signal_of(BURSTS, seconds=SECONDS)] * 2)
    data[:, 100_000:120_000] = np.nan
    from sleepbrux.recording.memory import from_array

    recording = from_array(data, RATE, LABELS)
    gapped = score_night(recording, calibration.given(LABELS, 200.0))
    trace = Trace(gapped, recording, check_same(gapped, recording))
    trace.build()
    for width in (300, 3000):
        view = trace.view(0, 0, 300, width)
        seconds = view.first_s + np.arange(len(view.low)) * view.step_s
        inside = (seconds > 100.2) & (seconds < 119.5)
        assert np.isnan(view.low[inside]).all()
        assert not np.isnan(view.low[(seconds > 1) & (seconds < 99)]).any()


def test_another_recording_is_refused(night):
    other = recording_of([BURSTS, BURSTS], seconds=SECONDS, seed=9)
    with pytest.raises(RecordingError, match="not the recording that this archive was scored from"):
        check_same(night, other)


def test_a_message_holds_head_and_values(trace):
    views = [trace.view(k, 0, 300, 100) for k in (0, 1)]
    message = packed(views)
    head = int.from_bytes(message[:4], "little")
    values = np.frombuffer(message[4 + head :], dtype="<f4")
    assert np.array_equal(values[:100], views[0].low)
    assert np.array_equal(values[300:400], views[1].high)
