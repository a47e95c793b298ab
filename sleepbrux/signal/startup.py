"""Loading the compiled code once, before it is needed, at the least cost."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from sleepbrux.core.parallel import LOADING

UNCACHED = "note: no place to keep compiled code; every run compiles anew (10 s)"
# numba looks for BLAS when it first loads cached code, and imports scipy.linalg for that (0.4 s of a
# score process). No kernel here calls BLAS, and numba goes on where there is none; mne, whose kernels
# do, works without numba.
BLAS = "scipy.linalg.cython_blas"
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD, M_ARENA_MAX = -1, -3, -8  # malloc.h
LARGEST_KEPT, MOST_KEPT = 32 << 20, 512 << 20  # a piece (glibc allows no more), and in all


def load_kernels(say: Callable[[str], None] | None = None, *, many_nights: bool = False) -> None:
    """Load the compiled code, without what it does not use; for processes of this program alone.

    A process that also runs other numba code must not call this: numba would find no BLAS in it.

    Parameters
    ----------
    say
        Called with one sentence where the code has to be compiled first.
    many_nights
        The process scores one night after the other, and keeps memory from one for the next.
    """
    _manage_memory(keep=many_nights)
    with LOADING, _without_blas():
        from sleepbrux.signal import kernels
        from sleepbrux.signal.kernels.compiling import NOTICE

        NOTICE.is_due = False  # who calls this says it by ``say``, or wants nothing said

        if say is not None and (notice := _notice(kernels)):
            say(notice)
        kernels.mean_known(np.ones(1, dtype=np.float32), 0, 1)


@contextmanager
def _without_blas() -> Iterator[None]:
    """SciPy's BLAS is not to be found, unless its module is there already; not for other threads to see."""
    if "scipy.linalg" in sys.modules:
        yield
        return
    os.environ.setdefault("MNE_USE_NUMBA", "false")
    sys.modules[BLAS] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[BLAS]


def _manage_memory(*, keep: bool) -> None:
    """Let the C library return an array the length of a night to the system when it is freed, or keep it.

    By itself glibc keeps what is freed for the thread that freed it, up to 32 MB a piece: 40 MB of a score
    process. Where more nights follow, memory that is kept, for all threads alike, spares the system the
    clearing of 100 MB a night.
    """
    if not sys.platform.startswith("linux"):
        return
    import ctypes

    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(M_MMAP_THRESHOLD, LARGEST_KEPT if keep else 10_000_000)
        mallopt(M_TRIM_THRESHOLD, MOST_KEPT if keep else 10_000_000)
        mallopt(M_ARENA_MAX, 1)


def _notice(kernels: Any) -> str:
    from sleepbrux.signal.ready import is_ready

    if is_ready(kernels.sweep_lanes):
        return ""
    if getattr(kernels, "UNCACHED", None):
        return UNCACHED
    place = kernels.sweep_lanes.stats.cache_path
    kept = place and any(Path(place).glob("*.sweep_lanes*.nbi"))
    return "" if kept else str(kernels.FIRST_RUN)
