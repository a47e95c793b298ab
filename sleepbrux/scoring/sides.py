"""From the bursts of each channel to those of the night: one side, both, or their mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import Criterion
from sleepbrux.scoring.bursts import IMPROBABLE_PCT_MVC, SHORT, Bursts, bridge_slots, kinds, least_burst
from sleepbrux.scoring.thresholds import Floats, Ints


@dataclass(frozen=True, eq=False)
class CombinedBursts:
    """Bursts of the night after its channels are merged, on the night's common clock.

    Attributes
    ----------
    starts, stops, kind
        As in `Bursts`, in slots of ``grid``.
    peak_pct_mvc, mean_pct_mvc, peak_uv, mean_uv
        float64, shape (n,): those of the channel in which they are highest; NaN without an MVC.
    channels
        int64, shape (n,): bit ``k`` set where channel ``k`` takes part.
    cut
        bool, shape (n,): an edge of usable time touches a contributing burst.
    activity
        int64, shape (n_spans, 2): where any channel is above its threshold, however shortly.
    known
        int64, shape (n_spans, 2): time that is usable in every channel.
    unknown
        int64, shape (n_spans, 2): outside bursts that qualify, where one may have gone unseen. Under
        ``any`` that is where some channel is lost, under ``both`` where each is lost or active; with what
        touches such time and is too short to qualify by itself, less what is too short for any burst.
    """

    grid: Grid
    labels: tuple[str, ...]
    starts: Ints
    stops: Ints
    kind: NDArray[np.int8]
    peak_pct_mvc: Floats
    mean_pct_mvc: Floats
    peak_uv: Floats
    mean_uv: Floats
    channels: Ints
    cut: NDArray[np.bool_]
    activity: Ints
    known: Ints
    unknown: Ints

    @property
    def improbable(self) -> NDArray[np.bool_]:
        """Whether the peak of each burst lies above `IMPROBABLE_PCT_MVC`, bool of shape (n,)."""
        return self.peak_pct_mvc > IMPROBABLE_PCT_MVC

    def __len__(self) -> int:
        """Count of bursts."""
        return len(self.starts)

    def names(self, i: int) -> list[str]:
        """Labels of the channels that take part in burst ``i``."""
        return [label for k, label in enumerate(self.labels) if self.channels[i] >> k & 1]


def combine_sides(
    channels: Sequence[Bursts],
    criterion: Criterion,
    mvc_uv: Sequence[float | None],
    *,
    known: Sequence[Spans] | None = None,
) -> CombinedBursts:
    """One list from several channels.

    ``any``: bursts that qualify in some channel unite where they overlap or are at most
    ``bridge_s`` apart; ``both``: only the time that every channel shares. The united burst's kind
    follows from its own duration. Bursts too short to qualify unite among themselves, unless they lie on
    a qualifying one, and stay short.

    Parameters
    ----------
    known
        Usable time of each channel, on its grid; None: all of it.
    """
    grid = channels[0].grid.refined(*(b.grid for b in channels[1:]))
    long = [_on(grid, b, b.kind != SHORT) for b in channels]
    short = [_on(grid, b, b.kind == SHORT) for b in channels]
    every = [a | b for a, b in zip(long, short, strict=True)]
    seen = [grid.all()] * len(channels) if known is None else [k.on(grid) for k in known]
    bridge = bridge_slots(grid, criterion.burst)
    if criterion.sides.combine == "both":
        united = reduce(Spans.__and__, long)
        brief = reduce(Spans.__and__, every)
    else:
        united = reduce(Spans.__or__, long).join(bridge)
        brief = reduce(Spans.__or__, short)
    brief = Spans.of(grid, brief.bounds[~brief.meet(united)])
    kind = kinds(united.stops - united.starts, grid, criterion.burst)
    certain = Spans.of(grid, united.bounds[kind != SHORT])
    starts = np.concatenate((united.starts, brief.starts))
    order = np.argsort(starts, kind="stable")
    merged = CombinedBursts(
        grid=grid,
        labels=tuple(b.label for b in channels),
        starts=starts[order],
        stops=np.concatenate((united.stops, brief.stops))[order],
        kind=np.concatenate((kind, np.full(len(brief), SHORT, dtype=np.int8)))[order],
        peak_pct_mvc=np.full(len(order), np.nan),
        mean_pct_mvc=np.full(len(order), np.nan),
        peak_uv=np.full(len(order), np.nan),
        mean_uv=np.full(len(order), np.nan),
        channels=np.zeros(len(order), dtype=np.int64),
        cut=np.zeros(len(order), dtype=np.bool_),
        activity=reduce(Spans.__or__, every).bounds,
        known=reduce(Spans.__and__, seen).bounds,
        unknown=_unknown(every, seen, certain, criterion).bounds,
    )
    for k, bursts in enumerate(channels):
        _assign_amplitudes(merged, k, bursts, mvc_uv[k])
    return merged


def _unknown(every: Sequence[Spans], known: Sequence[Spans], certain: Spans, criterion: Criterion) -> Spans:
    """Time outside ``certain`` bursts in which one that qualifies may have gone unseen."""
    grid = certain.grid
    bridge = bridge_slots(grid, criterion.burst)
    possible = [(a | ~k).join(bridge) for a, k in zip(every, known, strict=True)]
    combine = Spans.__and__ if criterion.sides.combine == "both" else Spans.__or__
    united = reduce(combine, possible)
    runs = united.join(bridge).drop_shorter(least_burst(grid, criterion.burst))
    lost = ~reduce(Spans.__and__, known)
    return (united & Spans.of(grid, runs.bounds[runs.meet(lost)])) - certain


def _on(grid: Grid, bursts: Bursts, which: NDArray[np.bool_]) -> Spans:
    pairs = np.stack((bursts.starts[which], bursts.stops[which]), axis=1)
    return Spans.of(bursts.grid, pairs).on(grid)


def _assign_amplitudes(merged: CombinedBursts, k: int, bursts: Bursts, mvc_uv: float | None) -> None:
    """Enter one channel's amplitudes into the merged bursts that its bursts overlap."""
    if not len(merged) or not len(bursts):
        return
    up = int(bursts.grid.slot_s / merged.grid.slot_s)
    first = np.searchsorted(merged.stops, bursts.starts * up, side="right")
    last = np.searchsorted(merged.starts, bursts.stops * up, side="left")
    overlaps = np.maximum(last - first, 0)
    i = np.repeat(np.arange(len(bursts)), overlaps)
    j = np.arange(overlaps.sum()) - np.repeat(np.cumsum(overlaps) - overlaps, overlaps) + first[i]
    np.bitwise_or.at(merged.channels, j, 1 << k)
    np.logical_or.at(merged.cut, j, bursts.cut[i])
    np.fmax.at(merged.peak_uv, j, bursts.peak_uv[i])
    np.fmax.at(merged.mean_uv, j, bursts.mean_uv[i])
    if mvc_uv is not None:
        np.fmax.at(merged.peak_pct_mvc, j, bursts.peak_uv[i] * (100 / mvc_uv))
        np.fmax.at(merged.mean_pct_mvc, j, bursts.mean_uv[i] * (100 / mvc_uv))
