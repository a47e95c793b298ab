"""A recording opened, and its digest taken, in the background before it is asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace

from sleepbrux.recording.model import Block, Channel, Recording, Source


@dataclass(frozen=True)
class _Hashed:
    """A source whose digest is on its way."""

    source: Source
    coming: Future[str]

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        return self.source.blocks(channels, first, stop)

    def digest(self) -> str:
        return self.coming.result()


@contextmanager
def opened_ahead(
    openers: Iterable[Callable[[], Recording]],
) -> Iterator[Iterator[Callable[[], Recording]]]:
    """For each opener one that waits for it; the first is begun at once, each next with the one before.

    A recording that cannot be opened raises where it is asked for.
    """
    with ThreadPoolExecutor(max_workers=1) as opening, ThreadPoolExecutor(max_workers=1) as hashing:

        def begin(opener: Callable[[], Recording]) -> Recording:
            recording = opener()
            digest = hashing.submit(recording.source.digest)
            return replace(recording, source=_Hashed(recording.source, digest))

        def each(first: Future[Recording] | None) -> Iterator[Callable[[], Recording]]:
            coming = first
            while coming is not None:
                now = coming
                following = next(rest, None)
                coming = opening.submit(begin, following) if following is not None else None
                yield now.result

        rest = iter(openers)
        head = next(rest, None)
        yield each(opening.submit(begin, head) if head is not None else None)
