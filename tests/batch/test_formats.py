"""A folder as it arrives: recordings of every format, and files that are none."""

from __future__ import annotations

import csv
import struct

import h5py
import numpy as np
import pytest

from sleepbrux.batch import run_batch
from sleepbrux.batch.tasks import Common, plan
from sleepbrux.cli import main
from sleepbrux.recording.opening import Hints
from tests.nights import rhythm, signal_of
from tests.recording.build import edf
from tests.recording.test_mne_formats import HEADER

RATE, SECONDS = 500, 120
UV = np.stack([signal_of(rhythm(60, 4), seconds=SECONDS, rate=RATE, seed=k) for k in range(2)])
DIGITAL = np.rint(UV * 10).clip(-32000, 32000).astype("<i2")


def wav(rate: int) -> bytes:
    body = DIGITAL.T.tobytes()
    form = struct.pack("<HHIIHH", 1, 2, rate, rate * 4, 4, 16)
    chunks = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(body)) + body
    return b"RIFF" + struct.pack("<I", len(chunks)) + chunks


@pytest.fixture
def folder(tmp_path, write_night):
    top = tmp_path / "in"
    write_night(top / "a.edf")
    text = HEADER.format(data="b.eeg", marker="b.vmrk", unit="µV", interval=1e6 / RATE, codepage="UTF-8")
    (top / "b.vhdr").write_text(text, "utf-8")
    (top / "b.eeg").write_bytes(DIGITAL.T.tobytes())
    rows = [f"{i / RATE:.3f},{a:.1f},{b:.1f}" for i, (a, b) in enumerate(UV.T)]
    table = "Time [s],EMG Mass L [uV],EMG Mass R [uV]\n" + "\n".join(rows) + "\n"
    (top / "c.csv").write_text(table)
    (top / "d.wav").write_bytes(wav(RATE))
    with h5py.File(top / "deeper-e", "w") as file:
        file.attrs["rate"] = RATE
        for k, name in enumerate(("EMG Mass L", "EMG Mass R")):
            file.create_dataset(name, data=DIGITAL[k] / 10).attrs["unit"] = "uV"
    (top / "a.csv").write_text("Time [s],SpO2 [%]\n" + "".join(f"{i},97\n" for i in range(300)))
    (top / "f.csv").write_text("night,pain\n" + "".join(f"{i},{i % 4}\n" for i in range(9)))
    (top / "sound.wav").write_bytes(wav(16_000))
    (top / "g.edf.gz").write_bytes(b"\x1f\x8b" + edf().to_bytes())
    (top / "notes.txt").write_text("Patient called at 9. Slept well, 7 hours.\n")
    (top / "page.html").write_text("<html>1</html>")
    return top


def test_every_format_is_found_by_its_content_and_what_is_none_is_told(folder, tmp_path):
    others: dict[str, str] = {}
    tasks = plan([folder], tmp_path / "out", Common(), on_other=lambda p, why: others.update({p.name: why}))
    assert [t.recording.name for t in tasks] == ["a.edf", "b.vhdr", "c.csv", "d.wav", "deeper-e"]
    assert set(others) == {"a.csv", "f.csv", "sound.wav", "g.edf.gz", "notes.txt"}
    assert "gzip" in others["g.edf.gz"]
    assert "muscle" in others["a.csv"]


def test_all_of_them_are_scored_by_worker_processes_with_the_options_on_files(folder, tmp_path, capsys):
    with pytest.raises(SystemExit) as stop:
        main(
            [
                "batch",
                str(folder),
                "--out",
                str(tmp_path / "out"),
                "--workers",
                "1",
                "--criterion",
                "aasm",
                "--scale",
                "3276.8",
            ]
        )
    assert stop.value.code == 1
    said = capsys.readouterr().err
    assert "g.edf.gz is no recording to score: the file is gzip-compressed" in said
    assert "d.wav was not scored" in said
    with (tmp_path / "out" / "nights.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["recording"]: row for row in csv.DictReader(file)}
    assert {name for name, row in rows.items() if not row["problem"]} == {
        "a.edf",
        "b.vhdr",
        "c.csv",
        "deeper-e",
    }


def test_a_wav_file_is_scored_where_its_channels_are_said(folder, tmp_path):
    common = Common("aasm", ("ch1", "ch2"), Hints(scale=3276.8))
    batch = run_batch([folder / "d.wav"], tmp_path / "out", workers=1, common=common)
    assert [row.problem for row in batch.rows] == [""]


def test_recordings_of_one_stem_in_one_folder_keep_their_results_apart(folder, tmp_path, write_night):
    write_night(folder / "c.edf")
    tasks = plan([folder], tmp_path / "out", Common())
    assert {t.recording.name: t.key for t in tasks}["c.edf"] == "c"
    assert {t.recording.name: t.key for t in tasks}["c.csv"] == "c-csv"


def test_results_beside_recordings_are_no_recordings(folder, tmp_path):
    with pytest.raises(SystemExit):
        main(["score", str(folder / "c.csv"), "--out", str(folder), "--criterion", "aasm"])
    others: list[str] = []
    tasks = plan([folder], tmp_path / "out", Common(), on_other=lambda p, why: others.append(p.name))
    assert [t.recording.name for t in tasks] == ["a.edf", "b.vhdr", "c.csv", "d.wav", "deeper-e"]
    assert not [name for name in others if name.startswith("c.")]
