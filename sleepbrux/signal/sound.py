"""Features of a sound channel: how loud, and whether like grinding. The sound itself is never kept.

What leaves this module is one level and one flag every eighth of a second: no word can be heard or
rebuilt from that.

Grinding-like: at least `RISE_DB` over the running background with most of the energy above 1 kHz, where a
scrape or squeak has it; snoring and voiced speech have most of theirs below. No published limits were found:
our choice, and a flag is no proof of grinding.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Channel, Recording
from sleepbrux.signal.streams import stream

STEP_S = 0.125
LEAST_HZ = 50
GRINDING_HZ = 4000
SPLIT_HZ = 1000.0
LOWEST_HZ = 60.0
SHARE_ABOVE = 0.6
RISE_DB = 10.0
BACKGROUND_STEPS = 2400  # 300 s
LOUD, GRINDING = 1, 2


@dataclass(frozen=True, eq=False)
class Sound:
    """Level and flags of a sound channel.

    Attributes
    ----------
    label
        The channel or file.
    step_s, start_s
        Length of a step, and the second of the night clock at which the first one begins.
    rise_db
        float32, shape (n,): level over the running background, dB; NaN where there is no sound track.
    grinding
        int8, shape (n,): 1 where like grinding, 0 where not, -1 where it cannot be told.
    """

    label: str
    step_s: float
    start_s: float
    rise_db: NDArray[np.float32]
    grinding: NDArray[np.int8]

    def within(self, start_s: float, stop_s: float) -> slice:
        """Steps that touch a stretch of the night clock."""
        first = math.floor((start_s - self.start_s) / self.step_s)
        last = math.ceil((stop_s - self.start_s) / self.step_s)
        return slice(max(first, 0), max(last, 0))


def usable_sound(channels: tuple[Channel, ...]) -> Channel | None:
    """The sound channel with the highest rate; None where there is none of 50 samples a second."""
    found = [c for c in channels if c.role == "audio" and not c.fault and c.rate >= LEAST_HZ]
    return max(found, key=lambda c: c.rate, default=None)


def _background(level_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running median of the level, in straight lines between the middles of blocks."""
    n = len(level_db)
    middles, medians = [], []
    for start in range(0, n, BACKGROUND_STEPS):
        part = level_db[start : start + BACKGROUND_STEPS]
        part = part[~np.isnan(part)]
        if len(part):
            middles.append(start + min(BACKGROUND_STEPS, n - start) / 2)
            medians.append(float(np.median(part)))
    if not medians:
        return np.full(n, np.nan)
    return np.interp(np.arange(n), middles, medians)


def _high(rows: NDArray[np.float32], rate: float) -> NDArray[np.bool_]:
    """Whether most energy of each row, above 60 Hz, lies above 1 kHz."""
    window = np.hanning(rows.shape[1]).astype(np.float32)
    power = np.abs(np.fft.rfft(rows * window, axis=1)) ** 2
    hz = np.fft.rfftfreq(rows.shape[1], 1 / rate)
    low = power[:, (hz >= LOWEST_HZ) & (hz < SPLIT_HZ)].sum(axis=1)
    high = power[:, hz >= SPLIT_HZ].sum(axis=1)
    result: NDArray[np.bool_] = high > SHARE_ABOVE * np.maximum(low + high, 1e-30)
    return result


def read_sound(recording: Recording, channel: Channel, *, start_s: float = 0.0) -> Sound:
    """Features of a sound channel; only steps that are loud are looked at for grinding.

    Parameters
    ----------
    start_s
        Second of the night clock at which the recording of the sound begins.
    """
    rate = float(channel.rate)
    size = max(round(STEP_S * rate), 1)
    step_s = size / rate
    n = -(-channel.n_night // size)
    level = np.full(n, np.nan)
    high = np.full(n, -1, dtype=np.int8)
    tells = rate >= GRINDING_HZ
    for part in stream(recording, [channel], core_s=60.0, margin_s=STEP_S):
        first = -(-part.core[0] // size)
        last = min(-(-part.core[1] // size), (part.first + part.values.shape[1]) // size)
        if last <= first:
            continue
        at = first * size - part.first
        rows = part.values[0, at : at + (last - first) * size].reshape(-1, size)
        rows = rows - rows.mean(axis=1, keepdims=True)
        power = np.einsum("ij,ij->i", rows, rows, dtype=np.float64) / size
        level[first:last] = 10 * np.log10(np.maximum(power, 1e-12))
        if tells:
            usual = float(np.median(level[first:last]))
            loud = np.flatnonzero(level[first:last] > usual + RISE_DB / 2)
            high[first:last] = 0
            if len(loud):
                high[first + loud] = _high(rows[loud], rate)
    rise = level - _background(level)
    with np.errstate(invalid="ignore"):
        grinding = np.where(high < 0, -1, (high == 1) & (rise >= RISE_DB)).astype(np.int8)
    grinding[np.isnan(rise)] = -1
    return Sound(channel.label, step_s, start_s, rise.astype(np.float32), grinding)
