"""EDF+C, BDF+C and EDF+D files against the text dumps that another program made of them."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.recording.model import Channel, Piece, Recording, samples
from sleepbrux.recording.opening import open_recording

from .build import tal

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "data" / "edf" / "edfreader"
if not FOLDER.is_dir():
    pytest.skip("the dumped files are not on this machine", allow_module_level=True)

CONTINUOUS = ["edfPlusC.edf", "bdfPlusC.bdf"]
# Records of the continuous file that the discontinuous one holds; both have records of 1 s.
KEPT = [0, 2, 4, 5, 6, 7, 8, 9, 12, 15, 19]
GAPS = ((1.0, 2.0), (3.0, 4.0), (10.0, 12.0), (13.0, 15.0), (16.0, 19.0))


def rows(name: str, kind: str) -> list[dict[str, str]]:
    dump = FOLDER / f"{Path(name).stem}_{kind}.txt"
    with dump.open(encoding="latin-1", newline="") as handle:
        return list(csv.DictReader(handle))


def microvolts(recording: Recording, channel: Channel) -> np.ndarray:
    return samples(recording, channel, 0, channel.n_stored) * channel.gain + channel.offset


@pytest.mark.shows("outside-edf")
@pytest.mark.parametrize("name", CONTINUOUS)
def test_every_physical_value_equals_the_dump(name):
    recording = open_recording(FOLDER / name)
    dump = np.loadtxt(FOLDER / f"{Path(name).stem}_data.txt", delimiter=",", skiprows=1)
    assert dump.shape == (4000, 12)
    read = np.stack([microvolts(recording, channel) for channel in recording.channels], axis=1)
    np.testing.assert_allclose(read, dump[:, 1:], rtol=0, atol=1e-6)
    channel = recording.channels[0]
    (piece,) = channel.pieces
    assert piece == Piece(0, 0, 4000)
    times = np.array([float(i / channel.rate) for i in range(piece.n)])
    np.testing.assert_allclose(times, dump[:, 0], rtol=0, atol=1e-9)


@pytest.mark.shows("outside-edf")
@pytest.mark.parametrize("name", CONTINUOUS)
def test_labels_rates_and_rails_equal_the_dump_of_the_header(name):
    recording = open_recording(FOLDER / name)
    dump = rows(name, "signals")
    assert len(dump) == 11
    for channel, row in zip(recording.channels, dump, strict=True):
        assert channel.label == row["Label"].strip()
        assert channel.rate == Fraction(row["Smp/Rec"]) / 1
        assert (channel.digital_min, channel.digital_max) == (int(row["Dmin"]), int(row["Dmax"]))
        assert channel.unit == row["Units"].strip() == "uV"
        ends = np.array([channel.digital_min, channel.digital_max]) * channel.gain + channel.offset
        np.testing.assert_allclose(ends, [float(row["Min"]), float(row["Max"])], atol=1e-9)


@pytest.mark.parametrize("name", CONTINUOUS)
def test_marks_equal_the_dump_of_annotations(name):
    recording = open_recording(FOLDER / name)
    read = [(mark.start_s, mark.duration_s, mark.text) for mark in recording.marks]
    assert read == [
        (float(row["Onset"]), float(row["Duration"] or 0), row["Annotation"])
        for row in rows(name, "annotations")
    ]
    assert len(read) == 2
    # The last mark of these files lies 580 s behind their last sample.
    assert [note.code for note in recording.notes] == ["marks-outside"]


@pytest.mark.shows("missed-gap")
def test_the_discontinuous_file_has_its_gaps_and_pieces_on_the_night_clock():
    recording = open_recording(FOLDER / "edfPlusD.edf")
    assert recording.format == "EDF+D"
    assert recording.gaps == GAPS
    assert recording.duration_s == 20.0
    assert [note.code for note in recording.notes] == ["gaps"]
    runs = [(0, 1), (2, 1), (4, 6), (12, 1), (15, 1), (19, 1)]
    pieces = []
    stored = 0
    for onset, n in runs:
        pieces.append(Piece(200 * onset, stored, 200 * n))
        stored += 200 * n
    assert {channel.pieces for channel in recording.channels} == {tuple(pieces)}
    assert {channel.n_night for channel in recording.channels} == {4000}


def test_its_samples_are_those_of_the_continuous_file_at_the_same_time_of_night():
    whole = open_recording(FOLDER / "edfPlusC.edf")
    parts = open_recording(FOLDER / "edfPlusD.edf")
    for channel, reference in zip(parts.channels, whole.channels, strict=True):
        expected = samples(whole, reference, 0, 4000).reshape(20, 200)
        read = samples(parts, channel, 0, channel.n_stored)
        np.testing.assert_array_equal(read.reshape(-1, 200), expected[KEPT])
        for piece in channel.pieces:
            np.testing.assert_array_equal(
                read[piece.stored : piece.stored + piece.n],
                expected.ravel()[piece.night : piece.night + piece.n],
            )


@pytest.mark.shows("wrong-clock")
def test_a_mark_behind_gaps_keeps_its_time_of_night(tmp_path):
    raw = (FOLDER / "edfPlusD.edf").read_bytes()
    assert b"+19.0000\x14\x14" in raw or b"+19\x14\x14" in raw
    start = raw.rindex(b"+19")
    stop = raw.index(b"\0", start) + 1
    mark = tal("+19.25", "late", duration="0.5")
    assert not raw[stop : stop + len(mark)].strip(b"\0")
    path = tmp_path / "marked.edf"
    path.write_bytes(raw[:stop] + mark + raw[stop + len(mark) :])
    (_, late) = open_recording(path).marks
    assert (late.start_s, late.duration_s, late.text) == (19.25, 0.5, "late")
