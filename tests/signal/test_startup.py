"""How a process loads the compiled code, and what it does with memory."""

import ctypes
import signal
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
