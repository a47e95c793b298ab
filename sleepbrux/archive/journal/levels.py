"""Amplitude of spans that a reader made, from the archive's frames."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.scoring.events import AVERAGE_LABEL
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.signal.envelope import follow

MARGIN_FRAMES = 200


class Seen(NamedTuple):
    """Amplitude of one span; ``channels`` are those above their threshold, else the strongest."""

    peak_pct_mvc: float
    mean_pct_mvc: float
    peak_uv: float
    mean_uv: float
    channels: int
    cut: bool


@dataclass(frozen=True, eq=False)
class Levels:
    """Looks up amplitudes in a night's frames, the envelope made around each span only."""

    night: Night

    def over(self, start: int, stop: int) -> Seen:
        """Amplitude between two slots of the events' grid: that of the channel where it is highest.

        Not known under a criterion that scores the mean of the channels.
        """
        if self.night.merged.labels == (AVERAGE_LABEL,):
            return Seen(math.nan, math.nan, math.nan, math.nan, 1, cut=False)
        rows = [self._channel(k, start, stop) for k in range(len(self.night.swept.frames))]
        known = [k for k, row in enumerate(rows) if not math.isnan(row[0])]
        if not known:
            return Seen(math.nan, math.nan, math.nan, math.nan, 0, cut=False)
        above = sum(1 << k for k in known if rows[k][4])
        best = max(known, key=lambda k: rows[k][0])

        def highest(column: int) -> float:
            values = [rows[k][column] for k in known]
            return float(np.fmax.reduce(values))

        return Seen(
            highest(2),
            highest(3),
            highest(0),
            highest(1),
            above or 1 << best,
            cut=any(row[5] for row in rows),
        )

    def _channel(self, k: int, start: int, stop: int) -> tuple[float, float, float, float, bool, bool]:
        """Peak and mean in µV and % MVC, whether above the threshold, whether cut by lost time."""
        night = self.night
        frames, grid = night.swept.frames[k], night.merged.grid
        up = int(frames.grid.slot_s / grid.slot_s)
        a, b = start // up, min(-(-stop // up), frames.grid.n_slots)
        low, high = max(a - MARGIN_FRAMES, 0), min(b + MARGIN_FRAMES, frames.grid.n_slots)
        usable = night.quality[k].usable
        part = Grid(frames.grid.slot_s, high - low)
        inside = Spans.of(part, np.clip(usable.bounds, low, high) - low)
        cut_out = replace(
            frames, grid=part, energy=frames.energy[low:high], rectified=frames.rectified[low:high]
        )
        envelope = follow(
            cut_out, inside, amplitude=night.amplitude, window_s=night.criterion.envelope.window_s
        )
        level = envelope.level[a - low : b - low]
        power = level if night.amplitude == "rectified" else envelope.energy[a - low : b - low]
        known = level[~np.isnan(level)]
        edges = {int(v) for v in usable.bounds.ravel()}
        cut = bool(edges & {a, b})
        if not len(known):
            return math.nan, math.nan, math.nan, math.nan, False, cut
        peak, mean = float(known.max()), float(np.nanmean(power))
        mean = mean if night.amplitude == "rectified" else math.sqrt(mean)
        peak = max(peak, mean)  # as `bursts.Bursts` has it
        mvc_uv = night.mvc_uv(frames.channel.label)
        pct = 100 / mvc_uv if mvc_uv else math.nan
        limit = night.threshold_uv.get(frames.channel.label)
        return peak, mean, peak * pct, mean * pct, limit is not None and peak >= limit, cut

    def enter(self, merged: CombinedBursts, i: int) -> None:
        """Put the amplitude of burst ``i`` into its table."""
        seen = self.over(int(merged.starts[i]), int(merged.stops[i]))
        for name, value in seen._asdict().items():
            getattr(merged, name)[i] = value
