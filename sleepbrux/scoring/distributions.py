"""What lies behind a night's measures: distributions, hours and thirds of the night, and the sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.measures import DURATION_BORDERS_S, PEAK_BORDERS_PCT, histogram
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.thresholds import Floats

PERCENTILES = (5, 25, 50, 75, 95)
PEAK_BORDERS_UV = (0.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


@dataclass(frozen=True)
class Distribution:
    """One quantity over the bursts or episodes that count.

    Attributes
    ----------
    percentiles
        Percentile to value; empty where there is nothing.
    classes
        Class ("10-20", the last one open) to count.
    """

    name: str
    unit: str
    of: str
    n: int
    percentiles: dict[str, float]
    classes: dict[str, int]


@dataclass(frozen=True)
class Part:
    """A stretch of the night: its valid time and the episodes whose onset lies in it."""

    start_s: float
    end_s: float
    valid_hours: float
    episode_count: int
    by_kind: dict[str, int]
    episodes_per_hour: float | None


@dataclass(frozen=True)
class SideShare:
    """One scored channel: the counted bursts in which it takes part, and their amplitude there."""

    channel: str
    bursts: int
    alone: int
    median_peak_uv: float | None
    median_peak_pct_mvc: float | None


@dataclass(frozen=True)
class Sides:
    """How the channels agree.

    Attributes
    ----------
    shared_pct
        Share of counted bursts in which every channel takes part, in %; None with one channel or
        without a burst.
    asymmetry_pct
        (left - right) / (left + right) of the median peaks in % MVC (µV without an MVC), in %; None
        unless one channel is left and one is right.
    """

    channels: tuple[SideShare, ...]
    shared_pct: float | None
    asymmetry_pct: float | None


@dataclass(frozen=True)
class Details:
    """All of it."""

    distributions: tuple[Distribution, ...]
    by_hour: tuple[Part, ...]
    by_third: tuple[Part, ...]
    sides: Sides


def _distribution(
    name: str, unit: str, of: str, values: NDArray[np.floating], borders: Sequence[float]
) -> Distribution:
    known = values[~np.isnan(values)].astype(np.float64)
    levels = np.percentile(known, PERCENTILES) if len(known) else []
    return Distribution(
        name,
        unit,
        of,
        len(known),
        {f"p{p}": float(v) for p, v in zip(PERCENTILES, levels, strict=False)},
        dict(histogram(known, tuple(borders))),
    )


def _distributions(night: Night) -> tuple[Distribution, ...]:
    merged, table = night.merged, night.episodes
    slot = float(merged.grid.slot_s)
    index = night.selection.bursts[table.of_burst[night.selection.bursts] >= 0]
    bursts = "bursts inside counted episodes"
    lengths = (merged.stops - merged.starts)[index] * slot
    spans = (table.stops - table.starts)[night.selection.episodes] * slot
    return (
        _distribution("burst_peak_pct_mvc", "% MVC", bursts, merged.peak_pct_mvc[index], PEAK_BORDERS_PCT),
        _distribution("burst_mean_pct_mvc", "% MVC", bursts, merged.mean_pct_mvc[index], PEAK_BORDERS_PCT),
        _distribution("burst_peak_uv", "µV", bursts, merged.peak_uv[index], PEAK_BORDERS_UV),
        _distribution("burst_duration_s", "s", bursts, lengths, DURATION_BORDERS_S),
        _distribution("episode_duration_s", "s", "counted episodes", spans, DURATION_BORDERS_S),
    )


def _part(night: Night, start: int, stop: int) -> Part:
    grid, table = night.episodes.grid, night.episodes
    hours = (night.selection.valid & Spans.of(grid, [(start, stop)])).hours
    onsets = table.starts[night.selection.episodes]
    inside = night.selection.episodes[(onsets >= start) & (onsets < stop)]
    kinds = table.kind[inside]
    return Part(
        grid.seconds(start),
        grid.seconds(stop),
        hours,
        len(inside),
        {word: int((kinds == code).sum()) for code, word in enumerate(KINDS)},
        len(inside) / hours if hours > 0 else None,
    )


def _parts(night: Night, borders: Sequence[int]) -> tuple[Part, ...]:
    return tuple(_part(night, a, b) for a, b in pairwise(borders))


def _borders(night: Night) -> tuple[list[int], list[int]]:
    """Hours from the start of the window, and its thirds of clock time, in slots."""
    window = night.selection.window
    if not len(window):
        return [], []
    start, stop = int(window.starts[0]), int(window.stops[-1])
    hour = window.grid.slots_for(3600)
    hours = [*range(start, stop, hour), stop]
    return hours, [start + (stop - start) * k // 3 for k in range(4)]


def _median(values: Floats) -> float | None:
    return float(np.median(values)) if len(values) else None


def _sides(night: Night) -> Sides:
    merged = night.merged
    counted = np.zeros(len(merged) + 1, dtype=np.bool_)
    counted[night.selection.bursts] = True
    mask = merged.channels[night.selection.bursts]
    shares = []
    for k, bursts in enumerate(night.bursts):
        up = int(bursts.grid.slot_s / merged.grid.slot_s)
        place = np.searchsorted(merged.stops, bursts.starts * up, side="right")
        begin = np.append(merged.starts, np.iinfo(np.int64).max)[place]
        peaks = bursts.peak_uv[counted[place] & (begin < bursts.stops * up)]
        mvc_uv = night.mvc_uv(bursts.label)
        shares.append(
            SideShare(
                bursts.label,
                int((mask >> k & 1).sum()),
                int((mask == 1 << k).sum()),
                _median(peaks),
                _median(peaks * (100 / mvc_uv)) if mvc_uv else None,
            )
        )
    everyone = (1 << len(night.bursts)) - 1
    shared = float(100 * (mask == everyone).mean()) if len(mask) and everyone > 1 else None
    return Sides(tuple(shares), shared, _asymmetry(night, shares))


def _asymmetry(night: Night, shares: Sequence[SideShare]) -> float | None:
    sides = {f.channel.label: f.channel.side for f in night.swept.frames}
    found = {sides.get(s.channel, ""): s for s in shares}
    if len(shares) != 2 or found.keys() != {"left", "right"}:
        return None
    pairs = [
        (getattr(found["left"], name), getattr(found["right"], name))
        for name in ("median_peak_pct_mvc", "median_peak_uv")
    ]
    for left, right in pairs:
        if left is not None and right is not None:
            return float(100 * (left - right) / (left + right))
    return None


def details(night: Night) -> Details:
    """Distributions, parts of the night and sides of a scored night."""
    hours, thirds = _borders(night)
    return Details(_distributions(night), _parts(night, hours), _parts(night, thirds), _sides(night))
