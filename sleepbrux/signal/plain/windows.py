"""Plain twins: levels, quantiles and extremes in windows."""

from __future__ import annotations

import math
from typing import Any


def means_within(power: Any, per_block: int, means: Any) -> None:
    """One part of one block after the other."""
    part = per_block // len(means)
    for block in range(len(power) // per_block):
        for k in range(len(means)):
            begin = block * per_block + k * part
            means[k, block] = sum(float(p) for p in power[begin : begin + part]) / part


def sampled(values: Any, step: int, starts: Any, stops: Any, at: Any, found: Any) -> int:
    """Every frame asked whether it is one."""
    those = [
        i
        for a, b in zip(starts, stops, strict=True)
        for i in range(a, b)
        if i % step == 0 and not math.isnan(values[i])
    ]
    at[: len(those)] = those
    found[: len(those)] = [values[i] for i in those]
    return len(those)


def window_quantiles(values: Any, shares: Any, least: int, ordered: Any, found: Any) -> None:
    """One window after the other, by sorting."""
    n = len(ordered)
    for k in range(len(values) - n + 1):
        known = sorted(v for v in values[k : k + n] if not math.isnan(v))
        for s, share in enumerate(shares):
            at = min(int(len(known) * share), len(known) - 1)
            found[s, k] = known[at] if len(known) >= least else math.nan


def window_medians(
    rank: Any,
    ascending: Any,
    low: Any,
    high: Any,
    least: int,
    within: Any,
    coarse: Any,
    medians: Any,
) -> None:
    """One window after the other, by sorting."""
    del within, coarse
    for k, (a, b) in enumerate(zip(low, high, strict=True)):
        part = sorted(float(ascending[i]) for i in rank[a:b])
        n = len(part)
        medians[k] = (part[(n - 1) // 2] + part[n // 2]) / 2 if n >= max(least, 1) else math.nan


def short_peaks(values: Any, reach: int, ratio: float, found: Any) -> int:
    """Each position by its definition; two peaks are never within ``reach`` of each other."""
    peaks: list[int] = []
    for i in range(reach, len(values) - reach):
        before, after = list(values[i - reach + 1 : i]), list(values[i + 1 : i + reach])
        high = values[i] > 0 and all(values[i] >= ratio * values[k] for k in (i - reach, i + reach))
        if high and all(values[i] > v for v in before) and all(values[i] >= v for v in after):
            if peaks and i - peaks[-1] < reach:
                continue
            peaks.append(i)
    found[: len(peaks)] = peaks
    return len(peaks)
