"""A night to and from its archive, exactly; what is no archive is refused in one sentence."""

import dataclasses
import hashlib
import json
from dataclasses import replace

import h5py
import numpy as np
import pytest

from sleepbrux import reference as calibration
from sleepbrux.archive import file as store
from sleepbrux.core.errors import ArchiveError
from sleepbrux.core.files import is_sealed, seal
from sleepbrux.core.spans import Spans
from sleepbrux.scoring.night import Night, rescore, score_night
from sleepbrux.signal.wake import WakeProbability
from tests.nights import LABELS, recording_of, rhythm


@pytest.fixture(scope="module")
def night():
    marks = [(5.0, 0.0, "Lights off"), (110.0, 0.0, "Lights on")]
    bursts = [*rhythm(20, 4), (60.0, 63.0, 300.0)]
    recording = recording_of([bursts, bursts], seconds=120, marks=marks)
    return score_night(recording, calibration.given(LABELS, 200.0))


@pytest.fixture
def archive(night, tmp_path):
    path = tmp_path / "a.night.h5"
    store.save_night(night, path)
    return path


def equal(a, b):
    if dataclasses.is_dataclass(a) and not isinstance(a, Spans):
        assert type(a) is type(b)
        fields = [f.name for f in dataclasses.fields(a) if f.compare]
        return all(equal(getattr(a, name), getattr(b, name)) for name in fields)
    if isinstance(a, np.ndarray):
        return a.dtype == b.dtype and np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
    if isinstance(a, tuple | list):
        return len(a) == len(b) and all(equal(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(equal(a[k], b[k]) for k in a)
    return a == b


def test_what_is_loaded_is_what_was_saved(night, archive):
    loaded = store.load_night(archive)
    for field in dataclasses.fields(Night):
        assert equal(getattr(night, field.name), getattr(loaded, field.name)), field.name


def test_an_archive_that_is_replaced_while_it_is_read_is_never_half_of_each(
    night, archive, tmp_path, monkeypatch
):
    frames = tuple(replace(f, energy=4 * f.energy) for f in night.swept.frames)
    later = replace(night, swept=replace(night.swept, digest="b" * 64, frames=frames))
    asked = []

    def ask(path, *rest):
        answer = ask_the_process(path, *rest)
        if len(asked) < replaced:
            asked.append(path)
            store.save_night(later, archive)
        return answer

    ask_the_process = store.ask
    monkeypatch.setattr(store, "ask", ask)
    replaced = 1
    assert equal(store.load_night(archive).swept, later.swept)
    replaced = 9
    with pytest.raises(
        ArchiveError, match=r"a\.night\.h5: it was replaced each time that it was read; wait until"
    ):
        store.load_night(archive)


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_same_night_gives_the_same_bytes(night, archive, tmp_path):
    again = tmp_path / "b.night.h5"
    store.save_night(store.load_night(archive), again)
    assert digest(archive) == digest(again)


@pytest.mark.shows("rescore")
def test_rescoring_from_the_archive_gives_the_same_bytes(night, archive, tmp_path):
    again = tmp_path / "c.night.h5"
    store.save_night(rescore(store.load_night(archive), night.criterion), again)
    assert digest(archive) == digest(again)


@pytest.mark.shows("rescore")
def test_another_criterion_from_the_archive_is_that_from_the_recording(night, archive):
    one, other = (rescore(n, "lavigne1996") for n in (night, store.load_night(archive)))
    assert equal(one.measures, other.measures)
    assert equal(one.episodes, other.episodes)


@pytest.mark.shows("identity-leak")
def test_no_path_and_no_temporary_file_is_left(archive):
    assert [p.name for p in archive.parent.iterdir()] == ["a.night.h5"]
    assert str(archive.parent).encode() not in archive.read_bytes()


@pytest.mark.shows("stale-result")
def test_a_failed_write_leaves_the_old_archive(night, archive, monkeypatch):
    before = digest(archive)

    def broken(*_):
        raise OSError("disk full")

    monkeypatch.setattr(store, "write_night", broken)
    with pytest.raises(OSError, match="disk full"):
        store.save_night(night, archive)
    assert digest(archive) == before
    assert [p.name for p in archive.parent.iterdir()] == ["a.night.h5"]


def test_another_major_schema_is_refused_and_a_newer_minor_read(archive):
    for version, readable in (("4.9", True), ("3.9", True), ("2.9", True), ("1.0", False), ("5.0", False)):
        with h5py.File(archive, "r+") as file:
            file.attrs["schema_version"] = version
        seal(archive)
        if readable:
            assert store.load_night(archive).measures
        else:
            with pytest.raises(ArchiveError, match=rf"schema {version}, this program reads 4\.1"):
                store.load_night(archive)


def as_an_earlier_version_wrote_it(archive):
    """The archive without what method 2 added."""
    with h5py.File(archive, "r+") as file:
        header = json.loads(file["header"][()].tobytes())
        del header["method"], file["header"], file["merged/known"], file["merged/unknown"]
        file["header"] = np.frombuffer(json.dumps(header).encode(), dtype=np.uint8)
        file.attrs["schema_version"] = "2.0"
    seal(archive)


def test_an_archive_of_an_earlier_method_says_so_as_does_what_is_made_from_it(archive):
    as_an_earlier_version_wrote_it(archive)
    loaded = store.load_night(archive)
    for night in (loaded, rescore(loaded, "lavigne1996")):
        assert store.EARLIER_METHOD in night.notes
        assert night.swept.method == 1
    assert "Score the recording again" in store.EARLIER_METHOD.text


def test_what_is_saved_again_from_an_earlier_method_stays_of_that_method(archive, tmp_path):
    as_an_earlier_version_wrote_it(archive)
    store.save_night(store.load_night(archive), tmp_path / "again.night.h5")
    assert store.load_night(tmp_path / "again.night.h5").swept.method == 1


def test_the_probability_of_wake_stands_under_an_earlier_name_in_an_archive_of_schema_3(night, tmp_path):
    found = WakeProbability("ECG", "m", "0" * 64, (), np.array([0.25], "f4"), np.array([1.0], "f4"))
    around = replace(night.swept.surroundings, wake_probability=found)
    path = tmp_path / "a.night.h5"
    store.save_night(replace(night, swept=replace(night.swept, surroundings=around)), path)
    with h5py.File(path, "r+") as file:
        file.move("surroundings/wake_probability", "surroundings/chance")
        file.attrs["schema_version"] = "3.0"
    seal(path)
    assert equal(store.load_night(path).swept.surroundings.wake_probability, found)


def test_a_night_scored_now_has_no_such_note(night):
    assert store.EARLIER_METHOD not in night.notes


@pytest.mark.parametrize("content", [b"", b"not hdf5 at all", b"\x89HDF\r\n\x1a\n" + b"\0" * 100])
def test_what_is_no_archive_is_refused_in_one_sentence(tmp_path, content):
    path = tmp_path / "x.night.h5"
    path.write_bytes(content)
    with pytest.raises(ArchiveError, match=r"^x\.night\.h5: "):
        store.load_night(path)


def test_a_missing_archive_and_another_hdf5_file_are_told_apart(tmp_path):
    with pytest.raises(ArchiveError, match="no such file"):
        store.load_night(tmp_path / "none.h5")
    other = tmp_path / "other.h5"
    with h5py.File(other, "w") as file:
        file["x"] = 1
    with pytest.raises(ArchiveError, match="not an archive"):
        store.load_night(other)


def test_a_damaged_archive_is_refused(archive):
    with h5py.File(archive, "r+") as file:
        del file["merged"]
    seal(archive)
    with pytest.raises(ArchiveError, match="not a readable"):
        store.load_night(archive)


def test_an_archive_with_one_bit_changed_is_refused_wherever_it_is(archive):
    whole = archive.read_bytes()
    for k, where in enumerate(range(0, len(whole), len(whole) // 97)):
        bad = bytearray(whole)
        bad[where] ^= 1 << k % 8
        archive.write_bytes(bytes(bad))
        with pytest.raises(ArchiveError, match=r"^a\.night\.h5: not a"):
            store.load_night(archive)
        archive.write_bytes(whole[:where])
        with pytest.raises(ArchiveError, match=r"^a\.night\.h5: not an archive"):
            store.load_night(archive)


def test_an_archive_that_would_hold_the_library_without_end_never_reaches_it(archive):
    bad = bytearray(archive.read_bytes())
    heap = bad.index(b"GCOL")
    bad[heap + 16 : heap + 4096] = bytes(4080)
    archive.write_bytes(bytes(bad))
    with pytest.raises(ArchiveError, match="damaged or changed"):
        store.load_night(archive)


def test_a_seal_is_no_hindrance_to_other_readers_of_hdf5(archive):
    with h5py.File(archive) as file:
        assert "frames" in file
    assert is_sealed(archive) is True
    seal(archive)
    assert is_sealed(archive) is True
    size = archive.stat().st_size
    seal(archive)
    assert archive.stat().st_size == size


def test_an_archive_without_a_field_of_its_schema_is_refused_in_one_sentence(archive):
    with h5py.File(archive, "r+") as file:
        header = json.loads(file["header"][()].tobytes())
        del header["notched"], file["header"]
        file["header"] = np.frombuffer(json.dumps(header).encode(), np.uint8)
    seal(archive)
    with pytest.raises(ArchiveError, match=r"^a\.night\.h5: not a readable"):
        store.load_night(archive)


def test_a_disk_that_fills_leaves_no_archive_and_is_said_in_one_sentence(night, tmp_path):
    resource = pytest.importorskip("resource", reason="limits a file's size as POSIX does")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, limits[1]))
    try:
        with pytest.raises(OSError, match="File too large") as caught:
            store.save_night(night, tmp_path / "a.night.h5")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert str(tmp_path) not in str(caught.value)
    assert not list(tmp_path.iterdir())
