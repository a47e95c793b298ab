"""How a loop is compiled."""

from numba import njit

UNCACHED: list[str] = []


def compiled(function):
    """Compile without the interpreter lock, cached on disk where a place for it can be written."""
    try:
        return njit(cache=True, nogil=True)(function)
    except RuntimeError:
        UNCACHED.append(function.__name__)
        return njit(nogil=True)(function)
