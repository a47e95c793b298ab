"""Faults of home recordings of the jaw muscles, drawn without sight of the detectors.

Each takes ``(signal_uv, rate_hz, rng, strength)``: samples in µV, one row a channel, and a strength from 0 (nothing)
to 1 (severe). It returns a new array. Levels and times are common practice without a source unless said otherwise.
"""

from collections.abc import Callable, Iterator

import numpy as np
from scipy.ndimage import gaussian_filter1d, uniform_filter1d
from scipy.signal import butter, sosfiltfilt

from tests.blind.night import band_noise


def _spots(samples: int, rate_hz: float, rng, every_s: float) -> Iterator[int]:
    """One sample somewhere in each stretch of ``every_s``, the last one left free."""
    step = int(every_s * rate_hz)
    for start in range(0, samples - step, step):
        yield start + int(rng.uniform(0.1, 0.9) * step)


def _add(channel: np.ndarray, start: int, wave: np.ndarray) -> None:
    stop = min(start + len(wave), len(channel))
    channel[start:stop] += wave[: stop - start]


def _slow(samples: int, rate_hz: float, rng, high_hz: float) -> np.ndarray:
    """Noise below ``high_hz`` with an RMS of 1, made of one knot per quarter of its period."""
    step = rate_hz / high_hz / 4
    knots = gaussian_filter1d(rng.standard_normal(int(samples / step) + 9), 1.5)
    noise = np.interp(np.arange(samples), (np.arange(len(knots)) - 4) * step, knots)
    return (noise - noise.mean()) / noise.std()


def _hum(samples: int, rate_hz: float, rng, shares: dict[int, float]) -> np.ndarray:
    """Mains of 50 Hz that wanders by some hundredths of a hertz: amplitude of each harmonic."""
    phase = 2 * np.pi * np.cumsum(50 + 0.03 * _slow(samples, rate_hz, rng, 0.02)) / rate_hz
    return sum(share * np.sin(number * phase + rng.uniform(0, 2 * np.pi)) for number, share in shares.items())


def _beats(samples: int, rate_hz: float, rng, spread: float) -> Iterator[int]:
    """Samples of heart beats, 57 a minute, each interval drawn anew within ``spread`` of it."""
    at_s = rng.uniform(0, 1)
    while (at := int(at_s * rate_hz)) < samples:
        yield at
        at_s += 1.05 * rng.uniform(1 - spread, 1 + spread)


def sweat_bridge(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """Sweat under the electrodes: the baseline wanders, then a film of sweat shorts the pair in part.

    Wander below 0.2 Hz with an RMS of 1500 µV x strength on each channel. In the middle third of the night the
    gain of both falls to 1 - 0.6 x strength, over a tenth of the night each way. Common practice, no source.
    """
    samples = signal_uv.shape[1]
    bridge = np.interp(np.arange(samples) / samples, [0.23, 0.33, 0.67, 0.77], [0, 1, 1, 0])
    drift = np.stack([_slow(samples, rate_hz, rng, 0.2) for _ in signal_uv])
    return signal_uv * (1 - 0.6 * strength * bridge) + 1500 * strength * drift


def half_detached(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """One electrode of one side comes off by and by.

    From a point at 30 to 60 % of the night its gain falls by 0.5 x strength to the end, and noise of 10-300 Hz
    rises exponentially to about 35 µV RMS x strength, with a flutter of some seconds. Common practice, no source.
    """
    out, samples = signal_uv.copy(), signal_uv.shape[1]
    side, start = rng.integers(len(out)), int(rng.uniform(0.3, 0.6) * samples)
    part = np.linspace(0, 1, samples - start)
    flutter = np.exp(0.35 * _slow(samples - start, rate_hz, rng, 0.3))
    noise = (
        band_noise(samples - start, (10, 300), rate_hz, rng) * (np.expm1(3 * part) / np.expm1(3)) * flutter
    )
    out[side, start:] = out[side, start:] * (1 - 0.5 * strength * part) + 35 * strength * noise
    return out


def cable_sway(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """The cable of one side swings and rubs: bumps that look like a swallow.

    Every 45 s one to five bumps, 0.8 to 1.2 s from one to the next, each 0.4 to 0.9 s long: a slow hump of
    600 µV x strength and rubbing noise of 20-90 Hz, at its height 60 µV RMS x strength. No source.
    """
    out = signal_uv.copy()
    side = rng.integers(len(out))
    for start in _spots(out.shape[1], rate_hz, rng, 45):
        at = start
        for _ in range(rng.integers(1, 6)):
            samples = int(rng.uniform(0.4, 0.9) * rate_hz)
            rub = 60 * band_noise(samples, (20, 90), rate_hz, rng) + 600 * rng.choice([-1, 1])
            _add(out[side], at, strength * np.hanning(samples) * rub)
            at += int(rng.uniform(0.8, 1.2) * rate_hz)
    return out


def charger_bursts(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """A phone on its charger beside the pillow: the supply hiccups, the phone polls.

    Every 90 s, for 5 to 15 s: 0.4 s on and 1.1 s off of narrow pulses, 100 a second; then once a train of 217
    pulses a second for 1.5 s (frames of second-generation mobile phones; from memory). RMS while on 60 µV x strength on
    the left, 0.6 of it on the right, in phase.
    """
    out = signal_uv.copy()
    for start in _spots(out.shape[1], rate_hz, rng, 90):
        trains = [(1.5 * k, 0.4, 100) for k in range(int(rng.uniform(5, 15) / 1.5))]
        trains.append((trains[-1][0] + 4, 1.5, 217))
        for offset_s, length_s, per_s in trains:
            t_s = np.arange(int(length_s * rate_hz)) / rate_hz
            pulse = (t_s * per_s % 1 < 0.15).astype(float)
            pulse = (pulse - pulse.mean()) / pulse.std()
            for channel, share in zip(out, (1, 0.6), strict=False):
                _add(channel, start + int(offset_s * rate_hz), 60 * strength * share * pulse)
    return out


def posture_hum(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """Mains that comes with posture: near the wall or the bedside lamp it is strong, elsewhere absent.

    Postures last a sixth to a fifth of the night; the amplitude of 50 Hz is drawn for each and each side from 0
    to 90 µV x strength, with 40 % at 150 Hz and 20 % at 250 Hz, and changes over 1 s. Breathing moves it by 10 %.
    Common practice, no source.
    """
    samples = signal_uv.shape[1]
    breathing = 1 + 0.1 * np.sin(2 * np.pi * 0.24 * np.arange(samples) / rate_hz)
    hum = _hum(samples, rate_hz, rng, {1: 1, 3: 0.4, 5: 0.2}) * breathing
    out = signal_uv.copy()
    turns = np.cumsum(rng.uniform(1 / 6, 1 / 5, 7)) * samples
    posture = np.searchsorted(turns, np.arange(samples))
    for channel in out:
        level = uniform_filter1d(rng.uniform(0, 90, 8)[posture], int(rate_hz))
        channel[:] += strength * level * hum
    return out


def snoring(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """Snoring shakes skin and electrodes: a buzz of 70 to 110 Hz with each breath in.

    Trains of 10 to 30 breaths, one every 4 s; each buzz lasts 1.3 s, has four harmonics and flutters at 25 Hz.
    At its height 45 µV RMS x strength on the left, 0.8 of it on the right. Common practice, no source.
    """
    out = signal_uv.copy()
    for start in _spots(out.shape[1], rate_hz, rng, 200):
        base_hz = rng.uniform(70, 110)
        for breath in range(rng.integers(10, 31)):
            t_s = np.arange(int(1.3 * rate_hz)) / rate_hz
            phase = 2 * np.pi * base_hz * (t_s - 0.05 * t_s**2)
            buzz = sum(np.sin(k * phase + rng.uniform(0, 6)) / k for k in range(1, 5))
            buzz *= (1 + 0.5 * np.sin(2 * np.pi * 25 * t_s)) * np.hanning(len(t_s))
            at = start + int((4 * breath + rng.uniform(-0.3, 0.3)) * rate_hz)
            for channel, share in zip(out, (1, 0.8), strict=False):
                _add(channel, at, 45 * strength * share * rng.uniform(0.6, 1) * buzz / 0.9)
    return out


def pulse(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """An electrode over an artery: the pulse wave lifts it with every beat.

    One side; 57 a minute, intervals within 8 %; each wave rises within 60 ms to 1500 µV x strength and falls over
    0.5 s with a second hump. Nearly all of it lies below 20 Hz. Common practice, no source.
    """
    out = signal_uv.copy()
    side = rng.integers(len(out))
    t_s = np.arange(int(0.8 * rate_hz)) / rate_hz
    wave = np.clip(t_s / 0.06, 0, 1) ** 2 * np.exp(-t_s / 0.16) + 0.2 * np.exp(-(((t_s - 0.35) / 0.06) ** 2))
    wave = gaussian_filter1d(wave, 0.008 * rate_hz) * np.hanning(2 * len(t_s))[len(t_s) :]
    for beat in _beats(out.shape[1], rate_hz, rng, 0.08):
        _add(out[side], beat, 1500 * strength * rng.uniform(0.7, 1) * wave / wave.max())
    return out


def ectopic_heart(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """The heart's own signal in the jaw, with an uneven rhythm and extra beats.

    Intervals within 30 %; R waves of about 40 ms and 350 µV x strength on the left, 0.4 of it on the right. One in
    eight is an extra beat: early, 140 ms wide, 1.6 times as large. From memory.
    """
    out = signal_uv.copy()
    for beat in _beats(out.shape[1], rate_hz, rng, 0.3):
        extra = rng.random() < 1 / 8
        width_s, size, early_s = (0.14, 1.6, 0.2) if extra else (0.04, 1.0, 0.0)
        t_s = np.arange(-width_s, 2 * width_s, 1 / rate_hz)
        wave = np.exp(-((t_s / (0.25 * width_s)) ** 2)) - 0.35 * np.exp(
            -(((t_s - 0.45 * width_s) / (0.3 * width_s)) ** 2)
        )
        for channel, share in zip(out, (1, 0.4), strict=False):
            _add(channel, max(0, beat - int(early_s * rate_hz)), 350 * strength * size * share * wave)
    return out


def gain_creep(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """Gel that soaks in or dries out: the gain of both sides creeps from the first minute to the last.

    At the end (1 + 0.8 x strength) times the gain of the start, or its inverse; exponential in between. Common
    practice, no source; such a creep takes a night, here it takes the length of the signal.
    """
    end = (1 + 0.8 * strength) ** rng.choice([-1, 1])
    return signal_uv * end ** np.linspace(0, 1, signal_uv.shape[1])


def hum_under_muscle(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """Mains and its harmonics that vanish while the muscle is active, as with a recorder that regulates itself.

    50, 100, 150 and 250 Hz, together 30 µV RMS x strength on both sides at rest; while the EMG of 0.1 s lies above
    three times its median they fade out, each side for itself. Common practice, no source.
    """
    out, samples = signal_uv.copy(), signal_uv.shape[1]
    high_pass = butter(2, 20, "highpass", fs=rate_hz, output="sos")
    hum = _hum(samples, rate_hz, rng, {1: 1, 2: 0.5, 3: 0.5, 5: 0.3}) / np.sqrt(0.795)
    for channel in out:
        envelope = np.sqrt(uniform_filter1d(sosfiltfilt(high_pass, channel) ** 2, int(0.1 * rate_hz)))
        rest = np.clip(2 - envelope / (3 * np.median(envelope)), 0, 1)
        channel[:] += 30 * strength * rest * hum
    return out


def amplifier_blocking(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """A tug blocks the amplifier of one side: rail, then a slow way back with little gain.

    Every 50 s, half of them at the loudest moment within 10 s, as people move when they clench. The rail of
    5000 µV is held for 0.1 s + 1.2 s x strength; then an offset of 3000 µV falls with a time constant of
    0.2 s + 0.5 s x strength while the gain comes back with the same. Common practice, no source.
    """
    out, samples = signal_uv.copy(), signal_uv.shape[1]
    if not strength:
        return out
    for spot in _spots(samples, rate_hz, rng, 50):
        side, sign, start = rng.integers(len(out)), rng.choice([-1, 1]), spot
        if rng.random() < 0.5:
            low = max(0, spot - int(10 * rate_hz))
            start = low + int(np.argmax(np.abs(signal_uv[side, low : spot + int(10 * rate_hz)])))
        held, tau_s = int((0.1 + 1.2 * strength) * rate_hz), 0.2 + 0.5 * strength
        back = np.exp(-np.arange(int(6 * tau_s * rate_hz)) / rate_hz / tau_s)
        out[side, start : start + held] = 5000 * sign
        after = out[side, start + held : start + held + len(back)]
        after *= 1 - back[: len(after)]
        after += 3000 * sign * back[: len(after)]
    return out


def packets_held(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """Radio packets that do not arrive; the receiver repeats the last value.

    Packets of 40 ms, all channels at once. In half of the minutes (the body lies between) 0.3 x strength of them are
    lost, in runs of three on average; in the others a tenth of that. Common practice, no source.
    """
    out, step = signal_uv.copy(), int(0.04 * rate_hz)
    poor, lost = False, False
    for number, start in enumerate(range(step, out.shape[1], step)):
        if number % 1500 == 0:
            poor = rng.random() < 0.5
        share = 0.3 * strength * (1 if poor else 0.1)
        lost = rng.random() < (2 / 3 if lost else share / (1 - share) / 3)
        if lost:
            out[:, start : start + step] = out[:, start - 1 : start]
    return out


def card_writes(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """A recorder that writes to its card: the supply gives way, and the converter hears it.

    Every 2.0 s, for 0.3 s, noise of 150-400 Hz, 35 µV RMS x strength on all channels alike, in half of the minutes only
    (the others find the card's buffer empty). Common practice, no source.
    """
    out = signal_uv.copy()
    minutes = rng.random(int(out.shape[1] / rate_hz / 60) + 1) < 0.5
    for k in range(int(out.shape[1] / rate_hz / 2)):
        if minutes[k // 30]:
            wave = 35 * strength * band_noise(int(0.3 * rate_hz), (150, 400), rate_hz, rng)
            for channel in out:
                _add(channel, int(2 * k * rate_hz), wave)
    return out


def coarse_steps(signal_uv: np.ndarray, rate_hz: float, rng, strength: float) -> np.ndarray:
    """A converter with too few steps for its range, set to too large a range.

    Every value is rounded to a multiple of 30 µV x strength. Common practice, no source.
    """
    if not strength:
        return signal_uv.copy()
    step_uv = 30 * strength
    return np.round(signal_uv / step_uv) * step_uv


Fault = Callable[[np.ndarray, float, np.random.Generator, float], np.ndarray]

# From the skin to the file: of two faults, the one named first comes first.
FAULTS: dict[str, Fault] = {
    fault.__name__: fault
    for fault in (
        sweat_bridge,
        half_detached,
        cable_sway,
        snoring,
        pulse,
        ectopic_heart,
        charger_bursts,
        posture_hum,
        gain_creep,
        hum_under_muscle,
        amplifier_blocking,
        card_writes,
        coarse_steps,
        packets_held,
    )
}
STRENGTHS = {"mild": 0.2, "moderate": 0.5, "severe": 1.0}
