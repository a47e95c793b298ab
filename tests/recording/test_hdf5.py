"""HDF5 files as recordings: row 55 of the bad inputs, and files of others."""

from __future__ import annotations

import pickle
import tracemalloc
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import h5py
import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.candidates import candidate
from sleepbrux.recording.model import Recording, samples
from sleepbrux.recording.opening import Hints, open_recording
from tests.outside.registry import outside

UV = np.random.default_rng(3).normal(0, 20, (2, 5000))


def built(path: Path, build: Callable[[h5py.File], object]) -> Path:
    with h5py.File(path, "w") as file:
        build(file)
    return path


def values(recording: Recording, k: int = 0) -> np.ndarray:
    channel = recording.channels[k]
    return channel.gain * samples(recording, channel, 0, channel.n_stored) + channel.offset


def codes(recording: Recording) -> set[str]:
    return {note.code for note in recording.notes}


def one_set_a_channel(file: h5py.File) -> None:
    for name, row in zip(("EMG Mass L", "EMG Mass R"), UV / 1000, strict=True):
        data = file.create_dataset(name, data=row)
        data.attrs["unit"] = "mV"
        data.attrs["sampling_rate"] = 1000.0


def rows_of_channels(file: h5py.File) -> None:
    data = file.create_dataset("emg/raw", data=UV)
    data.attrs["units"] = ["uV", "uV"]
    file["emg"].attrs["fs"] = 1000
    data.attrs["labels"] = ["EMG Mass L", "EMG Mass R"]


def columns_packed(file: h5py.File) -> None:
    digital = np.rint(UV.T * 100).astype("<i2")
    data = file.create_dataset("signal", data=digital, compression="gzip", chunks=(500, 2))
    file.attrs["SamplingFrequency"] = 1000
    file.attrs["start_time"] = "2026-03-02T22:30:05"
    data.attrs["conversion"] = 0.01
    data.attrs["unit"] = "µV"
    data.attrs["channels"] = [b"EMG Mass L", b"EMG Mass R"]


@pytest.mark.parametrize("build", [one_set_a_channel, rows_of_channels, columns_packed])
def test_row_55_layouts_with_their_attributes_need_no_option(tmp_path, build):
    recording = open_recording(built(tmp_path / "night.h5", build))
    assert [c.label for c in recording.channels] == ["EMG Mass L", "EMG Mass R"]
    assert {c.unit for c in recording.channels} == {"uV"}
    assert recording.channels[0].rate == 1000
    assert recording.duration_s == 5.0
    np.testing.assert_allclose(values(recording, 1), UV[1], atol=0.006)
    assert codes(recording) == set()


def test_content_decides_and_the_start_is_read(tmp_path):
    recording = open_recording(built(tmp_path / "night.edf", columns_packed))
    assert recording.format == "HDF5"
    assert recording.start == datetime(2026, 3, 2, 22, 30, 5)


def test_a_matlab_file_of_version_7_3_is_an_hdf5_file_with_a_text_before_it(tmp_path):
    path = tmp_path / "night.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        file.create_dataset("emg", data=UV.T)
    head = b"MATLAB 7.3 MAT-file, Platform: GLNXA64, HDF5 schema 1.00 .".ljust(124) + b"\0\2IM"
    with path.open("r+b") as handle:
        handle.write(head)
    recording = open_recording(path, Hints(rate_hz=1000, unit="uV"))
    assert recording.format == "HDF5"
    np.testing.assert_allclose(values(recording, 1), UV[1], atol=0.006)
    assert candidate(path).verdict == "recording"


def test_row_55_without_a_rate_the_sets_are_listed(tmp_path):
    path = built(tmp_path / "night.h5", lambda f: f.create_dataset("a/emg", data=UV))
    with pytest.raises(RecordingError, match=r"/a/emg \(2, 5000\).*`rate_hz`.*`datasets`"):
        open_recording(path)
    recording = open_recording(path, Hints(rate_hz=500))
    assert recording.duration_s == 10.0
    assert recording.channels[0].unit == "a.u."


def test_row_55_sets_are_chosen_by_the_end_of_their_path(tmp_path):
    def build(file: h5py.File) -> None:
        for device in ("one", "two"):
            file.create_dataset(f"{device}/EMG Mass L", data=UV[0])
            file.create_dataset(f"{device}/filtered", data=UV[1])

    path = built(tmp_path / "night.h5", build)
    hints = Hints(rate_hz=1000, datasets=("two/EMG Mass L",))
    (channel,) = open_recording(path, hints).channels
    assert channel.muscle == "masseter"
    for name, said in (("EMG Mass L", "more than one"), ("three", "no data set of numbers")):
        with pytest.raises(RecordingError, match=said):
            open_recording(path, Hints(rate_hz=1000, datasets=(name,)))


@pytest.mark.parametrize("rate", [0.0, -1000.0, 1.1e-308])
def test_a_rate_that_no_recorder_has_is_none(tmp_path, rate):
    def build(file: h5py.File) -> None:
        file.create_dataset("EMG", data=UV[0]).attrs["sampling_rate"] = rate

    with pytest.raises(RecordingError, match=r"^night\.h5: no attribute gives a sampling rate"):
        open_recording(built(tmp_path / "night.h5", build))


def test_row_55_a_rate_cannot_be_that_of_sets_of_different_lengths(tmp_path):
    def build(file: h5py.File) -> None:
        file.create_dataset("emg", data=UV[0])
        file.create_dataset("spo2", data=UV[0][:50])

    with pytest.raises(RecordingError, match="different lengths"):
        open_recording(built(tmp_path / "night.h5", build), Hints(rate_hz=1000))


def test_shorter_sets_below_one_rate_are_left_out_with_a_note(tmp_path):
    def build(file: h5py.File) -> None:
        file.attrs["sampling rate"] = 1000
        file.create_dataset("EMG Mass L", data=UV[0])
        file.create_dataset("envelope", data=UV[0][:50])
        spo2 = file.create_dataset("SpO2", data=UV[0][:5])
        spo2.attrs["sampling rate"] = 1

    recording = open_recording(built(tmp_path / "night.h5", build))
    assert {c.label: c.rate for c in recording.channels} == {"EMG Mass L": 1000, "SpO2": 1}
    assert "sets-left-out" in codes(recording)


@pytest.mark.parametrize("dtype", ["u1", "i1", "<i2", ">i2", "u2", "<i4", ">u4", "<f4", ">f8", "<i8"])
def test_every_kind_of_number_is_read(tmp_path, dtype):
    raw = np.rint(UV[0]).clip(0, 100).astype(dtype)

    def build(file: h5py.File) -> None:
        file.create_dataset("EMG", data=raw).attrs["rate"] = 1000

    np.testing.assert_allclose(values(open_recording(built(tmp_path / "n.h5", build))), raw)


def test_samples_that_are_no_numbers_are_gaps(tmp_path):
    def build(file: h5py.File) -> None:
        raw = UV[0].copy()
        raw[1000:1100] = np.nan
        file.create_dataset("EMG", data=raw).attrs["rate"] = 1000

    recording = open_recording(built(tmp_path / "n.h5", build))
    assert [(p.night, p.n) for p in recording.channels[0].pieces] == [(0, 1000), (1100, 3900)]
    assert "samples-missing" in codes(recording)


def test_a_set_that_states_more_than_the_file_holds_is_left_out(tmp_path):
    def build(file: h5py.File) -> None:
        file.attrs["rate"] = 1000
        file.create_dataset("huge", shape=(10**13,), dtype="f8", chunks=(1000,))

    with pytest.raises(RecordingError, match="no data set of numbers"):
        open_recording(built(tmp_path / "n.h5", build))


def test_links_to_other_files_are_not_followed(tmp_path):
    other = built(tmp_path / "other.h5", one_set_a_channel)

    def build(file: h5py.File) -> None:
        file["EMG"] = h5py.ExternalLink(other.name, "/EMG Mass L")

    with pytest.raises(RecordingError, match="no data set of numbers"):
        open_recording(built(tmp_path / "n.h5", build))


def test_a_night_archive_is_no_recording(tmp_path):
    def build(file: h5py.File) -> None:
        file.attrs.update({"schema_version": 1, "software": "sleepbrux 0.1.0"})
        file.create_dataset("frames", data=UV[0])

    with pytest.raises(RecordingError, match="archive of a scored night"):
        open_recording(built(tmp_path / "n.night.h5", build))


@pytest.mark.parametrize("cut", [100, 3000, 30_000])
def test_a_cut_file_is_refused_or_fails_in_one_sentence_when_read(tmp_path, cut):
    path = built(tmp_path / "n.h5", one_set_a_channel)
    path.write_bytes(path.read_bytes()[:cut])
    with pytest.raises(RecordingError, match=r"n\.h5: "):
        values(open_recording(path), 1)


def test_a_long_file_needs_little_memory_and_can_be_pickled(tmp_path):
    n = 20_000_000

    def build(file: h5py.File) -> None:
        data = file.create_dataset("EMG", shape=(n,), dtype="<f4", chunks=(100_000,))
        for first in range(0, n, 1_000_000):
            data[first : first + 1_000_000] = 1.0
        data.attrs["rate"] = 2000

    path = built(tmp_path / "n.h5", build)
    tracemalloc.start()
    try:
        recording = pickle.loads(pickle.dumps(open_recording(path)))
        for first in range(0, n, 1_000_000):
            samples(recording, recording.channels[0], first, first + 1_000_000)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 40_000_000 < path.stat().st_size


@pytest.mark.parametrize(
    ("name", "n", "start"),
    [
        ("emg_bursts.h5", 28_519, datetime(2017, 1, 23, 10, 28, 51, 690_000)),
        ("emg_fatigue.h5", 126_900, datetime(2017, 5, 30, 15, 34, 25, 337_000)),
        ("emg_1000_hz_16_bits_solo.h5", 87_600, datetime(2019, 10, 14, 16, 52, 39, 448_000)),
    ],
)
def test_files_of_a_recorder_are_read_without_an_option(name, n, start):
    """Biosignalsnotebooks samples: one group a device, with lower-rate copies below it."""
    recording = open_recording(outside(name))
    emg = [c for c in recording.channels if c.role == "emg"]
    assert len(emg) == 1
    assert (emg[0].rate, emg[0].n_stored) == (1000, n)
    assert recording.start == start
    assert "sets-left-out" in codes(recording)
    with h5py.File(outside(name)) as file:
        (device,) = file.values()
        (raw,) = (d for k, d in device["raw"].items() if k.startswith("channel"))
        np.testing.assert_array_equal(values(recording, recording.channels.index(emg[0])), raw[:, 0])


def test_two_devices_in_one_file_keep_their_channels_apart():
    recording = open_recording(outside("emg_1000_hz_8_16_bits.h5"))
    assert len([c for c in recording.channels if c.role == "emg"]) == 2
    assert len({c.label for c in recording.channels}) == len(recording.channels)
