"""How a loop is compiled."""

from numba import njit

from sleepbrux.signal.ready import look_first

UNCACHED: list[str] = []


def compiled(function):
    """Compile without the interpreter lock, cached on disk where a place for it can be written."""
    try:
        loop = njit(cache=True, nogil=True)(function)
    except RuntimeError:
        UNCACHED.append(function.__name__)
        loop = njit(nogil=True)(function)
    look_first(loop)
    return loop
