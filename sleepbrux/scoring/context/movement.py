"""Body movements: activity in two channels at once, one of them away from jaw, chin and neck.

Large-muscle-group movements after Ferri R et al. (IRLSSG), Sleep 2021;44:zsab092: 3-45 s (adults), a rise of
EMG or a movement artefact in two channels or more. Here at least one of the two lies neither at the jaw
nor at chin or neck (leg, arm, accelerometer): otherwise every episode on both sides would be a movement.

Departures: the time in which two channels are active *at once* must last 3-45 s, pauses of 1 s or less
closed; all scored jaw channels are one channel, and so are the axes of one sensor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sleepbrux.signal.movement import ActivityChannel

STEP_S = 0.1
CLOSE_S = 1.0
SHORTEST_S, LONGEST_S = 3.0, 45.0

Pairs = NDArray[np.float64]


def _mask(spans_s: Pairs, n: int) -> NDArray[np.bool_]:
    """Which steps of the night spans touch, bool, shape (n,)."""
    change = np.zeros(n + 1, dtype=np.int64)
    np.add.at(change, np.clip(np.floor(spans_s[:, 0] / STEP_S + 1e-6).astype(np.int64), 0, n), 1)
    np.add.at(change, np.clip(np.ceil(spans_s[:, 1] / STEP_S - 1e-6).astype(np.int64), 0, n), -1)
    result: NDArray[np.bool_] = np.cumsum(change[:-1]) > 0
    return result


def _runs(mask: NDArray[np.bool_]) -> NDArray[np.int64]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).view(np.int8)))
    return edges.reshape(-1, 2)


def computable(raised: Sequence[ActivityChannel]) -> bool:
    """Whether any channel lies away from jaw, chin and neck."""
    return any(channel.outside for channel in raised)


def body_movements(jaw_s: Pairs, raised: Sequence[ActivityChannel], duration_s: float) -> Pairs:
    """Body movements, float64, shape (n, 2), seconds.

    Parameters
    ----------
    jaw_s
        float64, shape (n, 2): where any scored jaw channel is active.
    activity_channels
        The other channels.
    """
    n = math.ceil(duration_s / STEP_S)
    if not computable(raised) or n == 0:
        return np.empty((0, 2))
    active = np.zeros(n, dtype=np.int64)
    outside = np.zeros(n, dtype=np.bool_)
    for channel in raised:
        mask = _mask(channel.spans_s, n)
        active += mask
        if channel.outside:
            outside |= mask
    active += _mask(jaw_s, n)
    runs = _runs((active >= 2) & outside)
    if len(runs) > 1:
        apart = runs[1:, 0] - runs[:-1, 1] > round(CLOSE_S / STEP_S)
        runs = np.stack((runs[np.append([True], apart), 0], runs[np.append(apart, [True]), 1]), axis=1)
    length = (runs[:, 1] - runs[:, 0]) * STEP_S
    kept = runs[(length >= SHORTEST_S - 1e-6) & (length <= LONGEST_S + 1e-6)]
    return np.asarray(kept * STEP_S, dtype=np.float64)
