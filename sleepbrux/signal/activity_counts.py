"""A second rule of who is awake, on activity counts of the wrist, beside that of `actigraphy`.

*Counts* after Neishabouri A et al., Sci Rep 2022;12:11958 (from memory; its constants as the maker's open package
has them, read): 30 samples a second, band-pass 0.29-1.63 Hz, 17.127 steps a g with a gain of 3.45 in the band,
under 4 steps nothing and over 128 no more, whole numbers, means of three, summed over a minute. Departure: a
Butterworth band-pass of order 2 instead of the maker's own coefficients; on invented movement of the arm at 30 to
100 Hz minutes of both went together with r of 0.999 or more, and the rule below said the same of 98.9 % or more.

*Awake* after Cole RJ et al., Sleep 1992;15:461-469 (from memory): a weighted sum over the minute, the four
before and the two after reaches 1, on counts over 100 and of 300 at most (common practice, from memory: the weights
were found on another maker's counts). Departure: the axis with most counts, for which axis of a recorder lies along
the forearm is not known; no rule after it mends short stretches.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.recording.model import Channel, Recording
from sleepbrux.signal.streams import stream

Floats = NDArray[np.float64]

COUNT_HZ, MINUTE_S = 30, 60
BAND_HZ, ORDER = (0.29, 1.63), 2
STEPS_PER_G, LEAST_STEPS, MOST_STEPS = 17.127 * 3.45, 4, 128
WEIGHTS = np.array([106, 54, 58, 76, 230, 74, 67]) * 0.001
MINUTES_BEFORE = 4
PER_COUNT, MOST = 100.0, 300.0
WHOLE = 0.99  # of a minute recorded, for its counts to be known


def _stepped(values_g: Floats, rate: Fraction) -> Floats:
    """Steps of 30 samples a second, float64, shape (n_axes, n)."""
    from scipy.signal import butter, resample_poly, sosfilt

    ratio = (Fraction(COUNT_HZ) / rate).limit_denominator(1000)
    even = resample_poly(values_g - values_g[:, :1], ratio.numerator, ratio.denominator, axis=1)
    sections = butter(ORDER, BAND_HZ, "bandpass", fs=COUNT_HZ, output="sos")
    steps = np.minimum(np.abs(sosfilt(sections, even, axis=1)) * STEPS_PER_G, MOST_STEPS)
    return np.where(steps < LEAST_STEPS, 0.0, np.floor(steps))


def counts_a_minute(recording: Recording, axes: list[Channel], gravity: float) -> Floats:
    """Activity counts of each whole minute and axis, float64, shape (n_minutes, n_axes); NaN where not known.

    Parameters
    ----------
    axes
        Of one sensor, with 30 samples a second or more.
    gravity
        What 1 g is in the unit of the channels.
    """
    rate = axes[0].rate
    n = int(recording.duration_s // MINUTE_S)
    total, seen = np.zeros((n, len(axes))), np.zeros(n)
    for part in stream(recording, axes, core_s=600.0, margin_s=float(MINUTE_S)):
        steps = _stepped(part.values.astype(np.float64) / gravity, rate)
        first, last = (round((at - part.first) * COUNT_HZ / float(rate)) for at in part.core)
        whole = (min(last, steps.shape[1]) - first) // 3
        tenths = np.floor(steps[:, first : first + 3 * whole].reshape(len(axes), whole, 3).sum(axis=2) / 3)
        second = part.core[0] / float(rate) + np.arange(whole) * 3 / COUNT_HZ
        minute = np.floor(second / MINUTE_S + 1e-9).astype(np.int64)
        inside = minute < n
        np.add.at(total, minute[inside], tenths[:, inside].T)
        np.add.at(seen, minute[inside], 3 / COUNT_HZ)
    total[seen < WHOLE * MINUTE_S] = np.nan
    return total


def awake_minutes(counts: Floats) -> Floats:
    """Whether each minute is awake by its counts: 1, 0, or NaN where one of the seven around is not known."""
    scaled = np.minimum(counts / PER_COUNT, MOST)
    padded = np.pad(scaled, (MINUTES_BEFORE, len(WEIGHTS) - 1 - MINUTES_BEFORE), constant_values=np.nan)
    sums = np.lib.stride_tricks.sliding_window_view(padded, len(WEIGHTS)) @ WEIGHTS
    return np.where(np.isnan(sums), np.nan, sums >= 1.0)


def awake_by_counts(recording: Recording, axes: list[Channel], gravity: float) -> tuple[Spans, Spans]:
    """Minutes awake and minutes known, on a grid of minutes."""
    counts = counts_a_minute(recording, axes, gravity)
    axis = int(np.argmax(np.nansum(counts, axis=0))) if counts.size else 0
    awake = awake_minutes(counts[:, axis])
    grid = Grid(Fraction(MINUTE_S), len(awake))
    return Spans.from_mask(grid, awake == 1), Spans.from_mask(grid, ~np.isnan(awake))
