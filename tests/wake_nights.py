"""Generated nights of heart beats with stages, in which a rise of the heart rate may go with episodes.

What a stage does to the heart rate and to its variation is assumed: rates and variation are higher awake and
in REM, breathing moves the beats most in N2 and N3 (common practice, no source). How strong is chosen so that
the published model's accuracy comes near that of its makers' own test (`tests.wake_bias` prints it);
nothing here is a finding about people.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Stages = NDArray[np.int64]

NAMES = ("wake", "rem", "n2", "n3")
EPOCH_S = 30
FS = 4
# beats a minute over the person's own; breathing, slow (0.1 Hz) and very slow (0.02 Hz) variation in seconds
RATE_OVER = (18.0, 4.0, 0.0, -1.0)
BREATHING_S = (0.020, 0.022, 0.035, 0.040)
SLOW_S = (0.06, 0.035, 0.022, 0.010)
VERY_SLOW_S = (0.11, 0.045, 0.025, 0.010)
# The rise with an episode: it begins one beat before the onset (Kato 2001, doi:10.1177/00220345010800101501,
# read) and reaches 25 % (Lavigne 2007, from memory); how it goes back is assumed, as in sleepbrux.synth.heart.
RISE, LEAD_S, RAMP_S, FADE_S = 0.25, 1.0, 0.8, 6.0


def stages_of(rng: np.random.Generator, hours: float) -> Stages:
    """One stage each 30 s: cycles of sleep, a wake of minutes between most of them."""
    out = [0] * int(rng.integers(20, 60))
    cycle = 0
    while len(out) < hours * 3600 / EPOCH_S:
        deep = rng.integers(0, 60) if cycle < 3 else rng.integers(0, 15)
        parts = [(2, rng.integers(20, 60)), (3, deep), (2, rng.integers(15, 40)), (1, rng.integers(10, 50))]
        for stage, n in parts:
            out += [stage] * int(n)
            if rng.random() < 0.5:
                out += [0] * int(rng.geometric(1 / 8))
        cycle += 1
    return np.array(out[: int(hours * 3600 / EPOCH_S)])


def _noise(rng: np.random.Generator, n: int, centre_hz: float, width_hz: float) -> Floats:
    """Noise of a narrow band, standard deviation 1."""
    at = np.fft.rfftfreq(n, 1 / FS)
    size = np.exp(-0.5 * ((at - centre_hz) / width_hz) ** 2)
    values = np.fft.irfft(size * (rng.normal(size=len(at)) + 1j * rng.normal(size=len(at))), n)
    return np.asarray(values / values.std())


def _track(stages: Stages, values: tuple[float, ...], settle_s: float) -> Floats:
    """A value of each stage over the night, changing over so many seconds."""
    steps = np.repeat(np.array(values)[stages], EPOCH_S * FS)
    n = int(settle_s * FS)
    padded = np.pad(steps, (n // 2, n - 1 - n // 2), mode="edge")
    return np.convolve(padded, np.ones(n) / n, "valid")


def rises(episodes_s: Floats, n: int, rise: float = RISE) -> Floats:
    """Factor on the heart rate from episodes (start, stop), every 1 / FS s."""
    t = np.arange(n) / FS
    out = np.ones(n)
    for start, stop in episodes_s:
        a, b = np.searchsorted(t, [start - LEAD_S, stop + 6 * FADE_S])
        part = t[a:b]
        shape = np.minimum(np.clip((part - start + LEAD_S) / RAMP_S, 0, 1), np.exp((stop - part) / FADE_S))
        out[a:b] = np.maximum(out[a:b], 1 + rise * np.clip(shape, 0, 1))
    return out


def beats_of(stages: Stages, rng: np.random.Generator, rate_factor: Floats | None = None) -> Floats:
    """Second of each beat of a night with these stages."""
    n = len(stages) * EPOCH_S * FS
    rate = rng.normal(62, 6) + _track(stages, RATE_OVER, 40) + 2 * _noise(rng, n, 0.0, 1 / 3600)
    person = np.exp(rng.normal(0, 0.25, 3))
    interval = 60 / rate
    for size, values, centre, width in (
        (person[0], BREATHING_S, 0.25, 0.02),
        (person[1], SLOW_S, 0.10, 0.02),
        (person[2], VERY_SLOW_S, 0.02, 0.01),
    ):
        interval = interval + size * _track(stages, values, 20) * _noise(rng, n, centre, width)
    per_s = 1 / np.clip(interval, 0.35, 1.9)
    if rate_factor is not None:
        per_s = per_s * rate_factor
    phase = np.concatenate(([0.0], np.cumsum(per_s) / FS))
    whole = np.arange(1, int(phase[-1]) + 1)
    found = np.interp(whole, phase, np.arange(len(phase)) / FS)
    return np.sort(found + rng.normal(0, 0.004, len(found)))


@dataclass(frozen=True, eq=False)
class PlannedNight:
    """Stages, episodes, and the beats with and without a rise of the heart rate in each episode.

    Attributes
    ----------
    place
        Of each episode: ``ASLEEP``, ``SHORT`` (in a wake of 30 or 60 s of its own) or ``LONG`` (in a longer one).
    """

    stages: Stages
    episodes_s: Floats
    place: Stages
    with_rise: Floats
    without: Floats

    @property
    def hours_asleep(self) -> float:
        """Hours of scored sleep."""
        return float((self.stages != 0).sum() * EPOCH_S / 3600)


ASLEEP, SHORT, LONG = 0, 1, 2


def planned(seed: int, *, hours: float, per_hour_asleep: float, awake: float) -> PlannedNight:
    """A night with so many episodes an hour of sleep, and so many in wake, half of them in short wakes.

    Every episode raises the heart rate alike; both sets of beats have the same noise.
    """
    rng = np.random.default_rng((seed, 0))
    stages = stages_of(rng, hours)
    long_wake = np.flatnonzero(stages == 0)
    short = rng.choice(np.flatnonzero(stages != 0), rng.poisson(awake / 2), replace=False)
    for epoch in short.tolist():
        stages[epoch : epoch + int(rng.integers(1, 3))] = 0
    asleep = np.flatnonzero(stages != 0)
    n = rng.poisson(per_hour_asleep * len(asleep) * EPOCH_S / 3600)
    epochs = (rng.choice(asleep, n), short, rng.choice(long_wake, rng.poisson(awake / 2)))
    onsets = np.concatenate(epochs) * EPOCH_S + rng.uniform(0, EPOCH_S, sum(map(len, epochs)))
    place = np.repeat([ASLEEP, SHORT, LONG], [len(e) for e in epochs])
    order = np.argsort(onsets)
    lengths = np.clip(rng.lognormal(np.log(6), 0.5, len(onsets)), 2, 40)
    episodes = np.stack((onsets, onsets + lengths), axis=1)[order]
    factor = rises(episodes, len(stages) * EPOCH_S * FS)
    both = [beats_of(stages, np.random.default_rng((seed, 1)), f) for f in (factor, None)]
    return PlannedNight(stages, episodes, place[order], *both)
