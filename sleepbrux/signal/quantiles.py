"""Quantiles of a night's values: of all, and of the few around each."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans

Floats = NDArray[np.float64]


def median(values: NDArray[Any]) -> float:
    """Median of values, shape (n,), n > 0, all finite: as numpy's, to the bit.

    It and `quantile` take a tenth of numpy's time: numpy looks for both neighbours of a place and for a
    NaN in one call, which its vector code does not serve.
    """
    middle = len(values) // 2
    parted = np.partition(values, middle)
    upper = parted[middle]
    return float(upper if len(values) % 2 else (parted[:middle].max() + upper) / 2)


def quantile(values: NDArray[Any], share: float) -> float:
    """Quantile of values, shape (n,), n > 0, all finite, linear between two: as numpy's, to the bit."""
    rank = share * (len(values) - 1)
    low = int(rank)
    parted = np.partition(values, low)
    below = parted[low]
    if low + 1 == len(values):
        return float(below)
    above, part = parted[low + 1 :].min(), rank - low
    apart = above - below
    return float(below + apart * part if part < 0.5 else above - apart * (1 - part))


def ranked(values: NDArray[np.float32]) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Place of each value, none of them negative or -0.0, in ascending order; and the values in that order.

    Equal values keep their order. Value and position are sorted as one integer, in half the time of
    `numpy.argsort`: the bits of floats that are not negative ascend as the floats do.
    """
    keys = values.view(np.uint32).astype(np.uint64) << np.uint64(32)
    keys |= np.arange(len(keys), dtype=np.uint64)
    keys.sort()
    rank = np.empty(len(keys), dtype=np.int64)
    rank[(keys & np.uint64(0xFFFFFFFF)).astype(np.int64)] = np.arange(len(keys))
    return rank, (keys >> np.uint64(32)).astype(np.uint32).view(np.float32)


def sampled(
    values: NDArray[np.float32], where: Spans, step: int
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Every ``step``-th slot inside the spans at which the value is known, and the value there.

    int64 and float32, shape (n,) each.
    """
    from sleepbrux.signal import kernels

    at = np.empty(len(values) // step + 1, dtype=np.int64)
    found = np.empty(len(at), dtype=np.float32)
    count = kernels.sampled(values, step, where.starts, where.stops, at, found)
    return at[:count], found[:count]


def within(values: Floats, n: int, *shares: float, least: int = 1) -> tuple[Floats, ...]:
    """Quantiles of each ``n`` neighbours, of those that are known.

    Of ``m`` of them the one number ``int(m * share)`` in order, from 0, at most the last. Entry ``i`` of
    each share, shape (n_values - n + 1,), is that of ``values[i : i + n]``; NaN where fewer than
    ``least`` are known.
    """
    from sleepbrux.signal import kernels

    found = np.empty((len(shares), len(values) - n + 1))
    kernels.window_quantiles(values, np.array(shares), max(least, 1), np.empty(n), found)
    return tuple(found)


def running(values: Floats, n: int, *shares: float) -> tuple[Floats, ...]:
    """Quantiles as of `within` of the ``n`` (odd) values around each, the ends repeated."""
    return within(np.pad(values, n // 2, mode="edge"), n, *shares)
