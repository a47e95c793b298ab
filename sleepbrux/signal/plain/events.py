"""Plain twins: envelopes, bursts and their edges."""

from __future__ import annotations

import math
from typing import Any

import numpy as np


def moving_mean(power: Any, window: int, level: Any, total: Any, known: Any, root: bool) -> None:
    """Mean of the known frames within half a window, or its square root."""
    del total, known
    half = window // 2
    for i in range(len(power)):
        near = [float(p) for p in power[max(i - half, 0) : i + half + 1] if p == p]  # noqa: PLR0124
        level[i] = np.nan if np.isnan(power[i]) else sum(near) / len(near)
        level[i] = math.sqrt(level[i]) if root else level[i]


def crossings(
    level: Any,
    knots: Any,
    step: int,
    floor: float,
    off_ratio: float,
    strict: bool,
    starts: Any,
    stops: Any,
) -> int:
    """Runs by their definition: begin above, go on while at or above the lower threshold."""
    count, i, n = 0, 0, len(level)
    while i < n:
        on = limit_at(knots, step, floor, i)
        if level[i] > on or (level[i] == on and not strict):
            starts[count] = i
            i += 1
            while i < n and level[i] >= limit_at(knots, step, floor, i) * off_ratio:
                i += 1
            stops[count] = i
            count += 1
        else:
            i += 1
    return count


def limit_at(knots: Any, step: int, floor: float, frame: int) -> float:
    """The line between the knots on either side."""
    if step == 0:
        return max(float(knots[0]), floor)
    k = frame // step
    before = float(knots[k])
    after = float(knots[min(k + 1, len(knots) - 1)])
    share = (frame - k * step) / step if k + 1 < len(knots) else 0.0
    return max(before + (after - before) * share, floor)


def step_between(power: Any, low: int, high: int, before: float, after: float, log_ratio: float) -> int:
    """The step with the highest likelihood, the first of equals."""
    weight = 1.0 / before - 1.0 / after
    scores = [0.0]
    for k in range(low, high):
        scores.append(scores[-1] + (log_ratio - float(power[k]) * weight))
    return low + int(np.argmax(scores))


def mean_known(power: Any, low: int, high: int) -> tuple[float, int]:
    """Mean and count of the frames that are not NaN."""
    known = [float(p) for p in power[low:high] if not np.isnan(p)]
    return sum(known) / max(len(known), 1), len(known)


def correct_edges(
    energy: Any,
    starts: Any,
    stops: Any,
    earliest: Any,
    latest: Any,
    knots: Any,
    step: int,
    floor: float,
    to_power: float,
    half: int,
    flank: int,
    depth: int,
    least_step: float,
    tail: Any,
    new_starts: Any,
    new_stops: Any,
) -> None:
    """One run after the other, the onset first."""

    def power(frame: int) -> float:
        on = limit_at(knots, step, floor, frame)
        return on * on * to_power

    for i in range(len(starts)):
        a, b = int(starts[i]), int(stops[i])
        low, high = int(earliest[i]), int(latest[i])
        if i > 0:
            low = max(low, (int(stops[i - 1]) + a) // 2) if stops[i - 1] > low else low
        if i + 1 < len(starts) and starts[i + 1] < high:
            high = (int(starts[i + 1]) + b + 1) // 2
        middle = (a + b) // 2
        first, last = min(a + half, middle), max(b - half, middle + 1)
        if a > earliest[i]:
            rest, n_rest = mean_known(energy, max(low, a - half - flank), max(a - half, low + 1))
            burst, n_burst = mean_known(energy, first, min(first + depth, last))
            near, far = max(low, a - half - 1), min(a + half + 1, last - 1)
            new_starts[i] = a
            if n_rest and n_burst and 0 < rest < burst and near < far:
                rest = max(rest, burst * least_step)
                at = step_between(energy, near, far, rest, burst, math.log(burst / rest))
                above = [k for k in range(near, at) if not energy[k] > power(k)]
                new_starts[i] = max(above) + 1 if above else near
        if b < latest[i]:
            rest, n_rest = mean_known(energy, min(b + half, high - 1), min(high, b + half + flank))
            burst, n_burst = mean_known(energy, max(last - depth, first), last)
            near, far = max(b - half - 1, int(new_starts[i]) + 1), min(b + half + 1, high)
            new_stops[i] = b
            if n_rest and n_burst and 0 < rest < burst and near < far:
                rest = max(rest, burst * least_step)
                at = step_between(energy, near, far, burst, rest, math.log(rest / burst))
                ring = [burst * t for t in tail] + [0.0] * (far - at)
                over = [energy[k] > max(power(k), ring[k - at]) for k in range(at, far)]
                new_stops[i] = at + (over.index(False) if False in over else far - at)


def span_levels(level: Any, power: Any, starts: Any, stops: Any, peak: Any, mean: Any) -> None:
    """One span after the other."""
    for k, (a, b) in enumerate(zip(starts, stops, strict=True)):
        peak[k] = max(float(v) for v in level[a:b])
        mean[k] = mean_known(power, a, b)[0]


def join_dips(
    energy: Any,
    starts: Any,
    stops: Any,
    half: int,
    rest: float,
    least_step: float,
    least_share: float,
) -> int:
    """One pause after the other, from the first on."""
    runs: list[list[int]] = []
    for a, b in zip(starts.tolist(), stops.tolist(), strict=True):
        if runs and a - runs[-1][1] <= 2 * half:
            first, last = runs[-1]
            before, n_before = mean_known(energy, first, last)
            after, n_after = mean_known(energy, a, b)
            burst = (before * n_before + after * n_after) / max(n_before + n_after, 1)
            quiet = max(rest, burst * least_step)
            if n_before and n_after and 0.0 < quiet < burst:
                limit = math.log(burst / quiet) / (1.0 / quiet - 1.0 / burst)
                windows = [energy[max(c - half, 0) : c + half + 1] for c in range(last, a)]
                most = max((sum(not e > limit for e in w) for w in windows), default=0)
                if most < least_share * (2 * half + 1):
                    runs[-1][1] = b
                    continue
        runs.append([a, b])
    for k, (a, b) in enumerate(runs):
        starts[k], stops[k] = a, b
    return len(runs)
