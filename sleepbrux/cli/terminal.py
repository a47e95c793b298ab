"""What reaches the terminal: one place through which all text passes, so that no field can steer it."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Container, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from typing import Any, TextIO

from sleepbrux.cli.arguments import in_options
from sleepbrux.core.texts import visible


class Shown(io.TextIOBase):
    """A stream that writes out what cannot be seen, lets line ends and tabs through and names options.

    It has no ``buffer``: nothing goes past it. What steers on purpose, the bar of progress, takes
    `beneath` and makes the words in it visible itself.
    """

    def __init__(self, stream: TextIO) -> None:
        self.beneath = stream

    def write(self, text: str) -> int:
        """Write a text; returns its length as it was given."""
        self.beneath.write(visible(in_options(text), keep="\n\t"))
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


BOLD, FAINT, PLAIN = "\x1b[1m", "\x1b[2m", "\x1b[0m"


def wants_colour(stream: TextIO) -> bool:
    """Whether a stream is a terminal that shows bold and faint letters, and nobody asked for none."""
    asked_none = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM", "") in ("", "dumb")
    return stream.isatty() and not asked_none and os.name != "nt"


def styled(text: str, style: str, *, err: bool = False) -> None:
    """Print a line, in a style of letters where it goes to a terminal that wants it.

    Parameters
    ----------
    style
        `BOLD` or `FAINT`.
    err
        To the stream of errors.
    """
    stream = sys.stderr if err else sys.stdout
    if not wants_colour(stream):
        stream.write(f"{text}\n")
        stream.flush()
        return
    stream.flush()
    below = beneath(stream)
    below.write(f"{style}{visible(in_options(text), keep=chr(9))}{PLAIN}\n")
    below.flush()


def headline(text: str) -> None:
    """The answer, which is the first line of what a command prints."""
    styled(text, BOLD)


def table_lines(
    heads: Sequence[str], rows: Iterable[Sequence[str]], *, indent: str = "  ", texts: Container[int] = (0,)
) -> list[str]:
    """Lines of a table whose columns stand below each other: texts to the left, numbers to the right.

    Parameters
    ----------
    texts
        Columns that hold text. The last one of them may be longer than the others.

    Examples
    --------
    >>> for line in table_lines(("night", "per hour"), [("night-01", "3.4"), ("n2", "12.0")]):
    ...     print(line)
      night     per hour
      night-01       3.4
      n2            12.0
    """
    cells = [list(heads), *(list(row) for row in rows)]
    widths = [max(len(row[k]) for row in cells) for k in range(len(heads))]
    return [
        indent
        + "  ".join(
            f"{c:<{w}}" if k in texts else f"{c:>{w}}"
            for k, (c, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    ]


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
