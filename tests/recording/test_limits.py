"""How much of anything is read: the limit is said in one sentence, and up to it time grows in proportion."""

import itertools
import math
import struct
import time

import mne
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.labels import MOST_CHANNELS, unique_labels
from sleepbrux.recording.mark_table import load_marks
from sleepbrux.recording.marks import MOST_MARKS, suggest
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark
from sleepbrux.recording.opening import open_recording
from sleepbrux.recording.window import CUE_MARGIN_S, MOST_ASKED, find_window
from sleepbrux.signal.swept import MOST_SCORED, pick_channels
from tests.recording.build import Signal, edf, edf_plus, tal
from tests.recording.test_wav import chunk, form, packed, riff

ABOVE = MOST_MARKS + 1
SENTENCE = f"there are more than {MOST_MARKS} marks, the most that are read"


def edf_with(path, n, *, records=40):
    """A recording of ``records`` seconds with ``n`` annotations."""
    each = -(-n // records)
    lists = [
        tal(f"+{k}", "") + b"".join(tal(f"+{k}.5", f"m{i}") for i in range(k * each, min(n, (k + 1) * each)))
        for k in range(records)
    ]
    width = 2 * (max(map(len, lists)) // 2 + 1)
    samples = Signal([[0] * 100] * records, cells={"label": "EMG Masseter L", "dimension": "uV"})
    return edf_plus(samples, Signal(annotations=lists, annotation_bytes=width), n_records=records).write(path)


@pytest.mark.shows("hostile-file")
def test_an_edf_with_more_marks_than_are_read_is_refused_in_one_sentence_and_soon(tmp_path):
    path = edf_with(tmp_path / "night.edf", 300_000)
    began = time.process_time()
    with pytest.raises(RecordingError, match=rf"^night\.edf: {SENTENCE}") as caught:
        open_recording(path)
    assert time.process_time() - began < 10
    assert "\n" not in str(caught.value)


def test_every_other_reader_of_marks_has_the_same_limit(tmp_path):
    table = tmp_path / "night.csv"
    rows = "\n".join(f"{k / 100:.2f},{k % 7},{'ab'[k % 2]}" for k in range(ABOVE + 1))
    table.write_text(f"time,EMG Masseter L,marker\n{rows}\n", "utf-8")
    cues = chunk(
        b"cue ",
        struct.pack("<I", ABOVE)
        + b"".join(struct.pack("<II4sIII", k, 0, b"data", 0, 0, k) for k in range(ABOVE)),
    )
    sound = tmp_path / "night.wav"
    sound.write_bytes(riff(form(1, 1, 16), chunk(b"data", packed(np.zeros((50, 1)), 16)), cues))
    for path in (table, sound):
        with pytest.raises(RecordingError, match=SENTENCE):
            open_recording(path)
    raw = mne.io.RawArray(np.zeros((1, 2000)), mne.create_info(["EMG L"], 1000.0, "emg"), verbose="error")
    raw.set_annotations(mne.Annotations(np.zeros(ABOVE), np.zeros(ABOVE), ["a"] * ABOVE), verbose="error")
    from sleepbrux.recording.formats.mne_formats import open_with_mne

    with pytest.raises(RecordingError, match=SENTENCE):
        open_with_mne(raw)


@pytest.mark.shows("wrong-count")
def test_a_table_of_marks_is_never_cut_silently(tmp_path):
    recording = from_array(np.zeros((1, 2000)), 1000, ["EMG L"])
    path = tmp_path / "marks.csv"
    path.write_text("onset,text\n" + "1,a\n" * MOST_MARKS, "utf-8")
    assert len(load_marks(path, recording)) == MOST_MARKS
    path.write_text("onset,text\n" + "1,a\n" * ABOVE, "utf-8")
    with pytest.raises(RecordingError, match=rf"^marks\.csv: {SENTENCE}"):
        load_marks(path, recording)


@pytest.mark.parametrize("text", ["note {}", "lights o{}", "clench {}", "sync {}", "x" * 3000 + "{}"])
def test_a_tenth_of_the_marks_that_are_read_takes_seconds_and_few_notes(text):
    n = MOST_MARKS // 10
    marks = [Mark(k * 0.25, 0.1, text.format(k)) for k in range(n)]
    began = time.process_time()
    window = find_window(marks, n * 0.25)
    assert time.process_time() - began < 10
    assert len(window.notes) <= MOST_ASKED + 2


def test_what_lies_beyond_the_first_marks_in_doubt_is_counted():
    window = find_window([Mark(float(k), 0.0, f"lights om{chr(97 + k)}") for k in range(25)], 100.0)
    asked = [n.text for n in window.notes if n.code == "lights-mark-misspelt"]
    assert len(asked) == MOST_ASKED + 1
    assert asked[-1].startswith("15 more marks may mean lights off or on; none was used")


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.floats(-500, 2500), st.floats(0, 900)), max_size=12))
def test_the_window_without_cues_is_that_of_a_plain_count_of_seconds(cues):
    whole = [(round(a), round(d)) for a, d in cues]
    found = find_window([Mark(float(a), float(d), "clench") for a, d in whole], 2000.0).spans_s
    kept = [s for s in range(2000) if not any(a - CUE_MARGIN_S <= s < a + d + CUE_MARGIN_S for a, d in whole)]
    assert [s for a, b in found for s in range(math.ceil(a), math.ceil(b))] == kept
    assert all(a < b for a, b in found)
    assert all(b < c for (_, b), (c, _) in itertools.pairwise(found))


@given(st.text(alphabet="lightsofnucaespLUC -12", max_size=30))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_a_text_with_too_few_letters_of_a_spelling_is_never_near_one(text):
    import difflib

    from sleepbrux.recording.marks import _NEAR, _SPELLINGS, _may_be_near, plain_words

    plain = plain_words(text)
    if not _may_be_near(plain):
        assert not suggest(text)
        assert all(difflib.SequenceMatcher(None, plain, s).ratio() < _NEAR for s in _SPELLINGS)


def channels_of(path, n):
    signals = [Signal([[0, 1]], cells={"label": f"EMG Mass {k}", "dimension": "uV"}) for k in range(n)]
    return edf(*signals, n_records=1).write(path)


@pytest.mark.shows("hostile-file")
def test_a_header_with_more_channels_than_are_read_is_refused_in_one_sentence(tmp_path):
    path = channels_of(tmp_path / "night.edf", MOST_CHANNELS)
    assert len(open_recording(path).channels) == MOST_CHANNELS
    path = channels_of(tmp_path / "night.edf", MOST_CHANNELS + 1)
    with pytest.raises(
        RecordingError, match=f"names {MOST_CHANNELS + 1} channels, where up to {MOST_CHANNELS}"
    ):
        open_recording(path)


def test_more_channels_than_one_night_has_are_not_scored_unasked():
    labels = [f"EMG Masseter {k}" for k in range(MOST_SCORED + 1)]
    recording = from_array(np.zeros((len(labels), 2000)) + 1, 1000, labels)
    with pytest.raises(RecordingError, match=r"65 channels would be scored, where up to 64 are"):
        pick_channels(recording)
    assert len(pick_channels(recording, labels[:MOST_SCORED])) == MOST_SCORED
    with pytest.raises(RecordingError, match=r"there is no channel 'x'; there are .* and 41 more") as caught:
        pick_channels(recording, ["x"])
    assert len(str(caught.value)) < 700


def test_labels_that_are_all_alike_are_told_apart_in_proportional_time():
    began = time.process_time()
    assert len(set(unique_labels(["EMG"] * 20_000))) == 20_000
    assert time.process_time() - began < 5
