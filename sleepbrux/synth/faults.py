"""What goes wrong at electrodes, cables and amplifiers, with the shape that physics gives it.

Each fault is drawn from its own seed alone, so the night under it is the clean night sample by sample.
Sizes and times are of the order met in home recordings (common practice, no source)::

    pop           a jump of the electrode's half-cell potential, then the amplifier's recovery
    drift         a slow swing of the skin potential, and its recovery
    sway          the cable swings: 0.5-10 Hz, with friction noise that follows its speed
    mains         hum with harmonics 3 and 5 that grows and fades
    spikes        a train of discharges of 0.5-4 ms
    gain          the amplifier's factor changes and changes back
    open_input    the electrode hangs free: noise of the open input, white and 1/f
    open_mains    the electrode hangs free near a cable: mains, noise
    electrode_pop a pop as seen at a masseter electrode: up in 5-20 ms, a lobe the other way, back in 100-200
                  ms; one to five of them 0.12-0.45 s apart
    crackle       as that, small and many
    slow_swing    a swing below 4 Hz, as jaw and skin move
    sweat         skin potential that wanders below 0.5 Hz
    rail          the input leaves the range, comes back part of the way now and then, and recovers
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sleepbrux.synth.night import Fault, FaultKind, Side
from sleepbrux.synth.signal import Samples, child_rng

MAINS_HZ = 49.8
HARMONICS = ((1, 1.0), (3, 0.3), (5, 0.15))
# kind: seconds from start to stop, size (the unit is in `Fault`), both spread over the logarithm
LIMITS: dict[FaultKind, tuple[tuple[float, float], tuple[float, float]]] = {
    "pop": ((1.0, 5.0), (300.0, 5000.0)),
    "drift": ((4.0, 20.0), (300.0, 5000.0)),
    "sway": ((2.0, 15.0), (150.0, 2000.0)),
    "mains": ((30.0, 300.0), (3.0, 40.0)),
    "spikes": ((2.0, 20.0), (500.0, 5000.0)),
    "gain": ((60.0, 300.0), (2.0, 5.0)),
    "open_input": ((10.0, 120.0), (0.5, 20.0)),
    "open_mains": ((10.0, 120.0), (50.0, 1500.0)),
    "rail": ((5.0, 60.0), (1.0, 1.0)),
    "electrode_pop": ((0.6, 2.5), (1000.0, 5000.0)),
    "crackle": ((2.0, 10.0), (30.0, 150.0)),
    "slow_swing": ((1.0, 10.0), (500.0, 3000.0)),
    "sweat": ((30.0, 120.0), (100.0, 500.0)),
}
# A place here is part of the seed: new kinds come last.
SEEDS = (
    "drift",
    "gain",
    "mains",
    "open_input",
    "open_mains",
    "pop",
    "rail",
    "spikes",
    "sway",
    "electrode_pop",
    "crackle",
    "slow_swing",
    "sweat",
)


def draw_faults(
    kind: FaultKind, side: Side, *, seed: int, first_s: float, last_s: float, n: int
) -> tuple[Fault, ...]:
    """``n`` faults of a kind between two seconds, in order, at least 2 s apart where there is room."""
    rng = child_rng(seed, 31, SEEDS.index(kind))
    lengths, sizes = LIMITS[kind]
    long, size = (np.exp(rng.uniform(np.log(low), np.log(high), n)) for low, high in (lengths, sizes))
    room = max(last_s - first_s - float(long.sum()) - 2.0 * n, 0.0)
    starts = first_s + np.sort(rng.uniform(0, room, n)) + np.cumsum(long + 2.0) - long
    keep = starts + long <= last_s
    return tuple(
        Fault(kind, side, round(float(a), 3), round(float(a + d), 3), round(float(s), 3), k)
        for a, d, s, k in zip(
            starts[keep],
            long[keep],
            size[keep],
            rng.integers(2**31, size=n)[keep].tolist(),
            strict=True,
        )
    )


def pink_noise(rng: np.random.Generator, n: int, rate: int, low_hz: float, high_hz: float) -> Samples:
    """Noise of unit RMS whose power falls as 1/f between two frequencies."""
    bins = rng.standard_normal(2 * (n // 2 + 1)).view(np.complex128)
    hz = np.fft.rfftfreq(n, 1 / rate)
    keep = (hz >= low_hz) & (hz <= high_hz)
    bins = np.where(keep, bins / np.sqrt(np.maximum(hz, 1e-9)), 0.0)
    noise = np.fft.irfft(bins, n)
    return np.asarray(noise / max(float(noise.std()), 1e-12), dtype=np.float32)


def _hum(fault: Fault, t: Samples) -> Samples:
    """Mains of amplitude 1 with harmonics, growing and fading by half within a minute."""
    rng = child_rng(fault.seed, 1)
    phases, slow = rng.uniform(0, 2 * np.pi, 4), rng.uniform(20.0, 90.0)
    wave = sum(
        share * np.sin(2 * np.pi * MAINS_HZ * k * t + phase)
        for (k, share), phase in zip(HARMONICS, phases, strict=False)
    )
    swell = 2.0 ** (0.6 * np.sin(2 * np.pi * t / slow + phases[3]))
    return np.asarray(wave * swell, dtype=np.float32)


def _fading(t: Samples, length_s: float, ramp_s: float) -> Samples:
    """1, with straight ramps at both ends."""
    ends = np.minimum(t, length_s - t) / ramp_s
    return np.asarray(np.clip(ends, 0.0, 1.0), dtype=np.float32)


def _pop(fault: Fault, t: Samples, rate: int) -> Samples:
    rng = child_rng(fault.seed, 0)
    tau = (fault.stop_s - fault.start_s) / 5
    rise = float(rng.uniform(0.001, 0.005))
    sign = float(rng.choice([-1.0, 1.0]))
    crackle = 0.1 * pink_noise(rng, len(t), rate, 20.0, 0.45 * rate) * np.exp(-t / 0.05)
    return np.asarray(
        fault.size * (sign * (1 - np.exp(-t / rise)) * np.exp(-t / tau) + crackle), dtype=np.float32
    )


def _drift(fault: Fault, t: Samples, rate: int) -> Samples:
    del rate
    rng = child_rng(fault.seed, 0)
    length = fault.stop_s - fault.start_s
    up = length * float(rng.uniform(0.1, 0.3))
    swing = np.where(t < up, 0.5 - 0.5 * np.cos(np.pi * t / up), np.exp(-(t - up) / (0.2 * length)))
    return np.asarray(fault.size * rng.choice([-1.0, 1.0]) * swing, dtype=np.float32)


def _sway(fault: Fault, t: Samples, rate: int) -> Samples:
    """The swing, and friction noise of 4-12 % of it that follows the cable's speed."""
    rng = child_rng(fault.seed, 0)
    swing = pink_noise(rng, len(t), rate, 0.5, 10.0)
    speed = np.abs(np.gradient(swing)) * rate
    speed /= max(float(np.sqrt(np.mean(speed**2))), 1e-12)
    friction = rng.uniform(0.04, 0.12) * speed * pink_noise(rng, len(t), rate, 15.0, 0.45 * rate)
    whole = (swing + friction) * _fading(t, fault.stop_s - fault.start_s, 0.3)
    return np.asarray(fault.size * whole, dtype=np.float32)


def _mains(fault: Fault, t: Samples, rate: int) -> Samples:
    del rate
    ramp_s = float(np.exp(child_rng(fault.seed, 0).uniform(np.log(0.01), np.log(3.0))))
    length = fault.stop_s - fault.start_s
    return np.asarray(fault.size * _hum(fault, t) * _fading(t, length, ramp_s), dtype=np.float32)


def _spikes(fault: Fault, t: Samples, rate: int) -> Samples:
    """Discharges at random, one or both ways, 0.05 to 2 s apart."""
    rng = child_rng(fault.seed, 0)
    out = np.zeros(len(t))
    mean_gap = float(np.exp(rng.uniform(np.log(0.05), np.log(2.0))))
    both_ways = rng.random() < 0.5
    at = 0.0
    while at < t[-1]:
        width = float(rng.uniform(0.0005, 0.004))
        height = fault.size * float(rng.uniform(0.4, 1.0)) * float(rng.choice([-1.0, 1.0]))
        near = slice(*np.searchsorted(t, [at - 6 * width, at + 6 * width]).tolist())
        u = (t[near] - at) / width
        out[near] += height * np.exp(-0.5 * u * u) * (-u * 1.65 if both_ways else 1.0)
        out[min(round(at * rate), len(out) - 1)] += 0.3 * height  # never quite missed by sampling
        at += 0.03 + float(rng.exponential(mean_gap))
    return np.asarray(out, dtype=np.float32)


def _open_input(fault: Fault, t: Samples, rate: int) -> Samples:
    rng = child_rng(fault.seed, 0)
    white = rng.standard_normal(len(t))
    slow = pink_noise(rng, len(t), rate, 0.2, 0.45 * rate)
    return np.asarray(fault.size * (white + 0.5 * slow), dtype=np.float32)


def _open_mains(fault: Fault, t: Samples, rate: int) -> Samples:
    noise = child_rng(fault.seed, 0).standard_normal(len(t))
    return np.asarray(fault.size * (_hum(fault, t) + 0.05 * noise), dtype=np.float32)


def _one_pop(rng: np.random.Generator, t: Samples) -> NDArray[np.float64]:
    """A pop of height 1 at 0 s; times of its corners as seen in one person's masseter, awake."""
    from scipy.interpolate import PchipInterpolator

    rise, lobe, after = rng.uniform(0.005, 0.02), rng.uniform(0.2, 1.1), rng.uniform(0.015, 0.04)
    back = rng.uniform(0.1, 0.2)
    at = (-1e6, 0.0, rise, rise + after, rise + after + 0.35 * back, rise + after + back, 1e6)
    curve = PchipInterpolator(at, (0.0, 0.0, 1.0, -lobe, -0.35 * lobe, 0.0, 0.0))
    return np.asarray(rng.choice([-1.0, 1.0]) * curve(t), dtype=np.float64)


def _electrode_pop(fault: Fault, t: Samples, rate: int) -> Samples:
    del rate
    rng = child_rng(fault.seed, 0)
    at, out = 0.02, np.zeros(len(t))
    for _ in range(int(rng.integers(1, 6))):
        if at + 0.3 > t[-1]:
            break
        out += rng.uniform(0.5, 1.0) * _one_pop(rng, t - np.float32(at))
        at += float(rng.uniform(0.12, 0.45))
    return np.asarray(fault.size * out, dtype=np.float32)


def _crackle(fault: Fault, t: Samples, rate: int) -> Samples:
    del rate
    rng = child_rng(fault.seed, 0)
    at, out = 0.02, np.zeros(len(t))
    while at + 0.3 < t[-1]:
        out += rng.uniform(0.3, 1.0) * _one_pop(rng, t - np.float32(at))
        at += 0.06 + float(rng.exponential(0.2))
    return np.asarray(fault.size * out, dtype=np.float32)


def _low_noise(fault: Fault, t: Samples, rate: int, high_hz: float) -> NDArray[np.float64]:
    """Noise of unit RMS below a frequency, that comes and goes without a step."""
    noise = pink_noise(child_rng(fault.seed, 0), len(t), rate, high_hz / 20, high_hz)
    length = fault.stop_s - fault.start_s
    return np.asarray(noise * np.sin(np.pi * np.clip(t / length, 0.0, 1.0)) ** 2, dtype=np.float64)


def _slow_swing(fault: Fault, t: Samples, rate: int) -> Samples:
    swing = _low_noise(fault, t, rate, 3.5)
    return np.asarray(fault.size * swing / max(float(np.ptp(swing)), 1e-12), dtype=np.float32)


def _sweat(fault: Fault, t: Samples, rate: int) -> Samples:
    return np.asarray(fault.size * _low_noise(fault, t, rate, 0.5), dtype=np.float32)


ADDED: dict[str, Callable[[Fault, Samples, int], Samples]] = {
    "pop": _pop,
    "drift": _drift,
    "sway": _sway,
    "mains": _mains,
    "spikes": _spikes,
    "electrode_pop": _electrode_pop,
    "crackle": _crackle,
    "slow_swing": _slow_swing,
    "sweat": _sweat,
}
INSTEAD: dict[str, Callable[[Fault, Samples, int], Samples]] = {
    "open_input": _open_input,
    "open_mains": _open_mains,
}


@lru_cache(maxsize=8)
def _wave(fault: Fault, rate: int, n: int) -> Samples:
    t = (np.arange(n, dtype=np.float64) / rate).astype(np.float64)
    made = {**ADDED, **INSTEAD}[fault.kind](fault, t, rate)  # type: ignore[arg-type]
    return np.asarray(made, dtype=np.float32)


@lru_cache(maxsize=8)
def _leaving(fault: Fault, rate: int, n: int, rail_uv: float) -> tuple[Samples, Samples]:
    """(offset, share of the signal that gets through) while the input leaves the range.

    Held beyond the rail for two thirds of the time, with dips back into the range that end as they
    began, then an exponential return.
    """
    rng = child_rng(fault.seed, 0)
    t = np.arange(n) / rate
    length = fault.stop_s - fault.start_s
    sign = float(rng.choice([-1.0, 1.0]))
    held = 0.66 * length
    offset = 1.5 * rail_uv * (1 - np.exp(-t / 0.05))
    at = float(rng.exponential(3.0)) + 1.0
    while at < held - 2.0:
        width = float(rng.uniform(0.2, 1.5))
        offset -= rng.uniform(0.5, 1.4) * rail_uv * np.exp(-0.5 * ((t - at) / (width / 2)) ** 2)
        at += width + 1.0 + float(rng.exponential(6.0))
    back = t >= held
    tau = (length - held) / 7
    offset[back] = offset[np.argmax(back)] * np.exp(-(t[back] - held) / tau)
    through = np.where(back, 1 - np.exp(-(t - held) / tau), 0.1)
    return np.asarray(sign * offset, dtype=np.float32), np.asarray(through, dtype=np.float32)


def apply_fault(signal: Samples, fault: Fault, first: int, rate: int, *, rail_uv: float) -> None:
    """Change the samples ``[first, first + len(signal))`` of one side in place.

    Parameters
    ----------
    signal
        float32, µV.
    rail_uv
        End of the converter's range; what lies beyond is clipped later.
    """
    begin = round(fault.start_s * rate)
    n = round(fault.stop_s * rate) - begin
    a, b = max(begin - first, 0), min(begin + n - first, len(signal))
    if a >= b:
        return
    part = slice(a + first - begin, b + first - begin)
    if fault.kind == "gain":
        signal[a:b] *= np.float32(fault.size)
    elif fault.kind == "rail":
        offset, through = _leaving(fault, rate, n, rail_uv)
        signal[a:b] = signal[a:b] * through[part] + offset[part]
    elif fault.kind in INSTEAD:
        signal[a:b] = _wave(fault, rate, n)[part]
    else:
        signal[a:b] += _wave(fault, rate, n)[part]
