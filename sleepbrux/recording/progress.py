"""How far a recording has been read, counted where its samples are handed out."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from sleepbrux.recording.model import Block, Channel, Recording, Source

Progress = Callable[[float], None]


@dataclass(frozen=True, eq=False)
class _Counted:
    source: Source
    total: int
    progress: Progress
    lock: threading.Lock = field(default_factory=threading.Lock)
    read: list[int] = field(default_factory=lambda: [0])

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        blocks = self.source.blocks(channels, first, stop)
        with self.lock:
            self.read[0] += (stop - first) * len(channels)
            self.progress(min(self.read[0] / self.total, 1.0))
        return blocks

    def digest(self) -> str:
        return self.source.digest()


def counted(recording: Recording, total: int, progress: Progress) -> Recording:
    """The recording, telling the share of ``total`` samples that have been read from it."""
    return replace(recording, source=_Counted(recording.source, max(total, 1), progress))


def joined(progress: Progress, sizes: Sequence[int]) -> list[Progress]:
    """One function for each of several jobs that run at once; together they tell the share of all."""
    done = [0.0] * len(sizes)
    total = max(sum(sizes), 1)

    def of(k: int) -> Progress:
        def tell(share: float) -> None:
            done[k] = share
            progress(sum(d * size for d, size in zip(done, sizes, strict=True)) / total)

        return tell

    return [of(k) for k in range(len(sizes))]
