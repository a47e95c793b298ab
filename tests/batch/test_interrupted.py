"""Many nights as a process: interrupted in the middle, then finished, with no orphan left."""

import os
import signal
import subprocess
import sys
import time

import psutil
import pytest

from sleepbrux.signal.kernels import FIRST_RUN


def start(folder, out):
    return subprocess.Popen(
        [sys.executable, "-m", "sleepbrux", "batch", str(folder), "--out", str(out), "--workers", "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        start_new_session=True,
    )


@pytest.mark.shows("stale-result")
@pytest.mark.skipif(os.name != "posix", reason="interrupts as a terminal on POSIX does")
def test_eighty_nights_interrupted_and_resumed(write_night, tmp_path, contents):
    folder, out = tmp_path / "in", tmp_path / "out"
    for k in range(80):
        write_night(folder / f"n{k:02d}.edf", k)
    process = start(folder, out)
    while len(list(out.glob("*.summary.json"))) < 20:
        assert process.poll() is None, process.communicate()
        time.sleep(0.1)
    children = psutil.Process(process.pid).children(recursive=True)
    os.killpg(process.pid, signal.SIGINT)  # to the whole group, as a terminal does
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130, said
    assert "Traceback" not in said
    assert "run the same command to go on" in said
    _, alive = psutil.wait_procs(children, timeout=10)
    assert not alive
    assert not list(out.rglob("*.partial"))
    kept = contents(out)
    done = [n for n in kept if n.endswith(".summary.json")]
    assert 20 <= len(done) < 80
    for name in done:
        assert name.replace(".summary.json", ".night.h5") in kept
    before = {n: (out / n).stat().st_mtime_ns for n in done}
    process = start(folder, out)
    _, said = process.communicate(timeout=300)
    assert process.returncode == 0, said
    assert len((out / "nights.csv").read_text("utf-8").splitlines()) == 81
    assert len(list(out.glob("*.night.h5"))) == 80
    redone = [n for n in done if (out / n).stat().st_mtime_ns != before[n]]
    assert len(redone) <= 2  # at most the nights that were in hand


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="kills as POSIX does")
def test_a_killed_parent_leaves_no_worker(write_night, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    for k in range(50):
        write_night(folder / f"n{k:02d}.edf", k)
    process = start(folder, out)
    while not list(out.glob("*.summary.json")):
        assert process.poll() is None, process.communicate()
        time.sleep(0.1)
    children = psutil.Process(process.pid).children(recursive=True)
    process.kill()
    process.communicate()
    _, alive = psutil.wait_procs(children, timeout=20)
    assert not alive


def test_the_first_run_says_that_it_compiles_before_it_does(write_night, tmp_path):
    for k in range(2):
        write_night(tmp_path / "in" / f"n{k}.edf", k)
    with subprocess.Popen(
        [
            sys.executable,
            "-m",
            "sleepbrux",
            "batch",
            tmp_path / "in",
            "--out",
            tmp_path / "out",
            "--criterion",
            "aasm",
        ],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "empty")},
    ) as process:
        said = next(line for line in process.stderr if line.startswith("first run"))
        process.kill()
    assert said.strip() == FIRST_RUN
