"""Values that are repeated in place of packets that were lost: time of which nothing is known.

A signal that moves by several steps of its converter does not stay at one value for 30 ms, and several
channels do not at once. Told by the 10-ms means of the unfiltered signal, which are then the same to the last
bit; where the signal moves by a step or two, nothing is told, and nothing is lost.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.signal.sweep import ChannelFrames, Layout

SAME_FRAMES, SAME_FRAMES_ALONE = 3, 4
STEPS, STEPS_ALONE = 4.0, 10.0  # RMS around it, in steps of the converter
SAMPLED, ROUNDING = 2000, 1e-6
AROUND_S = 0.1
LONGEST_S = 1.0  # what lasts is flat, or at a rail

Ints = NDArray[np.int64]


def _stays(frames: ChannelFrames) -> NDArray[np.bool_]:
    """Whether each frame has the very mean of the one before it."""
    assert frames.mean is not None  # noqa: S101
    same = np.zeros(len(frames.mean), dtype=np.bool_)
    np.equal(frames.mean[1:], frames.mean[:-1], out=same[1:])
    return same


def held_values(channels: Sequence[ChannelFrames]) -> Spans:
    """Frames in which channels of one clock repeat one value each, all at once, with one on either side."""
    grid, alone = channels[0].grid, len(channels) == 1
    same = _stays(channels[0])
    for frames in channels[1:]:
        same &= _stays(frames)
    spans = Spans.from_mask(grid, same)
    if not len(spans):
        return spans
    least = SAME_FRAMES_ALONE if alone else SAME_FRAMES
    spans = spans.drop_shorter(least - 1).grow(1, 0)
    spans = Spans.of(grid, spans.bounds[spans.stops - spans.starts <= grid.slots_for(LONGEST_S)])
    around = grid.slots_for(AROUND_S)
    for frames in channels:
        spans = Spans.of(grid, spans.bounds[_moves(frames, spans, around, alone=alone)])
    return spans.grow(1)


def _moves(frames: ChannelFrames, spans: Spans, around: int, *, alone: bool) -> NDArray[np.bool_]:
    """Whether the signal beside each span moves by so many steps that it cannot stay by chance."""
    step = _step(frames) * (STEPS_ALONE if alone else STEPS)
    reach = np.arange(1, around + 1)
    before = np.clip(spans.starts[:, None] - reach, 0, frames.grid.n_slots - 1)
    after = np.clip(spans.stops[:, None] + reach - 1, 0, frames.grid.n_slots - 1)
    power = frames.energy[np.concatenate((before, after), axis=1)].astype(np.float64)
    known = ~np.isnan(power)
    mean = np.where(known, power, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    result: NDArray[np.bool_] = mean > step**2
    return result


def _step(frames: ChannelFrames) -> float:
    """Step of the values: the converter's, or a coarser one that the means show, which are multiples of its part."""
    assert frames.mean is not None  # noqa: S101
    channel = frames.channel
    stated = abs(channel.gain) if channel.digital_max > channel.digital_min else 0.0
    at = np.linspace(0, len(frames.mean) - 2, min(len(frames.mean) - 1, SAMPLED)).astype(np.int64)
    change = np.abs(frames.mean[at + 1].astype(np.float64) - frames.mean[at])
    rounding = ROUNDING * float(np.nanmax(np.abs(frames.mean[at]), initial=0.0))
    change = change[change > rounding]
    return max(stated, Layout.at(channel.rate).hop * float(change.min())) if len(change) else stated


def held_of(channels: Sequence[ChannelFrames]) -> list[Spans]:
    """Frames of each channel in which it and all others of its clock repeat one value each."""
    clocks = {(f.grid, f.channel.pieces): [] for f in channels}  # type: dict[object, list[ChannelFrames]]
    for frames in channels:
        clocks[frames.grid, frames.channel.pieces].append(frames)
    found = {key: held_values(some) for key, some in clocks.items()}
    return [found[f.grid, f.channel.pieces] for f in channels]
