"""A recording opened, and its digest taken, in the background before it is asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event

from sleepbrux.recording.files import file_digest
from sleepbrux.recording.model import Block, Channel, Recording, Source
from sleepbrux.recording.opening import family, open_recording


@dataclass(frozen=True)
class Hashed:
    """A source whose digest is on its way."""

    source: Source
    coming: Future[str]

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Samples as the source gives them."""
        return self.source.blocks(channels, first, stop)

    def digest(self) -> str:
        """SHA-256 of the file, once it is known."""
        return self.coming.result()


@contextmanager
def hashed_meanwhile(path: Path) -> Iterator[Recording]:
    """A recording whose digest is taken from before it is opened on, in the background.

    One that may be of several files is opened first, which tells them. An error in the block, or in
    opening, does not wait for the digest.
    """
    if family(path) == "mne":
        yield open_recording(path)
        return
    given_up = Event()
    with ThreadPoolExecutor(max_workers=1) as hashing:
        try:
            digest = hashing.submit(file_digest, path, given_up=given_up)
            recording = open_recording(path)
            yield replace(recording, source=Hashed(recording.source, digest))
        except BaseException:
            given_up.set()
            raise


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
            return replace(recording, source=Hashed(recording.source, digest))

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
