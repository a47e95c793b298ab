"""The filtered signal of chosen stretches as lowest and highest value of each 20 ms: for the eye.

The stretches are read again from the recording and filtered as the sweep does it, from rest two
seconds before (or at the start of the piece of the recording that holds them). An archive keeps them,
so that a page can draw them without the recording.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Channel, Recording, samples
from sleepbrux.signal.filters import emg_band_pass
from sleepbrux.signal.sweep import MARGIN_S

BINS_PER_S = 50


@dataclass(frozen=True, eq=False)
class Extremes:
    """Stretches of filtered signal, one after the other.

    Attributes
    ----------
    channel
        int64, shape (n,): position of the channel among the scored ones.
    first_s, step_s
        float64, shape (n,): onset of the first bin on the night clock, and length of a bin.
    offsets
        int64, shape (n + 1,): stretch ``k`` is ``low[offsets[k]:offsets[k + 1]]``.
    low, high
        float32, shape (offsets[-1],): in the channel's unit; NaN where a bin is not wholly recorded.
    """

    channel: NDArray[np.int64]
    first_s: NDArray[np.float64]
    step_s: NDArray[np.float64]
    offsets: NDArray[np.int64]
    low: NDArray[np.float32]
    high: NDArray[np.float32]

    def __len__(self) -> int:
        """Count of stretches."""
        return len(self.channel)


def bin_samples(rate: Fraction) -> int:
    """Samples a bin: those nearest to 20 ms, at least one."""
    return max(math.floor(rate / BINS_PER_S + Fraction(1, 2)), 1)


def extremes(
    recording: Recording,
    channels: Sequence[Channel],
    stretches: Sequence[tuple[int, float, float]],
    *,
    code: Any = None,
) -> Extremes:
    """Read and filter stretches of a recording.

    Parameters
    ----------
    channels
        The scored channels.
    stretches
        (position in ``channels``, start, stop) in seconds of the night clock.
    code
        Module with ``filtered_extremes``: ``kernels`` (default) or ``plain``.
    """
    if code is None:
        from sleepbrux.signal import kernels

        code = kernels
    first_s, step_s, lows, highs = [], [], [], []
    for k, start_s, stop_s in stretches:
        channel = channels[k]
        size = bin_samples(channel.rate)
        first = max(math.floor(start_s * channel.rate / size), 0)
        stop = max(min(math.ceil(stop_s * channel.rate / size), channel.n_night // size), first)
        low = np.full(stop - first, np.nan, dtype=np.float32)
        high = low.copy()
        fill(recording, channel, size, first, low, high, code=code)
        first_s.append(float(first * size / channel.rate))
        step_s.append(float(size / channel.rate))
        lows.append(low)
        highs.append(high)
    empty = [np.empty(0, dtype=np.float32)]
    return Extremes(
        channel=np.array([k for k, _, _ in stretches], dtype=np.int64),
        first_s=np.array(first_s, dtype=np.float64),
        step_s=np.array(step_s, dtype=np.float64),
        offsets=np.cumsum([0, *(len(v) for v in lows)], dtype=np.int64),
        low=np.concatenate(lows or empty),
        high=np.concatenate(highs or empty),
    )


def fill(
    recording: Recording,
    channel: Channel,
    size: int,
    first: int,
    low: NDArray[np.float32],
    high: NDArray[np.float32],
    *,
    code: Any = None,
) -> None:
    """Put extremes into bins of ``size`` samples, ``[first, first + len(low))`` of the night clock.

    Bins that do not lie wholly inside a piece of the recording stay as they are.
    """
    if code is None:
        from sleepbrux.signal import kernels

        code = kernels
    sections = emg_band_pass(channel.rate)
    settle = math.ceil(MARGIN_S * channel.rate)
    for piece in channel.pieces:
        a = max(-(-piece.night // size), first)
        b = min((piece.night + piece.n) // size, first + len(low))
        if a >= b:
            continue
        begin = max(a * size - settle, piece.night)
        at = piece.stored + begin - piece.night
        data = samples(recording, channel, at, at + b * size - begin)
        code.filtered_extremes(
            np.ascontiguousarray(data),
            sections,
            a * size - begin,
            size,
            channel.gain,
            low[a - first : b - first],
            high[a - first : b - first],
            np.empty((len(sections), 2)),
        )
    if channel.gain < 0:
        low[:], high[:] = np.minimum(low, high), np.maximum(low, high)
