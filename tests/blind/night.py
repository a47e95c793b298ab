"""Clean nights with known truth, drawn without sight of the detectors and without `sleepbrux.synth`.

All figures: common practice, no source. Nights are short and dense, so that a few minutes tell.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, sosfilt

LABELS = ("EMG Masseter L", "EMG Masseter R")
MVC_UV = 200.0
REST_UV = 2.5


@dataclass(frozen=True)
class Event:
    """One true episode; times in seconds from the first sample."""

    kind: str
    bursts_s: tuple[tuple[float, float], ...]
    level_uv: float
    sides: tuple[bool, bool]


@dataclass(frozen=True)
class CleanNight:
    signal_uv: np.ndarray
    rate_hz: int
    events: tuple[Event, ...]


def band_noise(samples: int, band_hz: tuple[float, float], rate_hz: float, rng) -> np.ndarray:
    """Noise of a band with an RMS of 1."""
    high_hz = min(band_hz[1], 0.45 * rate_hz)
    noise = sosfilt(
        butter(3, (band_hz[0], high_hz), "bandpass", fs=rate_hz, output="sos"),
        rng.standard_normal(samples + int(rate_hz)),
    )[int(rate_hz) :]
    return noise / np.sqrt(np.mean(noise**2))


def muscle_noise(samples: int, rate_hz: float, rng) -> np.ndarray:
    """Noise with the spectrum of a surface EMG, RMS 1: most of it at 40 to 160 Hz, less up to 400 Hz."""
    noise = 0.9 * band_noise(samples, (40, 160), rate_hz, rng) + 0.45 * band_noise(
        samples, (20, 400), rate_hz, rng
    )
    return noise / np.sqrt(np.mean(noise**2))


def _bursts(kind: str, start_s: float, rng) -> tuple[tuple[float, float], ...]:
    lengths_s = list(rng.uniform(0.4, 1.5, rng.integers(3, 7)))
    if kind == "tonic":
        lengths_s = [rng.uniform(2.6, 7.0)]
    elif kind == "mixed":
        lengths_s[rng.integers(len(lengths_s))] = rng.uniform(2.6, 5.0)
    bursts, at_s = [], start_s
    for length_s in lengths_s:
        bursts.append((at_s, at_s + length_s))
        at_s += length_s + rng.uniform(0.5, 1.3)
    return tuple(bursts)


def _events(duration_s: float, rng) -> tuple[Event, ...]:
    """About one event every 35 s, at least 8 s apart; of five, three on both sides, one left, one right."""
    events, at_s = [], 15.0
    while at_s < duration_s - 40:
        kind = str(rng.choice(["phasic", "phasic", "phasic", "tonic", "mixed"]))
        bursts_s = _bursts(kind, at_s, rng)
        level_uv = MVC_UV * float(np.exp(rng.uniform(np.log(0.14), np.log(0.7))))
        sides = [(True, True)] * 3 + [(True, False), (False, True)]
        events.append(Event(kind, bursts_s, level_uv, sides[rng.integers(5)]))
        at_s = bursts_s[-1][1] + rng.uniform(8, 50)
    return tuple(events)


def clean_night(
    seed: int, *, duration_s: float = 1440, rate_hz: int = 1000, events: bool = True
) -> CleanNight:
    """Two masseters at rest, REST_UV with some slow noise below 20 Hz, and bursts whose truth is known.

    A burst is noise with the spectrum of a muscle that rises and falls within 40 ms; its RMS in between is the
    level of its event (14 to 70 % of MVC_UV, a flat distribution of logarithms), on the right 0.8 of it.
    """
    rng = np.random.default_rng([seed, 1])
    samples = int(duration_s * rate_hz)
    signal_uv = np.stack([
        REST_UV * muscle_noise(samples, rate_hz, rng) + 4 * band_noise(samples, (0.5, 8), rate_hz, rng)
        for _ in LABELS
    ])  # fmt: skip
    truth = _events(duration_s, rng) if events else ()
    for event in truth:
        for start_s, stop_s in event.bursts_s:
            start, stop = round(start_s * rate_hz), round(stop_s * rate_hz)
            t_s = np.arange(stop - start) / rate_hz
            shape = np.clip(np.minimum(t_s, t_s[::-1]) / 0.04, 0, 1)
            for channel, active in enumerate(event.sides):
                if active:
                    level_uv = event.level_uv * (1.0, 0.8 if all(event.sides) else 1.0)[channel]
                    signal_uv[channel, start:stop] += (
                        level_uv * shape * muscle_noise(stop - start, rate_hz, rng)
                    )
    return CleanNight(signal_uv, rate_hz, truth)
