"""Where a muscle or a sensor away from the jaw is active: evidence for body movements.

A body movement needs two channels (see `context.movement`); here each channel speaks for itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.recording.model import Channel, Recording, Role
from sleepbrux.signal.sweep import sweep

LEAST_EMG_HZ = 100
STEP_FRAMES = 10
TIMES_BACKGROUND = 2.0
BACKGROUND_STEPS = 3000  # 300 s
CLOSE_STEPS, LEAST_STEPS = 5, 5


@dataclass(frozen=True, eq=False)
class ActivityChannel:
    """Activity of one channel, or of the axes of one sensor.

    Attributes
    ----------
    label, role
        The channel; ``role`` is that of its label.
    outside
        Whether it lies away from jaw, chin and neck.
    spans_s
        float64, shape (n, 2): start and stop of each stretch of activity, seconds.
    known_s
        float64, shape (n, 2): what was recorded.
    """

    label: str
    role: Role
    outside: bool
    spans_s: NDArray[np.float64]
    known_s: NDArray[np.float64]


def pairs(spans: Spans) -> NDArray[np.float64]:
    """Spans in seconds, float64, shape (n, 2)."""
    return np.asarray(spans.bounds * float(spans.grid.slot_s), dtype=np.float64)


def above_background(level: NDArray[np.floating], n_background: int, times: float) -> NDArray[np.bool_]:
    """Whether each step lies above so many times the running median, NaN steps never.

    The median is taken over blocks of ``n_background`` steps and runs in straight lines between their
    middles.
    """
    n = len(level)
    middles, medians = [], []
    for start in range(0, n, n_background):
        part = level[start : start + n_background]
        part = part[~np.isnan(part)]
        if len(part):
            middles.append(start + min(n_background, n - start) / 2)
            medians.append(float(np.median(part)))
    if not medians:
        return np.zeros(n, dtype=np.bool_)
    background = np.interp(np.arange(n), middles, medians)
    with np.errstate(invalid="ignore"):
        raised: NDArray[np.bool_] = level > times * np.maximum(background, 1e-9)
    return raised


def raised_emg(
    recording: Recording, channels: list[Channel], *, threads: int | None = None
) -> tuple[ActivityChannel, ...]:
    """Activity of leg, arm, neck and chin muscles: RMS over 0.1 s above twice the running median.

    Pauses of 0.5 s or less are closed, stretches shorter than 0.5 s dropped. The factor is that of the
    background criteria for jaw muscles; our choice for others.
    """
    result = []
    for frames in sweep(recording, channels, threads=threads):
        n = len(frames.energy) // STEP_FRAMES * STEP_FRAMES
        rows = frames.energy[:n].astype(np.float64).reshape(-1, STEP_FRAMES)
        level = np.sqrt(rows.mean(axis=1))
        grid = Grid(frames.grid.slot_s * STEP_FRAMES, len(level))
        raised = Spans.from_mask(grid, above_background(level, BACKGROUND_STEPS, TIMES_BACKGROUND))
        raised = raised.join(CLOSE_STEPS).drop_shorter(LEAST_STEPS)
        known = Spans.from_mask(grid, ~np.isnan(level))
        role = frames.channel.role
        result.append(
            ActivityChannel(frames.channel.label, role, role in ("leg", "arm"), pairs(raised), pairs(known))
        )
    return tuple(result)
