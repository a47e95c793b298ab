"""Digests of recordings, and recordings whose digest is taken while they are opened."""

import hashlib
from concurrent.futures import CancelledError
from pathlib import Path
from threading import Event

import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError, ReferenceLevelError, UsageError
from sleepbrux.recording import prefetch as ahead
from sleepbrux.recording.files import file_digest
from sleepbrux.recording.opening import open_recording
from sleepbrux.recording.prefetch import hashed_meanwhile
from sleepbrux.reference import given
from sleepbrux.scoring.night import score_night
from tests.recording.test_mne_formats import triplet

EXCERPT = Path(__file__).parents[2] / "demo_data" / "excerpt.edf"
LABELS = ["EMG Masseter L", "EMG Masseter R"]


def test_the_digest_is_that_of_the_files_one_after_the_other(tmp_path):
    parts = [np.random.default_rng(n).bytes(n) for n in (3_000_001, 0, 7)]
    paths = [tmp_path / f"{k}" for k in range(3)]
    for path, part in zip(paths, parts, strict=True):
        path.write_bytes(part)
    assert file_digest(*paths) == hashlib.sha256(b"".join(parts)).hexdigest()


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    with pytest.raises(RecordingError, match=r"^none\.edf: the file cannot be read \("):
        file_digest(tmp_path / "none.edf")


def test_a_digest_that_is_given_up_is_none():
    given_up = Event()
    given_up.set()
    with pytest.raises(CancelledError):
        file_digest(EXCERPT, given_up=given_up)


def test_the_digest_is_begun_before_the_recording_is_opened(monkeypatch):
    order, begun = [], Event()

    def digest(*paths, given_up):
        order.append("digest")
        begun.set()
        return file_digest(*paths, given_up=given_up)

    def opening(path):
        assert begun.wait(30)
        order.append("open")
        return open_recording(path)

    monkeypatch.setattr(ahead, "file_digest", digest)
    monkeypatch.setattr(ahead, "open_recording", opening)
    with hashed_meanwhile(EXCERPT) as recording:
        assert recording.source.digest() == open_recording(EXCERPT).source.digest()
    assert order == ["digest", "open"]


def stopped(share):
    raise KeyboardInterrupt


@pytest.mark.parametrize(
    ("n_bytes", "asked", "error"),
    [
        (300, {}, RecordingError),
        (None, {"channels": ["no such channel"]}, RecordingError),
        (None, {}, UsageError),  # no clench
        (None, {"reference": given(LABELS, 10.0)}, ReferenceLevelError),
        (None, {"progress": stopped}, KeyboardInterrupt),
    ],
)
def test_an_error_gives_the_digest_up(tmp_path, monkeypatch, n_bytes, asked, error):
    ended = []
    monkeypatch.setattr(ahead, "file_digest", lambda path, given_up: ended.append(given_up.wait(30)))
    path = tmp_path / "night.edf"
    path.write_bytes(EXCERPT.read_bytes()[:n_bytes])
    with pytest.raises(error):
        score_night(path, **asked)
    assert ended == [True]


def test_the_digest_is_there_after_the_block():
    with hashed_meanwhile(EXCERPT) as recording:
        pass
    assert recording.source.digest() == file_digest(EXCERPT)


@pytest.mark.parametrize("threads", [1, 2])
def test_a_file_gives_the_night_of_its_recording(threads):
    reference = given(LABELS, 190.0)
    one = score_night(EXCERPT, reference, threads=threads)
    other = score_night(open_recording(EXCERPT), reference)
    assert one.swept.digest == other.swept.digest == file_digest(EXCERPT)
    assert one.measures == other.measures


def test_a_recording_of_several_files_has_the_digest_of_them_all(tmp_path):
    triplet(tmp_path)
    with hashed_meanwhile(tmp_path / "night.vhdr") as recording:
        assert recording.source.digest() == open_recording(tmp_path / "night.vhdr").source.digest()
        assert recording.source.digest() != file_digest(tmp_path / "night.vhdr")
