"""Whoever waits is told: opening a long table, and reading what surrounds the jaw muscles."""

from __future__ import annotations

from contextlib import contextmanager

import h5py
import numpy as np
import pytest

from sleepbrux.cli import main
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.opening import Hints, open_recording
from sleepbrux.signal.swept import sweep_recording
from tests.nights import rhythm, signal_of

RATE, SECONDS = 500, 120


@pytest.fixture
def csv_night(tmp_path):
    left = signal_of(rhythm(60, 4), seconds=SECONDS, rate=RATE, seed=1)
    rows = "".join(f"{i / RATE:.3f},{v:.2f}\n" for i, v in enumerate(left))
    path = tmp_path / "night.csv"
    path.write_text("Time [s],EMG Mass L [uV]\n" + rows)
    return path


@pytest.mark.parametrize("verb", ["score", "inspect"])
def test_opening_and_reading_of_a_table_are_shown(csv_night, tmp_path, monkeypatch, verb):
    told: dict[str, list[float]] = {}

    @contextmanager
    def shown(what):
        told[what] = []
        yield told[what].append

    monkeypatch.setattr("sleepbrux.recording.formats.table.PART_BYTES", 1 << 17)
    monkeypatch.setattr("sleepbrux.cli.score.shown", shown)
    monkeypatch.setattr("sleepbrux.cli.progress.shown", shown)
    more = ["--out", str(tmp_path / "out"), "--criterion", "aasm"] if verb == "score" else []
    with pytest.raises(SystemExit) as stop:
        main([verb, str(csv_night), *more])
    assert stop.value.code == 0
    assert list(told) == ["night.csv: opening", "night.csv"]
    assert told["night.csv"][-1] == pytest.approx(1)
    if verb == "inspect":
        assert told["night.csv: opening"][-1] == pytest.approx(1)
        assert len(told["night.csv: opening"]) > 3


def test_floating_point_data_sets_tell_how_far_they_have_been_read(tmp_path):
    with h5py.File(tmp_path / "n.h5", "w") as file:
        file.attrs["rate"] = 500
        for name in ("a", "b"):
            file.create_dataset(name, data=np.zeros(1000, dtype="f4"))
    told: list[float] = []
    open_recording(tmp_path / "n.h5", Hints(), progress=told.append)
    assert told == [0.0, 0.5]


def test_what_surrounds_the_muscles_counts_in_the_share_done():
    rng = np.random.default_rng(0)
    data = rng.normal(0, 10, (3, 300 * 1000))
    recording = from_array(data, 1000, ["EMG Mass L", "Leg L EMG", "Audio"])
    told: list[float] = []
    sweep_recording(recording, progress=told.append)
    assert max(told) <= 1
    assert told[-1] == pytest.approx(1, abs=0.34)
    assert len(set(told)) > 3
    alone: list[float] = []
    sweep_recording(from_array(data[:1], 1000, ["EMG Mass L"]), progress=alone.append)
    assert alone[-1] == pytest.approx(1)
