"""Activity that may be no muscle, or be measured with another gain: counted, named, never left out.

No test asks for amplitude alone; each asks for what a muscle cannot do::

    shared    the same wave on two sides. Two muscles are two noises: the power of their 10-ms frames goes up and
              down independently, whatever they do together. Supply, charger, memory card or a voice reach
              both alike
    blunt     raised, with a spectrum far below that of a muscle: what rubbing cables leave after repair
    loose     one side alone never comes down to its rest for minutes, or for half a minute with another spectrum
    gain      for minutes the rest is lower or higher by a factor and its spectrum is the same: a bridge of sweat,
              another gain, or the muscle's own tone

What lies in such time counts; a second count takes it as not seen (`scoring.night`), a third, for ``gain``, as
if the rest had stayed what it usually is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.recording.model import Channel
from sleepbrux.signal.filters import emg_power
from sleepbrux.signal.gain import TENTHS, tenths
from sleepbrux.signal.quantiles import median, quantile, running
from sleepbrux.signal.sweep import ChannelFrames

DOUBTS = {
    "shared": "the same wave on both sides: supply, charger, memory card or sound, picked up alike",
    "blunt": "raised, with a spectrum far below that of a muscle: a rubbing cable or a moving electrode",
    "loose": "one side does not come down to its rest: a loose electrode",
    "gain": "resting level lower or higher by a factor, its spectrum the same: gain, sweat, or muscle tone",
}
# All limits are our choice unless a line says otherwise.
RAISED, BARELY = 6.0, 2.0  # times the power of rest
REST_SHARE = 0.3
PLATEAU = 0.3  # of a run's mean power; flanks rise on both sides at once
BESIDE = 2  # frames on either side of which a frame's deviation is taken
LEAST_FRAMES = 8
INDEPENDENT = 0.8  # of the frames, after their neighbours' mean was taken off
ALIKE = 0.45  # correlation of power; two muscles that pick up a third of each other have 0.3
ALIKE_ALONE = 0.25
CERTAIN = 2.0  # standard errors
POOLED, POOL_S, POOL_DB = 8, 60.0, 1.0
MOST_APART_DB = 9.0  # a muscle reaches the other side's electrodes with less than a third (from memory)
LEAST_KNOWN = 0.3
GROW_S = 0.05

MUSCLE_LEAST_HZ = 80.0  # a median frequency at the low end of jaw muscles (from memory)
MUSCLE_SPREAD = 0.52
BLUNT = 0.45
BLUNT_SMOOTH = 5
BLUNT_SHARE, BLUNT_JOIN_S = 0.5, 0.1
SWING_TO_LEVEL = 6.0  # of the 10-ms means in a run, to its RMS; muscle: about 2 to 3

WINDOW_S = 30
FLOOR_SHARE = 0.1
LOOSE, NOT_RAISED = 6.0, 3.0  # times the power of the usual rest
LOOSE_S = 120
MOST_SUNK = 2.5  # so that where the level sinks, the rest of the night is not raised
SHAPE = 0.2  # difference of the logarithm of the sharpness
GAIN_DB, GAIN_BESIDE_DB, GAIN_S = 4.0, 2.0, 300
SAME_SHAPE = 0.15
SMOOTH_WINDOWS = 5

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Seen:
    """A channel with the power of its tenths of seconds, and that of its rest; ``raw`` is before cleaning."""

    frames: ChannelFrames
    usable: Spans
    raw: NDArray[np.float32]
    power: Floats
    rest: float
    sharpness: float

    @classmethod
    def of(cls, frames: ChannelFrames, usable: Spans, raw: NDArray[np.float32] | None = None) -> _Seen | None:
        power = tenths(frames)
        whole = usable.on(frames.block_grid, rounding="inward").mask()
        known = power[whole][:, ::3].ravel()
        known = known[known > 0]
        if len(known) < TENTHS:
            return None
        sharp = frames.stat("slope_energy")[whole] / np.maximum(frames.stat("energy")[whole], 1e-300)
        return cls(
            frames,
            usable,
            frames.energy if raw is None else raw,
            power,
            quantile(known, REST_SHARE),
            median(sharp),
        )


def _at(frames: ChannelFrames, tenth: Ints) -> Ints:
    """First frame of tenths of seconds."""
    per_block = frames.frames_per_block
    result: Ints = tenth // TENTHS * per_block + tenth % TENTHS * (per_block // TENTHS)
    return result


def _frames_of(frames: ChannelFrames, mask: Bools) -> Spans:
    """Tenths, with the one before and the one after, as spans of frames."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask.ravel(), [False]))))
    return Spans.of(frames.grid, _at(frames, edges.reshape(-1, 2) + np.array([-1, 1])))


def _listed(spans: Spans) -> tuple[Ints, Ints]:
    """Every frame of some spans, and the number of the span that it lies in."""
    lengths = spans.stops - spans.starts
    of = np.repeat(np.arange(len(spans)), lengths)
    first = np.cumsum(lengths) - lengths
    return np.arange(lengths.sum()) - first[of] + spans.starts[of], of


def _mean_around(values: Floats, reach: int) -> Floats:
    """Mean of each value and ``reach`` neighbours on either side; the ends are short of some."""
    width = 2 * reach + 1
    total = np.cumsum(np.concatenate((np.zeros(reach + 1), values, np.zeros(reach))))
    return (total[width:] - total[:-width]) / width


@dataclass(frozen=True, eq=False)
class _Runs:
    """Of each run: frames on its plateau, their sums of products, and the mean power of both sides there."""

    n: Floats
    aa: Floats
    bb: Floats
    ab: Floats
    power: tuple[Floats, Floats]


def _runs(a: _Seen, b: _Seen, spans: Spans) -> _Runs:
    at, of = _listed(spans)
    n_runs = len(spans)
    length = np.maximum(np.bincount(of, minlength=n_runs), 1)
    inside = np.ones(len(at), dtype=np.bool_)
    deviations, powers = [], []
    for seen in (a, b):
        energy = np.maximum(seen.frames.energy[at].astype(np.float64), 1e-6 * seen.rest)
        mean = np.bincount(of, energy, n_runs) / length
        inside &= _mean_around(energy, BESIDE) > PLATEAU * mean[of]
        level = np.log(energy)
        deviations.append(level - _mean_around(level, BESIDE))
        powers.append(energy)
    around = np.pad(inside, BESIDE)
    first = spans.starts[of]
    inside &= (at - first >= BESIDE) & (spans.stops[of] - at > BESIDE)
    for k in range(2 * BESIDE + 1):
        inside &= around[k : k + len(at)]
    of = of[inside]
    x, y = (d[inside] for d in deviations)
    n = np.bincount(of, minlength=n_runs).astype(np.float64)
    aa, bb, ab = (
        np.asarray(np.bincount(of, part, n_runs), dtype=np.float64) for part in (x * x, y * y, x * y)
    )
    level_a, level_b = (np.bincount(of, p[inside], n_runs) / np.maximum(n, 1) for p in powers)
    return _Runs(n, aa, bb, ab, (level_a, level_b))


def _surely(ab: Floats, aa: Floats, bb: Floats, n: Floats, known: Floats) -> tuple[Floats, Floats]:
    """Correlation of the part above rest, and what it surely exceeds."""
    r = np.clip(ab / np.sqrt(np.maximum(aa * bb, 1e-300)) / known, -0.99, 0.99)
    error = CERTAIN / np.sqrt(np.maximum(INDEPENDENT * n - 3, 1))
    return r, np.tanh(np.arctanh(r) - error)


def _pooled(runs: _Runs, starts_s: Floats, ratio_db: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Sums of each run and of its neighbours with the same ratio of the sides."""
    sums = [v.copy() for v in (runs.ab, runs.aa, runs.bb, runs.n)]
    for lag in range(1, min(POOLED, len(starts_s) - 1) + 1):
        beside = np.abs(ratio_db[lag:] - ratio_db[:-lag]) < POOL_DB
        beside &= starts_s[lag:] - starts_s[:-lag] < POOL_S
        for total, own in zip(sums, (runs.ab, runs.aa, runs.bb, runs.n), strict=True):
            total[:-lag] += np.where(beside, own[lag:], 0.0)
            total[lag:] += np.where(beside, own[:-lag], 0.0)
    return sums[0], sums[1], sums[2], sums[3]


def shared_wave(a: _Seen, b: _Seen) -> Spans:
    """Frames in which two channels of different sides show the same wave."""
    grid = a.frames.grid
    low = (a.power > BARELY * a.rest) & (b.power > BARELY * b.rest)
    spans = _frames_of(a.frames, low & ((a.power > RAISED * a.rest) | (b.power > RAISED * b.rest)))
    spans = spans & a.usable & b.usable
    spans = spans.drop_shorter(LEAST_FRAMES + 2 * BESIDE)
    if not len(spans):
        return grid.none()
    runs = _runs(a, b, spans)
    above_a, above_b = (
        np.maximum(p - s.rest, 1e-3 * s.rest) for p, s in zip(runs.power, (a, b), strict=True)
    )
    ratio_db = np.asarray(10 * np.log10(above_b / above_a), dtype=np.float64)
    part_a, part_b = (
        above / np.maximum(p, above) for above, p in zip((above_a, above_b), runs.power, strict=True)
    )
    known = np.maximum(part_a * part_b, LEAST_KNOWN)
    r, least = _surely(runs.ab, runs.aa, runs.bb, runs.n, known)
    starts_s = np.asarray(spans.starts * float(grid.slot_s), dtype=np.float64)
    pooled = _pooled(runs, starts_s, ratio_db)
    least_pooled = _surely(*pooled, known)[1]
    found = (least > ALIKE) | ((least_pooled > ALIKE) & (r > ALIKE_ALONE))
    found &= (runs.n >= LEAST_FRAMES) & (np.abs(ratio_db) < MOST_APART_DB)
    return Spans.of(grid, spans.bounds[found]).grow(grid.slots_for(GROW_S))


@lru_cache(maxsize=8)
def bluntest_muscle(rate: Fraction) -> float:
    """Energy of the first difference over energy, for the bluntest jaw muscle behind the EMG filter.

    Its power is log-normal in frequency with a median of `MUSCLE_LEAST_HZ`.
    """
    share = (np.arange(4096) + 0.5) / 8192
    hz = float(rate) * share
    z = np.exp(-2j * np.pi * share)
    power = np.exp(-0.5 * (np.log(hz / MUSCLE_LEAST_HZ) / MUSCLE_SPREAD) ** 2) / hz * emg_power(rate, z)
    return float((power * np.abs(1 - z) ** 2).sum() / power.sum())


def blunt_activity(seen: _Seen) -> Spans:
    """Runs of raised frames, most of them blunter than a muscle, with a swing below the band far above them."""
    frames, grid = seen.frames, seen.frames.grid
    spans = _frames_of(frames, seen.power > RAISED * seen.rest) & seen.usable
    if not len(spans) or frames.slope_energy is None or frames.mean is None:
        return grid.none()
    at, _ = _listed(spans)
    energy = _mean_around(frames.energy[at].astype(np.float64), BLUNT_SMOOTH)
    before, slope = (
        _mean_around(row[at].astype(np.float64), BLUNT_SMOOTH) for row in (seen.raw, frames.slope_energy)
    )
    raised = energy > RAISED * seen.rest
    if not raised.any():
        return grid.none()
    sharp = slope / np.maximum(before, 1e-300)
    usual = max(quantile(sharp[raised], 0.75), seen.sharpness)
    least = min(BLUNT * usual, bluntest_muscle(frames.channel.rate))
    found = Spans.of(grid, np.stack((at[raised], at[raised] + 1), axis=1))
    runs = found.join(grid.slots_for(BLUNT_JOIN_S)) & spans
    edges = np.searchsorted(at, runs.bounds.ravel())  # runs do not touch

    def of_each(sums: np.ufunc, values: Floats) -> Floats:
        return np.asarray(sums.reduceat(np.append(values, values[-1]), edges)[::2], dtype=np.float64)

    length = runs.stops - runs.starts
    blunt = of_each(np.add, (sharp < least).astype(np.float64)) > BLUNT_SHARE * length
    level = np.sqrt(of_each(np.add, seen.raw[at].astype(np.float64)) / length)
    mean = frames.mean[at].astype(np.float64)
    swing = of_each(np.maximum, mean) - of_each(np.minimum, mean)
    found = Spans.of(grid, runs.bounds[blunt & (swing > SWING_TO_LEVEL * level)])
    return found.grow(grid.slots_for(GROW_S))


@dataclass(frozen=True, eq=False)
class _Floors:
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


def _floors(seen: _Seen) -> _Floors | None:
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
    return _Floors(
        floor,
        middle,
        median(floor[enough]),
        median(middle[enough]),
        max(quantile(floor[enough], REST_SHARE), median(floor[enough]) / MOST_SUNK),
    )


def _windows(frames: ChannelFrames, mask: Bools) -> Spans:
    per_window = frames.frames_per_block * WINDOW_S
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False]))))
    return Spans.of(frames.grid, edges.reshape(-1, 2) * per_window)


def _loose(frames: ChannelFrames, own: _Floors, others: Sequence[_Floors]) -> Spans:
    """Windows in which a channel never comes down to its rest, and no other one is raised.

    With those beside them in which it comes down to more than it did, as such a noise grows slowly.
    """
    with np.errstate(invalid="ignore"):
        near = own.power > NOT_RAISED * own.rest
        for other in others:
            near &= ~(other.power > NOT_RAISED * other.rest)
        raised = near & (own.power > LOOSE * own.rest)
        changed = raised & (own.same_shape > SHAPE)
    sure = _windows(frames, changed)
    sure |= _windows(frames, raised).drop_shorter(frames.grid.slots_for(LOOSE_S))
    around = _windows(frames, near)
    return Spans.of(frames.grid, around.bounds[around.meet(sure)])


def gain_course_db(frames: ChannelFrames, usable: Spans) -> Floats | None:
    """How far the rest of each `WINDOW_S` lies from its usual level where ``gain`` is doubted, dB; else 0.

    float64, shape (n_windows,); None where nothing is.
    """
    seen = _Seen.of(frames, usable)
    floors = None if seen is None else _floors(seen)
    return None if floors is None else _course_db(floors)


def _course_db(floors: _Floors) -> Floats | None:
    known = np.flatnonzero(~np.isnan(floors.power))
    off = 10 * np.log10(floors.power[known] / floors.usual)
    (off,) = running(off, SMOOTH_WINDOWS, 0.5)
    (shape,) = running(floors.same_shape[known], SMOOTH_WINDOWS, 0.5)
    same = shape < SAME_SHAPE
    course = np.zeros(len(floors.power))
    for sign in (1.0, -1.0):
        sure = same & (sign * off > GAIN_DB)
        near = same & (sign * off > GAIN_BESIDE_DB)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], near, [False])))).reshape(-1, 2)
        for first, stop in edges.tolist():
            if sure[first:stop].sum() * WINDOW_S >= GAIN_S:
                course[known[first:stop]] = off[first:stop]
    return course if course.any() else None


def at_usual_level(frames: ChannelFrames, usable: Spans) -> ChannelFrames:
    """The channel as if its rest had stayed at its usual level, where ``gain`` is doubted."""
    course = gain_course_db(frames, usable)
    if course is None:
        return frames
    per_window = frames.frames_per_block * WINDOW_S
    power = np.repeat(10 ** (-course / 10), per_window)[: frames.grid.n_slots]
    power = np.append(power, np.ones(frames.grid.n_slots - len(power)))
    return replace(
        frames,
        energy=(frames.energy * power).astype(np.float32),
        rectified=(frames.rectified * np.sqrt(power)).astype(np.float32),
    )


def _opposite(a: Channel, b: Channel) -> bool:
    """Whether two channels are not known to lie on one side."""
    return not (a.side and a.side == b.side)


def find_doubts(
    before: Sequence[ChannelFrames], after: Sequence[ChannelFrames], usable: Sequence[Spans]
) -> list[dict[str, Spans]]:
    """Of each channel: what is doubtful in its usable time, by a key of `DOUBTS`.

    Parameters
    ----------
    before, after
        Channels as they were swept, and without what was taken out.
    """
    seen = [_Seen.of(f, u, raw.energy) for f, u, raw in zip(after, usable, before, strict=True)]
    found: list[dict[str, Spans]] = [{} for _ in seen]

    def add(k: int, reason: str, spans: Spans) -> None:
        spans = spans & usable[k]
        if len(spans):
            found[k][reason] = found[k].get(reason, spans) | spans

    for (j, a), (k, b) in combinations(enumerate(seen), 2):
        if a is None or b is None or a.frames.grid != b.frames.grid:
            continue
        if _opposite(a.frames.channel, b.frames.channel):
            spans = shared_wave(a, b)
            add(j, "shared", spans)
            add(k, "shared", spans)
    floors = [None if s is None else _floors(s) for s in seen]
    for k, (one, own) in enumerate(zip(seen, floors, strict=True)):
        if one is None:
            continue
        add(k, "blunt", blunt_activity(one))
        if own is None:
            continue
        others = [
            f for j, f in enumerate(floors) if j != k and f is not None and len(f.power) == len(own.power)
        ]
        add(k, "loose", _loose(one.frames, own, others))
        course = _course_db(own)
        if course is not None:
            add(k, "gain", _windows(one.frames, course != 0))
    return found
