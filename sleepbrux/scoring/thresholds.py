"""The threshold of a channel over the night: a level in % MVC, or times the resting level that it follows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import Criterion, exact
from sleepbrux.criteria.model import Background
from sleepbrux.signal.envelope import Envelope
from sleepbrux.signal.quantiles import median, ranked

KNOT_S = 30
# The quiet level: medians of 5 s, their lower fifth, a factor for what a lower fifth of such medians lies
# below their middle where the muscle rests throughout (0.8 to 1.5 % on steady generated rest; our choice).
QUIET_BLOCK_S = 5
QUIET_SHARE = 0.2
QUIET_CORRECTION = 1.02

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Threshold:
    """Threshold over the night in µV: straight lines between knots, nowhere below a floor.

    Attributes
    ----------
    knots_uv
        float64, shape (n_knots,); NaN where the threshold is not known.
    step
        Frames from one knot to the next, the last holds to the end; 0: one value holds everywhere.
    """

    grid: Grid
    knots_uv: Floats
    step: int = 0
    floor_uv: float = 0.0

    def at(self, frames: Ints) -> Floats:
        """Threshold of frames, float64, shape of ``frames``; NaN beside an unknown knot."""
        if self.step == 0:
            return np.full(len(frames), max(self.knots_uv[0], self.floor_uv))
        k = frames // self.step
        before = self.knots_uv[k]
        after = self.knots_uv[np.minimum(k + 1, len(self.knots_uv) - 1)]
        level: Floats = before + (after - before) * ((frames - k * self.step) / self.step)
        return np.maximum(level, self.floor_uv)

    @property
    def known(self) -> Spans:
        """Frames that have a threshold."""
        if self.step == 0:
            return self.grid.none() if np.isnan(self.knots_uv[0]) else self.grid.all()
        whole = ~np.isnan(self.knots_uv) & ~np.isnan(np.append(self.knots_uv[1:], 0.0))
        at = np.flatnonzero(whole) * self.step
        return Spans.of(self.grid, np.stack((at, at + self.step), axis=1))

    @property
    def usual_uv(self) -> float | None:
        """Median over the night, one frame a second; None where nothing is known."""
        every = max(self.grid.slots_for(1), 1)
        last = self.grid.n_slots if self.step else min(self.grid.n_slots, 1)
        level = self.at(np.arange(0, last, every))
        return None if np.isnan(level).all() else float(np.nanmedian(level))


def crossings(
    envelope: Envelope, threshold: Threshold, release_ratio: float, *, strict: bool
) -> tuple[Ints, Ints]:
    """First frames of the runs above a threshold, and the frames after their last."""
    from sleepbrux.signal import kernels

    n = len(envelope.level)
    starts, stops = np.empty(n // 2 + 1, dtype=np.int64), np.empty(n // 2 + 1, dtype=np.int64)
    count = kernels.crossings(
        envelope.level,
        threshold.knots_uv,
        threshold.step,
        threshold.floor_uv,
        release_ratio,
        strict,
        starts,
        stops,
    )
    return starts[:count].copy(), stops[:count].copy()


def background_uv(envelope: Envelope, quiet: Spans, rule: Background) -> Floats:
    """Resting level every 30 s: median of the envelope in quiet time, float64, shape (n_knots,).

    The envelope is sampled once a smoothing window, where its values are all but independent; the
    median is taken over ``half_window_s`` either way. NaN where less than ``minimum_quiet_s`` of quiet
    time lies within reach. Between the knots, `KNOT_S` apart, the background runs in straight lines.
    """
    from sleepbrux.signal import kernels

    grid, stride = envelope.grid, envelope.window_frames
    at, values = envelope.sampled(quiet, stride)
    least = max(math.ceil(exact(rule.minimum_quiet_s) / grid.slot_s / stride), 1)
    knots = np.arange(0, grid.n_slots, knot_frames(grid))
    if rule.estimator == "night_median":
        return np.full(len(knots), median(values) if len(at) >= least else np.nan)
    reach = grid.slots_for(exact(rule.half_window_s))
    medians = np.empty(len(knots))
    rank, ascending = ranked(values)
    kernels.window_medians(
        rank,
        ascending,
        np.searchsorted(at, knots - reach, side="left"),
        np.searchsorted(at, knots + reach, side="right"),
        least,
        np.empty(len(rank), dtype=np.bool_),
        np.empty(len(rank) // 100 + 1, dtype=np.int64),
        medians,
    )
    return medians


def quiet_level_uv(envelope: Envelope, rule: Background) -> Floats:
    """Level around which the envelope lies in its quieter time, every 30 s, float64, shape (n_knots,).

    Where the first round of a running background starts, for activity of more than half of the time
    would lift a median. Of the medians of blocks of `QUIET_BLOCK_S` the lower fifth is taken on either side
    of a knot, within ``half_window_s``, and of these two the higher: activity has rest before and after it,
    while a level that rises and stays is the new rest from then on. NaN where neither side holds
    ``minimum_quiet_s`` of blocks.
    """
    grid = envelope.grid
    step = max(envelope.window_frames, 1)
    per_block = max(grid.slots_for(QUIET_BLOCK_S) // step, 1)
    sampled = envelope.level[::step]
    n = -(-len(sampled) // per_block)
    blocks = np.full(n * per_block, np.nan, dtype=np.float32)
    blocks[: len(sampled)] = sampled
    medians = _of_rows(blocks.reshape(n, per_block), 0.5, max(per_block // 2, 1))
    block_s = float(per_block * step * grid.slot_s)
    reach = max(round(rule.half_window_s / block_s), 1)
    least = max(math.ceil(rule.minimum_quiet_s / block_s), 1)
    knots = np.arange(0, grid.n_slots, knot_frames(grid))
    # a block belongs to the side on which its middle lies
    at = np.minimum((knots / (per_block * step) + 0.5).astype(np.int64), n)
    around = np.pad(medians, reach, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(around, reach)
    before, after = (_of_rows(windows[at + k * reach], QUIET_SHARE, least) for k in (0, 1))
    return np.fmax(before, after) * QUIET_CORRECTION


def _of_rows(rows: NDArray[np.floating], share: float, least: int) -> Floats:
    """Quantile of the known values of each row, float64, shape (n_rows,); NaN with fewer than ``least``."""
    ascending = np.sort(rows, axis=1)  # not-a-number comes last
    known = (~np.isnan(ascending)).sum(axis=1)
    place = np.minimum((known * share).astype(np.int64), np.maximum(known - 1, 0))
    found = np.asarray(ascending[np.arange(len(rows)), place], dtype=np.float64).copy()
    found[known < least] = np.nan
    return found


def knot_frames(grid: Grid) -> int:
    """Frames from one knot of the background to the next."""
    return max(grid.slots_for(KNOT_S), 1)


def _quiet(grid: Grid, usable: Spans, starts: Ints, stops: Ints, guard_s: float) -> Spans:
    guard = grid.slots_for(exact(guard_s))
    return usable - Spans.of(grid, np.stack((starts, stops), axis=1)).grow(guard)


def thresholds(
    envelope: Envelope,
    usable: Spans,
    criterion: Criterion,
    mvc_uv: float | None,
    *,
    noise_uv: float = 0.0,
) -> Threshold:
    """Threshold of one channel.

    One relative to background compares activity with background after the recorder's noise
    was taken off both in power: ``k * sqrt(b**2 - noise**2)`` above the noise, not ``k * b``. NaN where
    the background is not known, or where the threshold lies below twice the noise.

    Raises
    ------
    ValueError
        The criterion asks for an MVC and there is none.
    """
    rule = criterion.threshold
    if criterion.needs_mvc and mvc_uv is None:
        raise ValueError(f"criterion {criterion.id} needs an MVC")
    if rule.times_background is None:
        assert rule.level_pct_mvc is not None  # noqa: S101
        assert mvc_uv is not None  # noqa: S101
        return Threshold(envelope.grid, np.array([rule.level_pct_mvc / 100 * mvc_uv]))
    quiet = usable
    floor = 0.0
    if rule.floor_pct_mvc is not None and mvc_uv is not None:
        floor = rule.floor_pct_mvc / 100 * mvc_uv
    running = criterion.background.estimator == "running_median"
    for k in range(criterion.background.passes):
        if k == 0 and running:
            background = quiet_level_uv(envelope, criterion.background)
        else:
            background = background_uv(envelope, quiet, criterion.background)
        muscle = np.maximum(background**2 - noise_uv**2, 0.0)
        knots = np.sqrt(rule.times_background**2 * muscle + noise_uv**2)
        knots[knots < 2 * noise_uv] = np.nan
        found = Threshold(envelope.grid, knots, knot_frames(envelope.grid))
        starts, stops = crossings(envelope, found, rule.release_ratio, strict=False)
        quiet = _quiet(envelope.grid, usable, starts, stops, criterion.background.guard_s)
    return replace(found, floor_uv=floor)
