"""A copy of a recording names nobody: fields, dates, texts, file name, and the search of the copy."""

from __future__ import annotations

import itertools
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux import deidentify as room
from sleepbrux.cli import main
from sleepbrux.deidentify import deidentify, kept_text, shift_of
from sleepbrux.errors import RecordingError, UsageError
from sleepbrux.recording.edf import open_edf
from sleepbrux.recording.model import samples
from tests.recording.build import edf, edf_plus, emg, tal, times

KEY = b"0123456789abcdef"
PATIENT = "MCH-0234567 F 02-MAY-1951 Haagse_Harry"
DEVICE = "Startdate 02-MAR-2026 PSG-1234/2026 NN Telemetry_Recorder_SN0042"
SECRETS = (b"Haagse", b"Harry", b"0234567", b"MAY-1951", b"PSG-1234", b"SN0042", b"Telemetry",
           b"Mevrouw", b"0042-AgCl", b"SER-77", b"02.03.26", b"02-MAR-2026")  # fmt: skip


def night(folder: Path, **cells: object) -> Path:
    marks = tal("+1", "Lights off") + tal("+2", "Mevrouw Jansen belt", duration="3")
    annotations = times([f"+{i}.25" for i in range(10)], (3, marks),
                        (4, tal("+4.5", "Sleep stage N2", duration="30")), annotation_bytes=120)  # fmt: skip
    signal = emg(transducer="electrode 0042-AgCl", reserved="SER-77", prefilter="HP:20Hz by Harry")
    file = edf_plus(signal, emg(label="ECG"), annotations, n_records=10,
                    **{"patient": PATIENT, "recording": DEVICE, **cells})  # fmt: skip
    path = folder / "Haagse Harry.edf"
    path.write_bytes(file.to_bytes() + b"trailing Harry")
    return path


def test_no_old_value_is_left_and_the_samples_keep_their_bits(tmp_path):
    path, out = night(tmp_path), tmp_path / "P017_night1.edf"
    before = path.read_bytes()
    report = deidentify(path, out, pseudonym="P017", key=KEY)
    raw = out.read_bytes()
    assert not [word for word in SECRETS if word.lower() in raw.lower()]
    assert path.read_bytes() == before
    old, new = open_edf(path), open_edf(out)
    for a, b in zip(old.channels, new.channels, strict=True):
        assert (a.label, a.unit, a.rate, a.gain, a.pieces) == (
            b.label,
            b.unit,
            b.rate,
            b.gain,
            b.pieces,
        )
        np.testing.assert_array_equal(
            samples(old, a, 0, a.n_stored), samples(new, b, 0, b.n_stored)
        )
    assert [(m.text, m.duration_s) for m in new.marks] == [
        ("Lights off", 0),
        ("Sleep stage N2", 30),
    ]
    assert report.texts_dropped == 1
    assert report.trailing_bytes == len(b"trailing Harry")
    assert b"P017" in raw[8:88]


def test_the_copy_of_another_night_is_never_overwritten(tmp_path):
    out = tmp_path / "P017.edf"
    deidentify(night(tmp_path), out, pseudonym="P017", key=KEY)
    before = out.read_bytes()
    with pytest.raises(UsageError, match=r"P017\.edf is there already"):
        deidentify(night(tmp_path), out, pseudonym="P017", key=KEY)
    assert out.read_bytes() == before


def test_time_of_day_and_sub_second_start_stay_and_the_date_moves(tmp_path):
    deidentify(night(tmp_path), tmp_path / "out.edf", pseudonym="P017", key=KEY)
    old, new = open_edf(night(tmp_path)), open_edf(tmp_path / "out.edf")
    assert old.start is not None
    assert new.start is not None
    assert new.start.time() == old.start.time()
    assert (old.start - new.start).days == shift_of(KEY, "P017")


def test_nights_of_a_person_keep_order_and_distance_and_another_person_another_shift(tmp_path):
    starts = []
    for k, day in enumerate(("02-MAR-2026", "03-MAR-2026", "29-FEB-2028")):
        path = night(tmp_path, recording=f"Startdate {day} X X X")
        deidentify(path, tmp_path / f"n{k}.edf", pseudonym="P017", key=KEY)
        starts.append((open_edf(path).start, open_edf(tmp_path / f"n{k}.edf").start))
    shifts = {old - new for old, new in starts if old and new}
    assert len(shifts) == 1
    assert shift_of(KEY, "P017") != shift_of(KEY, "P018")
    assert shift_of(KEY, "P017") != shift_of(b"another key of 16", "P017")


@settings(max_examples=50, deadline=None)
@given(name=st.text(min_size=1, max_size=20), key=st.binary(min_size=16, max_size=64))
def test_a_shift_lies_between_a_day_and_ten_years(name, key):
    assert 1 <= shift_of(key, name) <= room.LONGEST_SHIFT_DAYS


@pytest.mark.parametrize("written", ["01.01.85", "00.00.00"])
def test_an_unknown_date_stays_unknown(tmp_path, written):
    path = night(tmp_path, recording="Startdate X X X X", start_date=written)
    report = deidentify(path, tmp_path / "out.edf", pseudonym="P1", key=KEY)
    assert report.shift_days is None
    again = open_edf(tmp_path / "out.edf")
    assert again.start is None
    assert again.start_clock == open_edf(path).start_clock


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("Lights off (Mevrouw Jansen)", b"Lights off"), ("Licht aus", b"Lights off"),
        ("Clench natural teeth, Dr Smith", b"Clench"), ("Sleep stage R", b"Sleep stage R"),
        ("Dr Smith came in", None), ("Jansen", None), ("sync 3", b"Sync"), ("cough", b"cough"),
    ],
)  # fmt: skip
def test_a_text_becomes_the_word_of_its_kind_an_allowed_text_or_nothing(text, kept):
    assert kept_text(text.encode(), ["Cough"]) == kept


def test_bdf_and_plain_files_and_odd_labels(tmp_path):
    signal = emg(label="Jansen left", transducer="SER-77")
    path = edf(signal, emg(label="EMG Mass R"), sample_bytes=3, patient="Jansen, P.",
               reserved="24BIT").write(tmp_path / "a.bdf")  # fmt: skip
    deidentify(path, tmp_path / "P1.bdf", pseudonym="P1", key=KEY)
    new = open_edf(tmp_path / "P1.bdf")
    assert [c.label for c in new.channels] == ["ch1", "EMG Mass R"]
    assert b"Jansen" not in (tmp_path / "P1.bdf").read_bytes()
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P2.bdf", pseudonym="P1", key=KEY, keep_labels=True)
    assert not (tmp_path / "P2.bdf").exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["P1.bdf", "a.bdf"]


def test_an_allowed_text_that_holds_an_old_value_is_refused(tmp_path):
    marks = tal("+1", "Harry turned")
    path = edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, marks)), patient=PATIENT).write(
        tmp_path / "x.edf"
    )
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY, allow=["harry turned"])


def test_the_search_finds_a_value_wherever_it_is_left(tmp_path, monkeypatch):
    """The search is a check of its own: with the rewriting switched off it must find everything."""
    monkeypatch.setattr(room._Texts, "rewritten", lambda self, raw: raw)
    marks = tal("+1", "Harry turned")
    path = edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, marks)), patient=PATIENT).write(
        tmp_path / "x.edf"
    )
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)


@pytest.mark.parametrize(
    ("name", "said"), [("Harry.edf", "name of --out"), ("Haagse Harry.edf", "recording itself")]
)
def test_a_telling_name_is_refused(tmp_path, name, said):
    with pytest.raises(UsageError, match=said):
        deidentify(night(tmp_path), tmp_path / name, pseudonym="P1", key=KEY)


def test_other_formats_and_short_keys_are_refused(tmp_path):
    (tmp_path / "a.csv").write_text("time,EMG\n0,1\n")
    with pytest.raises(RecordingError, match="only EDF"):
        deidentify(tmp_path / "a.csv", tmp_path / "b.csv", pseudonym="P1", key=KEY)
    with pytest.raises(UsageError, match="16 or more"):
        deidentify(night(tmp_path), tmp_path / "b.edf", pseudonym="P1", key=b"short")


def test_a_long_file_is_copied_in_little_memory(tmp_path):
    n = 20_000
    path = edf(emg(1, 1000), n_records=1, patient=PATIENT).write(tmp_path / "x.edf")
    raw = path.read_bytes()
    path.write_bytes(raw[:236] + b"%-8d" % n + raw[244:512] + raw[512:] * n)
    tracemalloc.start()
    try:
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 35_000_000 < path.stat().st_size


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    return int(ended.value.code or 0)


def test_the_verb_makes_a_secret_once_and_uses_it_for_every_night(tmp_path, capsys):
    path, key = night(tmp_path), tmp_path / "study.key"
    for k in range(2):
        assert run("deidentify", path, "--out", tmp_path / f"n{k}.edf", "--pseudonym", "P017",
                   "--key-file", key) == 0  # fmt: skip
    said = capsys.readouterr().out
    assert said.count("made a new secret") == 1
    assert not [word for word in SECRETS if word.decode().lower() in said.lower()]
    assert (tmp_path / "n0.edf").read_bytes() == (tmp_path / "n1.edf").read_bytes()
    assert key.stat().st_mode & 0o077 == 0
    assert run("deidentify", path, "--out", path, "--pseudonym", "P017", "--key-file", key) == 2


def test_every_pair_of_the_same_night_is_the_same_file(tmp_path):
    outs = [tmp_path / f"P{k}.edf" for k in range(2)]
    for out in outs:
        deidentify(night(tmp_path), out, pseudonym="P017", key=KEY)
    assert all(a.read_bytes() == b.read_bytes() for a, b in itertools.pairwise(outs))
