"""Each kind of odd file, dropped on the page: taken, asked about, or told in one sentence and not kept.

The rows are those of `tests/recording/rows.py`. Row 50, files beyond 4 GB, is not made here.
"""

import gzip
import io
import wave

import h5py
import numpy as np
import pytest

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.recording.opening import open_recording
from sleepbrux.study.file import load_study
from tests.recording.build import Signal, edf, edf_plus, emg, tal, times
from tests.recording.rows import ROWS

from .asking import Asking

ONSETS = [f"+{i}" for i in range(10)]
TAKEN, REFUSED, WAITS, BESIDE = "taken", "refused", "waits", "beside"


def sound(rate, width=2):
    """A WAV file of three seconds."""
    held = io.BytesIO()
    with wave.open(held, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(width)
        file.setframerate(rate)
        file.writeframes(bytes(3 * rate * width))
    return held.getvalue()


def hdf5(**attributes):
    """An HDF5 file with two data sets of different lengths."""
    held = io.BytesIO()
    with h5py.File(held, "w") as file:
        for k, name in enumerate(("left", "right")):
            made = file.create_dataset(name, data=np.arange(2000.0 + k))
            for key, value in attributes.items():
                made.attrs[key] = value
    return held.getvalue()


def table(head, *, rows=3000, form="{k:.3f};{v}\n"):
    return (head + "".join(form.format(k=k / 1000, v=k % 7) for k in range(rows))).encode("utf-8-sig")


def brainvision(stem, data):
    """The header of a BrainVision recording whose samples lie in ``data``."""
    return (
        "Brain Vision Data Exchange Header File Version 1.0\n[Common Infos]\nCodepage=UTF-8\n"
        f"DataFile={data}\nMarkerFile={stem}.vmrk\nDataFormat=BINARY\nDataOrientation=MULTIPLEXED\n"
        "NumberOfChannels=1\nSamplingInterval=1000\n[Binary Infos]\nBinaryFormat=INT_16\n"
        "[Channel Infos]\nCh1=EMG Masseter L,,0.5,µV\n"
    ).encode()


FLAT = Signal([[0] * 200] * 10, {})
FILES = {
    1: [("edf", edf(emg(dimension=b"\xb5V")), TAKEN)],
    2: [("edf", edf(emg(dimension="µV".encode())), TAKEN)],
    3: [("edf", edf(emg(dimension=b"\x83\xcaV")), TAKEN), ("b.edf", edf(emg(dimension=b"\xe6V")), TAKEN)],
    4: [("edf", edf(emg(dimension="UV")), TAKEN), ("b.edf", edf(emg(dimension=b"uV\0\0\0")), TAKEN)],
    5: [("edf", edf(emg(dimension="nV")), TAKEN)],
    6: [("edf", edf(emg(dimension="")), TAKEN)],
    7: [("edf", edf(emg(dimension="V")), TAKEN)],
    8: [("edf", edf(number_of_records=-1), TAKEN)],
    9: [("edf", edf(number_of_records=7), TAKEN), ("b.edf", edf(number_of_records=70), TAKEN)],
    10: [("edf", edf().to_bytes()[:-77], TAKEN)],
    11: [("edf", edf().bent(tail=b"x" * 399), TAKEN)],
    12: [("edf", edf(record_duration=0), WAITS)],
    13: [("edf", edf(emg(per_record=1000), record_duration="1.00061"), TAKEN)],
    14: [("edf", edf(record_duration="0.1"), TAKEN), ("b.edf", edf(record_duration=30), TAKEN)],
    15: [("edf", edf(emg(), emg(per_record=50, label="EMG Mass R")), TAKEN)],
    16: [("edf", edf(emg(), emg(per_record=8000, label="Audio")), TAKEN)],
    17: [
        (
            "edf",
            edf_plus(emg(), times([*ONSETS[:5], *(f"+{i + 30}" for i in range(5, 10))]), reserved="EDF+D"),
            TAKEN,
        )
    ],
    18: [("edf", edf_plus(reserved="EDF+D"), TAKEN)],
    19: [("edf", edf_plus(emg(), times([*ONSETS[:5], *(f"+{i + 9}" for i in range(5, 10))])), TAKEN)],
    20: [("edf", edf(start_date="02/03/26", recording=""), TAKEN)],
    21: [("edf", edf(start_date="00.00.00", recording=""), TAKEN)],
    22: [("edf", edf(start_date="01.01.85", recording="Startdate X X X X"), TAKEN)],
    23: [("edf", edf(start_date="01.03.26"), TAKEN)],
    24: [("edf", edf(recording="Startdate 01-MÄR-2026 X X X".encode("latin-1")), TAKEN)],
    25: [("edf", edf(start_time="24.00.00"), TAKEN), ("b.edf", edf(start_time="12:30"), TAKEN)],
    26: [("edf", edf_plus(emg(), times([f"+{i}.37" for i in range(10)])), TAKEN)],
    27: [("edf", edf(emg(label="EMG"), emg(label="EMG")), TAKEN)],
    28: [("edf", edf(emg(label="")), TAKEN), ("b.edf", edf(emg(label=b"\tEMG Mass L")), TAKEN)],
    29: [("edf", edf(emg(label="Mässeter".encode("latin-1"))), TAKEN)],
    30: [("edf", edf(emg(physical_minimum=0, physical_maximum=0), emg(label="EMG Mass R")), TAKEN)],
    31: [("edf", edf(emg(digital_minimum=0, digital_maximum=0), emg(label="EMG Mass R")), TAKEN)],
    32: [("edf", edf(emg(digital_minimum=32767, digital_maximum=-32768)), TAKEN)],
    33: [("edf", edf(emg(physical_minimum=3276, physical_maximum=-3276)), TAKEN)],
    34: [("edf", edf(emg(physical_minimum="-3276,8", physical_maximum="3276,7")), TAKEN)],
    35: [("edf", edf(record_duration="1,5"), TAKEN), ("b.edf", edf(record_duration="1,024"), WAITS)],
    36: [("edf", edf(emg(prefilter="High-pass 20 Hz; Notch")), TAKEN)],
    37: [("edf", edf(patient=b"X F X M\xfcller"), TAKEN), ("b.edf", edf(reserved=b"\xff\x00"), TAKEN)],
    38: [
        ("edf", edf(header_bytes=1024), TAKEN),
        ("b.edf", edf(number_of_signals="9999", header_bytes=""), REFUSED),
    ],
    39: [("edf", edf_plus(emg(), times(ONSETS, (1, tal("+1.5", b"Z\xe4hne")))), TAKEN)],
    40: [
        (
            "edf",
            edf_plus(emg(), times(ONSETS, (1, tal("+1", "a", duration="5") + tal("+2", "b", duration="5")))),
            TAKEN,
        )
    ],
    41: [("edf", edf_plus(emg(), times(ONSETS, (1, tal("-5", "before") + tal("+99", "after")))), TAKEN)],
    42: [("edf", edf_plus(emg(), Signal(annotations=[b"\0"] * 10)), TAKEN)],
    43: [("edf", edf_plus(emg(), times(ONSETS, (1, b"+1,5\x14odd\x14\0"))), TAKEN)],
    44: [("edf", edf_plus(emg(), times(ONSETS), Signal(annotations=[tal(o, "x") for o in ONSETS])), TAKEN)],
    45: [("edf", edf(reserved="EDF+C"), TAKEN)],
    46: [("edf", edf(Signal([[]] * 10, {"label": "none"}), emg()), TAKEN)],
    47: [
        ("edf", b"", REFUSED),
        ("cut.edf", edf().to_bytes()[:300], REFUSED),
        ("gz.edf", gzip.compress(edf().to_bytes()), REFUSED),
        ("none.edf", edf().bent(n_records=0), REFUSED),
        ("text.edf", b"this is no recording", REFUSED),
        ("letter.pdf.edf", b"%PDF-1.7 x", REFUSED),
    ],
    48: [("bdf", edf(emg(label="EMG Mass")), TAKEN), ("b.edf", edf(sample_bytes=3), TAKEN)],
    49: [("edf", edf(FLAT, emg(label="EMG Mass R")), TAKEN)],
    51: [("edf", edf(times(ONSETS), reserved="EDF+C"), REFUSED)],
    52: [
        ("csv", table("time s;EMG Masseter L uV\n"), TAKEN),
        ("norate.csv", table("EMG Masseter L uV;EMG Masseter R uV\n", form="{v};{v}\n"), WAITS),
        ("words.csv", b"dear;colleague\nhow;are you\n", REFUSED),
    ],
    53: [
        ("vhdr", brainvision("row53", "elsewhere.eeg"), TAKEN),
        ("eeg", np.arange(3000, dtype="<i2").tobytes(), "part"),
    ],
    54: [
        ("wav", sound(1000), TAKEN),
        ("sound.wav", sound(44100), BESIDE),
        ("cut.wav", b"RIFF\0\0\0\0WAVE", REFUSED),
    ],
    55: [
        ("h5", hdf5(), WAITS),
        ("rate.h5", hdf5(rate_hz=1.0), TAKEN),
        ("cut.h5", hdf5()[:300], REFUSED),
    ],
}
CASES = [
    (row, f"row{row:02d}.{end}", data, fate) for row, files in FILES.items() for end, data, fate in files
]


@pytest.fixture(scope="module")
def dropped(tmp_path_factory):
    """The page over a study on which every file was dropped at once; the page, and what it said."""
    folder = tmp_path_factory.mktemp("odd")
    page = Asking(folder)
    page.do("start", pseudonym="P-01", where="here")
    for _, name, data, _ in CASES:
        answer = page.send(name, data if isinstance(data, bytes) else data.to_bytes())
        assert (answer.status_code, answer.json()) == (200, {"name": name, "twin": False})
    told = page.arrive()["told"]
    yield page, told, page.screen("arrival")
    page.stop()


def test_every_kind_is_here():
    assert set(FILES) == set(ROWS) - {50}


@pytest.mark.parametrize(("row", "name", "data", "fate"), CASES, ids=[name for _, name, _, _ in CASES])
def test_an_odd_file_is_taken_asked_about_or_told_and_not_kept(dropped, tmp_path, row, name, data, fate):
    page, told, arrival = dropped
    study, folder = load_study(page.practice.study_file), page.practice.home
    named = {r.recording for r in study.reference} | {n.recording for n in study.night}
    raw = data if isinstance(data, bytes) else data.to_bytes()
    assert (name in named) == (fate == TAKEN), told
    assert (folder / name).exists() == (fate != REFUSED)
    if fate == REFUSED:
        said = told[told.index(f"Not kept: {name}: ") :].removeprefix("Not kept: ")
        (tmp_path / name).write_bytes(raw)
        with pytest.raises(SleepbruxError) as caught:
            open_recording(tmp_path / name)
        if not name.endswith(".csv"):  # a table is looked at by its head alone, and told in other words
            assert said.startswith(str(caught.value)), (said, str(caught.value))
        return
    assert (folder / name).read_bytes() == raw
    assert f"Not kept: {name}" not in told
    if fate == BESIDE:
        assert f"{name} holds sound: choose it on the screen of its night" in told
    if fate == WAITS:
        assert f"Left out: {name}: " in told
        assert f'data-name="{name}"' in arrival
