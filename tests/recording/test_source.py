"""Samples from the file: blocks, large records, 24 bits, threads, memory, digest."""

from __future__ import annotations

import hashlib
import pickle
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.formats import edf as edf_module
from sleepbrux.recording.formats.edf import open_edf, widen
from sleepbrux.recording.model import Block, samples

from .build import Signal, edf, emg, sine


def spread(block: Block, first: int, stop: int) -> np.ndarray:
    """Samples of a block, from the definition in the model."""
    i = np.arange(first - block.first, stop - block.first)
    within = block.channel_offset + i % block.per_record
    return block.data[(i // block.per_record) * block.record_length + within]


def two_channels(path: Path, sample_bytes: int = 2):
    left, right = sine(10, 200), sine(10, 200, amplitude=-700)
    other = Signal(sine(10, 32), {"label": "SpO2", "dimension": "%"})
    file = edf(Signal(left), other, Signal(right, {"label": "R"}), sample_bytes=sample_bytes)
    return open_edf(file.write(path)), np.ravel(left), np.ravel(right)


@pytest.mark.parametrize("sample_bytes", [2, 3])
@pytest.mark.parametrize("large", [False, True])
def test_any_stretch_of_samples_is_the_same_however_it_is_read(tmp_path, monkeypatch, sample_bytes, large):
    if large:
        monkeypatch.setattr(edf_module, "_LARGE_RECORD_BYTES", 16)
    recording, left, right = two_channels(
        tmp_path / "n.edf" if sample_bytes == 2 else tmp_path / "n.bdf", sample_bytes
    )
    channels = [recording.channels[0], recording.channels[2]]
    for first, stop in ((0, 2000), (0, 1), (199, 201), (200, 400), (350, 1999), (1999, 2000)):
        blocks = recording.source.blocks(channels, first, stop)
        for block, truth in zip(blocks, (left, right), strict=True):
            np.testing.assert_array_equal(spread(block, first, stop), truth[first:stop])
    np.testing.assert_array_equal(samples(recording, channels[1], 7, 777), right[7:777])
    assert samples(recording, channels[0], 500, 500).size == 0


def test_channels_of_one_request_share_one_read(tmp_path):
    recording, _, _ = two_channels(tmp_path / "n.edf")
    a, b = recording.source.blocks([recording.channels[0], recording.channels[2]], 300, 900)
    assert a.data is b.data
    assert a.data.dtype == np.int16
    assert a.data.flags.writeable


def test_requests_that_make_no_sense_are_errors(tmp_path):
    recording, _, _ = two_channels(tmp_path / "n.edf")
    with pytest.raises(ValueError, match="not all in the channels"):
        recording.source.blocks(recording.channels[:1], 0, 2001)
    with pytest.raises(ValueError, match="one rate"):
        recording.source.blocks(recording.channels[:2], 0, 10)
    assert recording.source.blocks([], 0, 10) == []


def test_24_bits_keep_their_sign():
    values = np.array([0, 1, -1, 2**23 - 1, -(2**23), 256, -257], dtype="<i4")
    packed = values.view(np.uint8).reshape(-1, 4)[:, :3].ravel()
    for before in (0, 255):
        raw = np.concatenate(([before], packed)).astype(np.uint8)
        assert widen(raw).tolist() == values.tolist()
        assert widen(raw).dtype == np.int32
    assert widen(np.zeros(1, dtype=np.uint8)).tolist() == []


def test_several_threads_read_the_same_as_one(tmp_path):
    recording, left, _ = two_channels(tmp_path / "n.edf")
    channel = recording.channels[0]
    with ThreadPoolExecutor(8) as pool:
        pieces = pool.map(lambda i: samples(recording, channel, 10 * i, 10 * i + 10), range(200))
    np.testing.assert_array_equal(np.concatenate(list(pieces)), left)


def test_a_recording_travels_to_another_process(tmp_path):
    recording, left, _ = two_channels(tmp_path / "n.edf")
    copy = pickle.loads(pickle.dumps(recording))
    np.testing.assert_array_equal(samples(copy, copy.channels[0], 0, 2000), left)


@pytest.mark.shows("stale-result")
def test_the_digest_is_that_of_the_bytes(tmp_path):
    path = edf(emg()).write(tmp_path / "n.edf")
    assert open_edf(path).source.digest() == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_file_that_shrinks_or_goes_away_is_named(tmp_path):
    recording, _, _ = two_channels(tmp_path / "night.edf")
    path = tmp_path / "night.edf"
    path.write_bytes(path.read_bytes()[:3000])
    with pytest.raises(RecordingError, match=r"night\.edf: .*shorter"):
        recording.source.blocks(recording.channels[:1], 0, 2000)
    path.unlink()
    with pytest.raises(RecordingError, match=r"night\.edf: .*cannot be read"):
        recording.source.digest()


def test_reading_needs_neither_scipy_nor_pandas_nor_mne():
    code = (
        "import sys, sleepbrux.recording.opening;"
        "print(sorted({'scipy', 'pandas', 'mne', 'numba', 'h5py'} & set(sys.modules)))"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert done.stdout.strip() == "[]"
