"""Stretches in which the amplification is another than in most of the recording.

A contraction raises the muscle's band alone. A step of the gain raises by one and the same factor, and
within a second, the quietest tenths of each second and what lies below the muscle's band (the heart,
the electrode's own noise), and both sides of it are steady for longer than a jaw muscle holds still.
Where nothing but muscle is seen below that band, a step cannot be told from a change of tone, and none
is named.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sleepbrux.signal.sweep import ChannelFrames
from sleepbrux.spans import Spans

SIDE_S = 20
LEAST_DB = 4.0
AGREE_DB = 3.0
RETURN_DB = 3.0
STEADY_DB = 3.0
APART_DB = 10.0
TENTHS = 10

Floats = NDArray[np.float64]


def tenths(frames: ChannelFrames) -> Floats:
    """Mean power of each tenth of each block, float64, shape (n_blocks, 10); NaN where unknown."""
    per_block = frames.frames_per_block
    part = per_block // TENTHS
    result = np.full((len(frames.stats), TENTHS), np.nan)
    whole = frames.grid.n_slots // per_block
    energy = frames.energy[: whole * per_block].reshape(whole, per_block)[:, : part * TENTHS]
    energy.reshape(whole, TENTHS, part).mean(axis=2, dtype=np.float64, out=result[:whole])
    return result


def floor_db(frames: ChannelFrames) -> Floats:
    """Power of the quietest tenth of each block, dB, float64, shape (n_blocks,); NaN where unknown."""
    quiet = tenths(frames).min(axis=1)
    return np.where(quiet > 0, 10 * np.log10(np.maximum(quiet, 1e-300)), np.nan)


def _sides(values: Floats, n: int, share: float = 0.25) -> tuple[Floats, Floats]:
    """A quantile of the ``n`` known values before and after each border between blocks.

    Entry ``i`` is the border in front of block ``i``; the blocks beside it are left out of either side.
    NaN where fewer than half are known.
    """
    padded = np.concatenate((np.full(n + 1, np.nan), values, np.full(n + 1, np.nan)))
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(padded, n), axis=1)
    known = n - np.isnan(windows).sum(axis=1)
    low = np.where(
        known >= n // 2,
        np.take_along_axis(windows, (known * share).astype(np.int64)[:, None], axis=1)[:, 0],
        np.nan,
    )
    # window k covers padded[k : k + n], that is blocks k - n - 1 up to k - 2
    count = len(values)
    return low[:count], low[n + 2 : n + 2 + count]


def _steps(frames: ChannelFrames, swing: Floats, excluded: Spans) -> list[tuple[int, float]]:
    """(block, dB) of each sudden change of level that the signal below the band shares."""
    floor = floor_db(frames)
    bad = excluded.on(frames.block_grid, rounding="outward").mask()
    floor[bad] = np.nan
    with np.errstate(divide="ignore"):
        below = np.where(bad | (swing <= 0), np.nan, 20 * np.log10(np.maximum(swing, 1e-300)))
    before, after = _sides(floor, SIDE_S)
    change = after - before
    below_before, below_after = _sides(below, SIDE_S)
    shared = below_after - below_before
    upper = _sides(floor, SIDE_S, 0.6)
    steady = (upper[0] - before < STEADY_DB) & (upper[1] - after < STEADY_DB)
    told = np.minimum(below_before - before, below_after - after) > APART_DB
    ok = steady & told & (np.abs(change) >= LEAST_DB) & (np.abs(shared - change) <= AGREE_DB)
    found: list[tuple[int, float]] = []
    at = np.flatnonzero(ok)
    for group in np.split(at, np.flatnonzero(np.diff(at) > SIDE_S) + 1) if len(at) else []:
        best = int(group[np.argmax(np.abs(change[group]))])
        found.append((_border(floor, best, before[best], after[best]), float(change[best])))
    return found


def _border(floor: Floats, near: int, before: float, after: float) -> int:
    """The border near a block that best parts the levels before from those after."""
    first, stop = max(near - SIDE_S, 0), min(near + SIDE_S, len(floor))
    part = floor[first:stop]
    cost = np.minimum(np.abs(part - before), 6.0) - np.minimum(np.abs(part - after), 6.0)
    total = np.cumsum(np.concatenate(([0.0], np.where(np.isnan(cost), 0.0, cost))))
    return first + int(np.argmin(total))


def _usual(floor: Floats) -> float:
    """Median of the known values; 0 for none. A return that was missed cannot take the night along."""
    known = floor[~np.isnan(floor)]
    return float(np.median(known)) if len(known) else 0.0


def gain_steps(frames: ChannelFrames, swing: Floats, excluded: Spans) -> Spans:
    """Frames whose amplification differs from that of the longest part of the recording.

    Parameters
    ----------
    swing
        Range of the signal below the muscle's band in each block.
    excluded
        Frames that are unusable for other reasons.
    """
    grid = frames.block_grid
    steps = _steps(frames, swing, excluded)
    if not steps:
        return frames.grid.none()
    borders = [0, *(block for block, _ in steps), grid.n_slots]
    floor = floor_db(frames)
    levels = np.array([_usual(floor[a:b]) for a, b in pairwise(borders)])
    lengths = np.diff(borders)
    share = [int(lengths[np.abs(levels - level) < RETURN_DB].sum()) for level in levels.tolist()]
    usual = levels[int(np.argmax(share))]
    pairs = [
        (borders[k] - 2, borders[k + 1] + 2)
        for k, level in enumerate(levels.tolist())
        if abs(level - usual) >= RETURN_DB
    ]
    return Spans.of(grid, pairs).on(frames.grid, rounding="outward")
