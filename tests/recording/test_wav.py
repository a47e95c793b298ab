"""WAV files as recordings: row 54 of the bad inputs."""

from __future__ import annotations

import os
import pickle
import struct
import tracemalloc
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Recording, samples
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.signal.sweep import sweep

GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
WAVE = np.rint(20000 * np.sin(np.arange(4000) / 7)).astype(np.int64)
STEREO = np.stack((WAVE, -WAVE // 2), axis=1)


def chunk(name: bytes, body: bytes, size: int | None = None) -> bytes:
    stated = len(body) if size is None else size
    return name + struct.pack("<I", stated) + body + b"\0" * (len(body) % 2)


def form(coding: int, n: int, bits: int, rate: int = 2000, *, extensible: bool = False) -> bytes:
    width = -(-bits // 8) * n
    tag = 0xFFFE if extensible else coding
    body = struct.pack("<HHIIHH", tag, n, rate, rate * width, width, -(-bits // 8) * 8)
    if extensible:
        body += struct.pack("<HHIH", 22, bits, 0, coding) + GUID_TAIL
    return chunk(b"fmt ", body)


def riff(*chunks: bytes, magic: bytes = b"RIFF", size: int | None = None) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return magic + struct.pack("<I", len(body) if size is None else size) + body


def packed(values: np.ndarray, bits: int) -> bytes:
    if bits == 8:
        return (values // 256 + 128).astype(np.uint8).tobytes()
    if bits == 24:
        wide = (values * 256).astype("<i4").reshape(-1, 1).view(np.uint8)
        return wide[:, :3].tobytes()
    shift = {16: 1, 32: 65536}[bits]
    return (values * shift).astype(f"<i{bits // 8}").tobytes()


def read(path: Path, content: bytes, hints: Hints | None = None) -> Recording:
    path.write_bytes(content)
    return open_recording(path, hints)


def values(recording: Recording, k: int = 0) -> np.ndarray:
    channel = recording.channels[k]
    return channel.gain * samples(recording, channel, 0, channel.n_stored)


def codes(recording: Recording) -> set[str]:
    return {note.code for note in recording.notes}


@pytest.mark.parametrize("extensible", [False, True])
@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_row_54_integers_of_any_width_are_fractions_of_full_scale(tmp_path, bits, extensible):
    content = riff(form(1, 2, bits, extensible=extensible), chunk(b"data", packed(STEREO, bits)))
    recording = read(tmp_path / "night.wav", content, Hints(scale=3000.0))
    assert [c.label for c in recording.channels] == ["ch1", "ch2"]
    assert recording.channels[0].rate == 2000
    assert recording.duration_s == 2.0
    tolerance = 3000 / 100 if bits == 8 else 1e-6
    np.testing.assert_allclose(values(recording, 0), 3000 * WAVE / 32768, atol=tolerance)
    np.testing.assert_allclose(values(recording, 1), 3000 * (-WAVE // 2) / 32768, atol=tolerance)
    assert recording.channels[0].digital_max > 0


@pytest.mark.parametrize(("kind", "dtype"), [(32, "<f4"), (64, "<f8")])
def test_row_54_float_samples_are_taken_as_they_are(tmp_path, kind, dtype):
    content = riff(form(3, 1, kind), chunk(b"data", (WAVE / 32768).astype(dtype).tobytes()))
    recording = read(tmp_path / "night.wav", content, Hints(unit="mV"))
    np.testing.assert_allclose(values(recording), 1000 * WAVE / 32768, rtol=1e-5, atol=1e-3)
    assert recording.channels[0].unit == "uV"


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int32, np.float32, np.float64])
def test_files_of_another_writer_are_read_as_it_reads_them(tmp_path, dtype):
    path = tmp_path / "night.wav"
    raw = STEREO / 32768 if np.dtype(dtype).kind == "f" else STEREO // 256
    wavfile.write(path, 2000, raw.astype(dtype))
    recording = open_recording(path)
    _, theirs = wavfile.read(path)
    full = {"u": 128, "i": 2 ** (8 * np.dtype(dtype).itemsize - 1), "f": 1}[np.dtype(dtype).kind]
    zero = 128 if dtype == np.uint8 else 0
    np.testing.assert_allclose(values(recording, 1), (theirs[:, 1].astype(float) - zero) / full)


def test_row_54_without_a_scale_there_is_no_microvolt(tmp_path):
    recording = read(tmp_path / "night.wav", riff(form(1, 1, 16), chunk(b"data", packed(WAVE, 16))))
    assert recording.channels[0].unit == "a.u."
    assert recording.channels[0].role == "other"
    assert codes(recording) == {"unit-blank", "labels-none"}


def test_channels_get_their_names_from_the_user(tmp_path):
    content = riff(form(1, 2, 16), chunk(b"data", packed(STEREO, 16)))
    hints = Hints(roles=(("ch1", "masseter left"), ("ch2", "audio")))
    recording = read(tmp_path / "night.wav", content, hints)
    assert [(c.role, c.side, c.muscle) for c in recording.channels] == [
        ("jaw", "left", "masseter"),
        ("audio", "", ""),
    ]


@pytest.mark.parametrize("stated", [0, 0xFFFFFFFF, 10**9])
def test_row_54_a_wrong_size_gives_way_to_the_file(tmp_path, stated):
    content = riff(form(1, 1, 16), chunk(b"data", packed(WAVE, 16), stated), size=0)
    recording = read(tmp_path / "night.wav", content)
    assert recording.channels[0].n_stored == len(WAVE)
    assert "size-differs" in codes(recording)


@pytest.mark.parametrize("magic", [b"RF64", b"BW64"])
def test_row_54_rf64_takes_its_sizes_from_the_ds64_chunk(tmp_path, magic):
    data = packed(WAVE, 16)
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, len(data), len(WAVE), 0))
    content = riff(
        ds64,
        form(1, 1, 16),
        chunk(b"data", data, 0xFFFFFFFF),
        chunk(b"junk", b"abcd"),
        magic=magic,
        size=0xFFFFFFFF,
    )
    recording = read(tmp_path / "night.wav", content)
    assert recording.channels[0].n_stored == len(WAVE)
    assert "size-differs" not in codes(recording)


@pytest.mark.skipif(not hasattr(os, "posix_fallocate"), reason="needs sparse files")
def test_row_54_samples_beyond_four_gigabytes_are_right(tmp_path):
    path = tmp_path / "night.wav"
    n = 2_300_000_000
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, 2 * n, n, 0))
    head = riff(ds64, form(1, 1, 16), chunk(b"data", b"", 0xFFFFFFFF), magic=b"RF64", size=0xFFFFFFFF)
    with path.open("wb") as handle:
        handle.write(head)
        handle.seek(len(head) + 2 * (n - 3))
        handle.write(np.array([1, 2, 3], dtype="<i2").tobytes())
    recording = open_recording(path)
    assert recording.channels[0].n_stored == n
    np.testing.assert_array_equal(samples(recording, recording.channels[0], n - 3, n), [1, 2, 3])


def test_samples_that_are_no_numbers_are_gaps(tmp_path):
    raw = (STEREO / 32768).astype("<f4")
    raw[100:200, 1] = np.nan
    recording = read(tmp_path / "night.wav", riff(form(3, 2, 32), chunk(b"data", raw.tobytes())))
    assert [(p.night, p.n) for p in recording.channels[1].pieces] == [(0, 100), (200, 3800)]
    assert [(p.night, p.n) for p in recording.channels[0].pieces] == [(0, 4000)]
    assert "samples-missing" in codes(recording)


def test_cue_points_become_marks_and_the_broadcast_chunk_the_start(tmp_path):
    cue = chunk(
        b"cue ",
        struct.pack("<I", 2)
        + b"".join(struct.pack("<II4sIII", k, 0, b"data", 0, 0, at) for k, at in ((1, 1000), (2, 3000))),
    )
    label = struct.pack("<I", 1) + b"Lights off\0\0"
    adtl = chunk(b"LIST", b"adtl" + chunk(b"labl", label))
    bext = chunk(b"bext", bytes(320) + b"2026-03-0222:30:05" + bytes(264))
    content = riff(bext, form(1, 1, 16), chunk(b"data", packed(WAVE, 16)), cue, adtl)
    recording = read(tmp_path / "night.wav", content)
    assert [(m.start_s, m.text) for m in recording.marks] == [(0.5, "Lights off"), (1.5, "cue 2")]
    assert recording.start == datetime(2026, 3, 2, 22, 30, 5)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (riff(), "no format chunk"),
        (riff(form(1, 1, 16)), "no data chunk"),
        (riff(form(1, 1, 16), chunk(b"data", b"")), "no sample"),
        (riff(form(85, 1, 16), chunk(b"data", b"1234")), "coded as 0x55"),
        (riff(form(1, 0, 16), chunk(b"data", b"1234")), "0 channels"),
        (riff(form(1, 1, 16, rate=0), chunk(b"data", b"1234")), "0 samples a second"),
        (riff(chunk(b"fmt ", b"12")), "format chunk is cut off"),
        (b"RIFF\x04\0\0\0AVI ", "RIFF family"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_sentence(tmp_path, content, said):
    with pytest.raises(RecordingError, match=said) as caught:
        read(tmp_path / "night.wav", content)
    assert str(caught.value).startswith("night.wav: ")


def test_a_wav_is_swept_as_an_array_of_the_same_samples_is(tmp_path):
    content = riff(form(1, 2, 24), chunk(b"data", packed(STEREO, 24)))
    recording = read(tmp_path / "night.wav", content, Hints(scale=2.0**23))
    plain = from_array(STEREO.T * 256.0, 2000, ["a", "b"])
    for a, b in zip(sweep(recording, recording.channels), sweep(plain, plain.channels), strict=True):
        np.testing.assert_array_equal(a.energy, b.energy)


def test_a_wav_can_be_pickled_and_a_long_one_needs_little_memory(tmp_path):
    path = tmp_path / "night.wav"
    n = 20_000_000
    path.write_bytes(riff(form(1, 2, 16), chunk(b"data", bytes(4 * n))))
    tracemalloc.start()
    try:
        recording = pickle.loads(pickle.dumps(open_recording(path)))
        for first in range(0, n, 1_000_000):
            samples(recording, recording.channels[1], first, first + 1_000_000)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 40_000_000 < path.stat().st_size


def test_row_54_a_night_without_a_scale_is_scored_relative_to_background_and_reported(tmp_path):
    from sleepbrux.report.outputs import write_outputs
    from sleepbrux.scoring.request import Request, score_file

    t = np.arange(120_000) / 1000
    gain = 1 + 14 * ((t % 20 > 10) & (t % 20 < 13))
    emg = (np.random.default_rng(0).normal(0, 150, len(t)) * gain).astype("<i2")
    path = tmp_path / "night.wav"
    path.write_bytes(riff(form(1, 1, 16, rate=1000), chunk(b"data", emg.tobytes())))
    night = score_file(path, Request(hints=Hints(roles=(("ch1", "masseter left"),))))
    assert night.criterion.id == "aasm"
    assert night.measures["episode_count"].value
    assert {"unit-blank", "unit-unknown", "criterion-replaced"} <= {n.code for n in night.notes}
    (tmp_path / "out").mkdir()
    assert write_outputs(night, tmp_path / "out") == "night"
