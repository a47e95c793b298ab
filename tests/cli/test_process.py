"""The command as a process: consoles, interruption, places where nothing can be cached."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from sleepbrux.signal.kernels import compiling

EXCERPT = Path(__file__).resolve().parents[2] / "demo_data" / "excerpt.edf"


def test_a_console_without_micro_signs_is_no_obstacle(tmp_path):
    command = [sys.executable, "-m", "sleepbrux", "inspect", str(EXCERPT)]
    environment = os.environ | {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = subprocess.run(command, capture_output=True, env=environment, check=False)
    assert done.returncode == 0, done.stderr
    shown = [sys.executable, "-m", "sleepbrux", "criteria", "show", "lavigne1996"]
    done = subprocess.run(shown, capture_output=True, env=environment, check=False)
    assert done.returncode == 0, done.stderr
    assert b"Montplaisir" in done.stdout


@pytest.mark.shows("stale-result")
@pytest.mark.skipif(os.name != "posix", reason="sends an interrupt as a terminal on POSIX does")
def test_an_interrupted_demo_ends_with_130_and_leaves_nothing_half_written(tmp_path):
    out = tmp_path / "out"
    process = subprocess.Popen(
        [sys.executable, "-m", "sleepbrux", "demo", "--out", str(out)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    time.sleep(4)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130, said
    assert b"Traceback" not in said
    assert not list(out.rglob("*.partial"))
    for summary in out.rglob("*.summary.json"):
        assert summary.with_name(summary.name.replace(".summary.json", ".night.h5")).is_file()


def test_without_a_place_for_the_cache_kernels_are_compiled_all_the_same(monkeypatch):
    from numba import njit

    def no_place(*, cache=False, **options):
        if cache:
            raise RuntimeError("cannot cache function: no locator available")
        return njit(**options)

    monkeypatch.setattr(compiling, "njit", no_place)
    monkeypatch.setattr(compiling, "UNCACHED", [])
    double = compiling.compiled(lambda x: 2.0 * x)
    assert double(3.0) == 6.0
    assert len(compiling.UNCACHED) == 1
