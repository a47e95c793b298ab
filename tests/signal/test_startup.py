"""How a process loads the compiled code, and what it does with memory."""

import contextlib
import ctypes
import os
import signal
import subprocess
import sys
from multiprocessing import Pipe

import pytest

from sleepbrux.batch.pool import serve
from sleepbrux.signal import kernels, startup


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="glibc only")
@pytest.mark.parametrize("many_nights", [False, True])
def test_memory_is_given_back_after_one_night_and_kept_between_many(monkeypatch, many_nights):
    asked = {}

    class Library:
        def mallopt(self, key, value):
            asked[key] = value
            return 1

    assert kernels  # numba, which asks for libraries itself, is there
    monkeypatch.setattr(ctypes, "CDLL", lambda name: Library())
    startup.load_kernels(many_nights=many_nights)
    frames_of_a_night = 8 * 3600 * 100 * 4
    assert (asked[startup.M_MMAP_THRESHOLD] > frames_of_a_night) == many_nights
    assert (asked[startup.M_TRIM_THRESHOLD] > 20 * frames_of_a_night) == many_nights
    assert asked[startup.M_ARENA_MAX] == 1


def test_a_worker_of_a_batch_keeps_memory_for_the_next_night(monkeypatch, tmp_path):
    asked = []
    monkeypatch.setattr(startup, "load_kernels", lambda say, **how: asked.append((say, how)))
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    mine, theirs = Pipe()
    mine.send(None)
    serve(theirs, tmp_path, speaks=False)
    assert asked == [(None, {"many_nights": True})]


ONE_LOOP = "import numpy as np; from sleepbrux.signal import kernels; kernels.mean_known(np.ones(1, np.float32), 0, 1)"


def said_by(code, cache, *, tty=False):
    """What a program that uses the library says on the error stream, with this place for compiled code."""
    env = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}
    openpty = os.openpty if tty else os.pipe
    reader, writer = openpty()
    with subprocess.Popen([sys.executable, "-c", code], env=env, stderr=writer) as process:
        os.close(writer)
        text = b""
        with contextlib.suppress(OSError):  # the far end of a terminal is closed
            while piece := os.read(reader, 4096):
                text += piece
    os.close(reader)
    assert process.returncode == 0, text
    return text.decode().replace("\r\n", "\n")


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminal")
@pytest.mark.skipif(bool(os.environ.get("NUMBA_DISABLE_JIT")), reason="nothing is compiled")
def test_the_first_call_in_the_library_says_on_a_terminal_that_it_compiles_and_the_second_run_nothing(
    tmp_path,
):
    assert said_by(f"{ONE_LOOP}; {ONE_LOOP}", tmp_path, tty=True) == f"sleepbrux: {kernels.FIRST_RUN}\n"
    assert said_by(ONE_LOOP, tmp_path, tty=True) == ""


@pytest.mark.skipif(bool(os.environ.get("NUMBA_DISABLE_JIT")), reason="nothing is compiled")
def test_elsewhere_it_says_so_in_the_log_of_who_keeps_one_at_info_and_to_nobody_else(tmp_path):
    assert said_by(ONE_LOOP, tmp_path / "a") == ""
    logged = f"import logging; logging.basicConfig(level=logging.INFO); {ONE_LOOP}"
    assert said_by(logged, tmp_path / "b") == f"INFO:sleepbrux:{kernels.FIRST_RUN}\n"


@pytest.mark.skipif(bool(os.environ.get("NUMBA_DISABLE_JIT")), reason="nothing is compiled")
def test_a_command_says_it_once(tmp_path):
    loaded = "import sys; from sleepbrux.signal import startup; startup.load_kernels(sys.stderr.write); "
    assert said_by(loaded + ONE_LOOP, tmp_path) == kernels.FIRST_RUN
