"""An archive that somebody bent and sealed anew is used or refused in one sentence, and always ends."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace

import h5py
import numpy as np
import pytest

from sleepbrux.archive.coherence import (
    NEEDED_OF_BREATHING,
    NEEDED_OF_SOUND,
    IncoherentError,
    check_night,
)
from sleepbrux.archive.file import _large, _read_whole, load_night
from sleepbrux.core.errors import ArchiveError
from sleepbrux.core.files import is_sealed, seal
from sleepbrux.recording.formats import hdf5_client as hdf5_line
from sleepbrux.signal.sound import Sound
from tests.archive_mutants import outcome, run, seed_archive

MUTANTS = int(os.environ.get("MUTANTS", "48"))


@pytest.fixture(scope="module")
def seed(tmp_path_factory):
    return seed_archive(tmp_path_factory.mktemp("seed"))


@pytest.fixture
def archive(seed, tmp_path):
    path = tmp_path / "a.night.h5"
    shutil.copy(seed, path)
    return path


@pytest.fixture
def impatient(monkeypatch):
    hdf5_line.hang_up()
    monkeypatch.setattr(hdf5_line, "STEP_LIMIT_S", 3.0)
    yield
    hdf5_line.hang_up()


@pytest.mark.shows("hostile-file")
@pytest.mark.parametrize("part", range(2))
def test_mutants_with_sums_made_anew_are_used_or_refused_in_one_sentence(seed, tmp_path, impatient, part):
    share = MUTANTS // 2
    outcomes = run(seed, tmp_path, range(part * share, (part + 1) * share))
    assert set(outcomes) == {"refused", "used"}
    assert outcomes["refused"] > share / 3
    assert outcomes["used"] > share / 20  # so the mutants reach what uses a night


@pytest.mark.shows("hostile-file")
def test_an_archive_over_which_the_library_never_ends_is_refused(archive, impatient):
    raw = bytearray(archive.read_bytes())
    heap = raw.index(b"GCOL")
    raw[heap + 16 : heap + 4096] = bytes(4080)
    archive.write_bytes(bytes(raw))
    seal(archive)
    assert is_sealed(archive)
    with pytest.raises(ArchiveError, match=r"^a\.night\.h5: not a readable night archive"):
        load_night(archive)


LINKS = {
    "soft": lambda other: h5py.SoftLink("/frames/0"),
    "external": lambda other: h5py.ExternalLink(str(other), "/frames/1"),
}


@pytest.mark.shows("hostile-file")
@pytest.mark.parametrize("kind", sorted(LINKS))
@pytest.mark.parametrize("place", ["frames/1", "frames/1/energy", "extra"])
def test_no_link_is_followed(archive, seed, kind, place):
    with h5py.File(archive, "r+") as file:
        if place in file:
            del file[place]
        file[place] = LINKS[kind](seed)
    seal(archive)
    with pytest.raises(ArchiveError, match="not a readable night archive"):
        load_night(archive)


@pytest.mark.shows("hostile-file")
def test_no_samples_of_another_file_are_read(archive, tmp_path):
    """External storage and virtual data sets name a file whose bytes would be read as frames."""
    secret = tmp_path / "secret.bin"
    with h5py.File(archive, "r") as file:
        energy = file["frames/1/energy"][()]
    secret.write_bytes(energy.tobytes())
    whole = archive.read_bytes()
    for virtual in (False, True):
        archive.write_bytes(whole)
        with h5py.File(archive, "r+") as file:
            del file["frames/1/energy"]
            if virtual:
                with h5py.File(tmp_path / "other.h5", "w") as other:
                    other["x"] = energy
                layout = h5py.VirtualLayout(energy.shape, energy.dtype)
                layout[:] = h5py.VirtualSource(tmp_path / "other.h5", "x", energy.shape)
                file.create_virtual_dataset("frames/1/energy", layout)
            else:
                file.create_dataset(
                    "frames/1/energy", energy.shape, energy.dtype, external=[(str(secret), 0, energy.nbytes)]
                )
        seal(archive)
        with pytest.raises(ArchiveError, match="not a readable night archive"):
            load_night(archive)


@pytest.mark.shows("hostile-file")
def test_one_table_under_many_names_is_not_read_as_many(tmp_path):
    path = tmp_path / "a.night.h5"
    with h5py.File(path, "w") as file:
        file["x"] = np.zeros(100_000)
        for k in range(200):
            file[f"x{k}"] = file["x"]
    with pytest.raises(ValueError, match="does not lie in the file"):
        _read_whole(path)


@pytest.mark.shows("hostile-file")
@pytest.mark.parametrize(
    ("kind", "first", "shape"),
    [
        ("<f8", 0, [101]),
        ("<f8", 8, [100]),
        ("<f8", -8, [10]),
        ("<f8", 10**18, [1]),
        ("<f8", 0, [-1]),
        ("<f8", 0, [10**9, 10**9]),
        ("|O", 0, [1]),
        ("|V8", 0, [1]),
        ("|S8", 0, [1]),
    ],
)
def test_a_place_that_is_told_is_held_against_the_file(tmp_path, kind, first, shape):
    path = tmp_path / "a.night.h5"
    path.write_bytes(np.arange(100.0).tobytes())
    with path.open("rb", buffering=0) as file:
        told = _large(file, {"x": [4, 5]}, {"x": ("<f8", 80)})["x"]
        assert told.tolist() == [list(range(n, n + 5)) for n in range(10, 30, 5)]
        with pytest.raises(ValueError, match="x does not lie in the file"):
            _large(file, {"x": shape}, {"x": (kind, first)})


@pytest.mark.parametrize("how", [{"compression": "gzip"}, {"chunks": (5000,)}, {"fletcher32": True}])
def test_tables_stored_in_another_way_are_the_same_night(archive, how):
    before = load_night(archive)
    with h5py.File(archive, "r+") as file:
        values = file["frames/0/energy"][()]
        assert values.nbytes > 1 << 16
        del file["frames/0/energy"]
        file.create_dataset("frames/0/energy", data=values, **how)
    seal(archive)
    after = load_night(archive)
    assert np.array_equal(before.swept.frames[0].energy, after.swept.frames[0].energy, equal_nan=True)
    assert after.measures == before.measures


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("duration_s", 1e9, "duration_s"),
        ("event_slots", 10**15, "clock"),
        ("event_slot", "1/0", ""),
        ("event_slot", "1/100000000000", "clock"),
        ("burst_labels", ["x", "y"], "bursts"),
        ("measures", {}, "measures lack"),
        ("frames_per_block", [0, 0], "frames/0"),
        ("gaps", [[5, 1]], "gaps"),
        ("merged_labels", ["x"], "merged"),
    ],
)
def test_a_header_that_cannot_be_is_refused_with_the_field(archive, name, value, said):
    with h5py.File(archive, "r+") as file:
        header = json.loads(file["header"][()].tobytes())
        assert name in header
        header[name] = value
        del file["header"]
        file["header"] = np.frombuffer(json.dumps(header).encode(), np.uint8)
    seal(archive)
    with pytest.raises(ArchiveError, match=rf"not a readable night archive.*{said}"):
        load_night(archive)


@pytest.mark.parametrize("name", ["frames/0/energy", "frames/1/rectified", "traces/low", "traces/high"])
def test_levels_that_are_no_numbers_are_refused(archive, name):
    with h5py.File(archive, "r+") as file:
        file[name][3] = np.inf
    seal(archive)
    with pytest.raises(ArchiveError, match=f"for {name} holds values that are out of range"):
        load_night(archive)


@pytest.mark.parametrize(
    ("signal", "lost"),
    [("breathing", name) for name in NEEDED_OF_BREATHING] + [("sound", name) for name in NEEDED_OF_SOUND],
)
def test_a_signal_without_its_measures_is_refused(seed, signal, lost):
    night = load_night(seed)
    if signal == "breathing":
        night = replace(night, labels=replace(night.labels, breathing_events=3))
    else:
        sound = Sound("Mic", 0.125, 0.0, np.zeros(9, np.float32), np.zeros(9, np.int8))
        around = replace(night.swept.surroundings, sound=sound)
        night = replace(night, swept=replace(night.swept, surroundings=around))
    named = dict.fromkeys((*NEEDED_OF_BREATHING, *NEEDED_OF_SOUND), night.measures["episode_count"])
    measures = {**named, **night.measures}
    check_night(replace(night, measures=measures))
    del measures[lost]
    with pytest.raises(IncoherentError, match=f"measures lack {lost}"):
        check_night(replace(night, measures=measures))


def test_what_scoring_makes_is_coherent(seed, tmp_path):
    check_night(load_night(seed))
    assert outcome(seed, tmp_path / "out") == "used"
