"""Extremes and a high percentile of the samples as they are written, for a first look."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.recording.model import Channel, Recording, samples

STEP_SAMPLES = 4_000_000
PERCENTILE = Fraction(999, 1000)


@dataclass(frozen=True)
class Survey:
    """Lowest, highest and 99.9th percentile of the absolute value, in the channel's unit.

    None where the channel holds no sample or has no calibration.
    """

    lowest: float | None
    highest: float | None
    p99_9_abs: float | None


def _parts(recording: Recording, channel: Channel) -> Iterator[NDArray[Any]]:
    for first in range(0, channel.n_stored, STEP_SAMPLES):
        yield samples(recording, channel, first, min(first + STEP_SAMPLES, channel.n_stored))


def _counted(recording: Recording, channel: Channel) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Each value that occurs and how often: by bins for integers, sorted parts for the rest."""
    bins: dict[Any, int] = {}
    table: NDArray[np.int64] | None = None
    low = channel.digital_min
    for part in _parts(recording, channel):
        if part.dtype.kind == "i" and part.dtype.itemsize <= 4:
            low = -(1 << 15) if part.dtype.itemsize == 2 else -(1 << 23)
            counts = np.bincount(part.astype(np.int64) - low, minlength=-2 * low)
            table = counts if table is None else table + counts
        else:
            for value, count in zip(*np.unique(part[~np.isnan(part)], return_counts=True), strict=True):
                bins[value] = bins.get(value, 0) + int(count)
    if table is not None:
        seen = np.flatnonzero(table)
        return seen + low, table[seen]
    return np.array(list(bins)), np.array(list(bins.values()), dtype=np.int64)


def _percentile(values: NDArray[np.float64], counts: NDArray[np.int64]) -> float:
    """Percentile of a multiset, linear between neighbours as in ``numpy.percentile``."""
    order = np.argsort(values, kind="stable")
    reach = np.cumsum(counts[order])
    rank = (int(reach[-1]) - 1) * PERCENTILE
    low, part = rank.numerator // rank.denominator, float(rank % 1)
    a, b = (
        float(values[order][np.searchsorted(reach, k, side="right")])
        for k in (low, min(low + 1, int(reach[-1]) - 1))
    )
    return a + (b - a) * part


def survey(recording: Recording, channel: Channel) -> Survey:
    """Survey one channel; reads all of it, a part at a time."""
    if channel.fault or channel.n_stored == 0:
        return Survey(None, None, None)
    digital, counts = _counted(recording, channel)
    if not len(digital):
        return Survey(None, None, None)
    values = channel.gain * digital.astype(np.float64) + channel.offset
    return Survey(float(values.min()), float(values.max()), _percentile(np.abs(values), counts))
