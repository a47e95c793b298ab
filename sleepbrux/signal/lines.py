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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Block
from sleepbrux.signal.filters import Sections, band_edges_hz, emg_band_pass, notch

LOOK_S = 4
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


def raw(block: Block, first: int, n: int) -> NDArray[np.float64]:
    """``n`` stored samples from ``first`` on, float64, shape (n,), digital steps."""
    k = np.arange(first, first + n) - block.first
    at = k // block.per_record * block.record_length + block.channel_offset + k % block.per_record
    return np.asarray(block.data[at], dtype=np.float64)


@lru_cache(maxsize=8)
def _gains(rate: Fraction, n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Hann window of ``n`` samples, and the power gain of the EMG filter at each bin."""
    hz = np.arange(n // 2 + 1) * (float(rate) / n)
    z = np.exp(-2j * math.pi * hz / float(rate))
    gain = np.ones(len(hz))
    for b0, b1, b2, a1, a2 in emg_band_pass(rate):
        gain *= np.abs((b0 + b1 * z + b2 * z * z) / (1 + a1 * z + a2 * z * z)) ** 2
    return np.hanning(n + 1)[:-1], gain


def _peak(power: NDArray[np.float64], low: int, high: int, beside: int) -> tuple[float, float]:
    """(bin, power) of the strongest line between two bins, from what lies beside it; power 0: none."""
    at = low + int(np.argmax(power[low : high + 1]))
    floor = float(np.median(np.concatenate((power[at - 3 * beside : at - beside],
                                            power[at + beside : at + 3 * beside]))))  # fmt: skip
    if not power[at] > PROMINENCE * floor:
        return float(at), 0.0
    a, b, c = (math.log(max(v, 1e-300)) for v in power[at - 1 : at + 2].tolist())
    bend = a - 2 * b + c
    offset = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return at + offset, float(power[at - 2 : at + 3].sum()) - 5 * floor


def look(data: NDArray[np.float64], rate: Fraction) -> Lines | None:
    """Mains in a few seconds of unfiltered signal; None where there is none."""
    n = len(data)
    window, gain = _gains(rate, n)
    power = np.abs(np.fft.rfft((data - data.mean()) * window)) ** 2 * gain
    step_hz = float(rate) / n
    beside = max(round(1.5 / step_hz), 3)
    whole = float(power.sum())
    if not whole > 0:
        return None
    found = [_multiples(power, whole, mains_hz, step_hz, beside, rate) for mains_hz in MAINS_HZ]
    lines = [f for f in found if f is not None]
    return max(lines, key=lambda f: f.share) if lines else None


def _multiples(
    power: NDArray[np.float64], whole: float, mains_hz: int, step_hz: float, beside: int,
    rate: Fraction,
) -> Lines | None:  # fmt: skip
    """Multiples of one mains frequency that stand out, all of the same line."""
    peaks = []
    for k in range(1, HIGHEST_HARMONIC + 1):
        low = math.ceil(k * (mains_hz - REACH_HZ) / step_hz)
        high = math.floor(k * (mains_hz + REACH_HZ) / step_hz)
        if high + 3 * beside >= len(power) or k * mains_hz > band_edges_hz(rate)[1]:
            break
        at, strength = _peak(power, low, high, beside)
        if strength > 0:
            peaks.append((k, at * step_hz / k, strength / whole))
    rest = 1 - sum(share for *_, share in peaks)
    peaks = [peak for peak in peaks if peak[2] >= LEAST_TO_REST * rest]
    if not peaks:
        return None
    _, line_hz, _ = max(peaks, key=lambda peak: peak[2])
    same = [peak for peak in peaks if abs(peak[1] - line_hz) < SAME_HZ]
    weight = sum(k * share for k, _, share in same)
    line_hz = sum(hz * k * share for k, hz, share in same) / weight
    return Lines(line_hz, tuple((k, share) for k, _, share in same))


def agreed(found: Iterable[Lines]) -> tuple[float, tuple[int, ...]] | None:
    """One frequency and set of multiples for looks that are worth removing; None without any."""
    worth = [f for f in found if f.share >= SHARE_TO_REMOVE]
    if not worth:
        return None
    hz = float(np.median([f.line_hz for f in worth]))
    near = [f for f in worth if abs(f.line_hz - hz) < 0.5] or worth
    hz = round(float(np.median([f.line_hz for f in near])), 2)
    return hz, tuple(sorted({k for f in near for k, _ in f.shares}))


def with_notches(rate: Fraction, line_hz: float, harmonics: Sequence[int]) -> Sections:
    """The EMG filter followed by a notch at each multiple of the line."""
    notches = [notch(rate, k * line_hz, NOTCH_HZ) for k in harmonics]
    return np.concatenate((emg_band_pass(rate), np.array(notches)))


def quietest(energy: NDArray[Any], n: int) -> int:
    """First of the ``n`` neighbouring values with the least sum."""
    sums = np.convolve(energy, np.ones(n), "valid")
    return int(np.argmin(sums))
