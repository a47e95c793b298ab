"""Mains and its harmonics: measured where the tile is quiet, subtracted only where measured.

A tile is looked at twice: in its quietest four seconds, and in those where a phasor says that hum
holds much of the energy. A line is a peak of the spectrum far above what lies beside it; its
frequency is read between the bins, so the grid may run off by a hertz.

A line is taken out by subtracting a sinusoid, not by a notch, which would ring after each contraction.
Its amplitude and phase are learnt in each tenth of a second, which counts by the inverse of the power
beside the lines: in a contraction the line runs on as it was before and after.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Block
from sleepbrux.signal.filters import band_edges_hz, emg_band_pass

LOOK_S = 4
LOOKS_AT_ONCE = 8
MAINS_HZ = (50, 60)
REACH_HZ = 1.2  # a peak at the very edge of 49-51 Hz is still a peak
SAME_HZ = 0.3
HIGHEST_HARMONIC = 9
PROMINENCE = 15.0
STANDS_OUT = 30.0  # times the median of 12 Hz, on either side: in noise one bin in 10^9
SHARE_TO_REMOVE = 0.15
LEAST_TO_REST = 0.04
STEP_S = (0.1, 0.2)  # with one mains, and with both: 10 Hz apart, they part in 0.2 s
NOISE_OF_TAPER = 1.5
EMG_HZ = 150.0  # width of a muscle's spectrum: its power is the denser the narrower that is
WANDER = 4e-5  # of its power in a step: 0.6 % of its amplitude
JUMP = 20.0
LEAST_POWER = 1e-3
COHERENT = 0.5
TURN_S = 4
APART_HZ = 2.0  # lines of the two mains that lie closer are one


@dataclass(frozen=True)
class Notched:
    """Frames out of which mains was taken.

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

    def mains(self, places: Sequence[tuple[Block, int]]) -> list[tuple[Lines, ...]]:
        """Mains in each of several looks, from a stored sample of a block on: none, one or both.

        The share of each is of the power that the other leaves.
        """
        bins, n_rows = self.bins, len(self.bins.multiples)
        place, strength = np.empty((len(places), n_rows)), np.empty((len(places), n_rows))
        whole = np.empty((len(places), 1))
        for first in range(0, len(places), LOOKS_AT_ONCE):
            some = slice(first, min(first + LOOKS_AT_ONCE, len(places)))
            self._peaks(places[some], place[some], strength[some], whole[some])
        found: list[tuple[Lines, ...]] = [() for _ in places]
        for mains_hz in MAINS_HZ:
            rows = np.array([hz == mains_hz for hz, _ in bins.multiples], dtype=np.bool_)
            others = np.where(self._shared(rows), 0.0, strength)[:, ~rows].sum(axis=1, keepdims=True)
            share = strength / np.maximum(whole - others, 1e-300)
            rest = 1 - share[:, rows].sum(axis=1, keepdims=True)
            looks, of = np.nonzero(rows & (share > 0) & (share >= LEAST_TO_REST * rest))
            peaks: dict[int, list[_Peak]] = {}
            for look, row in zip(looks.tolist(), of.tolist(), strict=True):
                k = bins.multiples[row][1]
                peak = (k, float(place[look, row]) * self.step_hz / k, float(share[look, row]))
                peaks.setdefault(look, []).append(peak)
            for look, of_look in peaks.items():
                found[look] += (_same_line(of_look),)
        return [_without_shared(lines) for lines in found]

    def _shared(self, rows: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which rows of the other mains look at the same frequency as one of ``rows``."""
        hz = np.array([mains * k for mains, k in self.bins.multiples])
        return np.isin(hz, hz[rows])

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
                block.data,
                block.record_length,
                block.per_record,
                block.channel_offset,
                first - block.first,
                bins.window,
                level,
            )
        np.fft.rfft(self.level[:n], axis=1, out=self.spectrum[:n])
        self.code.mains_peaks(
            self.spectrum[:n].view(np.float64),
            bins.gain,
            bins.first,
            bins.stop,
            bins.reach,
            PROMINENCE,
            self.power[:n],
            place,
            strength,
        )
        self._take_back(self.power[:n], strength)
        self.power[:n].sum(axis=1, keepdims=True, out=whole)

    def _take_back(self, power: NDArray[np.float64], strength: NDArray[np.float64]) -> None:
        """Leave what is no line: the slope of a higher peak beside it, the edge of a band, or chance."""
        bins = self.bins
        looks, rows = np.nonzero(strength)
        if not len(looks):
            return
        width = np.arange(int((bins.stop - bins.first).max()))
        at = np.minimum(bins.first[rows, None] + width, bins.stop[rows, None] - 1)
        best = at[np.arange(len(rows)), power[looks[:, None], at].argmax(axis=1)]
        steps = np.arange(bins.reach, 9 * bins.reach)
        floors = []
        for sign in (-1, 1):
            beside = np.clip(best[:, None] + sign * steps, 0, power.shape[1] - 1)
            floors.append(np.median(power[looks[:, None], beside], axis=1))
        top = power[looks, best]
        line = top > STANDS_OUT * np.maximum(*floors)
        line &= (top >= power[looks, best - 1]) & (top >= power[looks, best + 1])
        strength[looks[~line], rows[~line]] = 0.0


_Peak = tuple[int, float, float]
"""Multiple, the mains' frequency by this multiple, share of the power."""


def _same_line(peaks: Sequence[_Peak]) -> Lines:
    """Those of the peaks that are multiples of one line."""
    _, line_hz, _ = max(peaks, key=lambda peak: peak[2])
    same = [peak for peak in peaks if abs(peak[1] - line_hz) < SAME_HZ]
    weight = sum(k * share for k, _, share in same)
    line_hz = sum(hz * k * share for k, hz, share in same) / weight
    return Lines(line_hz, tuple((k, share) for k, _, share in same))


def _without_shared(lines: tuple[Lines, ...]) -> tuple[Lines, ...]:
    """A peak that both mains could have made is the odd multiple's, which mains has more of."""
    odd = [one.line_hz * k for one in lines for k, _ in one.shares if k % 2]
    kept = []
    for one in lines:
        shares = tuple(
            (k, share)
            for k, share in one.shares
            if k % 2 or all(abs(k * one.line_hz - hz) >= APART_HZ for hz in odd)
        )
        kept += [replace(one, shares=shares)] if shares else []
    return tuple(kept)


def agreed(found: Iterable[Lines]) -> tuple[tuple[float, tuple[int, ...]], ...]:
    """Frequency and multiples of each mains in looks that are worth removing; empty without any.

    The frequency is that of the look in which the line holds most: it is measured best there.
    """
    worth = [f for f in found if f.share >= SHARE_TO_REMOVE]
    result = []
    for mains_hz in MAINS_HZ:
        same = [f for f in worth if abs(f.line_hz - mains_hz) < 5]
        if same:
            hz = max(same, key=lambda lines: lines.share).line_hz
            near = [f for f in same if abs(f.line_hz - hz) < 0.5]
            result.append((round(hz, 2), tuple(sorted({k for f in near for k, _ in f.shares}))))
    return tuple(result)


def rotated(cosine: float, sine: float, n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cosine and sine of ``n`` multiples of an angle, by doubling.

    Only + and x of numbers rounded to 12 digits, so that the last bit of a mathematics library
    cannot reach a result.
    """
    c, s = np.ones(n), np.zeros(n)
    step_c, step_s, have = round(cosine, 12), round(sine, 12), 1
    while have < n:
        more = min(have, n - have)
        c[have : have + more] = c[:more] * step_c - s[:more] * step_s
        s[have : have + more] = c[:more] * step_s + s[:more] * step_c
        step_c, step_s = step_c * step_c - step_s * step_s, 2 * step_c * step_s
        have += more
    return c, s


@lru_cache(maxsize=16)
def _waves(rate: Fraction, every: int, n: int, hz: tuple[float, ...]) -> NDArray[np.float64]:
    """Cosine and sine of lines at ``n`` samples, one in ``every``: float64, shape (n, lines, 2)."""
    result = np.empty((n, len(hz), 2))
    for k, line_hz in enumerate(hz):
        angle = 2 * math.pi * line_hz * every / float(rate)
        result[:, k, 0], result[:, k, 1] = rotated(math.cos(angle), math.sin(angle), n)
    return result


class Subtraction:
    """Mains as sinusoids of known frequencies, taken out of one filtered stretch after the other.

    Parameters
    ----------
    rate, hop
        Samples a second and a frame.
    n_frames
        Most frames of a stretch, those before it in which the filter settles among them.
    lines
        Frequency and multiples of each mains, as `agreed`.
    code
        ``kernels`` or ``plain``.
    """

    def __init__(
        self,
        rate: Fraction,
        hop: int,
        n_frames: int,
        lines: Sequence[tuple[float, tuple[int, ...]]],
        code: ModuleType,
    ) -> None:
        self.code, self.hop = code, hop
        self.step = max(round(STEP_S[len(lines) > 1] * float(rate) / hop), 1)
        angle = 2 * math.pi * (np.arange(self.step * hop) + 0.5) / (self.step * hop)
        self.taper = 1 - np.round(np.cos(angle), 12)
        multiples = [(hz * k, k, hz) for hz, several in lines for k in several]
        chosen: list[tuple[float, int, float]] = []
        for line in sorted(multiples, key=lambda line: line[1] % 2 == 0):
            if all(abs(line[0] - other[0]) >= APART_HZ for other in chosen):
                chosen.append(line)
        self.multiple = np.array([k for _, k, _ in chosen], dtype=np.float64)
        self.mains = np.array([hz for _, _, hz in chosen])
        hz = tuple(at for at, _, _ in chosen)
        self.start = _waves(rate, hop, n_frames + self.step, hz)
        self.turn = _waves(rate, 1, hop, hz)
        self.step_s = self.step * hop / float(rate)

    def lines(self, out: NDArray[np.float64], lead: int) -> NDArray[np.float64]:
        """Amplitude and phase of each line in each step, float64, shape (n_steps, lines, 2).

        What is left over at the end, less than a step, goes with the last step.
        """
        n = max(len(out) // (self.hop * self.step), 1)
        phasors, power = np.zeros((n, len(self.multiple), 2)), np.empty(n)
        self.code.line_phasors(out, lead, self.hop, self.taper, self.start, self.turn, phasors, power)
        known = np.sort(power[np.isfinite(power)])
        usual = float(known[len(known) // 2]) if len(known) else 1.0
        power = np.maximum(power, LEAST_POWER * usual + 1e-12)
        to_noise = 2.0 * NOISE_OF_TAPER / (EMG_HZ * self.step_s)
        floor = LEAST_POWER * to_noise * usual + 1e-12
        result = np.empty_like(phasors)
        self.code.followed_lines(
            phasors,
            power,
            self._rotation(phasors, power),
            to_noise,
            floor,
            WANDER,
            JUMP,
            result,
            np.empty((n, 2)),
        )
        return result

    def _rotation(self, phasors: NDArray[np.float64], power: NDArray[np.float64]) -> NDArray[np.float64]:
        """By how much each line turns into each step, as cosine and sine, shape (n_steps, lines, 2).

        That is by how much the frequency is off just then. The strongest line of each mains says it for all
        of its multiples: by the steps of a few seconds where these agree, else by those of the whole stretch.
        """
        z = phasors[:, :, 0] + 1j * phasors[:, :, 1]
        weight = 1 / power[1:] / power[:-1]
        turned = np.zeros_like(z)
        turned[1:] = (z[1:] * np.conj(z[:-1])) * weight[:, None]
        most = np.abs(turned).sum(axis=0)
        angle = np.zeros(z.shape)
        for hz in np.unique(self.mains):
            of = np.flatnonzero(self.mains == hz)
            best = of[int(np.argmax(most[of]))]
            reach = max(round(TURN_S / self.step_s), 1)
            near = _around(turned[:, best], reach)
            alike = np.abs(near) > COHERENT * _around(np.abs(turned[:, best]), reach)
            whole = turned[:, best].sum()
            usual = np.angle(whole) if abs(whole) > COHERENT * most[best] else 0.0
            by_step = np.where(alike, np.angle(near), usual) / self.multiple[best]
            angle[:, of] = by_step[:, None] * self.multiple[of]
        return np.stack((np.round(np.cos(angle), 12), np.round(np.sin(angle), 12)), axis=2)


def _around(values: NDArray[Any], reach: int) -> NDArray[Any]:
    """Sum of the values within ``reach`` of each, in order, so that no processor sums otherwise."""
    total, n = np.zeros_like(values), len(values)
    for shift in range(-min(reach, n - 1), min(reach, n - 1) + 1):
        total[max(-shift, 0) : n - max(shift, 0)] += values[max(shift, 0) : n + min(shift, 0)]
    return total
