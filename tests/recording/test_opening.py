"""What `open_recording` says to files that are none of its kinds."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import sleepbrux.recording
from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.opening import open_recording

from .build import edf

MODULES = [module.name for module in pkgutil.iter_modules(sleepbrux.recording.__path__)]


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("night.csv", b"time,EMG\n0,1\n", "fewer than two rows"),
        ("night.txt", b"0.000000\t1\n", "no table with a column of numbers"),
        ("night.wav", b"RIFF\x24\0\0\0WAVEfmt ", "has no format chunk"),
        ("night.h5", b"\x89HDF\r\n\x1a\n", "cut off or damaged"),
        ("night.edf", b"\x1f\x8b\x08\0", "gzip-compressed; unpack"),
        ("night.vhdr", b"PK\x03\x04", "zip archive; unpack"),
        ("night.eeg", b"\1\2\3", r"BrainVision recording; give its header 'night\.vhdr'"),
        ("night.xyz", b"\1\2\3", "no known recording"),
        (
            "night.mat",
            b"MATLAB 5.0 MAT-file, Platform: PCWIN64".ljust(128, b"\0"),
            r"version 5 are not read, those of version 7\.3 are, which are HDF5: .*-v7\.3",
        ),
        ("night.mat", b"MATLAB 7.3 MAT-file, Platform: PCWIN64".ljust(600, b"\0"), "cut off or damaged"),
        ("night.edf", b"", "the file is empty"),
    ],
)
def test_a_file_that_is_not_read_is_refused_in_one_sentence(tmp_path, name, content, words):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=words) as caught:
        open_recording(path)
    message = str(caught.value)
    assert message.startswith(f"{name}: ")
    assert str(tmp_path) not in message
    assert "\n" not in message


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    with pytest.raises(RecordingError, match=r"^none\.edf: there is no such file; check the path"):
        open_recording(tmp_path / "none.edf")
    folder = tmp_path / "nights"
    folder.mkdir()
    with pytest.raises(RecordingError, match=r"^nights: this is a folder"):
        open_recording(folder)


def test_an_edf_file_opens_by_its_content_under_any_name(tmp_path):
    path = edf(record_duration=0).write(tmp_path / "night.csv")
    with pytest.raises(RecordingError, match="record_duration"):
        open_recording(path)
    assert open_recording(str(path), record_duration_s="0.5").channels[0].rate == 400


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_the_docstrings_hold(name):
    module = importlib.import_module(f"sleepbrux.recording.{name}")
    assert doctest.testmod(module).failed == 0
