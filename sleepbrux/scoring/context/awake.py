"""Awake or asleep at an onset, where nobody scored stages: by heart beats, by movement, and both.

An estimate never makes a denominator and drops nothing by itself. *By heart*: the probability of the 30 s
that hold the onset is `AWAKE_FROM` or more. *By movement*: the wrist rule of `signal.actigraphy`; the second
one, on activity counts, is shown beside and decides nothing. Where heart and movement are both known, an onset
is probably awake only where **both** say so, and probably asleep else: an episode raises the heart rate and
moves the arm itself, so either alone calls sleeping episodes awake. How often the two differ is counted
beside. Scored stages, where an onset has one, come before both.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sleepbrux.scoring.context.model import ASLEEP, NO, UNKNOWN, YES, Labels
from sleepbrux.signal.surroundings.model import Codes, Floats, Surroundings
from sleepbrux.signal.wake import AWAKE_FROM

THRESHOLDS = (0.3, AWAKE_FROM, 0.7)


def estimated(surroundings: Surroundings) -> bool:
    """Whether anything estimates who was awake."""
    return surroundings.wake_probability is not None or surroundings.wake_estimate is not None


def estimate_words(surroundings: Surroundings) -> str:
    """When an onset is no probable wake, for a sentence about episodes."""
    if surroundings.wake_probability is not None and surroundings.wake_estimate is not None:
        return "ECG and accelerometer do not both say probably awake"
    return f"the {'accelerometer' if surroundings.wake_probability is None else 'ECG'} does not say probably awake"


def inside(seconds: Floats, spans_s: Floats) -> NDArray[np.bool_]:
    """Whether each second lies in a span, bool of the shape of ``seconds``; spans sorted and disjoint."""
    if not len(spans_s):
        return np.zeros(len(seconds), dtype=np.bool_)
    index = np.searchsorted(spans_s[:, 0], seconds, side="right") - 1
    return np.asarray((index >= 0) & (seconds < spans_s[np.maximum(index, 0), 1]), dtype=np.bool_)


def wake_probability_at(surroundings: Surroundings, seconds: Floats) -> Floats:
    """Probability of being awake by the heart beats at each second, NaN where it is not known."""
    return (
        np.full(len(seconds), np.nan)
        if surroundings.wake_probability is None
        else surroundings.wake_probability.at(seconds)
    )


def by_heart(surroundings: Surroundings, seconds: Floats, awake_from: float = AWAKE_FROM) -> Codes:
    """1 awake, 0 asleep, -1 not known, by the probability at each second."""
    chance = wake_probability_at(surroundings, seconds)
    return np.where(np.isnan(chance), UNKNOWN, chance >= awake_from).astype(np.int8)


def by_movement(surroundings: Surroundings, seconds: Floats, *, counts: bool = False) -> Codes:
    """1 awake, 0 asleep, -1 not known, by the angle of the arm, or by its activity counts."""
    found = surroundings.wake_estimate
    if found is None:
        return np.full(len(seconds), UNKNOWN, dtype=np.int8)
    awake, known = (
        (found.counted_awake_s, found.counted_known_s) if counts else (found.awake_s, found.known_s)
    )
    return np.where(inside(seconds, known), inside(seconds, awake), UNKNOWN).astype(np.int8)


def probably_awake(surroundings: Surroundings, seconds: Floats, awake_from: float = AWAKE_FROM) -> Codes:
    """1 where all that is known says awake, 0 where any of it says asleep, -1 where nothing is known."""
    heart, movement = by_heart(surroundings, seconds, awake_from), by_movement(surroundings, seconds)
    known = (heart != UNKNOWN) | (movement != UNKNOWN)
    awake = (heart != NO) & (movement != NO)
    return np.where(known, awake, UNKNOWN).astype(np.int8)


def staged_first(stage: Codes, awake: Codes) -> Codes:
    """The scored stage where an onset has one, else the estimate."""
    return np.where(stage != UNKNOWN, ~np.isin(stage, ASLEEP), awake).astype(np.int8)


def dropped(labels: Labels) -> NDArray[np.bool_]:
    """Episodes that ``context.wake = "drop_probable"`` leaves out."""
    return np.asarray(staged_first(labels.stage, labels.awake) == YES, dtype=np.bool_)


def known_s(surroundings: Surroundings, duration_s: float) -> Floats:
    """Stretches in which it is estimated whether the wearer was awake, float64, shape (n, 2), seconds."""
    seconds = np.arange(int(duration_s), dtype=np.float64)
    known = probably_awake(surroundings, seconds) != UNKNOWN
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).view(np.int8)))
    return np.asarray(edges.reshape(-1, 2), dtype=np.float64)


def band(
    surroundings: Surroundings, seconds: Floats, limits: Sequence[float] = THRESHOLDS
) -> tuple[tuple[float, int, int], ...]:
    """(threshold, onsets probably asleep, onsets probably awake) at thresholds of the probability."""
    rows = []
    for limit in limits:
        code = probably_awake(surroundings, seconds, limit)
        rows.append((limit, int((code == NO).sum()), int((code == YES).sum())))
    return tuple(rows)
