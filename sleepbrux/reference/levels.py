"""How a clench becomes a number: the statistics in use, and what each adds by taking a best window.

The RMS of a steady clench wavers from window to window, because EMG is noise-like. The best window
of a trial is the one where chance helped most, so it lies above the level that was held. By how much
depends on the window, the trial's length and the bandwidth, and is computed here, not recalled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.signal.envelope import Amplitude
from sleepbrux.signal.sweep import ChannelFrames

Window = Literal["best_1s", "best_half_s", "peak", "plateau"]
Over = Literal["mean", "highest"]
WINDOW_S: dict[Window, float] = {"best_1s": 1.0, "best_half_s": 0.5, "peak": 0.125}
PLATEAU_MARGIN_S = 0.25
PLATEAU_LEAST_S = 0.5
EDGE_WINDOW_S = 0.125
SHARE_OF_TOP = 0.5
BLOCK_FRAMES = 10
FEWEST_BLOCKS = 20
SIMULATED_TRIALS = 4000
SEED = 19930271


@dataclass(frozen=True)
class Statistic:
    """One way from the trials of a channel to its reference level.

    Attributes
    ----------
    window
        Level of a trial: its best 1 s, best 0.5 s, best 0.125 s (peak), or its plateau (the stretch
        above half of its peak, 0.25 s less at either end).
    over
        Mean over the trials, or the highest of them.
    """

    id: str
    window: Window
    over: Over
    text: str


STATISTICS = {
    s.id: s
    for s in (
        Statistic("mean_best_1s", "best_1s", "mean", "mean over trials of the best 1-s level"),
        Statistic("highest_best_1s", "best_1s", "highest", "highest trial's best 1-s level"),
        Statistic("mean_best_half_s", "best_half_s", "mean", "mean over trials of the best 0.5-s level"),
        Statistic("mean_peak", "peak", "mean", "mean over trials of the best 0.125-s level (peak)"),
        Statistic("mean_plateau", "plateau", "mean", "mean over trials of the plateau's level"),
    )
}
DEFAULT_STATISTIC = "mean_best_1s"


def _part(frames: ChannelFrames, span: tuple[int, int], amplitude: Amplitude) -> NDArray[np.float64]:
    source = frames.energy if amplitude == "rms" else frames.rectified
    return source[span[0] : span[1]].astype(np.float64)


def _level(mean: float, amplitude: Amplitude) -> float:
    return math.sqrt(mean) if amplitude == "rms" else mean


def _windows(part: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Mean of each run of ``n`` values; NaN where one is not known."""
    means: NDArray[np.float64] = np.lib.stride_tricks.sliding_window_view(part, n).mean(axis=1)
    return means


def best_window_uv(
    frames: ChannelFrames, span: tuple[int, int], amplitude: Amplitude, seconds: float
) -> float | None:
    """Highest level over any ``seconds`` of a span of frames, in µV; None where none is known."""
    part = _part(frames, span, amplitude)
    n = max(frames.grid.slots_for(seconds), 1)
    if len(part) < n:
        return None
    means = _windows(part, n)
    return None if np.isnan(means).all() else _level(float(np.nanmax(means)), amplitude)


def best_second_uv(frames: ChannelFrames, span: tuple[int, int], amplitude: Amplitude) -> float | None:
    """Highest level over any one second of a span of frames, in µV; None below one known second."""
    return best_window_uv(frames, span, amplitude, 1.0)


def plateau(frames: ChannelFrames, span: tuple[int, int]) -> tuple[int, int] | None:
    """Frames of a trial's plateau: above half of its peak, 0.25 s less at either end.

    None where fewer than 0.5 s remain.
    """
    n = max(frames.grid.slots_for(EDGE_WINDOW_S), 1)
    part = _part(frames, span, "rms")
    if len(part) < n:
        return None
    rms = np.sqrt(_windows(part, n))
    if np.isnan(rms).any():
        return None
    above = np.flatnonzero(rms >= SHARE_OF_TOP * rms.max())
    margin = frames.grid.slots_for(PLATEAU_MARGIN_S)
    first = span[0] + int(above[0]) + n // 2 + margin
    stop = span[0] + int(above[-1]) + n // 2 + 1 - margin
    return (first, stop) if stop - first >= frames.grid.slots_for(PLATEAU_LEAST_S) else None


def trial_uv(
    frames: ChannelFrames, span: tuple[int, int], window: Window, amplitude: Amplitude
) -> float | None:
    """Level of one trial in µV; None where it is too short or not wholly recorded."""
    if window != "plateau":
        return best_window_uv(frames, span, amplitude, WINDOW_S[window])
    found = plateau(frames, span)
    return None if found is None else _level(float(_part(frames, found, amplitude).mean()), amplitude)


def over_trials_uv(levels_uv: Sequence[float], over: Over) -> float:
    """Level of a channel from those of its trials."""
    return float(np.max(levels_uv) if over == "highest" else np.mean(levels_uv))


def rest_uv(frames: ChannelFrames, spans: Spans, amplitude: Amplitude) -> float | None:
    """Level over all frames of the spans together, in µV; None where none is known."""
    source = frames.energy if amplitude == "rms" else frames.rectified
    part = source[spans.mask()].astype(np.float64)
    part = part[~np.isnan(part)]
    return _level(float(part.mean()), amplitude) if len(part) else None


def freedom_per_s(frames: ChannelFrames, plateaus: Sequence[tuple[int, int]]) -> float | None:
    """Independent values a second that a steady clench shows: 2 over the squared CV of its power, x 1/s.

    From the differences of neighbouring 0.1-s blocks within plateaus, so that a slow change of effort
    does not count. For Gaussian noise it is ``2 (∫S)² / ∫S²`` of its spectrum S. None with fewer than 20
    blocks.
    """
    squares, powers = [], []
    for first, stop in plateaus:
        part = _part(frames, (first, stop), "rms")
        blocks = part[: len(part) // BLOCK_FRAMES * BLOCK_FRAMES].reshape(-1, BLOCK_FRAMES).mean(axis=1)
        if not (len(blocks) and blocks.mean() > 0):
            continue
        squares += list(np.diff(blocks) ** 2 / 2 / blocks.mean() ** 2)
        powers += list(blocks)
    if len(powers) < FEWEST_BLOCKS or not np.mean(squares) > 0:
        return None
    block_s = float(BLOCK_FRAMES * frames.grid.slot_s)
    return float(2 / (np.mean(squares) * block_s))


def inflation_pct(
    statistic: Statistic,
    *,
    trial_s: float,
    freedom_per_s: float,
    trials: int = 3,
    amplitude: Amplitude = "rms",
) -> float:
    """By how many % a statistic lies above a perfectly steady clench's true level, on average.

    Computed from 4000 simulated trials of Gaussian noise with a fixed seed.

    Parameters
    ----------
    trial_s
        How long the level is held.
    freedom_per_s
        See `freedom_per_s`; about 300 for surface EMG of a jaw muscle.
    trials
        Matters to ``highest`` alone: the best of several equal trials.
    """
    return _inflation(
        statistic.window,
        statistic.over,
        round(trial_s * 20) / 20,
        float(f"{freedom_per_s:.2g}"),
        trials if statistic.over == "highest" else 1,
        amplitude,
    )


@lru_cache(maxsize=64)
def _inflation(
    window: Window, over: Over, trial_s: float, freedom: float, trials: int, amplitude: Amplitude
) -> float:
    per_s = 100
    n = max(round(trial_s * per_s), 1)
    # a frame's mean square has CV² = 2 / ν, its mean absolute value (π/2 - 1) / ν
    shape = freedom / per_s / (2 if amplitude == "rms" else math.pi / 2 - 1)
    drawn = np.random.default_rng(SEED).standard_gamma(shape, size=(SIMULATED_TRIALS, n)) / shape
    width = n if window == "plateau" else min(max(math.floor(WINDOW_S[window] * per_s + 0.5), 1), n)
    sums = np.cumsum(np.pad(drawn, ((0, 0), (1, 0))), axis=1)
    best = (sums[:, width:] - sums[:, :-width]).max(axis=1) / width
    levels = np.sqrt(best) if amplitude == "rms" else best
    if over == "highest" and trials > 1:
        levels = levels[: len(levels) // trials * trials].reshape(-1, trials).max(axis=1)
    return float(100 * (levels.mean() - 1))
