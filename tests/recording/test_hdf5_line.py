"""The process that reads HDF5 files: a file that makes the library hang or crash costs nothing else."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from concurrent.futures import ThreadPoolExecutor

import h5py
import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.formats import hdf5_client as hdf5_line
from sleepbrux.recording.model import samples
from sleepbrux.recording.opening import Hints, open_recording

from . import fuzz


@pytest.fixture
def impatient(monkeypatch):
    hdf5_line.hang_up()
    monkeypatch.setattr(hdf5_line, "STEP_LIMIT_S", 1.0)
    yield
    hdf5_line.hang_up()


def endless() -> bytes:
    """A file whose heap of texts has free space of no size, over which the library never ends."""
    raw = bytearray(fuzz.SEEDS["HDF5"][1][0]())
    free = raw.index(b"GCOL") + 16 + 2 * 24
    assert raw[free : free + 2] == b"\0\0"
    raw[free + 8 : free + 16] = bytes(8)
    return bytes(raw)


def good(path, n=3000):
    with h5py.File(path, "w") as file:
        file.attrs["rate"] = 1000
        file.create_dataset("EMG Mass L", data=np.arange(n, dtype="<i2"))
    return path


def test_a_file_over_which_the_library_never_ends_is_refused_and_the_next_one_is_read(tmp_path, impatient):
    path = tmp_path / "night.h5"
    path.write_bytes(endless())
    started = time.monotonic()
    with pytest.raises(RecordingError, match=r"^night\.h5: the HDF5 library did not come to an end"):
        open_recording(path)
    assert time.monotonic() - started < 20
    recording = open_recording(good(tmp_path / "good.h5"))
    assert samples(recording, recording.channels[0], 10, 13).tolist() == [10, 11, 12]


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal")
def test_a_reading_process_that_dies_costs_one_sentence(tmp_path):
    recording = open_recording(good(tmp_path / "n.h5"))
    os.kill(hdf5_line._lines[0]._process.pid, signal.SIGKILL)
    with pytest.raises(RecordingError, match=r"^n\.h5: "):
        samples(recording, recording.channels[0], 0, 10)
    assert samples(recording, recording.channels[0], 0, 3).tolist() == [0, 1, 2]


def test_threads_and_several_files_share_the_process(tmp_path):
    recordings = [open_recording(good(tmp_path / f"{k}.h5", 2000 + k)) for k in range(3)]

    def last(k):
        channel = recordings[k % 3].channels[0]
        return samples(recordings[k % 3], channel, channel.n_stored - 1, channel.n_stored)[0] - k % 3

    with ThreadPoolExecutor(4) as pool:
        assert set(pool.map(last, range(60))) == {1999}


def test_a_file_that_changes_is_opened_again_and_one_that_shrank_is_told(tmp_path):
    recording = open_recording(good(tmp_path / "n.h5"))
    good(tmp_path / "n.h5", 50)
    with pytest.raises(RecordingError, match="open it again"):
        samples(recording, recording.channels[0], 0, 3000)


def test_the_process_ends_with_its_parent(tmp_path):
    good(tmp_path / "n.h5")
    script = textwrap.dedent("""
        import sys
        from sleepbrux.recording.formats import hdf5_client as hdf5_line
        from sleepbrux.recording.opening import open_recording
        open_recording(sys.argv[1])
        print(hdf5_line._lines[0]._process.pid)
    """)
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script, str(tmp_path / "n.h5")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    with pytest.raises(ProcessLookupError):
        os.kill(int(done.stdout), 0)


def test_a_chunk_larger_than_its_data_set_is_no_reason_to_take_memory(tmp_path):
    path = tmp_path / "n.h5"
    with h5py.File(path, "w") as file:
        file.attrs["rate"] = 1000
        data = file.create_dataset(
            "EMG", shape=(100,), maxshape=(None,), dtype="f8", chunks=(1 << 27,), compression="gzip"
        )
        del data
    with pytest.raises(RecordingError, match="no data set of numbers"):
        open_recording(path, Hints())
