"""Short nights for tests, made with numpy alone: EMG-shaped noise at known levels."""

import numpy as np

from sleepbrux.recording.memory import from_array
from sleepbrux.recording.model import Mark

RATE = 1000
LABELS = ["EMG Masseter L", "EMG Masseter R"]


def emg(rng, n, rate=RATE, low_hz=60.0, high_hz=140.0):
    """Gaussian noise of RMS 1 whose power lies between two frequencies."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    frequencies = np.fft.rfftfreq(n, 1 / rate)
    spectrum[(frequencies < low_hz) | (frequencies > high_hz)] = 0
    signal = np.fft.irfft(spectrum, n)
    return signal / signal.std()


def signal_of(bursts, *, seconds, rate=RATE, rest_uv=2.5, seed=0):
    """One channel in µV: rest, and bursts of (start_s, stop_s, level_uv)."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate)
    level = np.full(n, rest_uv)
    for start, stop, burst_uv in bursts:
        level[round(start * rate) : round(stop * rate)] = burst_uv
    return emg(rng, n, rate) * level


def recording_of(channels, *, seconds, marks=(), rate=RATE, labels=None, seed=0, **options):
    """A recording of one list of bursts a channel; marks as (start_s, duration_s, text)."""
    data = np.stack([signal_of(b, seconds=seconds, rate=rate, seed=seed + k) for k, b in enumerate(channels)])
    return from_array(
        data,
        rate,
        (labels or LABELS)[: len(channels)],
        marks=[Mark(float(a), float(d), text) for a, d, text in marks],
        **options,
    )


def rhythm(start, count, *, level_uv=80.0, duration=0.5, period=1.0):
    """Bursts at a regular pace."""
    return [(start + k * period, start + k * period + duration, level_uv) for k in range(count)]
