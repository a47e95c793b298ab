"""Files that other libraries write or ship, read here and compared value by value."""

from __future__ import annotations

import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.recording.model import Recording, samples
from sleepbrux.recording.opening import open_recording

edfio = pytest.importorskip("edfio")
pyedflib = pytest.importorskip("pyedflib")

SHIPPED = Path(pyedflib.__file__).parent / "tests" / "data"
FILES = sorted(SHIPPED.glob("*.?df")) if SHIPPED.is_dir() else []
MARKS = [(0.0, None, "Lights off"), (1.25, 2.5, "Zähne, 咬む"), (7.125, 0.0, "clench")]


def microvolts(recording: Recording, number: int) -> np.ndarray:
    channel = recording.channels[number]
    return samples(recording, channel, 0, channel.n_stored) * channel.gain + channel.offset


@pytest.mark.parametrize("kind", ["EDF", "BDF"])
@pytest.mark.parametrize("duration", [1.0, 0.5, 2.0])
def test_what_edfio_writes_is_read_back(tmp_path, kind, duration):
    rng = np.random.default_rng(7)
    signal, file = (edfio.EdfSignal, edfio.Edf) if kind == "EDF" else (edfio.BdfSignal, edfio.Bdf)
    given = [
        ("EMG Mass L", 500, "uV", (-500.0, 500.0)),
        ("EMG Mass R", 500, "mV", (-0.7, 0.3)),
        ("SpO2", 4, "%", (0.0, 100.0)),
        ("EMG Temp L", 256, "V", (-0.001, 0.001)),
    ]
    signals = [
        signal(
            rng.uniform(min(limits), max(limits), 10 * rate),
            rate,
            label=label,
            physical_dimension=unit,
            physical_range=limits,
        )
        for label, rate, unit, limits in given
    ]
    path = tmp_path / f"night.{kind.lower()}"
    file(
        signals,
        recording=edfio.Recording(startdate=datetime.date(2026, 3, 2)),
        starttime=datetime.time(22, 30, 0, 250_000),
        data_record_duration=duration,
        annotations=[edfio.EdfAnnotation(*mark) for mark in MARKS],
    ).write(path)

    recording = open_recording(path)
    assert recording.format == f"{kind}+C"
    assert recording.start == datetime.datetime(2026, 3, 2, 22, 30, 0, 250_000)
    assert recording.duration_s == 10.0
    assert recording.notes == ()
    assert [(c.label, c.rate) for c in recording.channels] == [(g[0], g[1]) for g in given]
    size = {"uV": 1.0, "mV": 1e3, "V": 1e6, "%": 1.0}
    for number, (written, (_, _, unit, limits)) in enumerate(zip(signals, given, strict=True)):
        assert recording.channels[number].unit == ("%" if unit == "%" else "uV")
        width = size[unit] * abs(limits[1] - limits[0])
        np.testing.assert_allclose(
            microvolts(recording, number), written.data * size[unit], rtol=0, atol=1e-12 * width
        )
    assert [(m.start_s, m.duration_s, m.text) for m in recording.marks] == [
        (onset, length or 0.0, text) for onset, length, text in MARKS
    ]


def test_a_record_duration_that_is_no_whole_number_keeps_its_exact_rate(tmp_path):
    path = tmp_path / "night.edf"
    data = np.arange(1500) % 64 - 32.0
    edfio.Edf(
        [edfio.EdfSignal(data, 600, label="EMG", physical_range=(-32768, 32767))],
        data_record_duration=0.125,
    ).write(path)
    channel = open_recording(path).channels[0]
    assert channel.rate == Fraction(600)
    np.testing.assert_array_equal(microvolts(open_recording(path), 0), data)


@pytest.mark.skipif(not FILES, reason="the installed pyedflib has no test data")
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_files_that_pyedflib_ships_are_read_as_pyedflib_reads_them(path):
    recording = open_recording(path)
    assert {note.severity for note in recording.notes} <= {"note"}
    with pyedflib.EdfReader(str(path)) as reader:
        # In a plain EDF file it hands out a signal of this name as samples.
        labels = [label for label in reader.getSignalLabels() if label != "EDF Annotations"]
        n = len(labels)
        assert [c.label for c in recording.channels] == labels
        assert [c.n_stored for c in recording.channels] == reader.getNSamples().tolist()[:n]
        rates = [float(c.rate) for c in recording.channels]
        assert rates == pytest.approx(reader.getSampleFrequencies().tolist()[:n], rel=1e-12)
        assert recording.duration_s == reader.file_duration
        assert recording.start is not None
        # Its microseconds are wrong in some releases, so seconds are compared.
        assert recording.start.replace(microsecond=0) == reader.getStartdatetime().replace(microsecond=0)
        for number, channel in enumerate(recording.channels):
            digital = samples(recording, channel, 0, channel.n_stored)
            np.testing.assert_array_equal(digital, reader.readSignal(number, digital=True))
            physical = reader.readSignal(number)
            np.testing.assert_allclose(
                microvolts(recording, number), physical, atol=1e-9 * np.abs(physical).max()
            )
        onsets, durations, texts = reader.readAnnotations()
    if path.name == "test_legacy.edf":
        assert [m.text for m in recording.marks] == ["Recording starts", "Recording ends"]
        return
    read = sorted(zip(onsets.tolist(), durations.tolist(), texts.tolist(), strict=True))
    assert [m.text for m in recording.marks] == [text for _, _, text in read]
    assert [m.start_s for m in recording.marks] == pytest.approx([o for o, _, _ in read], abs=2e-7)
    assert [m.duration_s for m in recording.marks] == [max(d, 0.0) for _, d, _ in read]


@pytest.mark.skipif(not FILES, reason="the installed pyedflib has no test data")
def test_the_sub_second_start_of_the_shipped_file_is_the_one_in_its_first_record():
    path = SHIPPED / "test_subsecond.edf"
    raw = path.read_bytes()
    assert b"04.05.56" in raw[:256]
    assert b"+0.3945312\x14\x14\0" in raw
    assert open_recording(path).start == datetime.datetime(2020, 1, 24, 4, 5, 56, 394_531)
