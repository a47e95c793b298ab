"""A date that anonymised files bear is shown by no format, whoever reads it."""

from __future__ import annotations

from datetime import UTC, datetime, time
from pathlib import Path

import h5py
import numpy as np
import pytest

from sleepbrux.recording.formats.edf import open_edf
from sleepbrux.recording.formats.mne_formats import open_with_mne
from sleepbrux.recording.opening import Hints, open_recording
from tests.recording.build import edf, emg
from tests.recording.test_mne_formats import MARKER, triplet
from tests.recording.test_wav import chunk, form, packed, riff

mne = pytest.importorskip("mne")

UV = np.random.default_rng(3).normal(0, 20, (2, 5000))
EVENING = "22:30:05"


def by_edf(folder: Path, day: str) -> object:
    year, month, date = day.split("-")
    file = edf(emg(), start_date=f"{date}.{month}.{year[2:]}", start_time="22.30.05", recording="")
    return open_edf(file.write(folder / "a.edf"))


def edf_by_mne(folder: Path, day: str) -> object:
    by_edf(folder, day)
    return open_with_mne(folder / "a.edf")


def fif(folder: Path, day: str) -> object:
    raw = mne.io.RawArray(UV * 1e-6, mne.create_info(["EMG L", "EMG R"], 1000, "emg"), verbose="error")
    raw.set_meas_date(datetime.fromisoformat(f"{day}T{EVENING}").replace(tzinfo=UTC))
    raw.save(folder / "a_raw.fif", verbose="error")
    return open_recording(folder / "a_raw.fif")


def brainvision(folder: Path, day: str) -> object:
    triplet(folder)
    stamp = day.replace("-", "") + "223005000000"
    marker = MARKER.format(data="night.eeg").replace("20260302223000250000", stamp)
    (folder / "night.vmrk").write_text(marker, encoding="utf-8")
    return open_recording(folder / "night.vhdr")


def wav(folder: Path, day: str) -> object:
    bext = chunk(b"bext", bytes(320) + f"{day}{EVENING}".encode() + bytes(264))
    body = packed(np.linspace(-0.5, 0.5, 4000).reshape(1, -1), 16)
    (folder / "a.wav").write_bytes(riff(bext, form(1, 1, 16), chunk(b"data", body)))
    return open_recording(folder / "a.wav", Hints(scale=100.0))


def hdf5(folder: Path, day: str) -> object:
    with h5py.File(folder / "a.h5", "w") as file:
        data = file.create_dataset("EMG L", data=UV[0])
        data.attrs["unit"], data.attrs["fs"], data.attrs["start_time"] = (
            "uV",
            1000,
            f"{day}T{EVENING}",
        )
    return open_recording(folder / "a.h5")


def table(folder: Path, day: str) -> object:
    rows = "".join(f"{day} 22:30:{5 + k / 100:06.3f};{k % 7}.5\n" for k in range(300))
    (folder / "a.csv").write_text("time;EMG L\n" + rows)
    return open_recording(folder / "a.csv", Hints(unit="uV"))


EVERY = [by_edf, edf_by_mne, fif, brainvision, wav, hdf5, table]


@pytest.mark.shows("wrong-clock")
@pytest.mark.parametrize("opened", EVERY, ids=lambda f: f.__name__)
def test_the_stand_in_of_edf_is_no_date_and_the_time_of_day_stays(opened, tmp_path):
    recording = opened(tmp_path, "1985-01-01")
    assert recording.start is None
    assert recording.start_clock == time(22, 30, 5)
    assert recording.start_time_known
    assert "date-anonymised" in {n.code for n in recording.notes}


@pytest.mark.parametrize("opened", EVERY, ids=lambda f: f.__name__)
def test_another_date_is_shown(opened, tmp_path):
    recording = opened(tmp_path, "2026-03-02")
    assert recording.start == datetime(2026, 3, 2, 22, 30, 5)
    assert "date-anonymised" not in {n.code for n in recording.notes}


@pytest.mark.parametrize("opened", [fif, hdf5, table], ids=lambda f: f.__name__)
def test_dates_before_1925_are_those_that_bids_asks_anonymised_sets_to_bear(opened, tmp_path):
    recording = opened(tmp_path, "1921-07-14")
    assert recording.start is None
    assert recording.start_clock == time(22, 30, 5)


def test_what_mne_writes_for_a_date_that_it_took_out_is_neither_date_nor_time(tmp_path):
    raw = mne.io.RawArray(UV * 1e-6, mne.create_info(["EMG L", "EMG R"], 1000, "emg"), verbose="error")
    raw.set_meas_date(datetime(2026, 3, 2, 22, 30, tzinfo=UTC))
    raw.anonymize(verbose="error")
    recording = open_with_mne(raw)
    assert recording.start is None
    assert recording.start_clock is None
    assert not recording.start_time_known
