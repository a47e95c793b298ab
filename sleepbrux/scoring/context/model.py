"""What a recording holds besides the jaw muscles, and what is said of each episode because of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid
from sleepbrux.recording import stages
from sleepbrux.signal.surroundings.model import STAGES, Codes, Floats

ASLEEP = tuple(STAGES.index(stage) for stage in stages.SLEEP)
OTHER = ("", "chewing-like", "talk-like")
YES, NO, UNKNOWN = 1, 0, -1


def in_seconds(slots: NDArray[np.int64], grid: Grid) -> Floats:
    """Slots of a grid as seconds, float64, same shape."""
    return np.asarray(slots * float(grid.slot_s), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Labels:
    """What surrounds each episode of a night; one row an episode, those that do not count among them.

    Attributes
    ----------
    stage
        int8: stage at the onset, index into `STAGES`; -1 where none is scored.
    awake, movement, grinding
        int8: 1 yes, 0 no, -1 not known: onset while probably awake (ECG and accelerometer, see `awake`); the
        share of the
        episode that the rule asks for lies in a body movement; a grinding-like sound.
    rise_1s_pct, rise_5s_pct
        float64: highest heart rate in the second or the five before the onset, over the usual rate before, in
        %; NaN where not known.
    position
        int8: index into `positions`; -1 where not known.
    sound_db
        float64: loudest sound over the background while it lasts, dB; NaN where not known.
    breathing_lag_s
        float64: from the end of the nearest respiratory event to the onset, negative before it; NaN
        further than 10 s away, or without such marks.
    rhythm_hz
        float64: median of 1 / (onset to next onset) of its bursts; NaN with fewer than three.
    other
        int8: index into `OTHER`.
    swallow
        int8, one a burst of the night: 1 where it is a single burst like that of a swallow; 2 where
        the chin is active with it.
    movements_s
        float64, shape (n, 2): the night's body movements; ``movement_known`` says whether they can be
        known at all.
    """

    stage: Codes
    awake: Codes
    movement: Codes
    grinding: Codes
    rise_1s_pct: Floats
    rise_5s_pct: Floats
    position: Codes
    sound_db: Floats
    breathing_lag_s: Floats
    rhythm_hz: Floats
    other: Codes
    swallow: Codes
    movements_s: Floats
    movement_known: bool
    positions: tuple[str, ...]
    breathing_events: int
