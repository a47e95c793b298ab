"""XDF files: the file format of recorders of live streams."""

import builtins
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.model import Recording
from sleepbrux.recording.opening import Hints, family, open_recording

from .xdf_files import Stream, xdf

pytest.importorskip("pyxdf")
RATE = 1000
LABELS = ("EMG Masseter L", "EMG Masseter R")
N = 20 * RATE
WAVE = np.stack((np.sin(np.arange(N) / 9), np.cos(np.arange(N) / 7)), axis=1) * 100
STAMPS = 5000 + np.arange(N) / RATE


def emg(name: str = "amp", **changes) -> Stream:
    return Stream(
        **{"name": name, "values": WAVE, "stamps": STAMPS, "rate": RATE, "labels": LABELS, **changes}
    )


def read(tmp_path: Path, *streams: Stream, hints: Hints | None = None) -> Recording:
    path = tmp_path / "chair.bin"  # the content decides, not the name
    path.write_bytes(xdf(*streams))
    return open_recording(path, hints)


def codes(recording: Recording) -> set[str]:
    return {note.code for note in recording.notes}


def test_a_stream_opens_as_a_recording(tmp_path):
    recording = read(tmp_path, emg())
    assert recording.format == "XDF"
    assert [(c.label, c.role, c.side, c.unit) for c in recording.channels] == [
        ("EMG Masseter L", "jaw", "left", "uV"),
        ("EMG Masseter R", "jaw", "right", "uV"),
    ]
    assert recording.duration_s == 20
    assert recording.gaps == ()
    assert str(recording.start) == "2026-11-30 18:02:03"
    _, uv = recording.get_data("EMG Masseter R")
    assert uv == pytest.approx(WAVE[:, 1], abs=1e-4)
    assert family(tmp_path / "chair.bin") == "XDF"


def test_millivolts_are_microvolts_once_open(tmp_path):
    recording = read(tmp_path, emg(unit="mV"))
    assert recording.get_data("EMG Masseter L")[1] == pytest.approx(1000 * WAVE[:, 0], rel=1e-5, abs=1e-2)


def test_a_unit_that_the_stream_does_not_say_is_asked_for(tmp_path):
    recording = read(tmp_path, emg(unit=""))
    assert "unit-blank" in codes(recording)
    assert {c.unit for c in recording.channels} == {"a.u."}
    told = read(tmp_path, emg(unit=""), hints=Hints(unit="uV"))
    assert {c.unit for c in told.channels} == {"uV"}


@pytest.mark.shows("missed-gap")
def test_what_was_not_received_is_a_gap_on_the_clock(tmp_path):
    kept = np.ones(N, dtype=bool)
    kept[8000:8250] = False
    recording = read(tmp_path, emg(values=WAVE[kept], stamps=STAMPS[kept]))
    assert recording.gaps == ((8.0, 8.25),)
    assert recording.duration_s == 20
    assert "gaps" in codes(recording)
    _, uv = recording.get_data("EMG Masseter L")
    assert np.isnan(uv[8000:8250]).all()
    assert uv[8250:] == pytest.approx(WAVE[8250:, 0], abs=1e-4)


def test_late_stamps_are_no_gaps(tmp_path):
    late = STAMPS + np.repeat(np.random.default_rng(2).exponential(0.004, N // 20), 20)
    assert read(tmp_path, emg(stamps=late)).gaps == ()


def test_a_wrong_rate_in_the_header_gives_way_to_the_stamps(tmp_path):
    recording = read(tmp_path, emg(rate=500))
    assert float(recording.channels[0].rate) == pytest.approx(RATE, rel=0.001)
    assert "rate-differs" in codes(recording)


def test_events_of_another_stream_are_marks_by_its_own_clock(tmp_path):
    events = Stream(
        "events",
        ["Rest", "Clench natural teeth"],
        np.array([4002.0, 4009.5]),
        type="Markers",
        format="string",
        offset_s=1000.0,
    )
    recording = read(tmp_path, emg(offset_s=0.0), events)
    assert [(m.text, round(m.start_s, 3)) for m in recording.marks] == [
        ("Rest", 2.0),
        ("Clench natural teeth", 9.5),
    ]


def test_integer_streams_keep_the_rails_of_their_converter(tmp_path):
    whole = np.rint(WAVE * 10).astype(np.int16)
    channel = read(tmp_path, emg(values=whole, format="int16", unit="uV")).channels[0]
    assert (channel.digital_min, channel.digital_max) == (-32768, 32767)


def test_the_stream_of_emg_is_chosen_among_several(tmp_path):
    eeg = emg("head", labels=("Fz", "Cz"), type="EEG")
    assert len(read(tmp_path, eeg, emg()).channels) == 2
    other = emg("temples", labels=("EMG Temporalis L", "EMG Temporalis R"), stamps=STAMPS + 0.5)
    both = read(tmp_path, emg(), other)
    assert [c.label for c in both.channels] == [*LABELS, "EMG Temporalis L", "EMG Temporalis R"]
    assert [c.pieces[0].night for c in both.channels] == [0, 0, 500, 500]


def test_streams_of_which_none_says_that_it_is_emg_are_refused_in_one_sentence(tmp_path):
    a, b = (emg(name, labels=("1", "2"), type="data") for name in ("one", "two"))
    with pytest.raises(RecordingError, match=r"none of its streams 'one \(data, id 1\)'.*`datasets`"):
        read(tmp_path, a, b)
    assert len(read(tmp_path, a, b, hints=Hints(datasets=("two",))).channels) == 2
    with pytest.raises(RecordingError, match="no stream 'three'"):
        read(tmp_path, a, b, hints=Hints(datasets=("three",)))


def test_two_streams_of_one_name_are_told_apart_by_their_id(tmp_path):
    with pytest.raises(RecordingError, match="two EMG streams are called 'amp'"):
        read(tmp_path, emg(), emg())
    with pytest.raises(RecordingError, match="give the id instead"):
        read(tmp_path, emg(), emg(), hints=Hints(datasets=("amp",)))
    assert len(read(tmp_path, emg(), emg(), hints=Hints(datasets=("2",))).channels) == 2


def test_a_file_without_samples_at_an_even_rate_is_refused(tmp_path):
    events = Stream("events", ["Rest"], np.array([1.0]), type="Markers", format="string")
    with pytest.raises(RecordingError, match="no stream with samples"):
        read(tmp_path, events)


def test_a_recording_that_broke_off_opens_with_a_warning(tmp_path):
    assert "stream-broken-off" in codes(read(tmp_path, emg(footer=False)))
    path = tmp_path / "cut.xdf"
    path.write_bytes(xdf(emg())[:-3000])
    cut = open_recording(path)
    assert "stream-broken-off" in codes(cut)
    assert cut.duration_s < 20


def test_options_without_a_meaning_are_refused(tmp_path):
    with pytest.raises(RecordingError, match="`rate_hz` has no meaning for a file of XDF"):
        read(tmp_path, emg(), hints=Hints(rate_hz=2000))


def test_a_missing_library_is_one_sentence_with_the_command_that_adds_it(tmp_path, monkeypatch):
    path = tmp_path / "chair.xdf"
    path.write_bytes(xdf(emg()))
    real = builtins.__import__

    def without(name, *rest):
        if name == "pyxdf":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(RecordingError, match=r"chair.xdf: .*pip install 'sleepbrux\[live\]'"):
        open_recording(path)


@pytest.mark.parametrize("at", [4, 40, 300, 900])
def test_damaged_bytes_are_refused_or_read_with_notes_never_a_crash(tmp_path, at):
    raw = bytearray(xdf(emg()))
    raw[at : at + 8] = b"\xff" * 8
    path = tmp_path / "bent.xdf"
    path.write_bytes(bytes(raw))
    try:
        open_recording(path)
    except RecordingError as error:
        said = str(error)
    else:
        said = ""
    assert not said or said.startswith("bent.xdf: ")
