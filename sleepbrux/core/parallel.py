"""Threads inside one process: how many, and the same work on several things side by side."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import TypeVar

MOST_THREADS = 4
VARIABLE = "SLEEPBRUX_THREADS"
# Held while heavy packages load that must not see each other half loaded: numba without SciPy's BLAS, and mne.
LOADING = threading.Lock()
_here = threading.local()

A = TypeVar("A")
B = TypeVar("B")


def default_threads() -> int:
    """Threads to use: one a core, at most four; fewer where the environment says so."""
    cores = min(os.cpu_count() or 1, MOST_THREADS)
    said = os.environ.get(VARIABLE, "")
    return min(max(int(said), 1), cores) if said.isdecimal() else cores


def _in_a_pool() -> None:
    _here.inside = True


def _pool(threads: int) -> ThreadPoolExecutor:
    """Threads in which `each` works on one thing after the other: the cores are at work already."""
    return ThreadPoolExecutor(max_workers=threads, initializer=_in_a_pool)


def each(work: Callable[[A], B], items: Iterable[A]) -> list[B]:
    """``[work(item) for item in items]``, side by side; order and results do not depend on threads."""
    todo = list(items)
    threads = min(default_threads(), len(todo))
    if threads < 2 or getattr(_here, "inside", False):
        return [work(item) for item in todo]
    with _pool(threads) as pool:
        return list(pool.map(work, todo))


def made_ahead(make: Callable[[A], B], items: Iterable[A], *, most: int = 2) -> Generator[B, None, None]:
    """``make(item)`` of each item in order, the next ``most`` being made while one is used.

    Examples
    --------
    >>> list(made_ahead(lambda n: n * n, range(4)))
    [0, 1, 4, 9]
    """
    source = iter(items)
    pool = _pool(most)
    try:
        coming = deque(pool.submit(make, item) for item in islice(source, most))
        while coming:
            done = coming.popleft().result()
            coming.extend(pool.submit(make, item) for item in islice(source, 1))
            yield done
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
