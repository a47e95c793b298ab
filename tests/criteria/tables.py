"""Bursts from tables of seconds, envelopes from levels, and short nights of EMG-shaped noise."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from scipy import signal

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import Criterion, load_criterion
from sleepbrux.recording.memory import from_array
from sleepbrux.recording.window import Window
from sleepbrux.reference import given
from sleepbrux.scoring import bursts as stage
from sleepbrux.scoring import episodes as grouping
from sleepbrux.scoring.bursts import Bursts, find_bursts, kinds
from sleepbrux.scoring.episodes import Episodes, group_episodes
from sleepbrux.scoring.events import amplitude_of
from sleepbrux.scoring.night import Night, score_night
from sleepbrux.scoring.sides import CombinedBursts, combine_sides
from sleepbrux.scoring.thresholds import thresholds
from sleepbrux.signal.envelope import Envelope

FRAME = Fraction(1, 100)
RATE = 1000
MVC_UV = 200.0
MASSETERS = ("EMG Masseter L", "EMG Masseter R")

Pair = tuple[float, float]


class Scored(NamedTuple):
    """Bursts and episodes of a table, and both in words."""

    merged: CombinedBursts
    episodes: Episodes

    @property
    def kinds(self) -> list[str]:
        """Kind of each burst."""
        return [stage.KINDS[k] for k in self.merged.kind]

    @property
    def found(self) -> list[tuple[str, int]]:
        """Kind and count of bursts of each episode."""
        return [
            (grouping.KINDS[k], int(n))
            for k, n in zip(self.episodes.kind, self.episodes.n_bursts, strict=True)
        ]


def frames(second: float) -> int:
    """Frames of 10 ms in a decimal number of seconds, which must be whole."""
    exact = Fraction(str(second)) / FRAME
    assert exact.denominator == 1, f"{second} s is no whole number of frames"
    return exact.numerator


def burst_table(
    pairs: Sequence[tuple[int, int]],
    grid: Grid,
    criterion: Criterion,
    *,
    label: str = MASSETERS[0],
    cut: Sequence[bool] = (),
    level_uv: Sequence[float] = (),
) -> Bursts:
    """Bursts of one channel from pairs of frames."""
    starts, stops = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    n = len(starts)
    level = np.array(level_uv, dtype=float) if len(level_uv) else np.full(n, 50.0)
    return Bursts(
        label=label,
        grid=grid,
        starts=starts.copy(),
        stops=stops.copy(),
        kind=kinds(stops - starts, grid, criterion.burst),
        peak_uv=level,
        mean_uv=level,
        cut=np.array(cut, dtype=bool) if len(cut) else np.zeros(n, dtype=bool),
    )


def scored(criterion: Criterion, *channels: Sequence[Pair]) -> Scored:
    """Score one list of (onset, offset) in seconds a channel; all of the time was seen."""
    grid = Grid(FRAME, 100_000)
    tables = [
        burst_table([(frames(a), frames(b)) for a, b in pairs], grid, criterion, label=f"EMG {k}")
        for k, pairs in enumerate(channels)
    ]
    merged = combine_sides(tables, criterion, [MVC_UV] * len(tables))
    episodes = group_episodes(merged, criterion.episode, types=criterion.burst.types, clipped=grid.none())
    return Scored(merged, episodes)


def lasting(duration_s: float, *, at_s: float = 10.0) -> Pair:
    """One burst of this duration."""
    return at_s, float(Fraction(str(at_s)) + Fraction(str(duration_s)))


def train(durations_s: Sequence[float], pause_s: float, *, at_s: float = 10.0) -> list[Pair]:
    """Bursts of these durations with the same pause between them."""
    pairs, now = [], Fraction(str(at_s))
    for duration in durations_s:
        after = now + Fraction(str(duration))
        pairs.append((float(now), float(after)))
        now = after + Fraction(str(pause_s))
    return pairs


def steady(
    criterion: Criterion,
    stretches: Sequence[tuple[float, float, float]],
    *,
    rest_uv: float = 1.0,
    seconds: float = 120.0,
    mvc_uv: float | None = MVC_UV,
) -> list[tuple[float, float]]:
    """On- and offsets, in s, that an envelope without noise gives: (onset, offset, µV) each."""
    n = frames(seconds)
    level = np.full(n, rest_uv)
    for start, stop, uv in stretches:
        level[frames(start) : frames(stop)] = uv
    grid = Grid(FRAME, n)
    envelope = Envelope(grid, "rms", 13, level, (level**2).astype(np.float32))
    threshold = thresholds(envelope, grid.all(), criterion, mvc_uv)
    found = find_bursts(envelope, grid.all(), criterion, threshold, label="EMG")
    return Spans.of(grid, np.stack((found.starts, found.stops), axis=1)).seconds()


def emg(rng: np.random.Generator, n: int, *, rate: float = RATE) -> np.ndarray:
    """EMG-shaped noise: Gaussian, 60-140 Hz, second order, RMS 1."""
    sections = signal.butter(2, [60, 140], "bandpass", fs=rate, output="sos")
    noise = signal.sosfilt(sections, rng.standard_normal(n + 4000))[4000:]
    return noise / noise.std()


def tone(rng: np.random.Generator, n: int, *, rate: float = RATE) -> np.ndarray:
    """Sine at 110 Hz, RMS 1: an amplitude that does not waver, and no harmonic of the mains."""
    return np.sqrt(2) * np.sin(2 * np.pi * 110 * np.arange(n) / rate + rng.uniform(0, 6))


def night_of(
    criterion: Criterion | str,
    *channels: Sequence[tuple[float, float, float]],
    rest_uv: float = 2.0,
    seconds: float = 120.0,
    mvc_uv: float | None = MVC_UV,
    carrier=emg,
    seed: int = 1,
) -> Night:
    """Score a short night; a channel is a list of (onset, offset, µV RMS).

    The clench is stated in the kind of µV that the rules measure.
    """
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    rows = []
    for stretches in channels:
        row = emg(rng, n) * rest_uv
        wave = carrier(rng, n)
        for start, stop, uv in stretches:
            a, b = round(start * RATE), round(stop * RATE)
            row[a:b] = wave[a:b] * uv
        rows.append(row)
    labels = MASSETERS[: len(rows)]
    rule = load_criterion(criterion) if isinstance(criterion, str) else criterion
    return score_night(
        from_array(np.array(rows), RATE, labels),
        None if mvc_uv is None else given(labels, mvc_uv, amplitude=amplitude_of(rule, None)),
        criterion,
        window=Window(((0.0, seconds),), "whole test night"),
    )


def in_words(night: Night) -> list[tuple[str, int]]:
    """Kind and count of bursts of each episode of a night."""
    return Scored(night.merged, night.episodes).found
