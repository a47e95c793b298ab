"""Activity that may be no muscle, or be measured with another gain: counted, named, never left out.

No test asks for amplitude alone; each asks for what a muscle cannot do::

    shared    the same wave on two sides. Two muscles are two noises: the power of their 10-ms frames goes up and
              down independently, whatever they do together. Supply, charger, memory card or a voice reach
              both alike
    blunt     raised, with a spectrum far below that of a muscle: what rubbing cables leave after repair
    loose     one side alone never comes down to its rest for minutes, or for half a minute with another spectrum
    gain      for minutes the rest is lower or higher by a factor and its spectrum is the same: a bridge of sweat,
              another gain, or the muscle's own tone
    creep     the same, slowly and on all sides alike (`levels`)

What lies in such time counts; a second count takes it as not seen (`scoring.night`), further ones, for ``gain``
and ``creep``, as if the rest had stayed at one level.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.recording.model import Channel
from sleepbrux.signal.filters import emg_power
from sleepbrux.signal.gain import TENTHS
from sleepbrux.signal.levels import Levels, Seen, creep_doubt, gain_doubt, levels_of, windows
from sleepbrux.signal.quantiles import quantile
from sleepbrux.signal.sweep import ChannelFrames

DOUBTS = {
    "shared": "the same wave on both sides: supply, charger, memory card or sound, picked up alike",
    "blunt": "raised, with a spectrum far below that of a muscle: a rubbing cable or a moving electrode",
    "loose": "one side does not come down to its rest: a loose electrode",
    "gain": "resting level lower or higher by a factor, its spectrum the same: gain, sweat, or muscle tone",
    "creep": "resting level of all sides creeps over the night, its spectrum the same: gel, sweat, or muscle tone",
}
# All limits are our choice unless a line says otherwise.
RAISED, BARELY = 6.0, 2.0  # times the power of rest
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

LOOSE, NOT_RAISED = 6.0, 3.0  # times the power of the usual rest
LOOSE_S = 120
SHAPE = 0.2  # difference of the logarithm of the sharpness

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


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


def _runs(a: Seen, b: Seen, spans: Spans) -> _Runs:
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
    r = np.clip(ab / np.sqrt(np.maximum(aa * bb, 1e-300)), -0.99, 0.99)
    error = CERTAIN / np.sqrt(np.maximum(INDEPENDENT * n - 3, 1))
    return r / known, np.tanh(np.arctanh(r) - error) / known


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


def shared_wave(a: Seen, b: Seen) -> Spans:
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


def blunt_activity(seen: Seen) -> Spans:
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


def _loose(frames: ChannelFrames, own: Levels, others: Sequence[Levels]) -> Spans:
    """Windows in which a channel never comes down to its rest, and no other one is raised.

    With those beside them in which it comes down to more than it did, as such a noise grows slowly.
    """
    with np.errstate(invalid="ignore"):
        near = own.power > NOT_RAISED * own.rest
        for other in others:
            near &= ~(other.power > NOT_RAISED * other.rest)
        raised = near & (own.power > LOOSE * own.rest)
        changed = raised & (own.same_shape > SHAPE)
    sure = windows(frames, changed)
    sure |= windows(frames, raised).drop_shorter(frames.grid.slots_for(LOOSE_S))
    around = windows(frames, near)
    return Spans.of(frames.grid, around.bounds[around.meet(sure)])


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
    seen = [Seen.of(f, u, raw.energy) for f, u, raw in zip(after, usable, before, strict=True)]
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
    levels = [None if s is None else levels_of(s) for s in seen]
    for k, (one, own) in enumerate(zip(seen, levels, strict=True)):
        if one is None:
            continue
        add(k, "blunt", blunt_activity(one))
        if own is None:
            continue
        others = [
            f for j, f in enumerate(levels) if j != k and f is not None and len(f.power) == len(own.power)
        ]
        add(k, "loose", _loose(one.frames, own, others))
        add(k, "gain", windows(one.frames, gain_doubt(one, own)))
    for k, spans in _creeping(seen, levels, found):
        add(k, "creep", spans)
    return found


def _creeping(
    seen: Sequence[Seen | None], levels: Sequence[Levels | None], found: Sequence[Mapping[str, Spans]]
) -> Iterator[tuple[int, Spans]]:
    """Channels of one clock on different sides that creep together, by their place; none where one is doubted."""
    if any("gain" in of for of in found):
        return
    all_of = {k: (s, of) for k, (s, of) in enumerate(zip(seen, levels, strict=True)) if s and of}
    for grid in {one.frames.grid: None for one, _ in all_of.values()}:
        of = {k: pair for k, pair in all_of.items() if pair[0].frames.grid == grid}
        sides = [one.frames.channel for one, _ in of.values()]
        if not any(_opposite(a, b) for a, b in combinations(sides, 2)):
            continue
        creep = creep_doubt(list(of.values()))
        if creep is not None:
            yield from ((k, windows(one.frames, creep)) for k, (one, _) in of.items())
