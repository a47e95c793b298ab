"""Recordings through mne: BrainVision triplets as they arrive, and `Raw` objects."""

from __future__ import annotations

import datetime
import pickle
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.formats.mne_formats import open_with_mne
from sleepbrux.recording.model import Recording, samples
from sleepbrux.recording.opening import open_recording

mne = pytest.importorskip("mne")

HEADER = """Brain Vision Data Exchange Header File Version 1.0
; written by hand
[Common Infos]
Codepage={codepage}
DataFile={data}
MarkerFile={marker}
DataFormat=BINARY
DataOrientation=MULTIPLEXED
NumberOfChannels=2
SamplingInterval={interval}

[Binary Infos]
BinaryFormat=INT_16

[Channel Infos]
Ch1=EMG Mass L,,0.1,{unit}
Ch2=EMG Mass R,,0.1,{unit}
"""
MARKER = """Brain Vision Data Exchange Marker File, Version 1.0
[Common Infos]
Codepage=UTF-8
DataFile={data}

[Marker Infos]
Mk1=New Segment,,1,1,0,20260302223000250000
Mk2=Comment,Lights off,501,1,0
"""


def triplet(
    folder: Path,
    *,
    unit: str = "µV",
    marker: bool = True,
    named: str = "night",
    interval: float = 1000,
    encoding: str = "utf-8",
) -> np.ndarray:
    """Write night.vhdr and its parts; the header names them ``named``."""
    digital = np.random.default_rng(3).integers(-2000, 2000, (2, 2000)).astype("<i2")
    (folder / "night.eeg").write_bytes(digital.T.tobytes())
    text = HEADER.format(
        data=f"{named}.eeg",
        marker=f"{named}.vmrk",
        unit=unit,
        interval=interval,
        codepage="UTF-8" if encoding == "utf-8" else "ANSI",
    )
    (folder / "night.vhdr").write_bytes(text.encode(encoding))
    if marker:
        (folder / "night.vmrk").write_text(MARKER.format(data=f"{named}.eeg"), encoding="utf-8")
    return digital * 0.1


def values(recording: Recording, number: int, first: int = 0, stop: int = 2000) -> np.ndarray:
    channel = recording.channels[number]
    return samples(recording, channel, first, stop) * channel.gain + channel.offset


def codes(recording: Recording) -> set[str]:
    return {note.code for note in recording.notes}


def test_a_brainvision_triplet_is_read_in_microvolts_with_its_marks(tmp_path):
    truth = triplet(tmp_path)
    recording = open_recording(tmp_path / "night.vhdr")
    assert recording.format == "BrainVision"
    assert recording.name == "night"
    assert recording.notes == ()
    left = recording.channels[0]
    assert (left.role, left.side, left.unit, left.rate) == ("jaw", "left", "uV", 1000)
    np.testing.assert_allclose(values(recording, 1), truth[1], atol=1e-9)
    np.testing.assert_allclose(values(recording, 0, 777, 1234), truth[0, 777:1234], atol=1e-9)
    assert recording.start == datetime.datetime(2026, 3, 2, 22, 30, 0, 250_000)
    lights = [mark for mark in recording.marks if "Lights off" in mark.text]
    assert [mark.start_s for mark in lights] == [0.5]
    assert len(recording.source.digest()) == 64


@pytest.mark.parametrize(("unit", "factor"), [("mV", 1e3), ("nV", 1e-3), ("V", 1e6)])
def test_row_53_other_units_are_converted_and_can_be_overridden(tmp_path, unit, factor):
    truth = triplet(tmp_path, unit=unit)
    path = tmp_path / "night.vhdr"
    np.testing.assert_allclose(values(open_recording(path), 0), truth[0] * factor, rtol=1e-9)
    given = open_recording(path, unit="uV")
    np.testing.assert_allclose(values(given, 0), truth[0], rtol=1e-9)
    assert codes(given) == {"unit-given"}


def test_row_53_a_renamed_triplet_is_found_beside_its_header(tmp_path):
    truth = triplet(tmp_path, named="patient_0815")
    recording = open_recording(tmp_path / "night.vhdr")
    assert codes(recording) == {"renamed"}
    np.testing.assert_allclose(values(recording, 0), truth[0], atol=1e-9)
    assert any("Lights off" in mark.text for mark in recording.marks)


def test_row_53_each_channel_has_a_unit_of_its_own_and_a_missing_one_is_microvolt(tmp_path):
    truth = triplet(tmp_path, unit="mV")
    path = tmp_path / "night.vhdr"
    text = path.read_text("utf-8").replace("Ch2=EMG Mass R,,0.1,mV", "Ch2=EMG Mass R,,0.1,")
    path.write_text(text, "utf-8")
    recording = open_recording(path)
    np.testing.assert_allclose(values(recording, 0), truth[0] * 1e3, rtol=1e-9)
    np.testing.assert_allclose(values(recording, 1), truth[1], rtol=1e-9)
    given = open_recording(path, unit="uV")
    np.testing.assert_allclose(values(given, 0), truth[0], rtol=1e-9)
    np.testing.assert_allclose(values(given, 1), truth[1], rtol=1e-9)


@pytest.mark.parametrize("named", ["night", "patient_0815"])
def test_a_recording_of_mne_goes_to_another_process_by_its_file(tmp_path, monkeypatch, named):
    triplet(tmp_path, named=named)
    monkeypatch.chdir(tmp_path)
    recording = open_recording("night.vhdr")
    monkeypatch.chdir("/")
    raw = pickle.dumps(recording)
    assert len(raw) < 20_000
    again = pickle.loads(raw)
    np.testing.assert_array_equal(values(again, 1), values(recording, 1))
    assert again.source.digest() == recording.source.digest()


def test_a_raw_object_without_a_file_goes_to_another_process_itself():
    data = np.random.default_rng(0).normal(0, 20e-6, (1, 3000))
    raw = mne.io.RawArray(data, mne.create_info(["EMG Mass L"], 1000, "emg"), verbose="error")
    recording = open_with_mne(raw)
    again = pickle.loads(pickle.dumps(recording))
    np.testing.assert_array_equal(values(again, 0), values(recording, 0))


def test_row_53_a_missing_marker_file_is_a_note(tmp_path):
    truth = triplet(tmp_path, marker=False)
    recording = open_recording(tmp_path / "night.vhdr")
    assert [(note.code, note.severity) for note in recording.notes] == [("no-marker-file", "note")]
    np.testing.assert_allclose(values(recording, 0), truth[0], atol=1e-9)
    assert recording.marks == ()


def test_row_53_a_header_in_latin_1_is_read(tmp_path):
    truth = triplet(tmp_path, encoding="latin-1")
    recording = open_recording(tmp_path / "night.vhdr")
    np.testing.assert_allclose(values(recording, 0), truth[0], atol=1e-9)


def test_row_53_a_missing_data_file_is_refused(tmp_path):
    triplet(tmp_path)
    (tmp_path / "night.eeg").unlink()
    with pytest.raises(RecordingError, match=r"night\.vhdr: the data file 'night\.eeg'"):
        open_recording(tmp_path / "night.vhdr")


def test_a_sampling_interval_in_microseconds_is_an_exact_rate(tmp_path):
    triplet(tmp_path, interval=1953.125)
    assert open_recording(tmp_path / "night.vhdr").channels[0].rate == 512
    triplet(tmp_path, interval=3000)
    assert open_recording(tmp_path / "night.vhdr").channels[0].rate == Fraction(1000, 3)


def test_a_broken_header_is_refused_in_one_sentence(tmp_path):
    triplet(tmp_path)
    path = tmp_path / "night.vhdr"
    path.write_text(path.read_text(encoding="utf-8").replace("INT_16", "WORDS"), encoding="utf-8")
    with pytest.raises(RecordingError, match=r"^night\.vhdr: mne cannot read the file") as caught:
        open_recording(path)
    assert "\n" not in str(caught.value)
    with pytest.raises(RecordingError, match="no such file"):
        open_with_mne(tmp_path / "nothing.fif")


def test_a_raw_object_is_a_recording(tmp_path):
    volts = np.random.default_rng(1).normal(0, 50e-6, (2, 1000))
    info = mne.create_info(["Mass-L", "Light"], 250.0, ["emg", "misc"])
    raw = mne.io.RawArray(volts, info, verbose="error")
    raw.set_annotations(mne.Annotations([1.0], [0.5], ["clench"]))
    recording = open_with_mne(raw)
    assert recording.duration_s == 4.0
    assert recording.start is None
    assert [c.unit for c in recording.channels] == ["uV", "a.u."]
    np.testing.assert_allclose(values(recording, 0, 0, 1000), volts[0] * 1e6, rtol=1e-12)
    assert [(m.start_s, m.duration_s, m.text) for m in recording.marks] == [(1.0, 0.5, "clench")]
    assert recording.source.digest() == open_with_mne(raw).source.digest()


def test_marks_of_a_cropped_raw_object_count_from_its_first_sample():
    info = mne.create_info(["Mass-L"], 100.0, ["emg"])
    raw = mne.io.RawArray(np.zeros((1, 1000)), info, verbose="error")
    raw.set_meas_date(datetime.datetime(2026, 3, 2, 22, 30, tzinfo=datetime.UTC))
    raw.set_annotations(mne.Annotations([5.0], [0.0], ["clench"], raw.info["meas_date"]))
    recording = open_with_mne(raw.crop(2.0))
    assert recording.marks[0].start_s == 3.0
    assert recording.start == datetime.datetime(2026, 3, 2, 22, 30, 2)


def test_marks_of_a_cropped_raw_object_without_a_date_count_from_its_first_sample_too():
    info = mne.create_info(["Mass-L"], 100.0, ["emg"])
    raw = mne.io.RawArray(np.zeros((1, 1000)), info, verbose="error")
    raw.set_annotations(mne.Annotations([5.0, 6.0], [0.0, 1.0], ["clench", "BAD_cough"]))
    recording = open_with_mne(raw.crop(2.0))
    assert [m.start_s for m in recording.marks] == [3.0, 4.0]
    assert [(m.start_s, m.text) for m in recording.excluded] == [(4.0, "BAD_cough")]


@pytest.mark.parametrize("interval", [1e13, 2e12, 1e11])
def test_a_rate_that_no_recorder_has_is_damage(tmp_path, interval):
    triplet(tmp_path, interval=interval)
    with pytest.raises(RecordingError, match=r"^night\.vhdr: the header states .* it is damaged\.$"):
        open_recording(tmp_path / "night.vhdr")
