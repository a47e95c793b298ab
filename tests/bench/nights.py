"""Nights for the benchmark: the realistic one of `synth`, and fast ones of any size."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.edf_writer import EdfSignal, write_edf
from sleepbrux.synth import Recipe, plan_night, write_night

LABELS = ("EMG Masseter L", "EMG Masseter R", "EMG Temporalis L", "EMG Temporalis R")
BLOCK_S = 60
REST_STEPS = 25  # RMS in steps of 0.1 µV
BURST_TIMES_REST = 30
BURST_S = 3


def realistic(path: Path, *, hours: float = 8, rate: int = 2000, seed: int = 1) -> Path:
    """The night of the main table: two channels, clenches, lights marks, about 39 episodes."""
    write_night(plan_night(Recipe(hours=hours), seed=seed), path, rate=rate)
    return path


def noise(rate: int, channels: int) -> NDArray[np.float64]:
    """One minute of noise within the band, RMS 1, shape (channels, n)."""
    rng = np.random.default_rng(7)
    n = BLOCK_S * rate
    spectrum = np.fft.rfft(rng.standard_normal((channels, n)), axis=1)
    hz = np.fft.rfftfreq(n, 1 / rate)
    spectrum[:, (hz < 60) | (hz > min(140, rate / 2))] = 0
    signal = np.fft.irfft(spectrum, n, axis=1)
    return signal / signal.std(axis=1, keepdims=True)


def plain(path: Path, *, hours: float, rate: int, channels: int, episodes: int) -> Path:
    """Noise at rest with that many tonic bursts of 3 s, evenly spread; written in seconds.

    Parameters
    ----------
    episodes
        At most one in 12 s.
    """
    seconds = round(hours * 3600)
    step = seconds / max(episodes, 1)
    assert step >= 12, "no room for so many episodes"
    starts = np.floor(np.arange(episodes) * step + 4).astype(int)
    rest = noise(rate, channels)

    def blocks() -> Iterator[list[NDArray[np.int16]]]:
        for first in range(0, seconds, BLOCK_S):
            length = min(BLOCK_S, seconds - first)
            level = np.full(length * rate, float(REST_STEPS))
            for start in starts[(starts > first - BURST_S) & (starts < first + length)]:
                a, b = start - first, start - first + BURST_S
                level[max(a, 0) * rate : max(b, 0) * rate] *= BURST_TIMES_REST
            yield [np.round(row[: length * rate] * level).astype(np.int16) for row in rest]

    signals = [EdfSignal(label, rate) for label in LABELS[:channels]]
    write_edf(path, signals, blocks(), onsets=list(range(seconds)))
    return path
