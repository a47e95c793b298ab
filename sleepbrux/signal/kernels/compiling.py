"""How a loop is compiled, and one line where that takes its seconds: the first call on a machine."""

import logging
import sys

from numba import njit
from numba.core.event import Listener, register

from sleepbrux.signal.ready import look_first

UNCACHED: list[str] = []
FIRST_RUN = "first run: compiling the signal code, once (about 10 s)"
LOG = logging.getLogger("sleepbrux")


class _Notice(Listener):
    """Says once that loops of this package are compiled; those on disk from an earlier run are not."""

    def __init__(self):
        self.is_due = True

    def on_start(self, event):
        """A loop is compiled now."""
        ours = event.data["dispatcher"].py_func.__module__.startswith("sleepbrux.")
        if not (self.is_due and ours):
            return
        self.is_due = False
        if LOG.isEnabledFor(logging.INFO):
            LOG.info(FIRST_RUN)
        elif sys.stderr is not None and (sys.stderr.isatty() or "ipykernel" in sys.modules):
            sys.stderr.write(f"sleepbrux: {FIRST_RUN}\n")

    def on_end(self, event):
        """It is compiled."""


NOTICE = _Notice()
register("numba:compile", NOTICE)


def compiled(function):
    """Compile without the interpreter lock, cached on disk where a place for it can be written."""
    try:
        loop = njit(cache=True, nogil=True)(function)
    except RuntimeError:
        UNCACHED.append(function.__name__)
        loop = njit(nogil=True)(function)
    look_first(loop)
    return loop
