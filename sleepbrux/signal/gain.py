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

from sleepbrux.core.spans import Spans
from sleepbrux.signal.quantiles import median, within
from sleepbrux.signal.sweep import ChannelFrames

SIDE_S = 20
LEAST_DB = 4.0
AGREE_DB = 3.0
RETURN_DB = 3.0
STEADY_DB = 3.0
APART_DB = 10.0
TENTHS = 10
BESIDE = 3  # tenths that go with a step on either side
MUSCLE_DB = 4.0
FLOOR_TO_LEVEL_DB = 1.0  # from the quietest tenth of a second to the others

Floats = NDArray[np.float64]


def tenths(frames: ChannelFrames) -> Floats:
    """Mean power of each tenth of each block, float64, shape (n_blocks, 10); NaN where unknown."""
    from sleepbrux.signal import kernels

    by_tenth = np.full((TENTHS, len(frames.stats)), np.nan)
    kernels.means_within(frames.energy, frames.frames_per_block, by_tenth)
    return by_tenth.T


def _db(power: Floats) -> Floats:
    """Decibels of a power; NaN where there is none."""
    db: Floats = np.where(power > 0, 10 * np.log10(np.maximum(power, 1e-300)), np.nan)
    return db


def _sides(values: Floats, n: int, *shares: float) -> list[tuple[Floats, Floats]]:
    """Quantiles of the ``n`` known values before and after each border between blocks.

    Entry ``i`` is the border in front of block ``i``; the blocks beside it are left out of either side.
    NaN where fewer than half are known.
    """
    beyond = np.full(n + 1, np.nan)
    count = len(values)
    # window k covers values[k - n - 1 : k - 1]
    return [
        (low[:count], low[n + 2 : n + 2 + count])
        for low in within(np.concatenate((beyond, values, beyond)), n, *shares, least=n // 2)
    ]


def _steps(floor: Floats, swing: Floats, bad: NDArray[np.bool_]) -> list[tuple[int, float, float]]:
    """(block, dB before, dB after) of each sudden change of level that the signal below the band shares."""
    below = np.where(bad | (swing <= 0), np.nan, 20 * np.log10(np.maximum(swing, 1e-300)))
    (before, after), upper = _sides(floor, SIDE_S, 0.25, 0.6)
    change = after - before
    ((below_before, below_after),) = _sides(below, SIDE_S, 0.25)
    shared = below_after - below_before
    steady = (upper[0] - before < STEADY_DB) & (upper[1] - after < STEADY_DB)
    told = np.minimum(below_before - before, below_after - after) > APART_DB
    ok = steady & told & (np.abs(change) >= LEAST_DB) & (np.abs(shared - change) <= AGREE_DB)
    found: list[tuple[int, float, float]] = []
    at = np.flatnonzero(ok)
    for group in np.split(at, np.flatnonzero(np.diff(at) > SIDE_S) + 1) if len(at) else []:
        best = int(group[np.argmax(np.abs(change[group]))])
        found.append((best, float(before[best]), float(after[best])))
    return found


def _border(level: Floats, near: int, before: float, after: float) -> tuple[int, int]:
    """The tenths of a second, near a tenth, between which the level parts: last of before, first of after.

    Each tenth speaks for the side of the middle that it lies on. One far above both levels is a
    contraction, which either amplification may show, and says nothing; so the border can be a span.
    """
    first = max(near - SIDE_S * TENTHS, 0)
    part = level[first : near + SIDE_S * TENTHS]
    with np.errstate(invalid="ignore"):
        side = np.sign(part - (before + after) / 2 - FLOOR_TO_LEVEL_DB)
        side[np.isnan(part) | (part > max(before, after) + MUSCLE_DB)] = 0
    total = np.cumsum(np.concatenate(([0.0], side if before < after else -side)))
    lowest = np.flatnonzero(total == total.min())
    return first + int(lowest[0]), first + int(lowest[-1])


def _usual(floor: Floats) -> float:
    """Median of the known values; 0 for none. A return that was missed cannot take the night along."""
    known = floor[~np.isnan(floor)]
    return median(known) if len(known) else 0.0


def gain_steps(frames: ChannelFrames, power: Floats, swing: Floats, excluded: Spans) -> Spans:
    """Frames whose amplification differs from that of the longest part of the recording.

    Parameters
    ----------
    power
        From `tenths`.
    swing
        Range of the signal below the muscle's band in each block.
    excluded
        Frames that are unusable for other reasons.
    """
    grid = frames.block_grid
    bad = excluded.on(grid, rounding="outward").mask()
    floor = np.where(bad, np.nan, _db(power.min(axis=1)))
    steps = _steps(floor, swing, bad)
    if not steps:
        return frames.grid.none()
    level = np.where(bad[:, None], np.nan, _db(power)).ravel()
    borders = [(0, 0)]
    for block, *beside in steps:
        first, last = _border(level, TENTHS * block, *beside)
        borders.append((max(first, borders[-1][1]), max(last, borders[-1][1])))
    borders.append((level.size, level.size))
    parts = [(a, b) for (_, a), (b, _) in pairwise(borders)]
    levels = np.array([_usual(floor[a // TENTHS : -(-b // TENTHS)]) for a, b in parts])
    lengths = np.diff(parts)[:, 0]
    share = [int(lengths[np.abs(levels - level) < RETURN_DB].sum()) for level in levels]
    other = np.abs(levels - levels[int(np.argmax(share))]) >= RETURN_DB
    first_tenth = np.array([first for first, _ in borders[:-1]])[other] - BESIDE
    last_tenth = np.array([last for _, last in borders[1:]])[other] + BESIDE
    tenth = np.stack((first_tenth, last_tenth), axis=1)
    per_block = frames.frames_per_block
    at = tenth // TENTHS * per_block + tenth % TENTHS * (per_block // TENTHS)
    return Spans.of(frames.grid, at)
