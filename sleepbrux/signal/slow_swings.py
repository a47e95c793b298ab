"""Swings and pops of electrode and cable, told by what lies below the muscle's band.

Both are found in the 10-ms means of the unfiltered signal, of which a muscle makes next to nothing, so no
level of contraction has a say in what is found. Two measures of it::

    leak    what passes into the muscle's band at its low end: about what the 20 Hz high-pass lets through
    sway    8 Hz and more: a cable that swings, with friction noise in the muscle's band that cannot be parted
            from it; a slow swing below 4 Hz, as a moving jaw or skin makes, has none of it

A pop leaks. Its frames get their level from the band that it leaves alone: the mean square of the signal's
first difference, in which the upper frequencies weigh most, over what that is in the muscle of this
channel; at the pop's steep flanks, which reach there too, a straight line between the levels on either side.
A sway cannot be repaired, and is excluded, as are pops too dense to be parted. All else stays as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.signal.quantiles import median
from sleepbrux.signal.sweep import ChannelFrames
from sleepbrux.signal.transients import motor_units, without_spikes

# Differences of means over so many seconds, as far apart: highest at 25 and at 16.7 Hz.
LEAK, LEAK_S = (1.0, -4.0, 6.0, -4.0, 1.0), 0.02
SWAY, SWAY_S = (1.0, -6.0, 15.0, -20.0, 15.0, -6.0, 1.0), 0.03
NEAR_S = 0.1
TO_USUAL = 4.0
SWAY_TO_USUAL = 15.0
SWING_TO_PEAK = 1.2
STEPS = 8.0
SWAY_TO_MUSCLE = 0.5
LEAK_TO_SWAY = 1.0  # more is a pop
POP_TO_MUSCLE, POP_TO_USUAL = 0.5, 8.0
TIMES_MUSCLES_OWN = 8.0
RING = 0.8  # a frame: the filter's ringing after a pop
FLANK = 0.7
SHARE_LEAKED = 0.3  # of the level in the band: a tenth of its power
FLANK_TO_LEVEL = 0.5
ACTIVE = 9.0
LASTING = 5  # tenths of a second
SLIGHT = 0.5
CLOSE_S, LEAST_S, GROW_S = 0.2, 0.5, 0.3  # a pop sways for a third of a second
JOIN_S = 2.0
SPIKE_S = 0.15
APART_S = 0.1
DENSE_PER_S = 6

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class _Usual:
    """What is usual in a channel: its muscle's sharpness, and what it and all else leave below the band.

    The leak is the highest of a second, heart beats among it; the sway is that between them.
    """

    sharpness: float
    leak_to_muscle: float
    leak: float
    sway: float


def _shifted(values: Floats, reach: int) -> Callable[[int], Floats]:
    """Gives the values up to ``reach`` frames earlier or later, along the last axis, the end ones beyond the ends."""
    n = values.shape[-1]
    wide = np.empty((*values.shape[:-1], n + 2 * reach))
    wide[..., reach : reach + n] = values
    if n:
        wide[..., :reach], wide[..., reach + n :] = values[..., :1], values[..., -1:]
    return lambda lag: wide[..., reach + lag : reach + lag + n]


def _difference(mean: Floats, shares: tuple[float, ...], width: int) -> Floats:
    """Difference of means over ``width`` frames, ``width`` frames apart, absolute, of gain 1."""
    level, near = np.zeros_like(mean), _shifted(mean, width)
    for k in range(width):
        level += near(k - width // 2) / width
    middle = len(shares) // 2
    far, total = _shifted(level, middle * width), np.zeros_like(mean)
    for k, share in enumerate(shares):
        total += share * far((k - middle) * width)
    return np.asarray(np.abs(total) / sum(map(abs, shares)), dtype=np.float64)


def _smooth(values: Floats, reach: int) -> Floats:
    """Mean over ``reach`` frames to either side."""
    near, total = _shifted(values, reach), np.zeros_like(values)
    for k in range(-reach, reach + 1):
        total += near(k)
    return total / (2 * reach + 1)


def _highest(values: Floats, reach: int) -> Floats:
    """Highest within ``reach`` frames to either side."""
    near, result = _shifted(values, reach), values.copy()
    for k in (*range(-reach, 0), *range(1, reach + 1)):
        np.maximum(result, near(k), out=result)
    return result


def _ringing(values: Floats, keep: float) -> Floats:
    """Each value, or what is left of those before it."""
    result = values.copy()
    for k in range(1, len(result)):
        result[k] = max(result[k], keep * result[k - 1])
    return result


@dataclass(frozen=True)
class _Part:
    """A stretch of frames, all known, or rows of such: float64 arrays of one shape."""

    energy: Floats
    slope: Floats
    mean: Floats

    @classmethod
    def of(cls, frames: ChannelFrames, at: slice | NDArray[np.int64]) -> _Part:
        assert frames.slope_energy is not None  # noqa: S101
        assert frames.mean is not None  # noqa: S101
        rows = (frames.energy, frames.slope_energy, frames.mean)
        return cls(*(row[at].astype(np.float64) for row in rows))

    def __getitem__(self, kept: NDArray[np.int64]) -> _Part:
        return _Part(self.energy[kept], self.slope[kept], self.mean[kept])


def _widths(frames: ChannelFrames) -> tuple[int, int, int]:
    """Frames of `LEAK_S`, `SWAY_S` and `NEAR_S`."""
    return tuple(max(frames.grid.slots_for(s), 1) for s in (LEAK_S, SWAY_S, NEAR_S))  # type: ignore[return-value]


def _lasting(active: Bools) -> Bools:
    """Those of some seconds' tenths that are active with their neighbours, longer than a heart beat is."""
    n = active.shape[1] - LASTING + 1
    whole = np.all([active[:, k : k + n] for k in range(LASTING)], axis=0)
    result = np.zeros_like(active)
    for k in range(LASTING):
        result[:, k : k + n] |= whole
    return result


def _usual(frames: ChannelFrames, seconds: NDArray[np.int64]) -> _Usual | None:
    """From one second in so many; medians, so that pops in some of them have no say."""
    leak_w, sway_w, near = _widths(frames)
    n = frames.frames_per_block
    part = _Part.of(frames, seconds[(seconds + 1) * n <= len(frames.energy), None] * n + np.arange(n))
    part = part[np.flatnonzero(~np.isnan(part.energy).any(axis=1))]
    if not len(part.energy):
        return None
    leak = _difference(part.mean, LEAK, leak_w)
    sway = _highest(_difference(part.mean, SWAY, sway_w), near)[:, near::near]
    every, changes = (_smooth(row, near)[:, near::near] for row in (part.energy, part.slope))
    active = _lasting(every > ACTIVE * median(every.ravel()))
    if active.sum() < len(seconds):
        active = every > 0
    if not active.any():
        return None
    sharpness = median(changes[active] / every[active])
    if sharpness <= 0:
        return None
    at = leak[:, near::near]
    muscle = np.sqrt(np.maximum(changes, 1e-300) / sharpness)
    return _Usual(
        sharpness,
        median(at[active] / muscle[active]),
        median(leak.max(axis=1)),
        median(sway.ravel()),
    )


def _candidates(frames: ChannelFrames, power: Floats, swing: Floats) -> Spans:
    """Seconds in which the signal below the band moves more than is usual and than a muscle moves it."""
    seen = frames.stat("samples") > 0
    neighbours = np.maximum(swing[1:], swing[:-1])[seen[1:] & seen[:-1]]
    usual = median(neighbours) if len(neighbours) else 0.0
    peak = np.sqrt(np.nan_to_num(np.fmax.reduce(power, axis=1)))
    channel = frames.channel
    step = abs(channel.gain) if channel.digital_max > channel.digital_min else 0.0
    found = seen & (swing > SWING_TO_PEAK * peak) & (swing > TO_USUAL * usual / 2)
    return Spans.from_mask(frames.block_grid, found & (swing > STEPS * step))


def _spikes(frames: ChannelFrames, swing: Floats) -> Spans:
    """Frames of discharges, shorter than a pop and taken out as such, and of motor units, which stay."""
    without, dense, _ = without_spikes(frames, swing)
    changed = (without.energy != frames.energy) & (frames.energy == frames.energy)
    found = dense | Spans.from_mask(frames.grid, changed) | motor_units(frames)
    return found.grow(frames.grid.slots_for(SPIKE_S))


def without_swings(
    frames: ChannelFrames, power: Floats, swing: Floats
) -> tuple[ChannelFrames, Spans, tuple[Note, ...]]:
    """The channel without pops, the spans that a swinging cable makes unusable, and a note.

    Parameters
    ----------
    power
        Mean power of each tenth of each block, as `gain.tenths`.
    swing
        Range of the 10-ms means of the unfiltered signal in each block, as ``quality.swing_uv``.
    """
    nothing = frames.grid.none()
    runs = _candidates(frames, power, swing).grow(1).on(frames.grid, rounding="outward")
    if not len(runs):
        return frames, nothing, ()
    n_blocks = len(frames.stats)
    usual = _usual(frames, np.unique(np.linspace(0, n_blocks - 1, min(n_blocks, 600)).astype(np.int64)))
    if usual is None:
        return frames, nothing, ()
    energy, rectified = frames.energy.copy(), frames.rectified.copy()
    swayed: list[tuple[int, int]] = []
    pops = 0
    known = Spans.from_mask(frames.grid, frames.energy == frames.energy)
    spikes = _spikes(frames, swing).mask()
    for first, stop in (runs & known).bounds.tolist():
        part = _Part.of(frames, slice(first, stop))
        sway, repaired, level, n = _judged(frames, part, usual, spikes[first:stop])
        swayed += [(first + a, first + b) for a, b in sway]
        if n:
            pops += n
            before = part.energy[repaired]
            share = np.sqrt(level[repaired] / np.where(before > 0, before, np.inf))
            energy[first:stop][repaired] = level[repaired]
            rectified[first:stop][repaired] *= share
    grow, join = (frames.grid.slots_for(s) for s in (GROW_S, JOIN_S))
    movement = Spans.of(frames.grid, swayed).grow(grow).join(join)
    if not pops:
        return frames, movement, ()
    note = Note(
        "pops-repaired",
        "note",
        f"{frames.channel.label}: {pops} pops of the electrode, known by what lies below the muscle's band. "
        "The level there was taken from the upper part of that band",
    )
    return replace(frames, energy=energy, rectified=rectified), movement, (note,)


def _extended(frames: ChannelFrames, sure: Bools, slight: Bools) -> list[tuple[int, int]]:
    """Runs of sure sway that last, carried on as long as there is slight sway beside them."""
    close, least = (frames.grid.slots_for(s) for s in (CLOSE_S, LEAST_S))
    grid = Grid(frames.grid.slot_s, len(sure))
    core = Spans.from_mask(grid, sure).join(close).drop_shorter(least)
    beside = (core | Spans.from_mask(grid, slight)).join(2 * close)
    return [(a, b) for a, b in beside.bounds.tolist() if len(core & Spans.of(grid, [(a, b)]))]


def _judged(
    frames: ChannelFrames, part: _Part, usual: _Usual, spikes: Bools
) -> tuple[list[tuple[int, int]], Bools, Floats, int]:
    """Of one stretch: where it sways, where it is repaired and to what power, and how many pops."""
    leak_w, sway_w, near = _widths(frames)
    leak, sway = _difference(part.mean, LEAK, leak_w), _difference(part.mean, SWAY, sway_w)
    muscle = np.sqrt(_smooth(part.slope, near) / usual.sharpness)
    to_muscle = max(POP_TO_MUSCLE, TIMES_MUSCLES_OWN * usual.leak_to_muscle)
    core = (leak > to_muscle * muscle) & (leak > POP_TO_USUAL * usual.leak) & ~spikes
    surroundings = _highest(sway, near)
    swaying = (surroundings > SWAY_TO_MUSCLE * muscle) & (surroundings > SWAY_TO_USUAL * usual.sway)
    swaying &= _highest(leak, 2 * near) < LEAK_TO_SWAY * surroundings
    sways: list[tuple[int, int]] = []
    if swaying.any():
        slight = (surroundings > SLIGHT * SWAY_TO_MUSCLE * muscle) & (
            surroundings > SLIGHT * SWAY_TO_USUAL * usual.sway
        )
        sways = _extended(frames, swaying, slight)
    if not core.any():
        return sways, core, part.energy, 0
    left = _ringing(_highest(np.where(core, leak, 0.0), 2 * leak_w), RING)
    level = np.sqrt(_smooth(part.energy, leak_w))
    repaired = (left > SHARE_LEAKED * level) & (left > usual.leak)
    upper = part.slope / usual.sharpness
    flank = repaired & (
        FLANK * _ringing(_highest(np.where(core, leak, 0.0), leak_w), FLANK)
        > FLANK_TO_LEVEL * np.sqrt(_smooth(upper, leak_w))
    )
    sure = np.flatnonzero(~flank)
    if len(sure):
        smooth = np.where(repaired, _smooth(upper, leak_w), _smooth(part.energy, leak_w))
        at = np.flatnonzero(flank)
        upper[at] = np.interp(at, sure, smooth[sure])
    at = np.flatnonzero(core)
    pops = at[np.concatenate(([True], np.diff(at) > frames.grid.slots_for(APART_S)))]
    second = frames.grid.slots_for(1)
    dense = np.flatnonzero(np.searchsorted(pops, pops + second) - np.arange(len(pops)) >= DENSE_PER_S)
    sways += [(int(pops[k]), int(pops[k + DENSE_PER_S - 1]) + near) for k in dense.tolist()]
    return sways, repaired, np.minimum(_smooth(part.energy, 2 * leak_w), upper), len(pops)
