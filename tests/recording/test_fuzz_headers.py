"""Header fields of formats other than EDF, as hypothesis makes them: a recording or one sentence."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from .fuzz import beside
from .test_fuzz import opened_or_refused
from .test_mne_formats import HEADER

EXAMPLES = int(os.environ.get("EXAMPLES", "150"))
quick = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
SMALL = st.sampled_from([0, 1, 2, 3, 4, 8, 16, 24, 32, 64, 0x7FFF, 0x8000, 0xFFFE, 0xFFFF])
SHORT = SMALL | st.integers(0, 0xFFFF)
LONG = SHORT | st.integers(0, 0xFFFFFFFF)
WORDS = st.sampled_from(
    [
        "",
        " ",
        "0",
        "-1",
        "1e9",
        "1e-300",
        "nan",
        "inf",
        "-inf",
        "9" * 400,
        "1,5",
        "µV",
        "mV",
        "uV",
        "\x00",
        "\ud7ff",
        "²",
        "=",
        ";",
        "[",
        "]",
        "%",
        "../x",
        "2026-03-02 22:30:00",
        "24:00:00",
        "12:61",
        "EMG Mass L",
    ]
)
TEXT = WORDS | st.text(max_size=12)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("headers")


def opened(path: Path, raw: bytes) -> None:
    path.write_bytes(raw)
    opened_or_refused(path)


@quick
@given(coding=SMALL, n=SHORT, rate=LONG, align=SHORT, bits=SHORT, size=LONG, form_size=SMALL, cue=LONG)
def test_any_format_chunk_of_a_wav_file(folder, coding, n, rate, align, bits, size, form_size, cue):
    form = struct.pack("<HHIIHH", coding, n, rate, rate, align, bits)
    cues = struct.pack("<IIIIIII", cue, 1, 0, 0, 0, 0, cue)
    body = b"WAVEfmt " + struct.pack("<I", form_size) + form + b"cue " + struct.pack("<I", 28) + cues
    body += b"data" + struct.pack("<I", size) + bytes(range(256)) * 4
    opened(folder / "n.wav", b"RIFF" + struct.pack("<I", len(body)) + body)


@quick
@given(
    names=st.lists(TEXT, min_size=1, max_size=4),
    units=st.lists(TEXT, max_size=4),
    above=TEXT,
    stamps=st.lists(TEXT, max_size=3),
    sep=st.sampled_from([",", ";", "\t", " "]),
)
def test_any_head_and_any_stamps_of_a_table(folder, names, units, above, stamps, sep):
    rows = [sep.join([f"{i / 1000:.3f}", *("12.5" for _ in names[1:])]) for i in range(40)]
    rows[5:5] = [sep.join([stamp, *("1" for _ in names[1:])]) for stamp in stamps]
    lines = [above, sep.join(names), sep.join(units), *rows, ""]
    opened(folder / "n.csv", "\n".join(lines).encode("utf-8", "replace"))


VALUES = (
    TEXT.filter(lambda t: "\0" not in t)
    | st.floats()
    | st.integers(-(2**63), 2**63 - 1)
    | st.lists(st.floats(), max_size=4)
)


@quick
@given(rate=VALUES, unit=VALUES, label=VALUES, start=VALUES, conversion=VALUES, by=st.booleans())
def test_any_attributes_of_an_hdf5_file(folder, rate, unit, label, start, conversion, by):
    path = folder / "n.h5"
    with h5py.File(path, "w") as file:
        data = file.create_dataset("EMG", data=np.ones((30, 2) if by else 60))
        for name, value in (
            ("rate", rate),
            ("unit", unit),
            ("label", label),
            ("start time", start),
            ("conversion", conversion),
        ):
            data.attrs[name] = value
    opened_or_refused(path)


@quick
@given(
    interval=TEXT | st.floats().map(str) | st.integers(-9, 10**12).map(str),
    unit=TEXT,
    codepage=TEXT,
    marker=TEXT,
)
def test_any_values_of_a_brainvision_header(folder, interval, unit, codepage, marker):
    beside("mne", folder)
    text = HEADER.format(
        data="night.eeg", marker=marker or "night.vmrk", unit=unit, interval=interval, codepage=codepage
    )
    opened(folder / "night.vhdr", text.encode("utf-8", "replace"))
