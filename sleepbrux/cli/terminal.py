"""What reaches the terminal: one place through which all text passes, so that no field can steer it."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from typing import Any, TextIO

from sleepbrux.core.texts import visible


class Shown(io.TextIOBase):
    """A stream that writes out what cannot be seen, and lets line ends and tabs through.

    It has no ``buffer``: nothing goes past it. What steers on purpose, the bar of progress, takes
    `beneath` and makes the words in it visible itself.
    """

    def __init__(self, stream: TextIO) -> None:
        self.beneath = stream

    def write(self, text: str) -> int:
        """Write a text; returns its length as it was given."""
        self.beneath.write(visible(text, keep="\n\t"))
        return len(text)

    def flush(self) -> None:
        """Pass on what waits."""
        self.beneath.flush()

    def isatty(self) -> bool:
        """Whether a person reads along."""
        return self.beneath.isatty()

    def fileno(self) -> int:
        """Descriptor of the stream beneath."""
        return self.beneath.fileno()

    def writable(self) -> bool:
        """Always."""
        return True

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Codec of the stream beneath."""
        return self.beneath.encoding or "utf-8"

    @property
    def errors(self) -> str | None:  # type: ignore[override]
        """How the stream beneath meets what its codec lacks."""
        return self.beneath.errors


def beneath(stream: TextIO) -> TextIO:
    """The terminal itself, for what moves its cursor on purpose."""
    return stream.beneath if isinstance(stream, Shown) else stream


def progress_bar(*args: Any, desc: str, **more: Any) -> Any:
    """A bar of progress on a terminal, nothing elsewhere; arguments are those of tqdm."""
    from tqdm import tqdm

    return tqdm(*args, desc=visible(desc), disable=None, file=beneath(sys.stderr), **more)


def above_the_bar() -> AbstractContextManager[None]:
    """Lines that are printed in the block stand above the bar of progress, which is drawn again."""
    from tqdm import tqdm

    mode: AbstractContextManager[None] = tqdm.external_write_mode(file=beneath(sys.stderr))
    return mode


@contextmanager
def all_shown() -> Iterator[None]:
    """Both streams of the program pass through `Shown` while the block runs."""
    before = sys.stdout, sys.stderr
    for stream in before:
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a console that has no µ prints ? instead
    out, err = (stream if isinstance(stream, Shown) else Shown(stream) for stream in before)
    sys.stdout, sys.stderr = out, err
    try:
        yield
    finally:
        for stream in (out, err):
            with suppress(OSError, ValueError):  # a reader that has gone, a stream that is closed
                stream.flush()
        sys.stdout, sys.stderr = before
