"""The analysed window: on whose word it stands, and what is left out of it."""

from datetime import time

import pytest

from sleepbrux.core.errors import RecordingError, UsageError
from sleepbrux.recording.model import Mark
from sleepbrux.recording.window import find_window, seconds_of

HOUR = 3600.0


def marks(*rows):
    return [Mark(float(t), float(d), text) for t, d, text in rows]


def test_lights_marks_are_the_window():
    window = find_window(marks((600, 0, "Lights off"), (25000, 0, "Lights on")), 7 * HOUR)
    assert window.spans_s == ((600.0, 25000.0),)
    assert window.basis == "lights off to on (marks in the recording)"


def test_without_lights_the_whole_recording_counts_and_says_so():
    window = find_window([], 7 * HOUR)
    assert window.spans_s == ((0.0, 7 * HOUR),)
    assert window.basis == "recording, lights unknown"
    assert [n.code for n in window.notes] == ["lights-unknown"]


def test_clenches_and_sync_marks_are_left_out_60_s_either_way():
    window = find_window(marks((1000, 3, "Clench"), (5000, 0, "Sync")), 7 * HOUR)
    assert window.spans_s == ((0.0, 940.0), (1063.0, 4940.0), (5060.0, 7 * HOUR))


def test_rest_and_other_marks_are_not_left_out():
    assert find_window(marks((1000, 20, "Rest"), (2000, 0, "cough")), HOUR).spans_s == ((0, HOUR),)


def test_given_times_come_before_lights_marks():
    found = find_window(
        marks((600, 0, "Lights off"), (25000, 0, "Lights on")), 7 * HOUR, from_s=1000, to_s=2000
    )
    assert found.spans_s == ((1000, 2000),)
    assert "given by the user" in found.basis


def test_one_lights_mark_alone_is_used_and_noted():
    window = find_window(marks((600, 0, "lights out")), HOUR)
    assert window.spans_s == ((600.0, HOUR),)
    assert [n.code for n in window.notes] == ["lights-one-mark"]


def test_a_misspelt_lights_mark_is_suggested_and_not_used():
    window = find_window(marks((600, 0, "Ligths of")), HOUR)
    assert window.spans_s == ((0.0, HOUR),)
    assert {n.code for n in window.notes} == {"lights-mark-misspelt", "lights-unknown"}


@pytest.mark.parametrize(("start", "stop"), [(2000, 1000), (8 * HOUR, 9 * HOUR), (500, 500)])
def test_a_window_without_time_is_refused(start, stop):
    with pytest.raises(UsageError, match=r"holds no time|give a time inside it"):
        find_window([], 7 * HOUR, from_s=start, to_s=stop)


@pytest.mark.parametrize(
    ("text", "second"),
    [("1200", 1200.0), ("0.5", 0.5), ("23:10", 600.0), ("23:10:05", 605.0), ("01:00", 7200.0)],
)
def test_clock_times_run_past_midnight(text, second):
    assert seconds_of(text, time(23, 0), 8 * HOUR, "--from") == second


@pytest.mark.parametrize("text", ["25:00", "23:70", "soon", "-5", "22:00:61", "12:00"])
def test_what_is_no_time_of_the_recording_is_refused(text):
    with pytest.raises(UsageError, match="--from"):
        seconds_of(text, time(23, 0), 8 * HOUR, "--from")


def test_a_clock_time_needs_a_known_start():
    with pytest.raises(UsageError, match="give seconds"):
        seconds_of("23:10", None, 8 * HOUR, "--to")


def test_lights_on_before_lights_off_is_not_used_and_said():
    window = find_window(marks((25000, 0, "Lights off"), (600, 0, "Lights on")), 7 * HOUR)
    assert window.spans_s == ((25000.0, 7 * HOUR),)
    assert [n.code for n in window.notes] == ["lights-order"]


def test_several_lights_marks_span_all_of_them_and_are_noted():
    rows = [(600, 0, "Lights off"), (9000, 0, "Lights on"), (9600, 0, "Lights off"), (25000, 0, "Lights on")]
    window = find_window(marks(*rows), 7 * HOUR)
    assert window.spans_s == ((600.0, 25000.0),)
    assert [n.code for n in window.notes] == ["lights-several"]


def test_lights_marks_after_the_end_are_the_files_fault():
    with pytest.raises(RecordingError, match="made by the lights marks"):
        find_window(marks((9000, 0, "Lights off")), 600.0)


def test_cues_that_leave_nothing_are_noted():
    window = find_window(marks((10, 300, "Clench")), 320.0)
    assert window.spans_s == ()
    assert "window-empty" in [n.code for n in window.notes]


def test_with_one_lights_mark_a_misspelt_other_one_is_asked_about():
    marks = (Mark(30, 0, "Lihgts off"), Mark(40, 0, "Lights onn"), Mark(500, 0, "Lights on"))
    window = find_window(marks, 600)
    (asked,) = [n.text for n in window.notes if n.code == "lights-mark-misspelt"]
    assert "a mark at 30 s may mean lights off" in asked
    assert "Lihgts" not in asked
    assert window.spans_s == ((0.0, 500.0),)
    (one,) = [n.text for n in window.notes if n.code == "lights-one-mark"]
    assert "the start of the recording" in one
    either = find_window((Mark(30, 0, "lights o"),), 600)
    assert "may mean lights off or on" in either.notes[0].text
