"""The level that each channel comes down to, window by window, and where it is another one by a factor.

Two courses are told from another noise by their spectrum, which stays::

    gain     for minutes one channel rests lower or higher than it usually does
    creep    all sides rest lower and lower (or higher) over the night, by the same factor. No window need lie
             far from the usual level. Where the signal below the muscle's band can be seen and stays, it is the
             tone of the muscles, and nothing is named

A single channel does not tell a creep from its muscle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.signal.gain import TENTHS, tenths
from sleepbrux.signal.quality import swing_uv
from sleepbrux.signal.quantiles import median, quantile, running
from sleepbrux.signal.sweep import ChannelFrames

# All limits are our choice.
REST_SHARE = 0.3
WINDOW_S = 30
FLOOR_SHARE = 0.1
MOST_SUNK = 2.5  # so that where the level sinks, the rest of the night is not raised
GAIN_DB, GAIN_BESIDE_DB, GAIN_S = 4.0, 2.0, 300
SAME_SHAPE = 0.15
SMOOTH_WINDOWS = 5
QUIET = 2.0  # times the floor of a window: tenths of seconds without muscle or beat
CREEP_DB, CREEP_APART_DB = 3.0, 1.0  # between the lowest and the highest tenth of the windows
CREEP_SHARE = 0.1
CREEP_WINDOWS = 20
TOLD_DB, FAR_DB = 10.0, 30.0  # from the floor to the swing below the band: seen, and no wandering electrode

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Seen:
    """A channel with the power of its tenths of seconds, and that of its rest; ``raw`` is before cleaning."""

    frames: ChannelFrames
    usable: Spans
    raw: NDArray[np.float32]
    power: Floats
    rest: float

    @classmethod
    def of(cls, frames: ChannelFrames, usable: Spans, raw: NDArray[np.float32] | None = None) -> Seen | None:
        """None where too little is usable; ``raw`` is the energy before cleaning."""
        power = tenths(frames)
        whole = usable.on(frames.block_grid, rounding="inward").mask()
        known = power[whole][:, ::3].ravel()
        known = known[known > 0]
        if len(known) < TENTHS:
            return None
        raw = frames.energy if raw is None else raw
        return cls(frames, usable, raw, power, quantile(known, REST_SHARE))

    @cached_property
    def before_and_slope(self) -> tuple[Floats, Floats]:
        """Power of the tenths before cleaning, and of the first difference then; shape (n_blocks, 10)."""
        from sleepbrux.signal import kernels

        frames = self.frames
        raw, slope = np.full((2, TENTHS, len(frames.stats)), np.nan)
        kernels.means_within(self.raw, frames.frames_per_block, raw)
        if frames.slope_energy is not None:
            kernels.means_within(frames.slope_energy, frames.frames_per_block, slope)
        return raw.T, slope.T

    @cached_property
    def sharpness(self) -> float:
        """First difference over energy, of the quietest tenths of seconds: no beat is in them; 0 if not known."""
        whole = self.usable.on(self.frames.block_grid, rounding="inward").mask()
        raw, slope = (part[whole].ravel() for part in self.before_and_slope)
        known = (raw > 0) & (slope > 0)
        if not known.any():
            return 0.0
        raw, slope = raw[known], slope[known]
        quiet = raw <= quantile(raw, REST_SHARE)
        return median(slope[quiet] / raw[quiet])


@dataclass(frozen=True, eq=False)
class Levels:
    """Power that a channel comes down to in each window, and its sharpness; NaN where too little is usable."""

    power: Floats
    sharpness: Floats
    usual: float
    usual_sharpness: float
    rest: float  # of the quieter part of the night, as a noise may take more than half of it

    @property
    def same_shape(self) -> Floats:
        """How far the spectrum of each window is from the usual one, of the logarithm of the sharpness."""
        return np.abs(np.log(self.sharpness / self.usual_sharpness))


def levels_of(seen: Seen) -> Levels | None:
    """None where fewer than two windows are known."""
    frames = seen.frames
    n = len(frames.stats) // WINDOW_S
    if n < 2:
        return None
    whole = seen.usable.on(frames.block_grid, rounding="inward").mask() & (frames.stat("energy") > 0)
    rows = slice(0, n * WINDOW_S)
    power = np.where(whole[:, None], seen.power, np.nan)[rows].reshape(n, -1)
    power = np.sort(power, axis=1)  # what is not known comes last
    known = (~np.isnan(power)).sum(axis=1)
    floor = power[np.arange(n), (known * FLOOR_SHARE).astype(np.int64)]
    sharp = np.where(whole, frames.stat("slope_energy") / np.maximum(frames.stat("energy"), 1e-300), np.nan)
    sharp = np.sort(sharp[rows].reshape(n, -1), axis=1)
    middle = sharp[np.arange(n), (~np.isnan(sharp)).sum(axis=1) // 2]
    enough = (known >= WINDOW_S * TENTHS // 2) & (floor > 0) & (middle > 0)
    if enough.sum() < 2:
        return None
    floor[~enough], middle[~enough] = np.nan, np.nan
    return Levels(
        floor,
        middle,
        median(floor[enough]),
        median(middle[enough]),
        max(quantile(floor[enough], REST_SHARE), median(floor[enough]) / MOST_SUNK),
    )


def windows(frames: ChannelFrames, mask: Bools) -> Spans:
    """Marked windows as spans of frames."""
    per_window = frames.frames_per_block * WINDOW_S
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False]))))
    return Spans.of(frames.grid, edges.reshape(-1, 2) * per_window)


def _off_db(levels: Levels) -> tuple[NDArray[np.intp], Floats]:
    """Windows that are known, and how far their smoothed level lies from the usual one, dB."""
    known = np.flatnonzero(~np.isnan(levels.power))
    (off,) = running(10 * np.log10(levels.power[known] / levels.usual), SMOOTH_WINDOWS, 0.5)
    return known, off


def _quiet_shape(seen: Seen, levels: Levels) -> Floats:
    """As `Levels.same_shape`, of the tenths of seconds near each window's floor alone: no beat is in them."""
    n = len(levels.power)
    of_window = [part[: n * WINDOW_S].reshape(n, -1) for part in seen.before_and_slope]
    quiet = of_window[0] < QUIET * levels.power[:, None]
    raw_sum, slope_sum = (np.where(quiet, part, 0.0).sum(axis=1) for part in of_window)
    sharp = np.where(raw_sum > 0, slope_sum / np.maximum(raw_sum, 1e-300), np.nan)
    known = ~np.isnan(sharp) & (sharp > 0)
    if not known.any():
        return np.full(n, np.inf)
    shape = np.full(n, np.inf)
    shape[known] = np.abs(np.log(sharp[known] / median(sharp[known])))
    return shape


def _same_shape(seen: Seen, levels: Levels, known: NDArray[np.intp], asked: Bools) -> Bools:
    """Whether each known window has the usual spectrum; the quiet tenths are looked at only where it is asked."""
    (shape,) = running(levels.same_shape[known], SMOOTH_WINDOWS, 0.5)
    same: Bools = shape < SAME_SHAPE
    if (asked & ~same).any():
        (shape,) = running(_quiet_shape(seen, levels)[known], SMOOTH_WINDOWS, 0.5)
        same |= shape < SAME_SHAPE
    return same


def gain_doubt(seen: Seen, levels: Levels) -> Bools:
    """Windows in which one channel rests at another level than usual, with the same spectrum, for minutes."""
    known, off = _off_db(levels)
    found = np.zeros(len(levels.power), dtype=np.bool_)
    if not (np.abs(off) > GAIN_DB).any():
        return found
    same = _same_shape(seen, levels, known, np.abs(off) > GAIN_BESIDE_DB)
    for sign in (1.0, -1.0):
        sure = same & (sign * off > GAIN_DB)
        near = same & (sign * off > GAIN_BESIDE_DB)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], near, [False])))).reshape(-1, 2)
        for first, stop in edges.tolist():
            if sure[first:stop].sum() * WINDOW_S >= GAIN_S:
                found[known[first:stop]] = True
    return found


def _ends_db(off: Floats) -> tuple[float, float]:
    return quantile(off, CREEP_SHARE), quantile(off, 1 - CREEP_SHARE)


def _stays_below(seen: Seen, levels: Levels, known: NDArray[np.intp], off: Floats) -> bool:
    """Whether the signal below the muscle's band is seen and does not follow the level: tone, no gain."""
    n = len(levels.power)
    swing = swing_uv(seen.frames)[: n * WINDOW_S].reshape(n, WINDOW_S)
    low = np.sort(swing, axis=1)[known, WINDOW_S // 4]
    if not (low > 0).all():
        return False
    below = 20 * np.log10(low)
    apart = median(below - 10 * np.log10(levels.power[known]))
    if not TOLD_DB < apart < FAR_DB:
        return False
    order = np.argsort(off)
    tenth = max(int(len(off) * CREEP_SHARE), 1)
    followed = median(below[order[-tenth:]]) - median(below[order[:tenth]])
    return bool(followed < (off[order[-tenth:]].mean() - off[order[:tenth]].mean()) / 3)


def creep_doubt(channels: Sequence[tuple[Seen, Levels]]) -> Bools | None:
    """Windows of a night in which all of some channels rest at one level that creeps; None: nothing creeps.

    Parameters
    ----------
    channels
        Of one clock; some lie on different sides.
    """
    courses = [_off_db(levels) for _, levels in channels]
    n = len(channels[0][1].power)
    seen = np.full((len(channels), n), np.nan)
    for row, (known, off) in zip(seen, courses, strict=True):
        row[known] = off
    both = np.flatnonzero(~np.isnan(seen).any(axis=0))
    if len(both) < CREEP_WINDOWS:
        return None
    common = seen[:, both].mean(axis=0)
    low, high = _ends_db(common)
    if high - low < CREEP_DB:
        return None
    for (one, levels), (known, off), row in zip(channels, courses, seen[:, both], strict=True):
        apart = row - common
        if quantile(np.abs(apart - median(apart)), 1 - CREEP_SHARE) > CREEP_APART_DB:
            return None
        if not _same_shape(one, levels, known, np.ones(len(known), dtype=np.bool_)).mean() > 1 - CREEP_SHARE:
            return None
        if _stays_below(one, levels, known, off):
            return None
    found = np.zeros(n, dtype=np.bool_)
    found[both] = True
    return found


def _scaled(frames: ChannelFrames, course: Floats) -> ChannelFrames:
    """The channel with each window's level lower by a course, dB."""
    per_window = frames.frames_per_block * WINDOW_S
    power = np.repeat(10 ** (-course / 10), per_window)[: frames.grid.n_slots]
    power = np.append(power, np.full(frames.grid.n_slots - len(power), power[-1] if len(power) else 1.0))
    return replace(
        frames,
        energy=(frames.energy * power).astype(np.float32),
        rectified=(frames.rectified * np.sqrt(power)).astype(np.float32),
    )


def at_level(frames: ChannelFrames, usable: Spans, doubtful: Spans, place: str = "usual") -> ChannelFrames:
    """The channel as if its rest had stayed at one level in doubtful time.

    Parameters
    ----------
    doubtful
        Windows in which another level is doubted.
    place
        The level: ``"usual"`` (median of the night), ``"lowest"`` or ``"highest"`` (tenth of the windows).
    """
    seen = Seen.of(frames, usable)
    levels = None if seen is None else levels_of(seen)
    if levels is None or not len(doubtful):
        return frames
    known, off = _off_db(levels)
    low, high = _ends_db(off)
    level = {"usual": 0.0, "lowest": low, "highest": high}[place]
    middle = (np.arange(len(levels.power)) + 0.5) * frames.frames_per_block * WINDOW_S
    inside = doubtful.holds(middle.astype(np.int64))
    course = np.interp(np.arange(len(levels.power)), known, off) - level
    return _scaled(frames, np.where(inside, course, 0.0))
