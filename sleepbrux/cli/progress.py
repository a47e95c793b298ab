"""A progress bar on a terminal, nothing elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sleepbrux.cli.terminal import progress_bar


@contextmanager
def shown(what: str) -> Iterator[Callable[[float], None]]:
    """A function that takes the share done, 0 to 1, and shows it on a terminal."""
    with progress_bar(
        total=100,
        desc=what,
        leave=False,
        delay=0.5,
        bar_format="{desc} {bar} {percentage:3.0f} %  {remaining} left",
    ) as bar:

        def update(share: float) -> None:
            bar.update(100 * share - bar.n)

        yield update
