"""Heart beats of a night: a slow rate, breathing, and a rise that begins before each episode."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sleepbrux.synth.night import NightPlan
from sleepbrux.synth.signal import Samples, child_rng, slow_wander

STEPS_PER_S = 10
RISE = 0.30  # a quarter of bruxism episodes or more follow a rise of this order within a second
LEAD_S = (3.0, 0.5)  # the rise begins and is complete this long before onset
FADE_S = 6.0
TEMPLATE_S = 0.12


def pulse_rate(plan: NightPlan) -> NDArray[np.float64]:
    """Heart rate in beats a minute, float64, shape (10 * duration_s + 1,), every 0.1 s."""
    low, high = plan.background.pulse_per_min
    rng = child_rng(plan.seed, 7)
    slow = np.clip(slow_wander(rng, plan.duration_s + 2, memory=600.0) / 2.0, -1.0, 1.0)
    second = np.arange(STEPS_PER_S * plan.duration_s + 1) / STEPS_PER_S
    # 4 % of the range is left for breathing
    base = (low + high) / 2 + 0.46 * (high - low) * np.interp(second, np.arange(len(slow)), slow)
    breathing = 0.04 * (high - low) * np.sin(2 * np.pi * 0.25 * second)
    return np.asarray((base + breathing) * (1.0 + RISE * _rise(plan, second)), dtype=np.float64)


def _rise(plan: NightPlan, second: NDArray[np.float64]) -> NDArray[np.float64]:
    """0 at rest, 1 in an episode, with a ramp before and a slow return behind."""
    rise = np.zeros_like(second)
    for episode in plan.episodes:
        first, last = episode.start_s - LEAD_S[0], episode.stop_s + 4 * FADE_S
        part = slice(*np.searchsorted(second, [first, last]).tolist())
        up = (second[part] - first) / (LEAD_S[0] - LEAD_S[1])
        down = np.exp((episode.stop_s - second[part]) / FADE_S)
        rise[part] = np.maximum(rise[part], np.clip(np.minimum(up, down), 0.0, 1.0))
    return rise


def heart_beats(plan: NightPlan) -> NDArray[np.float64]:
    """Second of each R wave, float64, shape (n_beats,)."""
    per_step = pulse_rate(plan) / (60.0 * STEPS_PER_S)
    phase = np.concatenate(([0.0], np.cumsum(per_step)[:-1]))
    whole = np.arange(1, int(phase[-1]) + 1)
    return np.asarray(np.interp(whole, phase, np.arange(len(phase)) / STEPS_PER_S), dtype=np.float64)


def qrs(rate: int) -> Samples:
    """One QRS complex of height 1 with R in the middle: float32, `TEMPLATE_S` to either side."""
    n = round(TEMPLATE_S * rate)
    t = np.arange(-n, n + 1) / rate
    waves = ((1.0, 0.0, 0.011), (-0.16, -0.030, 0.009), (-0.24, 0.032, 0.011))
    shape = sum(h * np.exp(-0.5 * ((t - at) / width) ** 2) for h, at, width in waves)
    return np.asarray(shape, dtype=np.float32)
