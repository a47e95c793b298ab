"""Recordings in text tables: row 52 of the bad inputs, form by form."""

from __future__ import annotations

import pickle
import tracemalloc
from collections.abc import Callable
from datetime import datetime, time, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.formats import table
from sleepbrux.recording.model import Recording, samples
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.signal.sweep import sweep
from tests.outside.registry import outside, shared

N = 6000
UV = np.random.default_rng(5).normal(0, 20, (N, 2)).round(3)


def written(
    path: Path,
    stamp: Callable[[int], str],
    head: str = "Time [s],EMG Mass L [uV],EMG Mass R [uV]\n",
    sep: str = ",",
    decimal: str = ".",
    n: int = N,
) -> Path:
    rows = [
        sep.join((stamp(i), *(f"{v:.3f}".replace(".", decimal) for v in UV[i % N]))) + "\n" for i in range(n)
    ]
    path.write_text(head + "".join(rows), encoding="utf-8")
    return path


def codes(recording: Recording) -> set[str]:
    return {note.code for note in recording.notes}


def values(recording: Recording, k: int = 0) -> np.ndarray:
    channel = recording.channels[k]
    return channel.gain * samples(recording, channel, 0, channel.n_stored)


def at(path: Path, seconds: list[float] | np.ndarray, digits: int = 6) -> Recording:
    return open_recording(written(path, lambda i: f"{seconds[i]:.{digits}f}"))


EVEN = np.arange(N) / 1000
FORMS = {
    "comma": (lambda i: f"{i / 1000:.3f}", "Time [s],EMG Mass L [uV],EMG Mass R [uV]\n", ",", "."),
    "german": (
        lambda i: f"{i / 1000:.3f}".replace(".", ","),
        "\ufeffZeit [s];EMG Mass L [µV];EMG Mass R [µV]\n",
        ";",
        ",",
    ),
    "tabs": (
        lambda i: f"{i / 1000:.3f}".replace(".", ","),
        "Zeit (s)\tEMG Mass L (µV)\tEMG Mass R (µV)\n",
        "\t",
        ",",
    ),
    "units row": (lambda i: f"{i}", "Time;EMG Mass L;EMG Mass R\nms;µV;µV\n", ";", "."),
    "blanks": (lambda i: f"{i / 1000:.3f}", "time_s EMG_Mass_L_uV EMG_Mass_R_uV\n", " ", "."),
    "preamble": (
        lambda i: f"{i / 1000:.3f}",
        "# recorder 7\nPatient;X\n\nTime [s];EMG Mass L [uV];EMG Mass R [uV]\n",
        ";",
        ".",
    ),
    "quoted": (lambda i: f"{i / 1000:.3f}", '"Time [s]","EMG Mass L [uV]","EMG Mass R [uV]"\n', ",", "."),
    "milliseconds": (lambda i: f"{i}", "timestamp_ms,EMG Mass L uV,EMG Mass R uV\n", ",", "."),
    "clock": (
        lambda i: (datetime(2026, 3, 2, 23, 59, 58) + timedelta(milliseconds=i)).isoformat(
            timespec="milliseconds"
        ),
        "Date/Time,EMG Mass L [uV],EMG Mass R [uV]\n",
        ",",
        ".",
    ),
    "time of day": (
        lambda i: (
            (datetime(2026, 3, 2, 23, 59, 58) + timedelta(milliseconds=i))
            .strftime("%H:%M:%S.%f")[:-3]
            .replace(".", ",")
        ),
        "Uhrzeit;EMG Mass L [uV];EMG Mass R [uV]\n",
        ";",
        ",",
    ),
    "unix": (lambda i: f"{1_772_000_000 + i / 1000:.3f}", "time,EMG Mass L [uV],EMG Mass R [uV]\n", ",", "."),
}


@pytest.mark.parametrize("name", FORMS)
def test_row_52_many_forms_hold_the_same_samples(tmp_path, name):
    stamp, head, sep, decimal = FORMS[name]
    recording = open_recording(written(tmp_path / "night.csv", stamp, head, sep, decimal))
    assert [c.muscle for c in recording.channels] == ["masseter", "masseter"]
    assert [c.side for c in recording.channels] == ["left", "right"]
    assert {c.unit for c in recording.channels} == {"uV"}
    assert recording.channels[0].rate == 1000
    assert recording.duration_s == 6.0
    assert recording.gaps == ()
    np.testing.assert_allclose(values(recording, 0), UV[:, 0])
    np.testing.assert_allclose(values(recording, 1), UV[:, 1])
    assert not [note for note in recording.notes if note.severity == "warning"]


def test_clock_stamps_give_the_start_and_times_of_day_pass_midnight(tmp_path):
    stamp, head, sep, decimal = FORMS["clock"]
    dated = open_recording(written(tmp_path / "night.csv", stamp, head, sep, decimal))
    assert dated.start == datetime(2026, 3, 2, 23, 59, 58)
    stamp, head, sep, decimal = FORMS["time of day"]
    undated = open_recording(written(tmp_path / "night.csv", stamp, head, sep, decimal))
    assert undated.start is None
    assert undated.start_clock == time(23, 59, 58)
    assert undated.start_time_known


def test_seconds_since_1970_are_no_local_time(tmp_path):
    stamp, head, sep, decimal = FORMS["unix"]
    recording = open_recording(written(tmp_path / "night.csv", stamp, head, sep, decimal))
    assert recording.start is None
    assert "time-unix" in codes(recording)


def test_a_decimal_comma_is_not_taken_for_a_separator(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("Zeit [s],EMG L [uV]\n" + "0,001,1,5\n0,002,1,7\n0,003,1,9\n0,004,2,0\n")
    with pytest.raises(RecordingError, match=r"night\.csv: .*2 names.*4 cells"):
        open_recording(path)


def test_row_52_the_true_rate_comes_from_the_stamps(tmp_path):
    recording = at(tmp_path / "night.csv", np.arange(N) / 999.37)
    assert recording.channels[0].rate == Fraction(99937, 100)
    rounded = at(tmp_path / "night.csv", np.arange(N) / 512, digits=3)
    assert rounded.channels[0].rate == 512


def test_row_52_a_rate_that_differs_from_the_stamps_is_told(tmp_path):
    path = written(tmp_path / "night.csv", lambda i: f"{i / 1000:.3f}")
    recording = open_recording(path, Hints(rate_hz=900))
    assert recording.channels[0].rate == 900
    assert "rate-differs" in codes(recording)


def test_row_52_a_gap_on_the_clock_is_a_gap_of_every_channel(tmp_path):
    seconds = EVEN.copy()
    seconds[2000:] += 12.5
    recording = at(tmp_path / "night.csv", seconds)
    assert recording.gaps == ((2.0, 14.5),)
    assert recording.duration_s == 18.5
    assert [(p.night, p.stored, p.n) for p in recording.channels[0].pieces] == [
        (0, 0, 2000),
        (14500, 2000, 4000),
    ]
    assert codes(recording) == {"gaps"}


def test_row_52_backward_stamps_stay_in_file_order_without_overlap(tmp_path):
    seconds = EVEN.copy()
    seconds[2000:] -= 700.0
    recording = at(tmp_path / "night.csv", seconds + 1000)
    assert recording.duration_s == 6.0
    assert "times-backward" in codes(recording)
    assert len(values(recording)) == N


def test_row_52_a_late_stamp_that_catches_up_makes_no_gap_that_stays(tmp_path):
    seconds = EVEN.copy()
    seconds[2000:2100] += 0.05
    recording = at(tmp_path / "night.csv", seconds)
    assert recording.duration_s == pytest.approx(6.0, abs=0.06)


def test_row_52_a_stamp_that_stands_out_alone_is_not_used(tmp_path):
    seconds = EVEN.copy()
    seconds[2000] += 50
    recording = at(tmp_path / "night.csv", seconds)
    assert recording.gaps == ()
    assert recording.duration_s == 6.0
    assert codes(recording) == {"times-stray"}


def test_row_52_stamps_that_rows_share_are_evenly_spread(tmp_path):
    recording = at(tmp_path / "night.csv", np.arange(N) // 20 * 20 / 1000)
    assert recording.channels[0].rate == 1000
    assert codes(recording) == {"times-shared"}
    clock = written(
        tmp_path / "day.csv",
        lambda i: f"{23 + i // 60000}:10:{i // 1000:02d}",
        "Clock;EMG Mass L [uV];EMG Mass R [uV]\n",
        ";",
    )
    assert open_recording(clock).channels[0].rate == 1000


def second_clock(path: Path, seconds: np.ndarray) -> Recording:
    """A table whose clock shows whole seconds."""
    head = "Clock;EMG Mass L [uV];EMG Mass R [uV]\n"
    whole = (seconds // 1).astype(int)
    return open_recording(
        written(path, lambda i: f"23:{10 + whole[i] // 60}:{whole[i] % 60:02d}", head, ";", n=len(seconds))
    )


def times_of(recording: Recording, k: int = 0) -> np.ndarray:
    """Second of each stored sample on the night clock; NaN where it has none."""
    channel = recording.channels[k]
    result = np.full(channel.n_stored, np.nan)
    for piece in channel.pieces:
        result[piece.stored : piece.stored + piece.n] = piece.night + np.arange(piece.n)
    return result / float(channel.rate)


@pytest.mark.parametrize("phase", [0.0, 0.37])
@pytest.mark.parametrize("lost", [(9.2, 9.5), (9.8, 10.1), (9.05, 9.06), (9.3, 13.7), (9.0, 10.0)])
def test_row_52_rows_lost_within_a_shared_stamp_are_a_gap_and_no_row_is_given_a_wrong_time(
    tmp_path, lost, phase
):
    seconds = np.arange(30_000) / 1000
    kept = seconds[(seconds < lost[0]) | (seconds >= lost[1])] + phase
    recording = second_clock(tmp_path / "night.csv", kept)
    assert recording.channels[0].rate == 1000
    placed = times_of(recording)
    known = np.isfinite(placed)
    np.testing.assert_allclose(placed[known], (kept - phase)[known], atol=0.0021)
    assert (~known).sum() <= 2100
    assert "gaps" in codes(recording)
    assert ("rows-unplaced" in codes(recording)) == (not known.all())
    lost_s = sum(stop - start for start, stop in recording.gaps)
    assert lost_s == pytest.approx(lost[1] - lost[0] + (~known).sum() / 1000, abs=0.003)


def test_row_52_rows_lost_in_every_second_are_told_as_a_rate_that_is_not_certain(tmp_path):
    rng = np.random.default_rng(2)
    kept = np.concatenate([s + np.arange(1000 - rng.integers(0, 120)) / 1000 for s in range(40)])
    assert "rows-uneven" in codes(second_clock(tmp_path / "night.csv", kept))
    assert "rows-uneven" not in codes(second_clock(tmp_path / "n.csv", np.arange(30_000) / 999.39))


def test_row_52_a_clock_of_whole_seconds_that_is_set_back_keeps_the_order_of_rows(tmp_path):
    seconds = np.arange(30_000) / 1000
    seconds[10_300:] -= 5.4
    recording = second_clock(tmp_path / "night.csv", seconds)
    assert "times-backward" in codes(recording)
    assert recording.duration_s == pytest.approx(30, abs=1.01)


def test_row_52_one_lost_packet_of_rows_is_a_gap_at_its_place(tmp_path):
    packets = np.repeat(np.arange(600), 10)
    stamps = packets / 100 + np.random.default_rng(1).uniform(0, 0.002, 600)[packets]
    stamps[3000:] += 0.02
    recording = at(tmp_path / "night.csv", stamps)
    assert recording.channels[0].rate == 1000
    (gap,) = recording.gaps
    assert gap == pytest.approx((3.0, 3.02), abs=0.002)
    assert codes(recording) == {"times-shared", "gaps"}


@pytest.mark.parametrize(("rate", "digits"), [(1000, 2), (2048, 3), (999.39, 0), (512, 1)])
def test_row_52_rounded_clocks_without_a_loss_show_no_gap_over_many_rows(tmp_path, rate, digits):
    truth = np.arange(60_000) / rate
    stamps = np.floor(truth * 10**digits) / 10**digits
    path = written(tmp_path / "n.csv", lambda i: f"{stamps[i]:.{max(digits, 1)}f}", n=60_000)
    recording = open_recording(path)
    assert recording.gaps == ()
    assert float(recording.channels[0].rate) == pytest.approx(rate, rel=2e-5)


def test_row_52_uneven_rows_are_refused_with_the_reason(tmp_path):
    seconds = np.cumsum(np.random.default_rng(0).uniform(0.0001, 0.0019, N))
    with pytest.raises(RecordingError, match="unevenly spaced"):
        at(tmp_path / "night.csv", seconds)


def test_row_52_small_jitter_is_taken_as_even(tmp_path):
    seconds = EVEN + np.random.default_rng(0).uniform(-0.0002, 0.0002, N)
    assert at(tmp_path / "night.csv", seconds).channels[0].rate == 1000


def test_row_52_cells_without_a_number_are_gaps_of_their_channel(tmp_path):
    rows = [f"{i / 1000:.3f},{UV[i, 0]},{'' if 100 <= i < 150 else UV[i, 1]}\n" for i in range(N)]
    rows[3000] = f"3.000,inf,{UV[3000, 1]}\n"
    rows[4000] = f"4.000,overflow,{UV[4000, 1]}\n"
    path = tmp_path / "night.csv"
    path.write_text("Time [s],EMG Mass L [uV],EMG Mass R [uV]\n" + "".join(rows))
    recording = open_recording(path)
    left, right = recording.channels
    assert [(p.night, p.n) for p in left.pieces] == [(0, 3000), (3001, 999), (4001, 1999)]
    assert [(p.night, p.n) for p in right.pieces] == [(0, 100), (150, 5850)]
    assert codes(recording) == {"rows-odd", "cells-missing"}


def test_a_column_that_is_mostly_empty_is_no_channel_at_this_rate(tmp_path):
    rows = [f"{i / 1000:.3f},{UV[i, 0]},{97 if i % 1000 == 0 else ''}\n" for i in range(N)]
    path = tmp_path / "night.csv"
    path.write_text("Time [s],EMG Mass L [uV],SpO2 [%]\n" + "".join(rows))
    recording = open_recording(path)
    assert not recording.channels[0].fault
    assert "table of its own" in recording.channels[1].fault


def test_a_column_of_texts_becomes_marks(tmp_path):
    rows = [f"{i / 1000:.3f},{UV[i, 0]},{'Lights off' if 500 <= i < 510 else ''}\n" for i in range(N)]
    path = tmp_path / "night.csv"
    path.write_text("Time [s],EMG Mass L [uV],Marker\n" + "".join(rows))
    (mark,) = open_recording(path).marks
    assert (mark.start_s, mark.text) == (0.5, "Lights off")


def test_without_a_time_column_the_rate_must_be_given_or_stated(tmp_path):
    path = tmp_path / "night.csv"
    body = "".join(f"{a},{b}\n" for a, b in UV)
    path.write_text("EMG Mass L [mV],EMG Mass R [mV]\n" + body)
    with pytest.raises(RecordingError, match="no time column"):
        open_recording(path)
    given = open_recording(path, Hints(rate_hz=2000))
    assert given.duration_s == 3.0
    np.testing.assert_allclose(values(given), 1000 * UV[:, 0])
    path.write_text("Sampling rate: 2 kHz\nEMG Mass L [mV],EMG Mass R [mV]\n" + body)
    assert open_recording(path).channels[0].rate == 2000


@pytest.mark.parametrize("head", ["EMG Mass L [uV]", '"EMG Mass L (uV)"', "EMG Mass L\nuV"])
def test_one_column_with_blanks_in_its_name_keeps_it(tmp_path, head):
    path = tmp_path / "night.csv"
    path.write_text(f"{head}\n" + "".join(f"{a}\n" for a in UV[:, 0]))
    with pytest.raises(RecordingError, match="no time column among 'EMG Mass L' and no rate"):
        open_recording(path)
    (channel,) = open_recording(path, Hints(rate_hz=500)).channels
    assert (channel.label, channel.muscle, channel.unit) == ("EMG Mass L", "masseter", "uV")
    assert channel.n_stored == N


def test_a_time_column_without_unit_is_understood_or_refused(tmp_path):
    head = "time,EMG Mass L [uV],EMG Mass R [uV]\n"
    guessed = open_recording(written(tmp_path / "night.csv", lambda i: f"{i}", head))
    assert guessed.channels[0].rate == 1000
    assert "time-unit-guessed" in codes(guessed)
    odd = written(tmp_path / "night.csv", lambda i: f"{0.07 * i:.2f}", head)
    with pytest.raises(RecordingError, match="`time_unit`"):
        open_recording(odd)
    assert open_recording(odd, Hints(time_unit="ms")).channels[0].rate > 10_000


def test_without_a_unit_values_stay_arbitrary_until_one_is_given(tmp_path):
    path = written(tmp_path / "night.csv", lambda i: f"{i / 1000:.3f}", "Time,EMG Mass L,EMG Mass R\n")
    recording = open_recording(path)
    assert recording.channels[0].unit == "a.u."
    assert codes(recording) == {"unit-blank"}
    np.testing.assert_allclose(values(open_recording(path, Hints(unit="mV"))), 1000 * UV[:, 0])
    scaled = open_recording(path, Hints(scale={"EMG Mass L": 0.25}))
    np.testing.assert_allclose(values(scaled), 0.25 * UV[:, 0])
    assert scaled.channels[1].unit == "a.u."


def test_a_number_of_rows_is_no_channel(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("Index,EMG Mass L [uV]\n" + "".join(f"{i},{UV[i, 0]}\n" for i in range(N)))
    recording = open_recording(path, Hints(rate_hz=1000))
    assert [c.label for c in recording.channels] == ["EMG Mass L"]
    assert "count-column" in codes(recording)


@pytest.mark.parametrize(("month", "day", "hour", "shift"), [(3, 29, 2, 1), (10, 25, 3, -1)])
def test_the_change_of_the_clocks_is_no_gap(tmp_path, month, day, hour, shift):
    begin = datetime(2026, month, day, hour) - timedelta(seconds=3)

    def stamp(i: int) -> str:
        moved = timedelta(hours=shift if i >= 3000 else 0)
        return (begin + timedelta(milliseconds=i) + moved).isoformat(timespec="milliseconds")

    path = written(tmp_path / "night.csv", stamp, "Time,EMG Mass L [uV],EMG Mass R [uV]\n")
    recording = open_recording(path)
    assert recording.gaps == ()
    assert recording.duration_s == 6.0
    assert codes(recording) == {"clock-change"}


def test_an_hour_lost_at_another_time_is_a_gap(tmp_path):
    begin = datetime(2026, 3, 29, 2, 17)

    def stamp(i: int) -> str:
        return (begin + timedelta(milliseconds=i, hours=i >= 3000)).isoformat(timespec="milliseconds")

    path = written(tmp_path / "night.csv", stamp, "Time,EMG Mass L [uV],EMG Mass R [uV]\n")
    assert open_recording(path).gaps == ((3.0, 3603.0),)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("Dear colleague,\nhere is the night of 3 March.\n", "no table"),
        ("time,EMG\n0,1\n", "fewer than two rows"),
        ("a,b\nx,y\nz,w\n", "no table|first bytes"),
        ("time [s],EMG L [uV]\n" + "5.0,1.0\n" * 50, "does not advance"),
        ("1.0" * 3_000_000, "no line end|no table"),
    ],
)
def test_texts_that_are_no_recording_are_refused_in_one_sentence(tmp_path, content, said):
    path = tmp_path / "night.csv"
    path.write_text(content)
    with pytest.raises(RecordingError, match=said) as caught:
        open_recording(path)
    assert str(caught.value).startswith("night.csv: ")
    assert "\n" not in str(caught.value)


def test_utf_16_is_refused_with_the_remedy(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("Time [s]\tEMG L [uV]\n0\t1\n1\t2\n", encoding="utf-16")
    with pytest.raises(RecordingError, match="UTF-8"):
        open_recording(path)


def test_windows_line_ends_and_a_cut_last_line(tmp_path):
    path = written(tmp_path / "night.csv", lambda i: f"{i / 1000:.3f}")
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n")[:-4])
    recording = open_recording(path)
    assert recording.channels[0].n_stored == N - 1
    assert codes(recording) == {"last-line-cut"}


def test_parts_change_nothing(tmp_path, monkeypatch):
    path = written(tmp_path / "night.csv", lambda i: f"{i / 1000 + (9 if i > 4321 else 0):.3f}")
    whole = open_recording(path)
    monkeypatch.setattr(table, "PART_BYTES", 5000)
    parted = open_recording(path)
    assert parted == whole
    np.testing.assert_array_equal(values(parted), values(whole))
    first, stop = 1234, 4567
    np.testing.assert_array_equal(samples(parted, parted.channels[1], first, stop), UV[first:stop, 1])


def test_a_file_that_changes_after_opening_is_refused(tmp_path):
    path = written(tmp_path / "night.csv", lambda i: f"{i / 1000:.3f}")
    recording = open_recording(path)
    path.write_bytes(path.read_bytes()[:2000] + b"\n")
    with pytest.raises(RecordingError, match="changed"):
        values(recording)


def test_a_table_can_be_pickled_and_read_elsewhere(tmp_path):
    recording = open_recording(written(tmp_path / "night.csv", lambda i: f"{i / 1000:.3f}"))
    again = pickle.loads(pickle.dumps(recording))
    np.testing.assert_array_equal(values(again), values(recording))


def test_a_long_table_needs_little_memory(tmp_path):
    path = written(tmp_path / "night.csv", lambda i: f"{i / 1000:.3f}", n=300_000)
    tracemalloc.start()
    try:
        recording = open_recording(path)
        for first in range(0, 300_000, 60_000):
            samples(recording, recording.channels[0], first, first + 60_000)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert path.stat().st_size > 6_500_000
    assert peak < 40_000_000


def test_a_table_is_swept_as_an_array_of_the_same_samples_is(tmp_path):
    from sleepbrux.recording.memory import from_array

    recording = open_recording(written(tmp_path / "night.csv", lambda i: f"{i / 1000:.3f}"))
    plain = from_array(UV.T, 1000, ["EMG Mass L", "EMG Mass R"])
    for a, b in zip(sweep(recording, recording.channels), sweep(plain, plain.channels), strict=True):
        np.testing.assert_array_equal(a.energy, b.energy)


@settings(max_examples=60, deadline=None)
@given(
    rate=st.sampled_from([100, 250, 256, 512, 999.39, 1000, 1024, 2000, 2048]),
    digits=st.integers(3, 6),
    gap_rows=st.integers(0, 400),
    at_row=st.integers(300, 1500),
)
def test_any_rate_and_gap_is_found_again(tmp_path_factory, rate, digits, gap_rows, at_row):
    n = 2000
    seconds = (np.arange(n) + np.where(np.arange(n) >= at_row, gap_rows, 0)) / rate
    path = tmp_path_factory.getbasetemp() / "gap.csv"
    path.write_text(
        "Time [s],EMG L [uV]\n" + "".join(f"{t:.{digits}f},{i % 7}.5\n" for i, t in enumerate(seconds))
    )
    recording = open_recording(path)
    off_s = abs(n / float(recording.channels[0].rate) - n / rate)
    assert off_s < max(3 * 10.0**-digits, 1.5 / rate, 0.006 if gap_rows else 0)
    step_ms = 1000 / rate
    own = digits > 4 or step_ms == round(step_ms)
    if 1 / rate < 10.0**-digits:
        return  # several rows share a stamp: short gaps are said not to be seen
    if gap_rows / rate > 0.02 or (own and gap_rows):
        ((start, stop),) = recording.gaps
        assert start == pytest.approx(at_row / rate, abs=0.006)
        assert stop - start == pytest.approx(gap_rows / rate, abs=0.006)
    elif gap_rows == 0:
        assert recording.gaps == ()


@pytest.mark.parametrize("at_row", [300, 1200])
@pytest.mark.parametrize(("rate", "digits"), [(100, 3), (100, 6), (250, 4), (1000, 4), (1000, 6)])
def test_one_lost_row_shows_where_stamps_are_written_finer_than_their_step(tmp_path, rate, digits, at_row):
    seconds = (np.arange(2000) + (np.arange(2000) >= at_row)) / rate
    path = tmp_path / "gap.csv"
    rows = "".join(f"{t:.{digits}f},{i % 7}.5\n" for i, t in enumerate(seconds))
    path.write_text("Time [s],EMG L [uV]\n" + rows)
    recording = open_recording(path)
    assert recording.channels[0].rate == rate
    ((start, stop),) = recording.gaps
    assert (start, stop) == pytest.approx((at_row / rate, (at_row + 1) / rate))


def test_stamps_of_a_slower_clock_rounded_to_a_faster_ones_lose_nothing(tmp_path):
    """At 999.4 a second every 1,666th step of stamps in whole ms is of 2 ms, evenly."""
    path = tmp_path / "slow.csv"
    rows = "".join(f"{t:.3f}000,{i % 7}.5\n" for i, t in enumerate(np.arange(20_000) / 999.4))
    path.write_text("Time [s],EMG L [uV]\n" + rows)
    recording = open_recording(path)
    assert recording.gaps == ()
    assert float(recording.channels[0].rate) == pytest.approx(999.4, abs=0.05)


def test_facial_emg_of_others_is_read(tmp_path):
    """EMGFlow sample data: zygomaticus and corrugator at 2 kHz with gaps of empty cells."""
    recording = open_recording(outside("sample_data_01.csv"))
    assert [c.rate for c in recording.channels] == [2000, 2000]
    assert {c.role for c in recording.channels} == {"emg"}
    assert recording.duration_s == 10.0
    raw = np.genfromtxt(outside("sample_data_01.csv"), delimiter=",", skip_header=1)
    np.testing.assert_allclose(values(recording), raw[:, 1])
    missing = np.isnan(raw[:, 1]).sum()
    assert sum(p.n for p in recording.channels[0].pieces) == len(raw) - missing
    assert missing > 0


def test_a_column_of_counts_with_the_rate_above_it_is_read():
    recording = open_recording(shared("emg", "biosppy_emg_1.txt"), Hints(roles=(("ch1", "emg"),)))
    assert recording.channels[0].rate == 1000
    assert recording.channels[0].role == "emg"
    assert recording.duration_s == pytest.approx(63.88)


def test_a_rate_above_the_table_that_no_recorder_has_is_refused(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("sampling rate: 0.0000001 Hz\nEMG Mass L\n" + "1.5\n" * 50)
    with pytest.raises(RecordingError, match=r"^night\.csv: above the table the rate is .* allowed\.$"):
        open_recording(path)
