"""Noise with the spectrum of a surface EMG, in tiles, so that a night never lies in memory whole.

The night is cut into tiles of `TILE_S` seconds. Each tile is drawn in the frequency domain from its
own child seed, a little longer than it is, and its tail is faded into the head of the next one::

    tile 0   |------------------\\
    tile 1                   /------------------\\
    out      |---------------~~~----------------~~~

So the samples depend on seed, channel and rate, and on nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import ndtr

Samples = NDArray[np.float32]

TILE_S = 60
FADE_S = 0.128
MEDIAN_HZ = 106.0  # surface EMG of the jaw closers: most power between 50 and 250 Hz
LOG_SPREAD = 0.52  # so that a rate of 250 Hz, which halves the band, still leaves the median above 80 Hz
BAND_HZ = (8.0, 1000.0)  # less than 1e-5 of the power lies outside


def child_rng(seed: int, *key: int) -> np.random.Generator:
    """Generator of its own for each key, whatever was drawn elsewhere.

    Parameters
    ----------
    seed
        Seed of the night.
    key
        Numbers that name the stream, such as channel, kind of noise and tile.
    """
    sequence = np.random.SeedSequence(seed, spawn_key=key)
    return np.random.Generator(np.random.SFC64(sequence))


def band_power(low_hz: float, high_hz: float) -> float:
    """Share of the noise power between two frequencies, at a rate that cuts nothing off."""
    low, high = (math.log(f / MEDIAN_HZ) / LOG_SPREAD for f in (low_hz, high_hz))
    return float(ndtr(high) - ndtr(low))


def amplitude_spectrum(n_fft: int, rate: int, median_hz: float = MEDIAN_HZ) -> tuple[int, Samples]:
    """Amplitude of each frequency bin that is drawn, for noise of unit RMS.

    The power is log-normal in frequency and cut off at half the rate.

    Returns
    -------
    first
        Number of the first bin that is drawn.
    amplitude
        float32, shape (n_bins,); the bins from ``first`` on, the rest is zero.
    """
    step_hz = rate / n_fft
    first = max(1, math.ceil(BAND_HZ[0] / step_hz))
    stop = min(math.ceil(BAND_HZ[1] / step_hz), (n_fft - 1) // 2)
    log_hz = np.log(np.arange(first, stop) * step_hz / median_hz)
    power = np.exp(-0.5 * (log_hz / LOG_SPREAD) ** 2 - log_hz)
    # Mean square of the signal is 2 * sum(|X|^2) / n_fft^2; each |X|^2 averages 2 * amplitude^2.
    scale = n_fft / (2.0 * math.sqrt(float(power.sum())))
    return first, (scale * np.sqrt(power)).astype(np.float32)


def _draw(rng: np.random.Generator, n_fft: int, first: int, amplitude: Samples) -> Samples:
    bins = np.zeros(n_fft // 2 + 1, dtype=np.complex64)
    normal = rng.standard_normal(2 * len(amplitude), dtype=np.float32)
    np.multiply(normal.view(np.complex64), amplitude, out=bins[first : first + len(amplitude)])
    return np.asarray(fft.irfft(bins, n_fft, overwrite_x=True), dtype=np.float32)


def emg_noise(seed: int, channel: int, rate: int, median_hz: float = MEDIAN_HZ) -> Iterator[Samples]:
    """Endless Gaussian noise of unit RMS with the spectrum of a surface EMG.

    Parameters
    ----------
    seed
        Seed of the night.
    channel
        Number of the channel; channels are independent.
    rate
        Samples a second, 250 to 4000.
    median_hz
        Half of the power lies below.

    Yields
    ------
    Samples
        float32, shape (`TILE_S` * rate,), unit RMS.
    """
    n_tile, n_fade = TILE_S * rate, round(FADE_S * rate)
    n_fft = int(fft.next_fast_len(n_tile + n_fade, real=True))
    first, amplitude = amplitude_spectrum(n_fft, rate, median_hz)
    # sine and cosine: the power of two independent noises stays 1 all through the fade
    angle = (np.arange(n_fade, dtype=np.float32) + np.float32(0.5)) * np.float32(0.5 * np.pi / n_fade)
    tile, tail = 0, np.zeros(0, dtype=np.float32)
    while True:
        drawn = _draw(child_rng(seed, channel, 0, tile), n_fft, first, amplitude)
        head = drawn[:n_tile]
        if tile:
            head[:n_fade] = head[:n_fade] * np.sin(angle) + tail * np.cos(angle)
        tail = drawn[n_tile : n_tile + n_fade].copy()
        yield head
        tile += 1


def white_noise(seed: int, channel: int, tile: int, rate: int) -> Samples:
    """Noise of the amplifier for one tile: float32, shape (`TILE_S` * rate,), unit RMS."""
    return child_rng(seed, channel, 1, tile).standard_normal(TILE_S * rate, dtype=np.float32)


def slow_wander(rng: np.random.Generator, n: int, memory: float) -> NDArray[np.float64]:
    """First-order random wander of unit variance that forgets in ``memory`` steps.

    Returns
    -------
    wander
        float64, shape (n,).
    """
    from scipy.signal import lfilter

    keep = math.exp(-1.0 / memory)
    steps = rng.standard_normal(n) * math.sqrt(1.0 - keep * keep)
    steps[0] = rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], steps), dtype=np.float64)
