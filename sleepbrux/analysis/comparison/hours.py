"""Hours of the night: nights of unequal length compared as if each hour stood against its own kind."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sleepbrux.analysis.comparison.ratio import Floats
from sleepbrux.analysis.comparison.rules import SHAPE_EVENTS

ROUNDS = 25


def common_shape(events: Floats, hours: Floats) -> Floats:
    """Rate of each hour of the night over that of the whole night, one shape for all nights.

    Every night has a rate of its own and all share one factor an hour (a Poisson model with the two as
    factors, fitted by turns). Conditions do not enter, so a rearrangement of their labels leaves the shape
    as it is. Towards 1 by `rules.SHAPE_EVENTS`, so that an hour with few events decides little.

    Parameters
    ----------
    events, hours
        Shape (..., n_nights, n_hours): events and valid hours in each hour since the window began.

    Returns
    -------
    Shape (..., n_hours); the valid hours, weighted by it, keep their sum.
    """
    seen, total = hours.sum(axis=-2), hours.sum(axis=(-2, -1))
    by_hour, by_night = events.sum(axis=-2), events.sum(axis=-1)
    shape = np.ones(by_hour.shape)
    for _ in range(ROUNDS):
        weighted = (hours * shape[..., np.newaxis, :]).sum(axis=-1)
        rate = by_night / np.maximum(weighted, 1e-12)
        expected = (hours * rate[..., np.newaxis]).sum(axis=-2)
        shape = (by_hour + SHAPE_EVENTS.value) / (expected + SHAPE_EVENTS.value)
        mean = (shape * seen).sum(axis=-1) / np.maximum(total, 1e-12)
        shape = shape / mean[..., np.newaxis]
    return np.asarray(shape)


def weighted_hours(events: Floats, hours: Floats) -> Floats:
    """Valid hours of each night, each hour weighted by how often events come in it; (..., n_nights)."""
    shape = common_shape(events, hours)
    return np.asarray((hours * shape[..., np.newaxis, :]).sum(axis=-1))


def as_table(
    nights: Sequence[Sequence[tuple[float, float]]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Events and valid hours of nights as two arrays (n_nights, n_hours), filled up with 0."""
    longest = max(len(n) for n in nights)
    table = np.zeros((2, len(nights), longest))
    for k, night in enumerate(nights):
        for j, (events, hours) in enumerate(night):
            table[:, k, j] = events, hours
    return table[0], table[1]
