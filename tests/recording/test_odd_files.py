"""Odd files from the test data of other projects: each is read with the right note, or refused."""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.model import Recording, samples
from sleepbrux.recording.opening import open_recording

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "data" / "edf" / "odd"
if not FOLDER.is_dir():
    pytest.skip("the odd files are not on this machine", allow_module_level=True)


def codes(recording: Recording, severity: str) -> set[str]:
    return {note.code for note in recording.notes if note.severity == severity}


def refusal(name: str) -> str:
    with pytest.raises(RecordingError) as caught:
        open_recording(FOLDER / name)
    message = str(caught.value)
    assert message.startswith(f"{name}: ")
    assert "\n" not in message
    assert message.endswith(".")
    return message


def test_every_odd_file_has_a_test_here():
    named = Path(__file__).read_text("utf-8")
    assert [path.name for path in FOLDER.iterdir() if f'"{path.name}"' not in named] == []


def test_duplicate_labels_are_numbered_with_a_warning():
    recording = open_recording(FOLDER / "duplicate_channel_labels.edf")
    assert [c.label for c in recording.channels] == ["EEG F1-Ref#1", "EEG F2-Ref", "EEG F1-Ref#2"]
    assert codes(recording, "warning") == {"label-twice"}
    assert {c.rate for c in recording.channels} == {250}
    first, _, second = recording.channels
    assert not np.array_equal(samples(recording, first, 0, 2500), samples(recording, second, 0, 2500))


def test_a_bad_date_and_time_are_unknown_and_the_samples_are_those_of_the_good_file():
    bad = open_recording(FOLDER / "edfjl_test_uneven_samp_baddate.edf")
    assert (bad.start, bad.start_clock, bad.start_time_known) == (None, None, False)
    assert codes(bad, "warning") == {"date-unknown", "time-unknown"}
    assert codes(bad, "note") == {"trailing-bytes"}
    good = open_recording(FOLDER / "test_uneven_samp.edf")
    for channel, reference in zip(bad.channels, good.channels, strict=True):
        np.testing.assert_array_equal(
            samples(bad, channel, 0, channel.n_stored),
            samples(good, reference, 0, reference.n_stored),
        )


def test_uneven_rates_are_kept_as_they_are_without_a_note():
    recording = open_recording(FOLDER / "test_uneven_samp.edf")
    assert recording.notes == ()
    assert recording.start == datetime(2000, 7, 13, 12, 5, 48)
    assert [c.rate for c in recording.channels] == [Fraction(100), Fraction(64, 5)]
    assert [c.n_stored for c in recording.channels] == [11_000, 1408]


@pytest.mark.parametrize("name", ["invalid-date.edf", "zero-data-records.edf"])
def test_files_without_a_data_record_are_refused(name):
    message = refusal(name)
    assert "no complete data record" in message
    assert "'number of records' is '0'" in message


def test_a_small_file_of_mixed_rates_says_nothing_of_units_that_no_muscle_lacks():
    recording = open_recording(FOLDER / "simulated-01.edf")
    assert codes(recording, "warning") == set()
    assert codes(recording, "note") == set()
    assert {c.label: (c.rate, c.role, c.unit) for c in recording.channels} == {
        "SaO2": (1, "oximetry", "a.u."),
        "H.R.": (1, "pulse", "a.u."),
        "EEG(sec)": (2, "eeg", "uV"),
    }


def test_a_stimulus_channel_of_a_bdf_is_read_as_an_ordinary_channel_of_24_bits():
    recording = open_recording(FOLDER / "test_bdf_stim_channel.bdf")
    assert recording.notes == ()
    assert recording.format == "BDF"
    status = recording.channel("Status")
    assert status.role == "other"
    raw = (FOLDER / "test_bdf_stim_channel.bdf").read_bytes()[-1500:]
    last = [int.from_bytes(raw[i : i + 3], "little", signed=True) for i in range(0, 1500, 3)]
    np.testing.assert_array_equal(samples(recording, status, 4500, 5000), last)


def test_a_stimulus_channel_of_an_edf_is_read_as_an_ordinary_channel():
    recording = open_recording(FOLDER / "test_edf_stim_channel.edf")
    assert recording.notes == ()
    assert recording.duration_s == float(recording.channels[0].n_stored / Fraction(128))
    assert {c.rate for c in recording.channels} == {128}
    assert recording.channels[-1].role == "other"
