"""Recordings from arrays: missing samples become gaps of their channel."""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction

import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark, Piece, samples


def test_an_array_is_a_recording_in_microvolts():
    data = np.arange(20.0).reshape(2, 10)
    marks = [Mark(0.5, 0.0, "b"), Mark(0.1, 0.0, "a")]
    start = datetime(2026, 3, 2, 22, 30)
    recording = from_array(data, 10, ["EMG Mass L", "EMG Mass R"], marks, start)
    assert recording.duration_s == 1.0
    assert [c.side for c in recording.channels] == ["left", "right"]
    assert [mark.text for mark in recording.marks] == ["a", "b"]
    assert recording.start == start
    assert recording.start_clock == start.time()
    assert recording.notes == ()
    assert recording.gaps == ()
    for channel, row in zip(recording.channels, data, strict=True):
        assert (channel.gain, channel.offset, channel.unit) == (1.0, 0.0, "uV")
        np.testing.assert_array_equal(samples(recording, channel, 3, 8), row[3:8])


@pytest.mark.shows("missed-gap")
def test_runs_of_nan_become_gaps_of_their_channel_and_no_nan_is_handed_out():
    data = np.ones((2, 12))
    data[0, 3:5] = np.nan
    data[0, 10:] = np.nan
    data[1, 4:7] = np.inf
    recording = from_array(data, 4, ["L", "R"])
    left, right = recording.channels
    assert left.pieces == (Piece(0, 0, 3), Piece(5, 3, 5))
    assert right.pieces == (Piece(0, 0, 4), Piece(7, 4, 5))
    assert recording.gaps == ((1.0, 1.25),)
    assert recording.duration_s == 3.0
    assert {note.code for note in recording.notes} == {"gaps", "infinite"}
    for channel in recording.channels:
        assert np.isfinite(samples(recording, channel, 0, channel.n_stored)).all()


def test_a_channel_of_nan_alone_has_a_fault():
    recording = from_array([[np.nan] * 4, [1.0] * 4], 4, ["L", "R"])
    assert "no finite sample" in recording.channels[0].fault
    assert recording.channels[0].n_night == 0
    assert recording.channels[1].fault == ""


def test_a_rate_is_exact():
    assert from_array([[1.0]], 999.39, ["L"]).channels[0].rate == Fraction(99939, 100)
    assert from_array([[1.0]], Fraction(1000, 3), ["L"]).channels[0].rate == Fraction(1000, 3)


def test_the_array_is_copied_and_its_digest_follows_the_values():
    data = np.zeros((1, 10))
    recording = from_array(data, 10, ["L"])
    data[0, 0] = 9
    assert samples(recording, recording.channels[0], 0, 1)[0] == 0
    assert recording.source.digest() != from_array(data, 10, ["L"]).source.digest()
    assert recording.source.digest() == from_array(np.zeros((1, 10)), 10, ["R"]).source.digest()


@pytest.mark.parametrize(
    ("data", "rate", "labels"),
    [([[1.0, 2.0]], 10, ["a", "b"]), (np.zeros((1, 0)), 10, ["a"]), ([[1.0]], 0, ["a"])],
)
def test_shapes_and_rates_that_fit_nothing_are_refused(data, rate, labels):
    with pytest.raises(RecordingError, match="allowed"):
        from_array(data, rate, labels)
