"""Recordings as they really arrive: one test a row of the table of bad inputs."""

from __future__ import annotations

import gzip
import json
from datetime import datetime, time
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from sleepbrux.cli import main
from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.formats.edf import open_edf
from sleepbrux.recording.model import Piece, Recording, samples
from sleepbrux.recording.opening import open_recording
from sleepbrux.signal.swept import sweep_recording

from .build import File, Signal, edf, edf_plus, emg, sine, tal, times


@pytest.fixture
def opened(tmp_path: Path):
    def write_and_open(file: File | bytes, *, name: str = "night.edf", **options) -> Recording:
        path = tmp_path / name
        path.write_bytes(file if isinstance(file, bytes) else file.to_bytes())
        return open_edf(path, **options)

    return write_and_open


def microvolts(recording: Recording, number: int = 0):
    channel = recording.channels[number]
    return samples(recording, channel, 0, channel.n_stored) * channel.gain + channel.offset


def peak(recording: Recording, number: int = 0) -> float:
    return float(np.abs(microvolts(recording, number)).max())


def codes(recording: Recording, severity: str = "") -> set[str]:
    return {note.code for note in recording.notes if severity in {"", note.severity}}


def refusal(opened, file: File | bytes, *parts: str, name: str = "night.edf", **options) -> str:
    with pytest.raises(RecordingError) as caught:
        opened(file, name=name, **options)
    message = str(caught.value)
    assert message.startswith(f"{name}: ")
    assert "\n" not in message
    for part in parts:
        assert part in message
    return message


def test_a_plain_file_reads_with_no_note_at_all(opened):
    recording = opened(edf())
    assert recording.notes == ()
    assert recording.format == "EDF"
    assert recording.start == datetime(2026, 3, 2, 22, 30)
    assert recording.duration_s == 10.0
    channel = recording.channel("emg mass l")
    assert (channel.role, channel.side, channel.muscle) == ("jaw", "left", "masseter")
    assert channel.pieces == (Piece(0, 0, 2000),)
    assert peak(recording) == pytest.approx(100, rel=2e-3)


@pytest.mark.parametrize("dimension", [b"\xb5V", "µV".encode()])
def test_row_01_and_02_micro_sign_in_latin_1_or_utf_8_is_a_note(opened, dimension):
    recording = opened(edf(emg(dimension=dimension)))
    assert codes(recording, "note") == {"unit-sign"}
    assert codes(recording, "warning") == set()
    assert recording.channels[0].unit == "uV"
    assert peak(recording) == pytest.approx(100, rel=2e-3)


@pytest.mark.parametrize("dimension", [b"\x83\xcaV", b"\xe6V"])
def test_row_03_micro_sign_of_shift_jis_or_cp437_is_read_with_a_warning(opened, dimension):
    recording = opened(edf(emg(dimension=dimension)))
    assert codes(recording, "warning") == {"unit-spelling"}
    assert peak(recording) == pytest.approx(100, rel=2e-3)


@pytest.mark.parametrize("dimension", ["UV", "uv", "microV", "uVolt", b"uV\0\0\0\0\0\0", "Uv"])
def test_row_04_spellings_of_microvolt_are_read_with_a_warning(opened, dimension):
    recording = opened(edf(emg(dimension=dimension)))
    assert codes(recording, "warning") == {"unit-spelling"}
    assert recording.channels[0].unit == "uV"
    assert peak(recording) == pytest.approx(100, rel=2e-3)


@pytest.mark.shows("unit-slip")
@pytest.mark.parametrize(("dimension", "factor"), [("nV", 1e-3), ("mV", 1e3), ("V", 1e6)])
def test_row_05_other_units_of_voltage_are_converted(opened, dimension, factor):
    recording = opened(edf(emg(dimension=dimension)))
    assert recording.channels[0].unit == "uV"
    assert peak(recording) == pytest.approx(100 * factor, rel=2e-3)


def test_row_06_a_blank_unit_stays_arbitrary_until_a_unit_is_given(opened):
    recording = opened(edf(emg(dimension="")))
    assert recording.channels[0].unit == "a.u."
    assert codes(recording, "warning") == {"unit-blank"}
    given = opened(edf(emg(dimension="")), unit="uV")
    assert given.channels[0].unit == "uV"
    assert codes(given) == {"unit-given"}
    assert peak(given) == pytest.approx(100, rel=2e-3)


@pytest.mark.shows("unit-slip")
def test_row_06_an_unknown_unit_stays_as_written_with_a_warning(opened):
    recording = opened(edf(emg(dimension="counts")))
    assert recording.channels[0].unit == "counts"
    assert codes(recording, "warning") == {"unit-unknown"}


def test_row_07_a_range_of_volts_for_a_muscle_is_doubted_and_can_be_overridden(opened):
    file = edf(emg(dimension="mV"))
    assert codes(opened(file), "warning") == {"unit-implausible"}
    recording = opened(file, unit={"EMG Mass L": "uV"})
    assert codes(recording) == {"unit-given"}
    assert peak(recording) == pytest.approx(100, rel=2e-3)


@pytest.mark.shows("unit-slip")
@pytest.mark.parametrize(
    ("dimension", "uv", "said"),
    [
        ("mV", 2.0, "factor of 1000"),
        ("V", 0.002, "factor of 1000"),
        ("uV", 2000.0, "factor of 1000"),
        ("uV", 0.002, "factor of 1000"),
        ("uV", 2.0, ""),
        ("mV", 0.002, ""),
    ],
)
def test_row_07_a_resting_level_that_no_muscle_has_is_doubted_on_every_output(
    opened, tmp_path, capsys, dimension, uv, said
):
    wave = np.random.default_rng(0).normal(0, 1000, (120, 500)).round().clip(-9999, 9999)
    ends = {
        "physical minimum": -10 * uv,
        "physical maximum": 10 * uv,
        "digital minimum": -10_000,
        "digital maximum": 10_000,
    }
    ends = {k: f"{v:.5g}" for k, v in ends.items()}
    signal = Signal(wave.astype(int).tolist(), {"dimension": dimension, **ends})
    recording = opened(edf(signal, n_records=120))
    told = [n for n in sweep_recording(recording).notes if n.code == "rest-implausible"]
    assert bool(told) == bool(said)
    assert all(said in n.text and "`unit`" in n.text for n in told)
    with pytest.raises(SystemExit):
        main(["inspect", str(tmp_path / "night.edf")])
    assert ("rest-implausible" in capsys.readouterr().out) == bool(said)


def test_row_07_a_unit_for_no_channel_or_of_no_meaning_is_refused(opened):
    refusal(opened, edf(), "'Kinn'", "'EMG Mass L'", unit={"Kinn": "uV"})
    refusal(opened, edf(), "'pT'", "uV, mV, nV, V", unit="pT")


@pytest.mark.parametrize("stated", [-1, -9, "", "?"])
def test_row_08_record_count_minus_one_is_inferred_from_the_size(opened, stated):
    recording = opened(edf(number_of_records=stated))
    assert codes(recording) == {"records-inferred"}
    assert recording.duration_s == 10.0


@pytest.mark.parametrize("stated", [0, 4, 400])
def test_row_09_the_size_counts_where_the_header_states_other_records(opened, stated):
    recording = opened(edf(number_of_records=stated))
    assert codes(recording, "warning") == {"records-differ"}
    (note,) = recording.notes
    assert str(stated) in note.text
    assert "10" in note.text
    assert recording.channels[0].n_stored == 2000


@pytest.mark.parametrize("cut", [1, 100, 399])
def test_row_10_a_cut_last_record_is_left_out_and_its_seconds_are_told(opened, cut):
    recording = opened(edf().to_bytes()[:-cut])
    assert codes(recording, "warning") == {"records-differ", "record-cut"}
    assert recording.duration_s == 9.0
    (text,) = [note.text for note in recording.notes if note.code == "record-cut"]
    assert f"{(400 - cut) / 400:.3g} s" in text


def test_row_11_a_few_bytes_after_the_last_record_are_left_out_with_a_note(opened):
    recording = opened(edf().bent(tail=b"x" * 399))
    assert codes(recording) == {"trailing-bytes"}
    assert codes(recording, "warning") == set()
    assert recording.channels[0].n_stored == 2000


def test_row_11_records_worth_of_garbage_are_told_apart_by_their_missing_times(opened):
    file = edf_plus()
    garbage = b"\x55" * (2 * 460 + 5)
    recording = opened(file.bent(tail=garbage))
    assert "trailing-records" in codes(recording, "warning")
    assert recording.duration_s == 10.0
    assert recording.channels[0].n_stored == 2000


def test_row_12_record_duration_zero_is_refused_until_one_is_given(opened):
    file = edf(record_duration=0)
    refusal(opened, file, "record duration", "'0'", "sampling rate", "give record_duration")
    recording = opened(file, record_duration=2)
    assert recording.channels[0].rate == 100
    assert codes(recording) == {"record-duration-given"}


@pytest.mark.parametrize("duration", ["-1", "abc", "", "1e9", "999999", "nan", "inf"])
def test_row_12_a_record_duration_that_is_none_is_refused(opened, duration):
    refusal(opened, edf(record_duration=duration), "record duration", repr(duration))


def test_row_13_a_rate_that_is_no_whole_number_is_kept_as_a_fraction(opened):
    recording = opened(edf(emg(per_record=1000), record_duration="1.00061"))
    assert recording.channels[0].rate == Fraction(1000) / Fraction("1.00061")
    assert recording.duration_s == float(10 * Fraction("1.00061"))


@pytest.mark.parametrize(("duration", "rate"), [("10", 20), ("30", Fraction(20, 3)), ("0.1", 2000)])
def test_row_14_records_of_any_duration(opened, duration, rate):
    recording = opened(edf(record_duration=duration))
    assert recording.channels[0].rate == rate
    assert recording.notes == ()


def test_row_15_and_16_every_channel_keeps_its_own_rate(opened):
    audio = Signal(sine(10, 8000), {"label": "Audio", "dimension": ""})
    recording = opened(edf(emg(), audio, emg(per_record=50, label="EMG Mass R")))
    assert [c.rate for c in recording.channels] == [200, 8000, 50]
    assert [c.n_stored for c in recording.channels] == [2000, 80_000, 500]
    assert peak(recording, 2) == pytest.approx(95.1, rel=2e-3)
    np.testing.assert_array_equal(
        samples(recording, recording.channels[0], 150, 1250), np.ravel(sine(10, 200))[150:1250]
    )


@pytest.mark.shows("missed-gap")
def test_row_17_a_gap_of_an_edf_d_is_a_gap_on_the_night_clock(opened):
    onsets = [f"+{i}" if i < 4 else f"+{i + 30}" for i in range(10)]
    late = (6, tal("+37", "Lights off"))
    recording = opened(edf_plus(emg(), times(onsets, late), reserved="EDF+D"))
    assert codes(recording, "warning") == {"gaps"}
    assert recording.gaps == ((4.0, 34.0),)
    assert recording.channels[0].pieces == (Piece(0, 0, 800), Piece(6800, 800, 1200))
    assert recording.duration_s == 40.0
    assert recording.marks[0].start_s == 37.0


def test_row_18_an_edf_d_without_a_gap_is_a_note(opened):
    recording = opened(edf_plus(reserved="EDF+D"))
    assert codes(recording) == {"no-gap"}
    assert codes(recording, "warning") == set()
    assert recording.channels[0].pieces == (Piece(0, 0, 2000),)


@pytest.mark.shows("missed-gap")
def test_row_19_a_jump_in_an_edf_c_is_a_gap_as_well(opened):
    onsets = [f"+{i}" if i < 4 else f"+{i}.5" for i in range(10)]
    recording = opened(edf_plus(emg(), times(onsets)))
    assert codes(recording, "warning") == {"gaps"}
    assert "continuous" in recording.notes[0].text
    assert recording.channels[0].pieces == (Piece(0, 0, 800), Piece(900, 800, 1200))


def test_row_19_jitter_below_tolerance_is_no_gap_and_drift_becomes_one_when_it_adds_up(opened):
    jitter = [f"+{i}.00{i % 5}" for i in range(10)]
    assert opened(edf_plus(emg(), times(jitter))).gaps == ()
    drift = [f"+{i * 1.002:.3f}" for i in range(10)]
    recording = opened(edf_plus(emg(), times(drift)))
    # The fastest channel has 200 samples a second, so 7.5 ms make a gap: at records 4 and 8.
    assert [piece.stored for piece in recording.channels[0].pieces] == [0, 800, 1600]
    assert [piece.night for piece in recording.channels[0].pieces] == [0, 802, 1603]


def test_row_19_records_that_jump_back_stay_in_file_order(opened):
    onsets = [f"+{i}" for i in (0, 1, 2, 1, 2, 3, 8, 9, 10, 11)]
    recording = opened(edf_plus(emg(), times(onsets)))
    assert codes(recording, "warning") == {"gaps", "record-times-backward"}
    assert recording.gaps == ((6.0, 8.0),)
    assert recording.channels[0].pieces == (Piece(0, 0, 1200), Piece(1600, 1200, 800))


def test_row_19_all_channels_agree_where_the_gaps_are(opened):
    onsets = [f"+{i}" if i < 4 else f"+{i}.25" for i in range(10)]
    slow = emg(per_record=1, label="SpO2", dimension="%")
    recording = opened(edf_plus(emg(), slow, times(onsets)))
    fast, slow_channel = recording.channels
    assert [p.stored // 200 for p in fast.pieces] == [p.stored for p in slow_channel.pieces]
    assert slow_channel.pieces == (Piece(0, 0, 4), Piece(4, 4, 6))


@pytest.mark.parametrize("written", ["02/03/26", "02-03-26", "02:03:26", "2.3.26"])
def test_row_20_other_separators_of_the_date_are_read(opened, written):
    recording = opened(edf(start_date=written, recording=""))
    assert recording.start == datetime(2026, 3, 2, 22, 30)
    assert codes(recording, "warning") == (set() if "." in written else {"date-form"})


@pytest.mark.shows("wrong-clock")
@pytest.mark.parametrize("written", ["00.00.00", "", "March 2", "42.00.00"])
def test_row_21_a_date_that_is_none_is_unknown_and_the_time_of_day_stays(opened, written):
    recording = opened(edf(start_date=written, recording=""))
    assert recording.start is None
    assert recording.start_clock == time(22, 30)
    assert recording.start_time_known
    assert codes(recording, "warning") == {"date-unknown"}


@pytest.mark.shows("wrong-clock")
def test_row_22_an_anonymised_date_is_never_shown(opened):
    recording = opened(edf(start_date="01.01.85", recording="Startdate X X X X"))
    assert recording.start is None
    assert recording.start_clock == time(22, 30)
    assert codes(recording) == {"date-anonymised"}
    assert codes(recording, "warning") == set()


def test_row_22_midnight_with_an_anonymised_date_is_no_time_of_day(opened):
    recording = opened(edf(start_date="01.01.85", start_time="00.00.00", recording=""))
    assert recording.start is None
    assert recording.start_clock is None
    assert not recording.start_time_known


@pytest.mark.shows("wrong-clock")
def test_row_23_the_date_of_the_recording_field_wins_and_both_are_shown(opened):
    recording = opened(edf(start_date="01.03.26"))
    assert recording.start == datetime(2026, 3, 2, 22, 30)
    assert codes(recording, "warning") == {"dates-differ"}
    assert "01.03.26" in recording.notes[0].text
    assert "2026-03-02" in recording.notes[0].text


@pytest.mark.parametrize("word", [b"01-M\xc4R-2026", b"01-DEZ-2026", b"1.3.2026"])
def test_row_24_local_month_names_fall_back_to_the_header_date(opened, word):
    recording = opened(edf(recording=b"Startdate " + word + b" X X X"))
    assert recording.start == datetime(2026, 3, 2, 22, 30)
    assert codes(recording, "warning") == {"startdate-form"}


def test_row_24_english_months_in_lower_case_are_read(opened):
    recording = opened(edf(recording="Startdate 03-mar-2026 X X X", start_date="03.03.26"))
    assert recording.start == datetime(2026, 3, 3, 22, 30)
    assert codes(recording, "warning") == {"startdate-form"}


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("24.00.00", datetime(2026, 3, 3, 0, 0)),
        ("12:30", datetime(2026, 3, 2, 12, 30)),
        ("22:30:15", datetime(2026, 3, 2, 22, 30, 15)),
    ],
)
def test_row_25_odd_times_of_day_are_normalised(opened, written, expected):
    recording = opened(edf(start_time=written))
    assert recording.start == expected
    assert codes(recording, "warning") == {"time-form"}


def test_row_25_a_time_of_day_that_is_none_is_unknown(opened):
    recording = opened(edf(start_time="26.00.99"))
    assert codes(recording, "warning") == {"time-unknown"}
    assert recording.start == datetime(2026, 3, 2)
    assert not recording.start_time_known
    assert recording.start_clock is None


def test_row_26_a_sub_second_start_goes_into_the_start_and_out_of_the_onsets(opened):
    onsets = [f"+{i}.37" for i in range(10)]
    recording = opened(edf_plus(emg(), times(onsets, (2, tal("+2.87", "clench", duration="3")))))
    assert recording.start == datetime(2026, 3, 2, 22, 30, 0, 370_000)
    assert recording.channels[0].pieces == (Piece(0, 0, 2000),)
    assert [(m.start_s, m.duration_s, m.text) for m in recording.marks] == [(2.5, 3.0, "clench")]
    assert recording.notes == ()


def test_row_27_labels_used_twice_are_numbered(opened):
    recording = opened(edf(emg(label="EMG"), emg(label="EMG"), emg(label="EMG#1")))
    assert [c.label for c in recording.channels] == ["EMG#2", "EMG#3", "EMG#1"]
    assert codes(recording, "warning") == {"label-twice"}
    with pytest.raises(KeyError):
        recording.channel("EMG")


@pytest.mark.parametrize(
    ("label", "read", "code"),
    [
        ("", "ch1", "label-empty"),
        ("  EMG L", "EMG L", "label-odd"),
        ("EMG\tL", "EMG L", "label-odd"),
    ],
)
def test_row_28_empty_and_odd_labels_are_read_with_a_warning(opened, label, read, code):
    recording = opened(edf(emg(label=label)))
    assert recording.channels[0].label == read
    assert codes(recording, "warning") == {code}


@pytest.mark.parametrize("raw", ["Kaumuskel ré".encode(), "Kaumuskel ré".encode("latin-1")])
def test_row_29_labels_in_utf_8_or_latin_1_are_read(opened, raw):
    recording = opened(edf(emg(label=raw)))
    assert recording.channels[0].label == "Kaumuskel ré"
    assert codes(recording, "warning") == {"label-odd"}


@pytest.mark.parametrize("which", ["physical", "digital"])
def test_row_30_and_31_a_channel_without_a_range_has_a_fault_and_others_are_read(opened, which):
    bad = emg(**{f"{which}_minimum": 5, f"{which}_maximum": 5})
    recording = opened(edf(bad, emg(label="EMG Mass R")))
    assert which in recording.channels[0].fault
    assert "5" in recording.channels[0].fault
    assert recording.channels[1].fault == ""
    assert codes(recording, "warning") == {"channel-fault"}
    assert peak(recording, 1) == pytest.approx(100, rel=2e-3)


def test_row_32_a_digital_range_upside_down_is_read_with_a_warning(opened):
    recording = opened(edf(emg(digital_minimum=32767, digital_maximum=-32768)))
    assert codes(recording, "warning") == {"digital-inverted"}
    assert recording.channels[0].gain < 0
    assert recording.channels[0].digital_min == -32768


def test_row_33_a_negative_gain_is_a_note(opened):
    recording = opened(edf(emg(physical_minimum=3276, physical_maximum=-3276)))
    assert codes(recording) == {"physical-inverted"}
    assert codes(recording, "warning") == set()
    assert recording.channels[0].gain < 0


def test_row_34_decimal_commas_in_ranges_are_read_with_a_warning(opened):
    recording = opened(edf(emg(physical_minimum="-3276,8", physical_maximum="3276,7")))
    assert codes(recording, "warning") == {"comma-decimal"}
    assert peak(recording) == pytest.approx(100, rel=2e-3)


def test_row_35_commas_with_one_reading_are_read_and_others_refused(opened):
    recording = opened(edf(record_duration="1,5"))
    assert recording.channels[0].rate == Fraction(400, 3)
    assert codes(recording, "warning") == {"comma-decimal"}
    grouped = opened(edf(emg(physical_minimum="-3,276.8", physical_maximum="3.276,7")))
    assert codes(grouped, "warning") == {"comma-decimal"}
    assert peak(grouped) == pytest.approx(100, rel=2e-3)
    refusal(opened, edf(record_duration="1,024"), "'1,024'", "decimal point")
    ambiguous = opened(edf(emg(physical_maximum="3,276")))
    assert "'3,276'" in ambiguous.channels[0].fault


@pytest.mark.parametrize("text", ["High-pass 20 Hz; Notch 50 Hz", "HP: 20,5 Hz"])
def test_row_36_free_text_in_the_prefilter_field_is_kept(opened, text):
    recording = opened(edf(emg(prefilter=text)))
    assert recording.channels[0].prefilter == text
    assert recording.notes == ()


def test_row_37_text_beyond_ascii_in_other_fields_is_a_note_without_the_text(opened):
    recording = opened(edf(emg(prefilter=b"HP:20Hz \xb5"), patient=b"X F X M\xfcller"))
    assert codes(recording) == {"header-not-ascii"}
    assert "ller" not in recording.notes[0].text
    assert codes(recording, "warning") == set()
    assert codes(opened(edf(reserved=b"\xff\x00"))) == {"header-not-ascii"}


def test_row_38_a_wrong_header_size_gives_way_to_the_count_of_signals(opened):
    recording = opened(edf(header_bytes=1024))
    assert codes(recording, "warning") == {"header-bytes"}
    assert peak(recording) == pytest.approx(100, rel=2e-3)


def test_row_38_a_wrong_count_of_signals_gives_way_to_the_header_size(opened):
    recording = opened(edf(number_of_signals=3))
    assert codes(recording, "warning") == {"signal-count"}
    assert peak(recording) == pytest.approx(100, rel=2e-3)


def test_row_38_a_count_of_signals_that_nothing_bears_out_is_refused(opened):
    refusal(opened, edf(number_of_signals="9999", header_bytes=""), "number of signals", "'9999'")
    refusal(opened, edf(number_of_signals="x", header_bytes="y"), "number of signals", "'x'")
    refusal(opened, edf(number_of_signals=0, header_bytes=256), "number of signals", "'0'")
    refusal(opened, edf(emg(samples_per_record="many")), "samples per record")


def test_row_39_a_mark_that_is_not_utf_8_is_read_as_latin_1(opened):
    bad, good = tal("+1", b"Kn\xf6terich"), tal("+2", "Knöterich")
    recording = opened(edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, bad), (2, good))))
    assert [mark.text for mark in recording.marks] == ["Knöterich", "Knöterich"]
    assert codes(recording, "warning") == {"marks-not-utf8"}
    assert recording.notes[0].text.startswith("1 ")


def test_row_40_overlapping_marks_are_kept(opened):
    extra = tal("+1", "a", duration="5") + tal("+2", "b", duration="0.5")
    recording = opened(edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, extra))))
    assert [(m.start_s, m.duration_s) for m in recording.marks] == [(1.0, 5.0), (2.0, 0.5)]
    assert recording.notes == ()


def test_row_41_marks_before_the_start_and_after_the_end_are_kept_with_a_note(opened):
    extra = tal("-5", "Lights off") + tal("+99", "Lights on")
    recording = opened(edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, extra))))
    assert [mark.start_s for mark in recording.marks] == [-5.0, 99.0]
    assert codes(recording) == {"marks-outside"}
    assert codes(recording, "warning") == set()


def test_row_42_a_missing_record_time_is_taken_to_follow(opened):
    lists = [tal(f"+{i}", "") if i != 4 else tal("+4.5", "cough") for i in range(10)]
    recording = opened(edf_plus(emg(), Signal(annotations=lists)))
    assert codes(recording, "warning") == {"record-times-missing"}
    assert recording.channels[0].pieces == (Piece(0, 0, 2000),)
    assert recording.marks[0].start_s == 4.5


def test_row_43_lists_that_cannot_be_read_are_counted(opened):
    bad = tal("+1,5", "comma") + tal("3", "no sign") + b"+4\x14open end\0"
    recording = opened(edf_plus(emg(), times([f"+{i}" for i in range(10)], (1, bad))))
    assert recording.marks == ()
    (note,) = recording.notes
    assert (note.code, note.severity) == ("marks-unreadable", "warning")
    assert note.text.startswith("3 ")


def test_row_44_several_annotation_channels_are_merged_in_time_order(opened):
    second = Signal(annotations=[tal("+7", "later@@EMG Mass L") + tal("+0.5", "first")])
    first = times([f"+{i}" for i in range(10)], (3, tal("+3", "between")))
    recording = opened(edf_plus(emg(), first, second))
    assert [(m.text, m.channel) for m in recording.marks] == [
        ("first", ""),
        ("between", ""),
        ("later", "EMG Mass L"),
    ]


def test_row_45_edf_plus_without_annotations_is_a_note(opened):
    recording = opened(edf(reserved="EDF+C"))
    assert "no-annotations" in codes(recording)
    assert codes(recording, "warning") == set()


def test_row_46_a_signal_without_samples_is_left_out_with_a_note(opened):
    none = Signal([[]] * 10, {"label": "Empty"})
    recording = opened(edf(none, emg()))
    assert [c.label for c in recording.channels] == ["EMG Mass L"]
    assert codes(recording) == {"no-samples"}
    assert peak(recording) == pytest.approx(100, rel=2e-3)


def test_row_47_files_without_content_are_refused_in_plain_words(opened, tmp_path):
    file = edf().to_bytes()
    refusal(opened, file[:512], "no complete data record")
    refusal(opened, file[:300], "cut off")
    refusal(opened, file[:100], "cut off")
    for content, words in (
        (gzip.compress(file), "gzip-compressed"),
        (b"PK\x03\x04" + file, "zip archive"),
        (b"", "empty"),
        (b"\x89HDF\r\n\x1a\n" + bytes(64), "HDF5"),
        (b"RIFF\x00\x00\x00\x00WAVE", "WAV"),
    ):
        path = tmp_path / "packed.edf"
        path.write_bytes(content)
        with pytest.raises(RecordingError, match=words):
            open_recording(path)


def test_row_48_content_decides_whether_a_file_is_edf_or_bdf(opened):
    sixteen = opened(edf(), name="night.bdf")
    assert sixteen.format == "EDF"
    assert codes(sixteen, "warning") == {"name-differs"}
    assert peak(sixteen) == pytest.approx(100, rel=2e-3)
    twenty_four = opened(edf(sample_bytes=3), name="night.edf")
    assert twenty_four.format == "BDF"
    assert codes(twenty_four, "warning") == {"name-differs"}
    assert peak(twenty_four) == pytest.approx(100, rel=1e-2)
    assert opened(edf(), name="night.REC").notes == ()


def test_row_49_the_rails_are_there_for_the_check_of_saturation(opened):
    channel = opened(edf(emg(digital_minimum=-2048, digital_maximum=2047))).channels[0]
    assert (channel.digital_min, channel.digital_max) == (-2048, 2047)


def test_row_49_saturated_and_flat_stretches_are_shown_measured_and_left_out_of_the_hours(
    opened, tmp_path, capsys
):
    noise = np.random.default_rng(1).normal(0, 200, 300 * 500)
    emg_like = np.convolve(noise, [0.5, 0.7, 0.5], "same")  # white noise is that of an open input
    wave = emg_like.reshape(300, 500).round().astype(int)
    wave[60:90] = 2047
    wave[150:195] = 17
    wave[250, 100:103] = -2048
    signal = Signal(
        wave.tolist(),
        {
            "digital minimum": -2048,
            "digital maximum": 2047,
            "physical minimum": -204.8,
            "physical maximum": 204.7,
        },
    )
    swept = sweep_recording(opened(edf(signal, n_records=300)))
    (quality,) = swept.quality
    for name, start, stop in (("rail", 60, 90), ("flat", 150, 195)):
        mask = quality.faults[name].on(swept.frames[0].grid, rounding="inward").mask()
        rate = len(mask) / swept.duration_s
        assert mask[int((start + 2) * rate) : int((stop - 2) * rate)].all()
        assert not mask[int(220 * rate) : int(245 * rate)].any()
    assert quality.usable.duration_s == pytest.approx(225, abs=8)
    assert quality.clipped.duration_s >= 30
    with pytest.raises(SystemExit):
        main(["inspect", str(tmp_path / "night.edf"), "--json"])
    (row,) = json.loads(capsys.readouterr().out)["quality"]
    assert row["samples_at_rail_pct"] == pytest.approx(100 * (30 * 500 + 3) / 150_000, rel=0.01)
    assert row["longest_flat_s"] == pytest.approx(45, abs=2)
    with pytest.raises(SystemExit):
        main(["inspect", str(tmp_path / "night.edf")])
    assert "10 % of samples at the end of the range; longest run without change 4" in capsys.readouterr().out


@pytest.mark.skipif(not hasattr(__import__("os"), "posix_fallocate"), reason="needs sparse files")
def test_row_50_offsets_beyond_four_gigabytes_are_right(tmp_path):
    n_records, per_record = 1100, 2_000_000
    file = edf(emg(1, per_record), n_records=1, number_of_records=n_records)
    path = file.write(tmp_path / "long.edf")
    size = 512 + n_records * 2 * per_record
    with path.open("r+b") as handle:
        handle.truncate(size)
        handle.seek(size - 2)
        handle.write(b"\x39\x05")
    recording = open_edf(path)
    channel = recording.channels[0]
    assert channel.n_stored == n_records * per_record
    assert samples(recording, channel, channel.n_stored - 3, channel.n_stored).tolist() == [
        0,
        0,
        1337,
    ]


def test_row_51_a_file_of_annotations_only_is_refused_unless_marks_are_wanted(opened):
    stages = [tal("+0", "") + tal("+0", "Sleep stage W", duration="30")]
    file = edf(Signal(annotations=stages), n_records=1, record_duration=0, reserved="EDF+C")
    refusal(opened, file, "no signal", "scoring file")
    recording = opened(file, marks_only=True)
    assert [mark.text for mark in recording.marks] == ["Sleep stage W"]
    assert recording.channels == ()
