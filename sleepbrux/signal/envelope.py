"""Amplitude over time, from the frames of the sweep."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import exact
from sleepbrux.signal.quantiles import sampled
from sleepbrux.signal.sweep import ChannelFrames

Amplitude = Literal["rms", "rectified"]
BLOCK_FRAMES = 2048


@dataclass(frozen=True, eq=False)
class Envelope:
    """Amplitude of one channel.

    Attributes
    ----------
    level
        float32, shape (n_frames,), µV: RMS or mean rectified value over ``window_frames`` frames
        around each; NaN where the frame is not usable.
    energy
        float32, shape (n_frames,), µV²: the frames themselves, NaN where not usable.
    """

    grid: Grid
    amplitude: Amplitude
    window_frames: int
    level: NDArray[np.float32]
    energy: NDArray[np.float32]

    @cached_property
    def _ascending(self) -> NDArray[np.float32]:
        """Known levels of the whole recording, sampled every half window, in ascending order."""
        return np.sort(self.sampled(self.grid.all(), max(self.window_frames // 2, 1))[1])

    def quantile(self, share: float) -> float:
        """Quantile of the level over the whole recording, µV, linear between values; NaN for none."""
        if not len(self._ascending):
            return math.nan
        rank = share * (len(self._ascending) - 1)
        low = int(rank)
        below, above = self._ascending[[low, min(low + 1, len(self._ascending) - 1)]].tolist()
        return float(below + (above - below) * (rank - low))

    def sampled(self, where: Spans, step: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Every ``step``-th frame inside the spans at which the level is known, and the level there.

        int64 and float32, shape (n,) each.
        """
        return sampled(self.level, where, step)


def odd_frames(window_s: float, slot_s: Fraction) -> int:
    """Odd number of frames nearest to a window, ties up: 0.125 s at 10 ms is 13.

    Examples
    --------
    >>> odd_frames(0.125, Fraction(1, 100)), odd_frames(0.1, Fraction(1, 100))
    (13, 11)
    """
    half = (exact(window_s) / slot_s - 1) / 2
    return 2 * max(int(half + Fraction(1, 2)), 0) + 1


def follow(frames: ChannelFrames, usable: Spans, *, amplitude: Amplitude, window_s: float) -> Envelope:
    """Envelope of a channel over its usable frames.

    Each value is the mean over those frames of the window that are usable, so an edge of usable
    time neither shortens nor lengthens what lies beside it.
    """
    from sleepbrux.signal import kernels

    energy = usable.only(frames.energy)
    power = energy if amplitude == "rms" else usable.only(frames.rectified)
    level = np.empty(len(power), dtype=np.float32)
    window = odd_frames(window_s, frames.grid.slot_s)
    kernels.moving_mean(
        power,
        window,
        level,
        np.empty(BLOCK_FRAMES),
        np.empty(BLOCK_FRAMES),
        root=amplitude == "rms",
    )
    return Envelope(frames.grid, amplitude, window, level, energy)
