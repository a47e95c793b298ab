"""Slow and auxiliary channels in blocks of physical values, so that a night never lies in memory whole.

The jaw muscles have `sweep`; what surrounds them (ECG, accelerometer, sound, position) is read here::

    piece      |------------------------------------|
    cores      [-----------)[-----------)[----------)
    read       |-------------|                          the core and a margin either way,
                         |---------------|              as far as the piece goes
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Block, Channel, Recording


@dataclass(frozen=True, eq=False)
class Stretch:
    """Part of some channels of one rate.

    Attributes
    ----------
    first
        Number of the first sample on the channels' night clock.
    core
        Samples of the night clock that this stretch answers for, half-open; the rest is margin.
    values
        float32, shape (n_channels, n_samples), in the unit of each channel.
    """

    first: int
    core: tuple[int, int]
    values: NDArray[np.float32]

    @property
    def inside(self) -> slice:
        """The core as a slice of ``values``."""
        return slice(self.core[0] - self.first, self.core[1] - self.first)


def flat(block: Block, first: int, stop: int) -> NDArray[np.generic]:
    """Stored samples ``[first, stop)`` of a block, 1-d, in digital steps."""
    if block.record_length == block.per_record:
        start = block.channel_offset + first - block.first
        return block.data[start : start + stop - first]
    rows = len(block.data) // block.record_length
    table = block.data[: rows * block.record_length].reshape(rows, block.record_length)
    own = table[:, block.channel_offset : block.channel_offset + block.per_record].ravel()
    return own[first - block.first : stop - block.first]


def stream(
    recording: Recording, channels: Sequence[Channel], *, core_s: float, margin_s: float = 0.0
) -> Iterator[Stretch]:
    """Read channels that share a clock, stretch by stretch.

    Parameters
    ----------
    channels
        Of one rate and with the same pieces; see `sharing`.
    core_s, margin_s
        Length of a core, and what is read beside it for filters to settle.
    """
    rate = channels[0].rate
    size = max(math.floor(Fraction(core_s) * rate), 1)
    margin = math.ceil(Fraction(margin_s) * rate)
    gain = np.array([[c.gain] for c in channels], dtype=np.float32)
    offset = np.array([[c.offset] for c in channels], dtype=np.float32)
    for piece in channels[0].pieces:
        for start in range(0, piece.n, size):
            stop = min(start + size, piece.n)
            a, b = max(start - margin, 0), min(stop + margin, piece.n)
            first = piece.stored + a
            blocks = recording.source.blocks(channels, first, first + b - a)
            values = np.empty((len(channels), b - a), dtype=np.float32)
            for row, block in zip(values, blocks, strict=True):
                row[:] = flat(block, first, first + b - a)
            values *= gain
            values += offset
            yield Stretch(piece.night + a, (piece.night + start, piece.night + stop), values)


def sharing(channels: Sequence[Channel]) -> list[list[Channel]]:
    """Channels grouped by clock, so that one read serves each group."""
    groups: dict[object, list[Channel]] = {}
    for channel in channels:
        groups.setdefault((channel.rate, channel.pieces), []).append(channel)
    return list(groups.values())
