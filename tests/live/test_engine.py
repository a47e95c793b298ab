"""Receiving: gaps stay gaps, and a stream that stops, returns or changes never does so silently."""

import re
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from sleepbrux.live.engine import checked_rate
from sleepbrux.live.source import StreamError, chosen_channels
from sleepbrux.recording.opening import open_recording

from .fake import INFO, RATE, ZERO_S, FakeInlet, run

UV = np.random.default_rng(5).normal(0, 20, (30 * RATE, 2))


def codes(events):
    return [e.code for e in events]


def test_everything_that_comes_is_in_the_file(tmp_path):
    engine, events = run(FakeInlet(UV), tmp_path / "a.bdf")
    recording = open_recording(tmp_path / "a.bdf")
    assert engine.received == len(UV)
    assert recording.gaps == ()
    assert codes(events) == []
    assert np.abs(recording.get_data("EMG Masseter L")[1] - UV[:, 0]).max() < 0.013


@pytest.mark.parametrize("late_s", [0.0, 0.004])
@pytest.mark.shows("missed-gap", "live-session")
def test_lost_packets_are_gaps_marks_and_events(tmp_path, late_s):
    inlet = FakeInlet(UV, lost=[(8000, 8200), (20_000, 20_500)], late_s=late_s)
    engine, events = run(inlet, tmp_path / "a.bdf")
    recording = open_recording(tmp_path / "a.bdf")
    assert codes(events) == ["lost-samples", "lost-samples"]
    near = max(engine.clock.tolerance_s, 0.02) + 0.001
    for (a, b), (c, d) in zip(recording.gaps, [(8.0, 8.2), (20.0, 20.5)], strict=True):
        assert a == pytest.approx(c, abs=near)
        assert b == pytest.approx(d, abs=near)
    assert recording.duration_s == pytest.approx(30, abs=0.03)
    assert [m.text for m in recording.marks] == ["Not received", "Not received"]


def test_samples_that_are_no_numbers_are_a_gap(tmp_path):
    uv = UV.copy()
    uv[5000:5100, 1] = np.nan
    _, events = run(FakeInlet(uv), tmp_path / "a.bdf")
    assert open_recording(tmp_path / "a.bdf").gaps == ((5.0, 5.1),)
    assert "lost-samples" in codes(events)


def test_late_packets_alone_are_none(tmp_path):
    engine, events = run(FakeInlet(UV, late_s=0.005), tmp_path / "a.bdf")
    assert codes(events) == []
    assert engine.clock.gaps == []


def test_drift_is_named_and_not_corrected(tmp_path):
    engine, _ = run(FakeInlet(UV, slower=1.0003), tmp_path / "a.bdf")
    assert engine.clock.drift_ppm() == pytest.approx(300, abs=5)
    assert any("millionths" in n.text for n in engine.all_notes())
    assert open_recording(tmp_path / "a.bdf").duration_s == 30


def returned(info=INFO, begins_s=4.0, **settings):
    back = FakeInlet(UV[12_000:], info=info, **settings)
    back.begins_s = ZERO_S + 10 + begins_s
    return back


@pytest.mark.shows("live-session")
def test_a_stream_that_stops_and_comes_back_goes_on_after_a_gap(tmp_path):
    back = returned()
    back.stamps = back.stamps + 14.0
    engine, events = run(FakeInlet(UV, ends_at=10_000, after=back), tmp_path / "a.bdf")
    assert "ended" in engine.ended or engine.ended == "the session is over"
    assert codes(events)[0] == "silent"
    assert "returned" in codes(events)
    recording = open_recording(tmp_path / "a.bdf")
    ((a, b),) = recording.gaps
    assert a == pytest.approx(10, abs=0.02)
    assert b == pytest.approx(14, abs=0.02)
    assert any(n.code == "stream-returned" for n in engine.all_notes())


def test_a_device_that_restarts_its_clock_is_placed_by_this_computers(tmp_path):
    back = returned()
    back.stamps = back.stamps - 5000
    real = back.pull

    def pull(timeout_s):
        back.clock += 0.02
        stop = min(back.at + 20, len(back.uv))
        values, stamps = back.uv[back.at : stop], back.stamps[back.at : stop]
        back.at = stop
        return values, stamps

    back.pull = pull
    del real
    run(FakeInlet(UV, ends_at=10_000, after=back), tmp_path / "a.bdf")
    ((a, b),) = open_recording(tmp_path / "a.bdf").gaps
    assert a == pytest.approx(10, abs=0.02)
    assert b == pytest.approx(14, abs=1.5)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"rate": Fraction(500)}, "it now says 500 samples a second instead of 1000"),
        ({"labels": INFO.labels[::-1]}, "its channels came in another order"),
        ({"labels": ("EMG 1", "EMG 2")}, "its channels have other names"),
        ({"units": ("mV", "mV")}, "its units have changed"),
    ],
)
def test_a_stream_that_comes_back_otherwise_ends_the_recording(tmp_path, changed, said):
    back = returned(info=replace(INFO, **changed))
    engine, events = run(FakeInlet(UV, ends_at=10_000, after=back), tmp_path / "a.bdf")
    assert said in engine.ended
    assert codes(events)[-1] == "ended"
    assert open_recording(tmp_path / "a.bdf").duration_s == pytest.approx(10, abs=0.02)


def test_a_stream_that_does_not_come_back_ends_the_recording_after_a_minute(tmp_path):
    engine, _ = run(FakeInlet(UV, ends_at=10_000), tmp_path / "a.bdf")
    assert "did not come back" in engine.ended


def test_a_stream_that_falls_silent_is_told_at_once_and_ends_after_a_minute(tmp_path):
    inlet = FakeInlet(UV, lost=[(10_000, len(UV))])
    engine, events = run(inlet, tmp_path / "a.bdf", until=10**9)
    assert codes(events)[:1] == ["silent"]
    assert "nothing was received for 60 s" in engine.ended


def test_a_rate_that_changes_unsaid_ends_the_recording(tmp_path):
    inlet = FakeInlet(UV)
    inlet.stamps[10_000:] = inlet.stamps[10_000] + np.arange(20_000) / 500
    engine, _ = run(inlet, tmp_path / "a.bdf")
    assert re.search(r"about (49|50)\d samples a second instead of 1000", engine.ended)
    assert open_recording(tmp_path / "a.bdf").duration_s > 10


def test_a_wrong_rate_is_refused_before_anything_is_recorded():
    inlet = FakeInlet(UV, slower=1.1)
    with pytest.raises(StreamError, match="says 1000 samples a second and sends about 909"):
        checked_rate(inlet, chosen_channels(INFO))
    checked_rate(FakeInlet(UV, late_s=0.004), chosen_channels(INFO))
    checked_rate(FakeInlet(UV, slower=1.001), chosen_channels(INFO))


def test_a_stream_that_sends_nothing_is_refused():
    with pytest.raises(StreamError, match="sends nothing"):
        checked_rate(FakeInlet(UV, lost=[(0, len(UV))]), chosen_channels(INFO))


def test_while_a_stream_is_away_the_processor_is_left_alone(tmp_path):
    inlet = FakeInlet(UV, ends_at=10_000)
    run(inlet, tmp_path / "a.bdf")
    assert inlet.waits > 100  # it waited at most 20 ms each, for a minute of which `again` took half
