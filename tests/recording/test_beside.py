"""Other files of a night on the recording's clock; change of the clocks; what is no raw EMG."""

from __future__ import annotations

import json
import math
import struct
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sleepbrux.cli import main
from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.daylight import clock_change
from sleepbrux.recording.labels import axis_of, role_named, with_roles
from sleepbrux.recording.mark_table import with_marks
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark, Recording
from sleepbrux.recording.rectified import looks_rectified
from sleepbrux.recording.sync import fit_clocks, fit_marks, moved
from sleepbrux.signal.surroundings.companions import CompanionFiles, open_companions
from sleepbrux.signal.swept import sweep_recording

RNG = np.random.default_rng(11)
UV = RNG.normal(0, 20, (2, 60_000))


def night(*marks: Mark, start: datetime | None = datetime(2026, 3, 2, 22, 30)) -> Recording:
    return from_array(UV, 1000, ["EMG Mass L", "EMG Mass R"], marks, start, name="night")


@given(
    offset=st.floats(-1000, 1000),
    drift_ppm=st.floats(-200, 200),
    events=st.lists(st.floats(0, 30_000), min_size=2, max_size=6, unique=True),
)
def test_offset_and_drift_are_found_again(offset, drift_ppm, events):
    if max(events) - min(events) < 60:
        events = [*events, max(events) + 3600]
    fit = fit_clocks([(t, offset + (1 + 1e-6 * drift_ppm) * t) for t in events])
    assert fit(15_000) == pytest.approx(offset + (1 + 1e-6 * drift_ppm) * 15_000, abs=1e-3)
    assert fit.residual_s < 1e-3


def test_a_residual_exists_from_three_events_on_and_is_printed():
    three = fit_clocks([(0, 0.0), (10_000, 10_000.3), (20_000, 20_000.0)])
    assert three.residual_s == pytest.approx(0.2)
    assert "residual 200 ms at most over 3 events" in three.text
    assert "two events give no residual" in fit_clocks([(0, 0), (10_000, 10_000.3)]).text
    assert "drift between the devices is not known" in fit_clocks([(5, 7)]).text


@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        ([], "no event"),
        ([(0, 0), (1, 1)], "apart"),
        ([(0, 0), (1000, 1100)], "faster"),
        ([(math.nan, 1)], "sync event nan=1 is no pair of seconds"),
        ([(1, math.inf)], "sync event 1=inf"),
        ([(0, 0), (math.nan, 1000)], "sync event nan=1000"),
        ([(0, 1e300)], "sync event 0=1e\\+300"),
    ],
)
def test_events_that_join_no_clocks_are_refused(pairs, said):
    with pytest.raises(RecordingError, match=said):
        fit_clocks(pairs)


def test_sync_marks_are_paired_in_order_or_refused():
    own = [Mark(100, 0, "Sync"), Mark(20_100.5, 0, "sync")]
    fit = fit_marks(own, [Mark(0, 0, "sync 1"), Mark(20_000, 0, "sync 2")])
    assert fit is not None
    assert 3.6e6 * fit.drift == pytest.approx(90)
    assert moved([Mark(10_000, 2, "x")], fit)[0].start_s == pytest.approx(10_100.25)
    assert fit_marks(own, []) is None
    with pytest.raises(RecordingError, match="2 sync marks and the other file 1"):
        fit_marks(own, [Mark(0, 0, "sync")])


def test_marks_stages_and_sound_of_other_devices_lie_on_the_recordings_clock(tmp_path):
    (tmp_path / "marks.csv").write_text(
        "onset;duration;text\n22:30:10;0;Lights off\n50,5;2;Clench\n", encoding="utf-8"
    )
    (tmp_path / "stages.csv").write_text("onset,duration,stage\n0,30,W\n30,30,N2\n", encoding="utf-8")
    form = struct.pack("<HHIIHH", 1, 1, 1000, 2000, 2, 16)
    data = np.zeros(30_000, dtype="<i2").tobytes()
    (tmp_path / "sound.wav").write_bytes(
        b"RIFF\0\0\0\0WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(data)) + data
    )
    marked = with_marks(night(), tmp_path / "marks.csv")
    assert [(m.start_s, m.text) for m in marked.marks] == [(10.0, "Lights off"), (50.5, "Clench")]
    shifted = with_marks(night(), tmp_path / "marks.csv", [(0.0, 5.0), (6000.0, 6005.6)])
    assert shifted.marks[1].start_s == pytest.approx(55.505, abs=1e-3)
    sync = ((0.0, 5.0), (6000.0, 6005.6))
    timed = open_companions(
        night(), CompanionFiles(stages=tmp_path / "stages.csv", sync=((0.0, 5.0), (6e3, 6005.0)))
    )
    assert timed.hypnogram is not None
    assert timed.hypnogram.spans["wake"].seconds() == [(5.0, 35.0)]
    assert {n.code for n in timed.notes} == {"clocks-joined"}
    heard = open_companions(night(), CompanionFiles(sound=tmp_path / "sound.wav", sync=sync))
    assert heard.sound is not None
    assert heard.sound_start_s == pytest.approx(5.0)
    assert float(heard.sound.channels[0].rate) == pytest.approx(1000 / (1 + 0.6 / 6000))
    assert {n.code for n in heard.notes} == {"clocks-joined"}


@pytest.mark.parametrize("content", ["", "a,b\n1,2\n", "onset,text\nsoon,x\n"])
def test_a_table_of_marks_that_says_nothing_is_refused(tmp_path, content):
    path = tmp_path / "marks.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(RecordingError, match=r"marks\.csv: "):
        with_marks(night(), path)


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    return int(ended.value.code or 0)


def test_rates_per_hour_of_sleep_exist_only_where_stages_do(tmp_path):
    table = tmp_path / "night.csv"
    t = np.arange(120_000) / 500
    gain = 1 + 14 * ((t % 20 > 10) & (t % 20 < 13))
    uv = RNG.normal(0, 5, len(t)) * gain
    table.write_text(
        "Time [s],EMG Mass L [uV]\n" + "".join(f"{a:.3f},{b:.2f}\n" for a, b in zip(t, uv, strict=True))
    )
    (tmp_path / "stages.csv").write_text("W\nW\nN2\nN2\nN2\nN2\nR\nR\n")
    base = ("score", table, "--mvc-uv", "300", "--out")
    assert run(*base, tmp_path / "a") == 0
    assert run(*base, tmp_path / "b", "--stages", tmp_path / "stages.csv") == 0

    def measures(folder: str) -> dict[str, dict[str, object]]:
        read: dict[str, dict[str, dict[str, object]]] = json.loads(
            (tmp_path / folder / "night.summary.json").read_text("utf-8")
        )
        return read["measures"]

    without, staged = measures("a"), measures("b")
    assert "episodes_per_hour_of_sleep" not in without
    assert staged["episodes_per_hour_of_sleep"]["value"]
    assert "stages.csv" in str(staged["episodes_per_hour_of_sleep"]["basis"])
    assert "sleep" not in str(staged["episodes_per_hour"]["basis"])


@pytest.mark.parametrize(
    ("start", "hours", "way"),
    [
        (datetime(2026, 3, 28, 22, 30), 8, "forward"),
        (datetime(2026, 10, 24, 23), 8, "back"),
        (datetime(2026, 3, 7, 23), 8, "forward"),
        (datetime(2026, 10, 31, 23), 8, "back"),
        (datetime(2026, 3, 29, 3), 4, ""),
        (datetime(2026, 3, 28, 20), 3, ""),
        (datetime(2026, 6, 6, 22), 8, ""),
        (None, 8, ""),
    ],
)
def test_a_night_in_which_the_clocks_may_change_says_so(start, hours, way):
    note = clock_change(start, hours * 3600)
    assert (note is not None) == bool(way)
    assert note is None or f"clocks go {way} by an hour" in note.text


def test_rectified_emg_is_refused_as_raw_emg_and_an_offset_is_not():
    smooth = np.abs(UV).cumsum(axis=1)
    smooth = (smooth[:, 50:] - smooth[:, :-50]) / 50
    burst = 1 + 9 * (np.arange(smooth.shape[1]) % 5000 < 800)
    for data, rectified in (
        (UV, False),
        (UV + 2048, False),
        (np.abs(UV), True),
        (smooth * burst, True),
        (UV + 60, False),
    ):
        recording = from_array(data, 1000, ["EMG Mass L", "EMG Mass R"], name="night")
        assert looks_rectified(recording, recording.channels[0]) == rectified
        if rectified:
            with pytest.raises(RecordingError, match="rectified or smoothed"):
                sweep_recording(recording)


@pytest.mark.parametrize("n_raw", [3, 4])
def test_rectified_is_what_looks_so_in_nine_of_ten_stretches(n_raw):
    """Thirty pieces, one stretch each: 3 raw ones leave nine in ten, 4 do not."""
    noise = np.random.default_rng(2).normal(0, 50, (30, 5000))
    noise[n_raw:] = np.abs(noise[n_raw:])
    gap = np.full((30, 1000), np.nan)
    recording = from_array(np.hstack((noise, gap)).reshape(1, -1)[:, :-1000], 1000, ["EMG"])
    assert looks_rectified(recording, recording.channels[0]) == (n_raw == 3)


def test_a_rate_a_second_is_refused_as_raw_emg():
    recording = from_array(UV[:, :600], 1, ["EMG Mass L", "EMG Mass R"], name="night")
    with pytest.raises(RecordingError, match="a rate or an envelope"):
        sweep_recording(recording)


def test_what_a_channel_is_can_be_said_by_the_user():
    named = with_roles(night(), [("emg mass l", "ecg"), ("EMG Mass R", "temporalis left")])
    assert [(c.role, c.side, c.muscle) for c in named.channels] == [
        ("ecg", "", ""),
        ("jaw", "left", "temporalis"),
    ]
    assert role_named("oximetry")[0] == "oximetry"
    assert [axis_of(t) for t in ("Acc X", "ACCY", "accel_z", "Activity")] == ["x", "y", "z", ""]
    with pytest.raises(RecordingError, match="no kind of channel"):
        role_named("banana")
    with pytest.raises(RecordingError, match="no channel 'Z'"):
        with_roles(night(), [("Z", "ecg")])


def test_files_of_a_study_night_are_those_beside_the_study(tmp_path):
    from sleepbrux.scoring.request import study_request
    from sleepbrux.study.file import load_study

    (tmp_path / "study.toml").write_text(
        'pseudonym = "P1"\nrate_hz = 500.0\nroles = { ch1 = "masseter left" }\n'
        'scale_uv = { ch1 = 2500.0 }\n[[night]]\nid = "n1"\nrecording = "n1.wav"\ncondition = "none"\n'
        'stages = "n1.csv"\nsync = [[0.0, 5.0], [6000.0, 6005.0]]\n'
    )
    study = load_study(tmp_path / "study.toml")
    with pytest.raises(RecordingError, match=r"the file 'n1\.csv' is not next to the study file"):
        study_request(study, study.night[0], tmp_path)
    Path(tmp_path / "n1.csv").write_text("W\n")
    request = study_request(study, study.night[0], tmp_path)
    assert request.companions.stages == tmp_path / "n1.csv"
    assert request.companions.sync == ((0.0, 5.0), (6000.0, 6005.0))
    assert request.hints.scale == {"ch1": 2500.0}
    assert request.hints.roles == (("ch1", "masseter left"),)


@pytest.mark.parametrize(
    "pair", ["nan=1", "1=nan", "inf=1", "1=-inf", "nan=nan", "1e400=0", "=", "1", "1=2=3"]
)
def test_a_sync_pair_that_is_no_pair_of_seconds_is_wrong_usage(tmp_path, capsys, pair):
    with pytest.raises(SystemExit) as stop:
        main(["score", "night.edf", "--out", str(tmp_path), "--sync", pair, "--stages", "s.csv"])
    assert stop.value.code == 2
    assert "is no pair of seconds" in capsys.readouterr().err


@pytest.mark.shows("wrong-count")
def test_stages_that_end_before_the_recording_are_refused_and_not_lost(tmp_path):
    path = tmp_path / "stages.csv"
    path.write_text("onset,duration,stage\n0,30,N2\n30,30,N2\n", "utf-8")
    with pytest.raises(RecordingError, match=r"^stages\.csv: every stage lies before the start"):
        open_companions(night(), CompanionFiles(stages=path, sync=((5000.0, 0.0),)))
    with pytest.raises(RecordingError, match="no pair of seconds"):
        open_companions(night(), CompanionFiles(stages=path, sync=((math.nan, 1.0),)))
