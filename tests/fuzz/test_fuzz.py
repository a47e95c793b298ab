"""A slice of the fuzz of every input, and the least case of each defect that it found."""

from __future__ import annotations

import os
import warnings
from datetime import datetime

import numpy as np
import pytest

import sleepbrux as sb
from sleepbrux.analysis.agreement.loading import Wanted, load_pair
from sleepbrux.analysis.comparison.trend import trend_over_nights
from sleepbrux.recording.opening import open_recording
from sleepbrux.signal.surroundings.companions import CompanionFiles, open_companions
from tests.fuzz.inputs import INPUTS, Place, made, mutant, outcome, wav_seed
from tests.recording.xdf_files import Stream, xdf

N = int(os.environ.get("EXAMPLES", "3"))
N_STREAM = 1000


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return Place(tmp_path_factory.mktemp("fuzz"))


@pytest.mark.shows("hostile-file")
@pytest.mark.parametrize("kind", INPUTS)
def test_a_bent_input_ends_in_a_result_or_in_one_sentence(kind, place):
    seeds = INPUTS[kind].seeds(place)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        INPUTS[kind].try_seed(seeds[0], place)
        ends = {outcome(kind, mutant(kind, number, seeds), place) for number in range(N)}
    assert ends <= {"result", "refused"}


# what it found


def stream(**changes):
    wave = np.ones((N_STREAM, 1)) * np.sin(np.arange(N_STREAM) / 9)[:, None]
    about = {
        "values": wave,
        "stamps": 50 + np.arange(N_STREAM) / 500,
        "rate": 500,
        "labels": ("EMG Masseter L",),
    }
    return Stream("amp", **(about | changes))


@pytest.mark.parametrize("stamp", [1e300, -1e300, 1e15])
def test_a_time_stamp_that_no_clock_shows_is_refused(tmp_path, stamp):
    stamps = 50 + np.arange(N_STREAM) / 500
    stamps[500:] = stamp
    (tmp_path / "c.xdf").write_bytes(xdf(stream(stamps=stamps)))
    with pytest.raises(sb.SleepbruxError, match="which no clock shows"):
        open_recording(tmp_path / "c.xdf")


def test_a_stream_of_an_endless_rate_is_refused(tmp_path):
    (tmp_path / "c.xdf").write_bytes(xdf(stream(rate="inf")))
    with pytest.raises(sb.SleepbruxError, match="samples a second"):
        open_recording(tmp_path / "c.xdf")


def test_a_start_in_a_year_that_no_recording_is_of_is_unknown(tmp_path):
    (tmp_path / "c.xdf").write_bytes(xdf(stream(), opened="9999-12-31T23:59:59"))
    recording = open_recording(tmp_path / "c.xdf")
    assert recording.start is None
    assert "date-unknown" in [note.code for note in recording.notes]


def test_a_year_that_is_believed_stays_known(tmp_path):
    (tmp_path / "c.xdf").write_bytes(xdf(stream(), opened="2026-11-30T18:02:03"))
    assert open_recording(tmp_path / "c.xdf").start == datetime(2026, 11, 30, 18, 2, 3)


@pytest.mark.parametrize("start_s", [float("nan"), float("inf"), float("-inf")])
def test_sound_that_begins_at_no_second_is_refused(place, start_s):
    path = place.folder / "s.wav"
    path.write_bytes(wav_seed(place))
    with pytest.raises(sb.SleepbruxError, match=r"s\.wav: the sound begins at .*finite number"):
        open_companions(made(), CompanionFiles(sound=path, sound_start_s=start_s))


@pytest.mark.filterwarnings("error")
def test_values_that_no_amplifier_gives_are_missing_and_not_endless_energy():
    rng = np.random.default_rng(1)
    wave = rng.normal(0, 10, (1, 20_000))
    wave[0, 9000:9010] = 1e30
    night = sb.score(wave, rate_hz=1000, labels=["EMG Masseter L"], criterion="aasm")
    assert [(p.night, p.n) for p in night.swept.frames[0].channel.pieces] == [(0, 9000), (9010, 10_990)]


@pytest.mark.parametrize("row", ["0,60000000,scored", "-1e12,3,phasic", "2e300,3,phasic"])
def test_an_events_file_with_times_that_no_recording_has_is_refused_at_once(place, row):
    path = place.folder / "far.csv"
    path.write_text(f"onset,duration,label\n0,60,scored\n{row}\n", "utf-8")
    with pytest.raises(sb.SleepbruxError, match=r"far\.csv: a time is .*31 days"):
        load_pair(place.archive, str(path), Wanted())


@pytest.mark.filterwarnings("error")
def test_a_comparison_of_nights_without_any_hour_has_no_trend():
    assert trend_over_nights([], [], [], []) is None
