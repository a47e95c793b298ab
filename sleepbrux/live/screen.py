"""What is shown of the last seconds: an envelope at once, and each second whether the electrodes hold.

The screen decides nothing. Every level that is reported comes from the file, by the code that reads files.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.recording.memory import from_array
from sleepbrux.signal.filters import emg_band_pass
from sleepbrux.signal.quality import REASONS, assess, block_rms_uv, hum_uv
from sleepbrux.signal.sweep import ChannelFrames, Layout, sweep

SHOWN_S = 20.0
WINDOW_FRAMES = 10
CHECKED_S = 6
FLAT_UV = 0.05
HUM_PCT = 70.0
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Contact:
    """One channel over the last seconds.

    Attributes
    ----------
    level_uv
        Median over the seconds of the RMS in the band of the EMG.
    quietest_uv
        The lowest of them: rest, where there was any.
    hum_pct
        Mains as a share of the amplitude, in %; None where there is no signal.
    faults
        What is wrong, in the words of the reports; empty where nothing was found.
    """

    label: str
    level_uv: float
    quietest_uv: float
    hum_pct: float | None
    faults: tuple[str, ...]


def hum_share_pct(frames: ChannelFrames, blocks: slice = slice(None)) -> float | None:
    """Mains as a share of the amplitude, %: median over seconds; None without a signal."""
    rms, hum = block_rms_uv(frames)[blocks], hum_uv(frames)[blocks]
    whole = np.hypot(rms, hum)
    known = whole > 0
    return float(100 * np.median(hum[known] / whole[known])) if known.any() else None


class Screen:
    """The last seconds of each channel.

    Parameters
    ----------
    rails_uv
        Ends of the converter's range in µV, one a channel; None where they are not known. They may be set later.
    """

    def __init__(self, labels: Sequence[str], rate: Fraction, rails_uv: Sequence[float | None] = ()) -> None:
        self.labels, self.rate = tuple(labels), rate
        self.hop = Layout.at(rate).hop
        sections = emg_band_pass(rate)
        self._sos = np.insert(sections, 3, 1.0, axis=1)
        n = len(labels)
        self._state = np.zeros((len(sections), 2, n))
        self._rest: Floats = np.zeros((0, n))
        self._recent: Floats = np.zeros((WINDOW_FRAMES, n))
        self.frames = 0
        self._raw: deque[Floats] = deque()
        self._n_raw = 0
        self.rails_uv: tuple[float | None, ...] = tuple(rails_uv) or (None,) * n

    def push(self, uv: Floats) -> Floats:
        """Take samples in the order in which they come, shape (n, n_channels); gives new points of the envelope.

        Returns
        -------
        float64, shape (n_points, n_channels), µV: RMS over the last 100 ms, a point for each 10 ms.
        """
        from scipy.signal import sosfilt

        self._keep(uv)
        passed, self._state = sosfilt(self._sos, uv, axis=0, zi=self._state)
        held = np.concatenate((self._rest, passed))
        whole = len(held) // self.hop
        self._rest = held[whole * self.hop :]
        if not whole:
            return np.zeros((0, len(self.labels)))
        energy = (held[: whole * self.hop] ** 2).reshape(whole, self.hop, -1).mean(axis=1)
        self._recent = np.concatenate((self._recent, energy))
        sums = np.cumsum(np.concatenate((np.zeros((1, len(self.labels))), self._recent)), axis=0)
        points = np.sqrt(np.maximum(sums[WINDOW_FRAMES:] - sums[:-WINDOW_FRAMES], 0)[-whole:] / WINDOW_FRAMES)
        self._recent = self._recent[-WINDOW_FRAMES:]
        self.frames += whole
        return np.asarray(points, dtype=np.float64)

    def _keep(self, uv: Floats) -> None:
        self._raw.append(uv)
        self._n_raw += len(uv)
        most = round((CHECKED_S + 1) * float(self.rate))
        while self._raw and self._n_raw - len(self._raw[0]) >= most:
            self._n_raw -= len(self._raw.popleft())

    def gap(self) -> None:
        """Begin anew after samples that were not received: the filter settles again."""
        self._state[:] = 0
        self._rest = self._rest[:0]
        self._raw.clear()
        self._n_raw = 0

    def contact(self) -> list[Contact]:
        """Each channel over the last seconds, by the sweep and the quality tests of the reports."""
        if self._n_raw < 2 * float(self.rate):
            return []
        raw = np.concatenate(list(self._raw))
        labels = [f"EMG {k}" for k in range(len(self.labels))]
        recording = from_array(raw.T, self.rate, labels)
        found = []
        for k, frames in enumerate(sweep(recording, recording.channels, threads=1)):
            blocks = slice(1, None)  # the first second holds the settling of the filter
            rms = block_rms_uv(frames)[blocks]
            level = float(np.median(rms)) if len(rms) else 0.0
            share = hum_share_pct(frames, blocks) if level > 0 else None
            faults = self._faults(raw[:, k], k, assess(frames).faults)
            if share is not None and share > HUM_PCT:
                faults = (*faults, f"mains hum is {share:.0f} % of the amplitude")
            found.append(
                Contact(
                    self.labels[k],
                    level,
                    float(rms.min()) if len(rms) else 0.0,
                    share,
                    faults,
                )
            )
        return found

    def _faults(self, raw: Floats, k: int, found: Mapping[str, Spans]) -> tuple[str, ...]:
        words = []
        rail = self.rails_uv[k]
        last = raw[-round(float(self.rate)) :]
        if float(np.ptp(last)) < FLAT_UV:
            words.append(REASONS["flat"])
        if rail is not None and (np.abs(last) >= 0.999 * rail).any():
            words.append(REASONS["rail"])
        for reason, spans in found.items():
            if reason in ("contact_lost", "movement", "spikes") and len(spans):
                words.append(REASONS[reason])
        return tuple(dict.fromkeys(words))
