"""Nights in which the clocks change: times as the recorder wrote them, and the window doubted."""

from __future__ import annotations

from datetime import datetime

import pytest

from sleepbrux.recording.daylight import clock_change, window_note
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import seconds_of
from sleepbrux.scoring.request import Request, score_opened
from tests.nights import rhythm, signal_of

HOURS = 8 * 3600


@pytest.mark.parametrize(
    ("start", "told"),
    [
        (datetime(2026, 3, 28, 22, 30), "forward"),
        (datetime(2026, 10, 24, 23, 0), "back"),
        (datetime(2026, 11, 1, 0, 30), "back"),
        (datetime(2026, 3, 8, 1, 30), "forward"),
        (datetime(2026, 3, 27, 22, 30), ""),
        (datetime(2026, 3, 29, 3, 30), ""),
        (datetime(2026, 6, 1, 22, 30), ""),
        (None, ""),
    ],
)
def test_the_nights_of_the_change_in_europe_and_america_are_told(start, told):
    note = clock_change(start, HOURS)
    assert bool(note) == bool(told)
    assert note is None or f"clocks go {told} " in note.text


def test_times_of_day_after_the_change_are_those_of_the_recorder():
    clock = datetime(2026, 3, 28, 22, 30).time()
    assert seconds_of("06:30", clock, HOURS, "--to") == 8 * 3600
    assert seconds_of("02:30", clock, HOURS, "--to") == 4 * 3600


@pytest.mark.parametrize(
    ("from_text", "start", "doubted"),
    [
        ("23:58:00", datetime(2026, 3, 28, 23, 57), False),
        ("00:58:30", datetime(2026, 3, 29, 0, 58), True),
        ("30", datetime(2026, 3, 29, 0, 58), False),
    ],
)
def test_clock_times_given_in_such_a_night_make_a_warning(from_text, start, doubted):
    wave = signal_of(rhythm(60, 4), seconds=240, rate=500, seed=1)
    recording = from_array(wave, 500, ["EMG Mass L"], start=start)
    note = clock_change(start, recording.duration_s)
    recording = recording if note is None else _with(recording, note)
    night = score_opened(recording, Request(criterion="aasm", from_text=from_text))
    codes = [n.code for n in night.notes]
    assert ("clock-change-window" in codes) == doubted


def _with(recording, note):
    from dataclasses import replace

    return replace(recording, notes=(*recording.notes, note))


def test_seconds_from_the_first_sample_are_never_doubted():
    note = clock_change(datetime(2026, 3, 28, 22, 30), HOURS)
    assert window_note([note], ["1800", ""]) is None
    assert "06:30 was read" in window_note([note], ["", "06:30"]).text
