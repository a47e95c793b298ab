"""A copy of a recording names nobody: fields, dates, texts, file name, and the search of the copy."""

from __future__ import annotations

import itertools
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.cli import main
from sleepbrux.core.errors import RecordingError, UsageError
from sleepbrux.recording.deidentify import Kept, copying, deidentify, nameless_copy, records
from sleepbrux.recording.deidentify.annotations import AnnotationTexts, kept_text
from sleepbrux.recording.deidentify.copying import NOTHING_KEPT
from sleepbrux.recording.deidentify.header import LONGEST_SHIFT_DAYS, number_cell, shift_of
from sleepbrux.recording.formats.edf import open_edf
from sleepbrux.recording.model import samples
from tests.recording.build import Signal, edf, edf_plus, emg, tal, times

KEY = b"0123456789abcdef"
PATIENT = "MCH-0234567 F 02-MAY-1951 Haagse_Harry"
DEVICE = "Startdate 02-MAR-2026 PSG-1234/2026 NN Telemetry_Recorder_SN0042"
SECRETS = (
    b"Haagse",
    b"Harry",
    b"0234567",
    b"MAY-1951",
    b"PSG-1234",
    b"SN0042",
    b"Telemetry",
    b"Mevrouw",
    b"0042-AgCl",
    b"SER-77",
    b"02.03.26",
    b"02-MAR-2026",
)


def night(folder: Path, **cells: object) -> Path:
    marks = tal("+1", "Lights off") + tal("+2", "Mevrouw Jansen belt", duration="3")
    annotations = times(
        [f"+{i}.25" for i in range(10)],
        (3, marks),
        (4, tal("+4.5", "Sleep stage N2", duration="30")),
        annotation_bytes=120,
    )
    signal = emg(transducer="electrode 0042-AgCl", reserved="SER-77", prefilter="HP:20Hz by Harry")
    file = edf_plus(
        signal,
        emg(label="ECG"),
        annotations,
        n_records=10,
        **{"patient": PATIENT, "recording": DEVICE, **cells},
    )
    path = folder / "Haagse Harry.edf"
    path.write_bytes(file.to_bytes() + b"trailing Harry")
    return path


@pytest.mark.shows("identity-out")
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
        np.testing.assert_array_equal(samples(old, a, 0, a.n_stored), samples(new, b, 0, b.n_stored))
    assert [(m.text, m.duration_s) for m in new.marks] == [
        ("Lights off", 0),
        ("Sleep stage N2", 30),
    ]
    assert report.texts_dropped == 1
    assert report.trailing_bytes == len(b"trailing Harry")
    assert b"P017" in raw[8:88]


@pytest.mark.shows("wrong-person")
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
    assert 1 <= shift_of(key, name) <= LONGEST_SHIFT_DAYS


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
        ("Lights off (Mevrouw Jansen)", b"Lights off"),
        ("Licht aus", b"Lights off"),
        ("Clench natural teeth, Dr Smith", b"Clench"),
        ("Sleep stage R", b"Sleep stage R"),
        ("Dr Smith came in", None),
        ("Jansen", None),
        ("sync 3", b"Sync"),
        ("cough", b"cough"),
    ],
)
def test_a_text_becomes_the_word_of_its_kind_an_allowed_text_or_nothing(text, kept):
    assert kept_text(text.encode(), ["Cough"]) == kept


def test_bdf_and_plain_files_and_odd_labels(tmp_path):
    signal = emg(label="Jansen left", transducer="SER-77")
    path = edf(signal, emg(label="EMG Mass R"), sample_bytes=3, patient="Jansen, P.", reserved="24BIT").write(
        tmp_path / "a.bdf"
    )
    deidentify(path, tmp_path / "P1.bdf", pseudonym="P1", key=KEY)
    new = open_edf(tmp_path / "P1.bdf")
    assert [c.label for c in new.channels] == ["ch1", "EMG Mass R"]
    assert b"Jansen" not in (tmp_path / "P1.bdf").read_bytes()
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P2.bdf", pseudonym="P1", key=KEY, keep=Kept(labels=True))
    assert not (tmp_path / "P2.bdf").exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["P1.bdf", "a.bdf"]


@pytest.mark.shows("identity-out")
def test_an_allowed_text_that_holds_an_old_value_is_refused(tmp_path):
    marks = tal("+1", "Harry turned")
    path = edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, marks)), patient=PATIENT).write(
        tmp_path / "x.edf"
    )
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY, keep=Kept(allow=["harry turned"]))


@pytest.mark.shows("identity-out")
def test_the_search_finds_a_value_wherever_it_is_left(tmp_path, monkeypatch):
    """The search is a check of its own: with the rewriting switched off it must find everything."""
    monkeypatch.setattr(AnnotationTexts, "rewritten", lambda self, raw: raw)
    marks = tal("+1", "Harry turned")
    path = edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, marks)), patient=PATIENT).write(
        tmp_path / "x.edf"
    )
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)


@pytest.mark.parametrize(
    ("name", "said"), [("Harry.edf", "name of `out`"), ("Haagse Harry.edf", "recording itself")]
)
@pytest.mark.shows("identity-out")
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
        assert (
            run("deidentify", path, "--out", tmp_path / f"n{k}.edf", "--pseudonym", "P017", "--key-file", key)
            == 0
        )
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


SPELLINGS = [
    "Grünewald",
    "GRÜNEWALD",
    "grunewald",
    "Gruenewald",
    "Gr?newald",
    "Gr??newald",
    "Grnewald",
    "GrÃ¼newald",
    "Gr_newald",
]


STATED = (
    "Grünewald".encode(),
    "Grünewald".encode("latin-1"),
    b"Gr?newald",
    b"Gruenewald",
    b"Grunewald",
)
# A letter with an accent that no header names is one that nobody can know was lost.
UNKNOWABLE = [(b"Grunewald", "Grnewald"), (b"Grunewald", "GrÃ¼newald")]


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    ("stated", "left"),
    [(s, w) for s in STATED for w in SPELLINGS if (s, w) not in UNKNOWABLE],
)
def test_a_name_whose_umlaut_was_lost_is_found_in_every_spelling(tmp_path, stated, left):
    marks = tal("+1", f"{left} turned")
    signal = emg()
    file = edf_plus(signal, times([f"+{i}" for i in range(10)], (1, marks)), patient=b"X F X " + stated)
    path = file.write(tmp_path / "x.edf")
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY, keep=Kept(allow=[f"{left} turned"]))
    assert [p.name for p in tmp_path.iterdir()] == ["x.edf"]


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    ("patient", "left"),
    [
        ("X F X Meyer-Landrut", "Landrut L"),
        ("X F X Meyer_Landrut", "EMG meyer"),
        ("X F X An_Bo_Smit", "EMG Smit"),
        ("X M X Jan_Mas", "Jan L"),
        ("X M X van_der_Berg", "Berg"),
        ("X F X Ada_Ng", "Ada"),
        ("MRN-778 F X X", "MRN 1"),
        ("0234567 F X X", "0234567"),
        ("X F X JaneDoe", "Jane L"),
    ],
)
def test_parts_of_names_of_three_letters_and_more_are_found_in_a_label(tmp_path, patient, left):
    path = edf_plus(emg(label=left), times([f"+{i}" for i in range(10)]), patient=patient).write(
        tmp_path / "x.edf"
    )
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY, keep=Kept(labels=True))
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
    (channel,) = open_edf(tmp_path / "P1.edf").channels
    assert left not in channel.label


DATES = [
    "2.5.1951",
    "02.05.51",
    "02/05/51",
    "05/02/1951",
    "1951-05-02",
    "19510502",
    "020551",
    "510502",
    "2 May 1951",
    "2.Mai 1951",
    "02-MAY-1951",
    "May 2 1951",
]


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize("left", DATES)
def test_a_birth_date_is_found_in_every_common_form(tmp_path, left):
    marks = tal("+1", f"born {left}")
    file = edf_plus(
        emg(label=f"EMG {left}"[:16]),
        times([f"+{i}" for i in range(10)], (1, marks)),
        patient="X F 02-MAY-1951 X",
    )
    path = file.write(tmp_path / "x.edf")
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY, keep=Kept(allow=[f"born {left}"]))
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY, keep=Kept(labels=True))
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
    assert [c.label for c in open_edf(tmp_path / "P1.edf").channels] == ["EMG"]


LIMITS = ("physical_minimum", "physical_maximum", "digital_minimum", "digital_maximum")
FIELDS = ("dimension", *LIMITS, "prefilter", "transducer", "reserved")


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize("field", FIELDS)
def test_every_field_of_a_signal_is_written_anew_from_what_it_means(tmp_path, field):
    path = edf(emg(), emg(label="EMG Mass R", **{field: "Quixote"}), patient="X").write(tmp_path / "x.edf")
    report = deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
    assert b"quixote" not in (tmp_path / "P1.edf").read_bytes().lower()
    emptied = field in ("dimension", *LIMITS)
    assert report.fields_emptied == emptied
    left, _ = open_edf(tmp_path / "P1.edf").channels
    assert left.unit == "uV"


@pytest.mark.parametrize("written", ["Quixote", "13,5", "9 "])
def test_every_field_of_the_file_is_written_anew_too(tmp_path, written):
    cells = {"start_time": "22.30.05", "record_duration": "1,0", "header_bytes": written}
    path = edf(emg(), emg(), reserved="EDF by Quixote", **cells).write(tmp_path / "x.edf")
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
    raw = (tmp_path / "P1.edf").read_bytes()
    assert b"uixote" not in raw
    assert raw[176:184] == b"22.30.05"
    assert raw[184:192] == b"768     "
    assert raw[244:252] == b"1       "


@settings(max_examples=300, deadline=None)
@given(
    number=st.one_of(
        st.integers(-9_999_999, 9_999_999).map(str),
        st.decimals(-99_999, 99_999, places=2).map(lambda d: f"{d}"[:8]),
        st.floats(1e-30, 1e30).map(lambda f: f"{f:.2g}"[:8]),
    )
)
def test_a_number_of_the_header_keeps_its_value(number):
    from sleepbrux.recording.formats.edf_header import read_number

    before = read_number(number)
    after = read_number(number_cell(number.encode().ljust(8)))
    assert (before is None) == (after is None)
    assert before is None or before.value == after.value


def notes_channel(folder: Path, packed: bytes, *, label: str = "Notes", width: int = 2) -> Path:
    """Two channels; the samples of the second spell a text."""
    raw = edf(emg(), emg(label=label), n_records=10, sample_bytes=width).to_bytes()
    head, size = 256 * 3, 2 * 200 * width
    body = bytearray(raw[head:])
    text = (packed * (200 * width // len(packed) + 1))[: 200 * width]
    for k in range(10):
        body[k * size + 200 * width : (k + 1) * size] = text
    path = folder / "x.edf"
    path.write_bytes(raw[:head] + bytes(body))
    return path


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    ("packed", "width"),
    [
        (b"Mevrouw Jansen called at night. ", 2),
        ("Jansen, Piet ".encode("utf-16-le"), 2),
        ("Jansen, Piet ".encode("utf-16-be"), 2),
        (b"Jansen\0\0\0\0", 2),
        (b"".join(bytes([c, 0, 0]) for c in b"Jansen Piet "), 3),
        ("Jörg Müller war da ".encode(), 2),
    ],
)
def test_samples_of_a_channel_that_is_no_signal_and_that_spell_text_are_refused(tmp_path, packed, width):
    path = notes_channel(tmp_path, packed, width=width)
    out = tmp_path / "P1.edf"
    with pytest.raises(RecordingError, match=r"samples of 'Notes' look like text.*`without`"):
        deidentify(path, out, pseudonym="P1", key=KEY)
    assert [p.name for p in tmp_path.iterdir()] == ["x.edf"]
    report = deidentify(path, out, pseudonym="P1", key=KEY, keep=Kept(without=["notes"]))
    assert report.channels_left_out == 1
    old, new = open_edf(path), open_edf(out)
    assert [c.label for c in new.channels] == ["EMG Mass L"]
    np.testing.assert_array_equal(
        samples(old, old.channels[0], 0, 2000), samples(new, new.channels[0], 0, 2000)
    )
    assert packed[:6] not in out.read_bytes()
    deidentify(path, tmp_path / "P2.edf", pseudonym="P1", key=KEY, keep=Kept(vouch=["Notes"]))


def test_a_long_text_in_a_channel_that_calls_itself_a_signal_is_refused_too(tmp_path):
    path = notes_channel(tmp_path, b"Mevrouw Jansen called at night. ", label="EMG Mass R")
    with pytest.raises(RecordingError, match="look like text"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)


def test_signals_are_no_text(tmp_path):
    """Noise at any level and offset, ramps, counts, rates and batteries, in channels of any name."""
    rng = np.random.default_rng(5)
    n = 100_000
    t = np.arange(n)
    kinds = {
        "loud": rng.integers(-32768, 32767, n),
        "quiet": rng.normal(0, 20, n),
        "raised": rng.normal(20_000, 3000, n),
        "slow": 16_700 + 30 * np.sin(t / 9000),
        "ramp": t % 30_000,
        "rate": 75 + np.round(8 * np.sin(t / 4000)),
        "battery": 100 - t // 5000,
        "rail": np.full(n, 0x4141),
        "heart": 15_000 + 9000 * (t % 900 < 30),
    }
    for width in (2, 3):
        for name, values in kinds.items():
            whole = values.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :width]
            raw = np.ascontiguousarray(whole).tobytes()
            assert not records._holds_long_text(raw), (name, width)
            assert not records._reads_as_text(raw, width), (name, width)


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    "pseudonym",
    [
        "Harry",
        "harry-1",
        "Haag",
        "Haagse2",
        "Hary7",
        "0234567",
        "P-0234567",
        "02051951",
        "P1951-05-02",
        "MCH",
        "SN0042",
    ],
)
def test_a_pseudonym_that_is_like_the_name_is_refused(tmp_path, pseudonym):
    with pytest.raises(UsageError, match="`pseudonym` holds"):
        deidentify(night(tmp_path), tmp_path / "o.edf", pseudonym=pseudonym, key=KEY)
    assert not (tmp_path / "o.edf").exists()


def test_a_surname_as_file_name_is_no_pseudonym_and_a_code_may_be_one(tmp_path):
    content = edf_plus(emg(), times([f"+{i}" for i in range(10)]), patient="X X X X").to_bytes()
    for name, pseudonym, allowed in (
        ("Jansen_night1.edf", "Jansen", False),
        ("Jansen_night1.edf", "P017", True),
        ("P017_night1.edf", "P017", True),
        ("0234567.edf", "0234567", False),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        out = tmp_path / f"copy-{name[:2]}{allowed}.edf"
        out.unlink(missing_ok=True)
        if allowed:
            deidentify(path, out, pseudonym=pseudonym, key=KEY)
        else:
            with pytest.raises(UsageError, match="`pseudonym` holds"):
                deidentify(path, out, pseudonym=pseudonym, key=KEY)


def test_labels_keep_role_side_and_muscle_when_they_are_replaced(tmp_path):
    labels = ["Masseter li Doe", "EMG Temp R Doe", "EKG Doe", "Doe", "EMG Mass L", "Doe"]
    path = edf(*(emg(label=label) for label in labels), patient="X").write(tmp_path / "x.edf")
    report = deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
    old, new = open_edf(path), open_edf(tmp_path / "P1.edf")
    assert [(c.role, c.side, c.muscle) for c in old.channels] == [
        (c.role, c.side, c.muscle) for c in new.channels
    ]
    assert [c.label for c in new.channels] == [
        "EMG Mass L 2",
        "EMG Temp R",
        "ECG",
        "ch1",
        "EMG Mass L",
        "ch2",
    ]
    assert report.labels_replaced == 5


@pytest.mark.shows("identity-leak")
def test_what_stands_on_disk_was_searched_before_it_was_written(tmp_path, monkeypatch):
    """A killed run leaves a part of the copy: no batch may reach the disk before the search has seen it."""
    n = 400
    marks = {k: (k, tal(f"+{k}.1", "Harry turned" if k == 300 else "Lights off")) for k in range(n)}
    file = edf_plus(
        emg(n),
        times([f"+{i}" for i in range(n)], *marks.values(), annotation_bytes=120),
        n_records=n,
        patient=PATIENT,
    )
    path = file.write(tmp_path / "x.edf")
    monkeypatch.setattr(records, "_BATCH_BYTES", 5000)
    monkeypatch.setattr(AnnotationTexts, "rewritten", lambda self, raw: raw)
    written = []
    real = copying.replacing

    def watched(out):
        context = real(out)

        class Watched:
            def __enter__(self):
                self.path = context.__enter__()
                return self.path

            def __exit__(self, *error):
                written.append(self.path.read_bytes())
                return context.__exit__(*error)

        return Watched()

    monkeypatch.setattr(copying, "replacing", watched)
    with pytest.raises(RecordingError, match="old value"):
        deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
    assert len(written[0]) > 5000
    assert b"Harry" not in written[0]
    assert [p.name for p in tmp_path.iterdir()] == ["x.edf"]


def test_what_is_not_promised_is_said(tmp_path, capsys):
    assert (
        run(
            "deidentify",
            night(tmp_path),
            "--out",
            tmp_path / "a.edf",
            "--pseudonym",
            "P017",
            "--key-file",
            tmp_path / "study.key",
        )
        == 0
    )
    said = capsys.readouterr().out
    for words in ("none found", "nicknames, initials", "the wave of a signal", "labels replaced"):
        assert words in said


def test_a_lights_mark_in_capitals_is_no_old_value(tmp_path):
    marks = tal("+1", "LIGHTS OFF") + tal("+2", "Clench with Dr Smith", duration="3")
    path = edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, marks))).write(tmp_path / "x.edf")
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
    assert [m.text for m in open_edf(tmp_path / "P1.edf").marks] == ["Lights off", "Clench"]


def test_labels_that_name_nobody_may_be_kept(tmp_path):
    path = edf(emg(label="Krapfen left"), emg(label="EMG Mass R"), patient="Jansen, P.").write(
        tmp_path / "x.edf"
    )
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY, keep=Kept(labels=True))
    assert [c.label for c in open_edf(tmp_path / "P1.edf").channels] == [
        "Krapfen left",
        "EMG Mass R",
    ]
    nameless_copy(path, tmp_path / "P2.edf", labels={"Krapfen left": "Krapfen left"})
    assert [c.label for c in open_edf(tmp_path / "P2.edf").channels] == [
        "Krapfen left",
        "EMG Mass R",
    ]
    bad = edf(emg(label="Jansen left"), patient="Jansen, P.").write(tmp_path / "y.edf")
    with pytest.raises(RecordingError, match="old value"):
        nameless_copy(bad, tmp_path / "P3.edf", labels={"Jansen left": "Jansen left"})


WHO = "H-4711-3 F 07-AUG-1968 Katharina_Müllbacher".encode("latin-1")


def refused(path: Path, folder: Path, keep: Kept = NOTHING_KEPT) -> str:
    """What the refusal of a copy says; nothing is left behind."""
    with pytest.raises(RecordingError) as error:
        deidentify(path, folder / "P1.edf", pseudonym="P1", key=KEY, keep=keep)
    assert not (folder / "P1.edf").exists()
    return str(error.value)


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    "cells",
    [
        {"physical_minimum": "-1968080", "physical_maximum": "19680807"},
        {"physical_minimum": "-70868", "physical_maximum": "70868"},
        {"physical_maximum": "4711"},
        {"physical_maximum": "1968.807"},
        {"digital_minimum": "-4711", "digital_maximum": "4711"},
        {"physical_maximum": "47113"},
    ],
)
def test_a_birth_date_or_number_as_a_limit_of_a_channel_is_refused(tmp_path, cells):
    path = edf(emg(), emg(label="EMG Mass R", **cells), patient=WHO).write(tmp_path / "x.edf")
    said = refused(path, tmp_path)
    assert "a limit or a value of 'EMG Mass R' is a number or date of the header" in said
    deidentify(path, tmp_path / "a.edf", pseudonym="P1", key=KEY, keep=Kept(vouch=["EMG Mass R"]))
    deidentify(path, tmp_path / "b.edf", pseudonym="P1", key=KEY, keep=Kept(without=["EMG Mass R"]))


@pytest.mark.parametrize("most", ["3276.7", "32767", "5000", "1000", "2048", "187500", "8388607"])
def test_usual_limits_are_nobodys_number_whoever_is_sought(tmp_path, most):
    """3276.7 reads as 27 March 1967, which somebody's birthday is."""
    who = f"{most.replace('.', '')} F 27-MAR-1967 X"
    if most == "187500":
        who = "X F 01-JAN-1950 X"
    path = edf(emg(physical_maximum=most), patient=who).write(tmp_path / "x.edf")
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)


@pytest.mark.shows("identity-leak")
def test_times_of_marks_keep_what_they_mean_and_no_more_figures(tmp_path):
    marks = (
        tal("+3.19680807", "Rest", duration="2.19680807")
        + tal("+4", "Clench", duration="19680807")
        + tal("+19680807", "Rest")
        + tal("+5.0625", "Lights off", duration="0")
    )
    stamps = ["+0", "+1.00000471", *(f"+{k}" for k in range(2, 10))]
    path = edf_plus(emg(), times(stamps, (3, marks), annotation_bytes=200), patient=WHO).write(
        tmp_path / "x.edf"
    )
    report = deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)
    raw = (tmp_path / "P1.edf").read_bytes()
    assert not [w for w in (b"1968", b"0807", b"471") if w in raw]
    assert (report.texts_kept, report.texts_dropped) == (3, 1)
    found = {m.text: (m.start_s, m.duration_s) for m in open_edf(tmp_path / "P1.edf").marks}
    assert found["Rest"] == (3.197, 2.197)
    assert found["Lights off"] == (5.062, 0)
    assert found["Clench"][1] < 8000


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    ("patient", "label"),
    [
        ("H-4711-3 F X X", "H-4711-3 EMG"),
        ("H-4711-3 F X X", "H 47113"),
        ("H-4711-3 F X X", "EMG 4711"),
        ("47110 F X X", "47110 EMG"),
        ("4711 F X X", "EMG 47-11"),
        *(
            (WHO.decode("latin-1"), label)
            for label in (
                "68-08-07",
                "AUG68",
                "Aug 1968",
                "08/1968",
                "geb.1968",
                "2 March",
                "March 2",
                "7. Aug",
                "Kath-arina",
                "Mu llbacher",
                "M-uellbacher",
                "anirahtaK",
                "rehcab-lluM",
            )
        ),
    ],
)
def test_kept_labels_hold_no_short_number_no_part_of_a_date_and_no_name_parted_or_turned(
    tmp_path, patient, label
):
    path = edf(emg(label=label), patient=patient.encode("latin-1")).write(tmp_path / "x.edf")
    assert "old values were found" in refused(path, tmp_path, Kept(labels=True))
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)


@pytest.mark.parametrize("label", ["EMG 4", "C3-A2", "EMG1 47", "Ch 11 2026", "Krapfen 19", "Mar", "Aug 9"])
def test_kept_labels_that_name_nobody_stay(tmp_path, label):
    path = edf(emg(label=label), patient=WHO).write(tmp_path / "x.edf")
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY, keep=Kept(labels=True))


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    ("pseudonym", "name"), [("P4711", "o.edf"), ("P1", "4711.edf"), ("P1", "a47-113.edf")]
)
def test_a_short_number_is_found_in_the_pseudonym_and_in_the_name_of_the_copy(tmp_path, pseudonym, name):
    for who in ("4711 F X X", "H-4711-3 F X X"):
        if who[0] == "4" and "113" in name:
            continue
        path = edf(emg(), patient=who).write(tmp_path / "x.edf")
        with pytest.raises(UsageError, match=r"number|name of `out`"):
            deidentify(path, tmp_path / name, pseudonym=pseudonym, key=KEY)


def channel(values: np.ndarray, **cells: object) -> Signal:
    """A signal of 2000 digital samples in ten records: those given, within zeros where they are fewer."""
    whole = np.zeros(2000, dtype=int)
    first = min(300, 2000 - len(values))
    whole[first : first + len(values)] = values
    return Signal(whole.reshape(10, 200).tolist(), {k.replace("_", " "): v for k, v in cells.items()})


LETTERS = np.array([ord(c) for c in "Katharina Muellbacher"])
PLAIN = {"physical_minimum": -32768, "physical_maximum": 32767}


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize(
    "values",
    [
        np.repeat(LETTERS, 5),
        np.repeat(LETTERS[:8], 200),
        -LETTERS,
        LETTERS + 1000,
        LETTERS * 100,
        LETTERS - 64,
        np.array([1968, 8, 7]),
        np.array([2026, 3, 2]),
    ],
    ids=["held", "a record each", "negative", "moved", "scaled", "A=1", "birth", "start"],
)
def test_letters_and_calendars_in_a_channel_that_is_no_signal_are_refused_however_written(tmp_path, values):
    path = edf(emg(), channel(values, label="Event", **PLAIN), patient=WHO).write(tmp_path / "x.edf")
    assert "'Event'" in refused(path, tmp_path)
    deidentify(path, tmp_path / "a.edf", pseudonym="P1", key=KEY, keep=Kept(vouch=["event"]))


@pytest.mark.shows("identity-leak")
@pytest.mark.parametrize("label", ["EMG Temporalis L", "ECG", "Position"])
def test_an_electrical_channel_that_stands_still_but_for_a_few_values_is_no_signal(tmp_path, label):
    path = edf(emg(), channel(LETTERS[:12] * 3, label=label, **PLAIN), patient="X").write(tmp_path / "x.edf")
    assert f"'{label}' look like text or codes" in refused(path, tmp_path)


@pytest.mark.shows("identity-leak")
def test_a_name_that_stands_backwards_in_the_samples_of_a_signal_is_found(tmp_path):
    signal = channel(LETTERS[::-1], label="EMG Temp L", **PLAIN)
    path = edf(emg(), signal, patient=WHO).write(tmp_path / "x.edf")
    assert "old values were found" in refused(path, tmp_path)


@pytest.mark.shows("identity-leak")
def test_a_constant_or_switching_channel_whose_value_is_a_number_of_the_header_is_refused(tmp_path):
    for value in (4711, 1968):
        path = edf(emg(), channel(np.full(50, value), label="Gain", **PLAIN), patient=WHO).write(
            tmp_path / "x.edf"
        )
        assert "a limit or a value of 'Gain'" in refused(path, tmp_path)


def test_channels_of_devices_that_are_no_text_need_nobody_to_vouch(tmp_path):
    """Switches, batteries, a warming sensor, positions, heart rate, oximetry, coarse EMG, breathing."""
    rng = np.random.default_rng(1)
    t = np.arange(2000)
    kinds = {
        "Light": np.where(t < 800, 1, 0),
        "Battery": 100 - t // 90,
        "Temperature": 310 + np.round(20 * np.sin(t / 400)).astype(int),
        "Position": rng.integers(0, 6, 10).repeat(200),
        "HR": np.round(70 + rng.normal(0, 6, 2000)).astype(int),
        "SpO2": np.round(95 + rng.normal(0, 1.5, 2000)).astype(int),
        "EMG Mass R": np.round(rng.normal(0, 6, 2000)).astype(int),
        "Flow": np.round(30 * np.sin(t / 30)).astype(int),
        "Unknown": rng.integers(-3000, 3000, 2000),
    }
    signals = [channel(v, label=label, **PLAIN) for label, v in kinds.items()]
    path = edf(emg(), *signals, patient=WHO).write(tmp_path / "x.edf")
    deidentify(path, tmp_path / "P1.edf", pseudonym="P1", key=KEY)


def test_values_at_the_edge_of_a_part_and_of_many_are_counted_right():
    from sleepbrux.recording.few_values import MOST_FEW, FewValues, may_be_codes

    slow = FewValues()
    for part in np.split(np.repeat(np.arange(MOST_FEW, dtype=np.int32), 500), 8):
        slow.add(part)
    assert not slow.many
    assert not slow.jumps
    assert sum(slow.counts.values()) == 500 * MOST_FEW
    jumping = FewValues()
    for part in ([0, 1, 2], [0, 1]):  # the one jump lies between two parts
        jumping.add(np.array(part, dtype=np.int32))
    assert may_be_codes(jumping, "other")
    many = FewValues()
    many.add(np.arange(MOST_FEW + 1, dtype=np.int32))
    assert many.many
