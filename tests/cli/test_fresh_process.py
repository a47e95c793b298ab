"""Formats that mne reads, through the command line in a process of its own, where code still has to load."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.privacy import planted

mne = pytest.importorskip("mne")
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def recordings(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("mne")
    info = mne.create_info(["EMG Mass L", "EMG Mass R"], planted.RATE, "emg")
    mne.io.RawArray(planted.signals() * 1e-6, info, verbose="error").save(
        folder / "fif_raw.fif", verbose="error"
    )
    planted.brainvision(folder / "brain.vhdr")
    return folder


def fresh(*arguments: object) -> subprocess.CompletedProcess[str]:
    """The command in a new process, with threads as a user has them."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "sleepbrux", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, env=environment, check=False)


@pytest.mark.parametrize("name", ["fif_raw.fif", "brain.vhdr"])
def test_score_reads_a_file_of_mne_while_the_compiled_code_loads(recordings, tmp_path, name):
    done = fresh("score", recordings / name, "--mvc-uv", "200", "--out", tmp_path)
    assert done.returncode == 0, done.stderr
    assert len(list(tmp_path.glob("*.night.h5"))) == 1


@pytest.mark.parametrize("name", ["fif_raw.fif", "brain.vhdr"])
def test_reference_reads_a_file_of_mne(recordings, tmp_path, name):
    done = fresh("reference", recordings / name, "--out", tmp_path, "--afresh")
    assert done.returncode in (0, 1), done.stderr
    assert "mne cannot read" not in done.stderr
    assert list(tmp_path.glob("*.html")), done.stderr


def test_batch_reads_files_of_mne(recordings, tmp_path):
    for name in ("fif_raw.fif", "brain.vhdr", "brain.eeg", "brain.vmrk"):
        (tmp_path / name).write_bytes((recordings / name).read_bytes())
    nights = "".join(
        f'[[night]]\nid = "n{k}"\nrecording = "{name}"\ncondition = "none"\ndate = 2026-03-0{k}\n'
        for k, name in enumerate(("fif_raw.fif", "brain.vhdr"), start=1)
    )
    (tmp_path / "study.toml").write_text(f'pseudonym = "P1"\ncriterion = "aasm"\n{nights}')
    done = fresh("batch", tmp_path, "--out", tmp_path / "out", "--workers", "1")
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(list((tmp_path / "out").rglob("*.night.h5"))) == 2
