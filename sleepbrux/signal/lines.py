"""Mains and its harmonics: measured where the tile is quiet, removed only where measured.

A tile is looked at twice: in its quietest four seconds, and in those where a phasor says that hum
holds much of the energy. A line is a peak of the spectrum far above what lies beside it; its
frequency is read between the bins, so the grid may run off by a hertz.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Block
from sleepbrux.signal.filters import Sections, band_edges_hz, emg_band_pass, notch

LOOK_S = 4
LOOKS_AT_ONCE = 8
MAINS_HZ = (50, 60)
REACH_HZ = 1.2  # a peak at the very edge of 49-51 Hz is still a peak
SAME_HZ = 0.3
HIGHEST_HARMONIC = 9
PROMINENCE = 15.0
SHARE_TO_REMOVE = 0.15
LEAST_TO_REST = 0.04
NOTCH_HZ = 3.0


@dataclass(frozen=True)
class Notched:
    """Frames that were filtered with notches.

    Attributes
    ----------
    first, stop
        Frames, half-open.
    line_hz
        Measured frequency of the mains.
    harmonics
        Its multiples that were measured and removed; 1 is the mains itself.
    """

    first: int
    stop: int
    line_hz: float
    harmonics: tuple[int, ...]


@dataclass(frozen=True)
class Lines:
    """What one look found: frequency, and the share of the in-band power at each multiple."""

    line_hz: float
    shares: tuple[tuple[int, float], ...]

    @property
    def share(self) -> float:
        """Share of the power that all of them hold."""
        return sum(share for _, share in self.shares)


@dataclass(frozen=True, eq=False)
class _Bins:
    """Where in a spectrum to look for multiples of the mains, and how to weigh it.

    Attributes
    ----------
    window, gain
        Hann window, and the power gain of the EMG filter at each bin.
    multiples
        (mains in Hz, multiple) of each row below.
    first, stop
        int64, shape (n_rows,): bins around each multiple, half-open.
    reach
        Bins from a peak to what lies beside it.
    """

    window: NDArray[np.float64]
    gain: NDArray[np.float64]
    multiples: tuple[tuple[int, int], ...]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]
    reach: int


@lru_cache(maxsize=8)
def _bins(rate: Fraction, n: int) -> _Bins:
    hz = np.arange(n // 2 + 1) * (float(rate) / n)
    z = np.exp(-2j * math.pi * hz / float(rate))
    gain = np.ones(len(hz))
    for b0, b1, b2, a1, a2 in emg_band_pass(rate):
        gain *= np.abs((b0 + b1 * z + b2 * z * z) / (1 + a1 * z + a2 * z * z)) ** 2
    step_hz = float(rate) / n
    reach = max(round(1.5 / step_hz), 3)
    multiples, rows = [], []
    for mains_hz in MAINS_HZ:
        for k in range(1, HIGHEST_HARMONIC + 1):
            low = math.ceil(k * (mains_hz - REACH_HZ) / step_hz)
            high = math.floor(k * (mains_hz + REACH_HZ) / step_hz)
            if high + 3 * reach >= len(hz) or k * mains_hz > band_edges_hz(rate)[1]:
                break
            multiples.append((mains_hz, k))
            rows.append((low, high + 1))
    first, stop = np.array(rows, dtype=np.int64).reshape(-1, 2).T.copy()
    return _Bins(
        window=np.hanning(n + 1)[:-1],
        gain=gain,
        multiples=tuple(multiples),
        first=first,
        stop=stop,
        reach=reach,
    )


class Looks:
    """Work space of one thread for looks at `LOOK_S` seconds of a channel.

    A few looks at a time in the same memory, so that what is worked on stays in the cache.

    Parameters
    ----------
    rate
        Samples a second.
    n
        Samples a look.
    code
        Module with ``windowed`` and ``mains_peaks``: ``kernels`` or ``plain``.
    """

    def __init__(self, rate: Fraction, n: int, code: ModuleType) -> None:
        self.bins = _bins(rate, n)
        self.step_hz = float(rate) / n
        self.code = code
        self.level = np.empty((LOOKS_AT_ONCE, n))
        self.spectrum = np.empty((LOOKS_AT_ONCE, n // 2 + 1), dtype=np.complex128)
        self.power = np.empty(self.spectrum.shape)

    def mains(self, places: Sequence[tuple[Block, int]]) -> list[Lines | None]:
        """Mains in each of several looks, from a stored sample of a block on; None: no line."""
        bins, n_rows = self.bins, len(self.bins.multiples)
        place, strength = np.empty((len(places), n_rows)), np.empty((len(places), n_rows))
        whole = np.empty((len(places), 1))
        for first in range(0, len(places), LOOKS_AT_ONCE):
            some = slice(first, min(first + LOOKS_AT_ONCE, len(places)))
            self._peaks(places[some], place[some], strength[some], whole[some])
        share = strength / np.maximum(whole, 1e-300)
        peaks: dict[int, list[_Peak]] = {}
        for mains_hz in MAINS_HZ:
            rows = np.array([hz == mains_hz for hz, _ in bins.multiples], dtype=np.bool_)
            rest = 1 - share[:, rows].sum(axis=1, keepdims=True)
            looks, of = np.nonzero(rows & (share > 0) & (share >= LEAST_TO_REST * rest))
            values = (v.tolist() for v in (looks, of, place[looks, of], share[looks, of]))
            for look, row, at, part in zip(*values, strict=True):
                k = bins.multiples[row][1]
                peaks.setdefault(look, []).append((mains_hz, k, at * self.step_hz / k, part))
        return [_lines(peaks[look]) if look in peaks else None for look in range(len(places))]

    def _peaks(
        self,
        places: Sequence[tuple[Block, int]],
        place: NDArray[np.float64],
        strength: NDArray[np.float64],
        whole: NDArray[np.float64],
    ) -> None:
        bins, n = self.bins, len(places)
        for (block, first), level in zip(places, self.level, strict=False):
            self.code.windowed(
                block.data, block.record_length, block.per_record, block.channel_offset,
                first - block.first, bins.window, level,
            )  # fmt: skip
        np.fft.rfft(self.level[:n], axis=1, out=self.spectrum[:n])
        self.code.mains_peaks(
            self.spectrum[:n].view(np.float64), bins.gain, bins.first, bins.stop, bins.reach,
            PROMINENCE, self.power[:n], place, strength,
        )  # fmt: skip
        self.power[:n].sum(axis=1, keepdims=True, out=whole)


_Peak = tuple[int, int, float, float]
"""Mains in Hz, multiple, the mains' frequency by this multiple, share of the power."""


def _lines(peaks: Sequence[_Peak]) -> Lines:
    """Stronger one of the two mains."""
    of_mains = (
        [(k, at_hz, share) for mains, k, at_hz, share in peaks if mains == hz] for hz in MAINS_HZ
    )
    return max((_same_line(found) for found in of_mains if found), key=lambda lines: lines.share)


def _same_line(peaks: Sequence[tuple[int, float, float]]) -> Lines:
    """Those of the peaks (multiple, Hz of the mains, share) that are multiples of one line."""
    _, line_hz, _ = max(peaks, key=lambda peak: peak[2])
    same = [peak for peak in peaks if abs(peak[1] - line_hz) < SAME_HZ]
    weight = sum(k * share for k, _, share in same)
    line_hz = sum(hz * k * share for k, hz, share in same) / weight
    return Lines(line_hz, tuple((k, share) for k, _, share in same))


def agreed(found: Iterable[Lines]) -> tuple[float, tuple[int, ...]] | None:
    """One frequency and set of multiples for looks that are worth removing; None without any.

    The frequency is that of the look in which the line holds most: it is measured best there.
    """
    worth = [f for f in found if f.share >= SHARE_TO_REMOVE]
    if not worth:
        return None
    hz = max(worth, key=lambda lines: lines.share).line_hz
    near = [f for f in worth if abs(f.line_hz - hz) < 0.5]
    return round(hz, 2), tuple(sorted({k for f in near for k, _ in f.shares}))


def with_notches(rate: Fraction, line_hz: float, harmonics: Sequence[int]) -> Sections:
    """The EMG filter followed by a notch at each multiple of the line."""
    notches = [notch(rate, k * line_hz, NOTCH_HZ) for k in harmonics]
    return np.concatenate((emg_band_pass(rate), np.array(notches)))
