"""Heart beats and single spikes in the EMG, taken out of the frames where they matter.

A QRS complex leaves 0.1 s of energy behind the filter. Where the recording has an ECG, its beats say
where; otherwise short peaks of one height do whose power lies at the low end of the muscle's band. A spike
puts nearly all its energy into less than 30 ms and leaves a tail of the filter. Their
frames are replaced by the straight line between the levels on either side, so that at rest the peak
disappears and a burst stays what it was. Spikes too dense for that make time that cannot be scored.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note
from sleepbrux.core.spans import Grid, Spans
from sleepbrux.signal.filters import band_edges_hz
from sleepbrux.signal.quantiles import median, running
from sleepbrux.signal.sweep import ChannelFrames

SMOOTH_S = 0.05
SMOOTH_FREEDOMS = 12  # degrees of freedom, so that noise of a narrow band does not look like beats
REACH_S = 0.09
PEAK_RATIO = 2.5
BEAT_S = (0.07, 0.09, 0.06)  # window before and after the peak, flank on either side
AROUND = 4
SHORTEST_S = 0.3
BLUNT = 0.4
ALIKE = 3.0
LEAST_BEATS = 20
LEAST_TO_REST = 0.3
MOST_TO_TYPICAL = 4.0

SPIKE_REACH_S = 0.03
SPIKE_RATIO = 8.0
SPIKE_S = (0.03, 0.15, 0.06)
SPIKE_TO_NEAR = 30.0
SPIKE_NEAR_S = 0.25
SPIKE_SHARE = 0.7
SPIKE_SHIFT = 0.7
SPIKE_TO_TOP = 0.1
SPIKE_BESIDE = 10.0
SPIKE_THIRD = 0.15
SPIKE_PASSES = 2
SPIKE_FORM = 0.45  # squared mean rectified over mean square; noise has 2 / pi
DENSE_PER_S = 3
FIRING_TO_NEAR = 2000.0
FIRING_S, FIRING_AROUND, FIRING_ALIKE, FIRING_SHARE = (0.05, 0.17), 4, 0.3, 0.75
SPIKE_FREEDOMS = 2.0  # of a frame; in fewer, noise has peaks of that shape

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def _smooth(frames: ChannelFrames) -> NDArray[np.float32]:
    from sleepbrux.signal import kernels
    from sleepbrux.signal.envelope import BLOCK_FRAMES, odd_frames

    level = np.empty(len(frames.energy), dtype=np.float32)
    low_hz, high_hz = band_edges_hz(frames.channel.rate)
    smooth_s = max(SMOOTH_S, SMOOTH_FREEDOMS / (2 * (high_hz - low_hz)))
    window = odd_frames(smooth_s, frames.grid.slot_s)
    kernels.moving_mean(
        frames.energy, window, level, np.empty(BLOCK_FRAMES), np.empty(BLOCK_FRAMES), root=False
    )
    return level


def rhythmic(frames: ChannelFrames) -> Ints:
    """Frames of short peaks that look like heart beats, int64, shape (n,)."""
    from sleepbrux.signal import kernels

    level, grid = _smooth(frames), frames.grid
    reach = max(grid.slots_for(REACH_S), 1)
    found = np.empty(len(level) // reach + 1, dtype=np.int64)
    at: Ints = found[: kernels.short_peaks(level, reach, PEAK_RATIO, found)].copy()
    if len(at) < LEAST_BEATS:
        return at[:0]
    height = np.log(level[at].astype(np.float64))
    at = at[np.abs(height - running(height, 21, 0.5)[0]) < np.log(ALIKE)]
    if len(at) < LEAST_BEATS:
        return at[:0]
    apart = np.diff(at) >= grid.slots_for(SHORTEST_S)
    alone = np.append(apart, True) & np.insert(apart, 0, True)
    beats: Ints = at[alone & _blunt(frames, at)]
    if len(beats) < LEAST_BEATS:
        return beats[:0]
    extra = _between(beats, level)
    every: Ints = np.unique(np.concatenate((beats, extra[_blunt(frames, extra)])))
    return every


def _blunt(frames: ChannelFrames, at: Ints) -> NDArray[np.bool_]:
    """Which peaks have the shape of a QRS complex, whose power lies at the low end of the muscle's band.

    The mean square of their first difference over their own is far below that of the channel at rest; a
    twitch has a muscle's. So it needs no regular rhythm, and no twitch with one is taken for a heart.
    """
    if frames.slope_energy is None or not len(at):
        return np.zeros(len(at), dtype=np.bool_)
    reach = max(frames.grid.slots_for(SMOOTH_S), 1)
    surroundings = np.clip(at[:, None] + np.arange(-reach, reach + 1), 0, frames.grid.n_slots - 1)
    sharp = frames.slope_energy[surroundings].astype(np.float64).sum(axis=1)
    sharp /= np.maximum(frames.energy[surroundings].astype(np.float64).sum(axis=1), 1e-300)
    usual = _resting_sharpness(frames)
    result: NDArray[np.bool_] = sharp < BLUNT * usual
    return result


def _resting_sharpness(frames: ChannelFrames) -> float:
    """Median over the quieter half of every so many-th frame."""
    assert frames.slope_energy is not None  # noqa: S101
    every = slice(None, None, max(len(frames.energy) // 50_000, 1))
    energy = frames.energy[every].astype(np.float64)
    slope = frames.slope_energy[every].astype(np.float64)
    known = energy > 0
    if not known.any():
        return 0.0
    quiet = known & (energy <= median(energy[known]))
    return float(slope[quiet].sum() / energy[quiet].sum())


def _between(beats: Ints, level: NDArray[np.float32]) -> Ints:
    """Beats that a regular rhythm lacks: the highest frame near each place where one is due."""
    interval = np.diff(beats).astype(np.float64)
    (usual,) = running(interval, 2 * AROUND + 1, 0.5)
    extra = []
    for k in np.flatnonzero((interval > 1.6 * usual) & (interval < 6.5 * usual)).tolist():
        n = round(interval[k] / usual[k])
        slack = max(int(0.12 * usual[k]), 1)
        for j in range(1, n):
            due = int(beats[k] + interval[k] * j / n)
            part = level[due - slack : due + slack + 1]
            if len(part) and not np.isnan(part).any():
                extra.append(due - slack + int(np.argmax(part)))
    return np.array(extra, dtype=np.int64)


@dataclass(frozen=True)
class _Windows:
    """Power in and beside each beat, float64, shape (n_beats, frames of a window) or (n_beats,)."""

    at: Ints
    inside: Floats
    before: Floats
    after: Floats

    @property
    def beside(self) -> Floats:
        """Higher of the two sides."""
        return np.maximum(self.before, self.after)


def _slots(frames: ChannelFrames, seconds: tuple[float, ...]) -> tuple[int, ...]:
    return tuple(max(frames.grid.slots_for(s), 1) for s in seconds)


def _windows(
    power: NDArray[np.float32], beats: Ints, reach: tuple[int, ...], level: Any = np.mean
) -> _Windows:
    a, b, flank = reach
    beats = beats[(beats >= a + flank) & (beats + b + flank < len(power))]
    at = beats[:, None] + np.arange(-a, b + 1)
    before, after = (
        level(power[beats[:, None] + np.arange(*side)].astype(np.float64), axis=1)
        for side in ((-a - flank, -a), (b + 1, b + 1 + flank))
    )
    return _Windows(at, power[at].astype(np.float64), before, after)


def _lined(power: NDArray[np.float32], found: _Windows, take: NDArray[np.bool_]) -> None:
    """Replace the windows that are taken by lines between their sides."""
    n = found.at.shape[1]
    share = (np.arange(n) + 0.5) / n
    line = found.before[take, None] * (1 - share) + found.after[take, None] * share
    power[found.at[take]] = line


def without_heart(
    frames: ChannelFrames, beats_s: Floats | None = None
) -> tuple[ChannelFrames, tuple[Note, ...]]:
    """The channel without the beats of the heart, and a note that says so; unchanged where they are weak.

    Parameters
    ----------
    beats_s
        Seconds of the beats that an ECG shows; None to find them by their shape.
    """
    beats = rhythmic(frames) if beats_s is None else _locked(frames, beats_s)
    found = _windows(frames.energy, beats, _slots(frames, BEAT_S))
    known = ~np.isnan(found.inside.mean(axis=1) + found.beside)
    if known.sum() < LEAST_BEATS:
        return frames, ()
    excess = found.inside.mean(axis=1) - (found.before + found.after) / 2
    rest = median(found.beside[known])
    quiet = known & (found.beside < 3 * rest)
    if quiet.sum() < LEAST_BEATS:
        return frames, ()
    typical = median(excess[quiet])
    if typical < LEAST_TO_REST * rest:
        return frames, ()
    take = known & (excess < MOST_TO_TYPICAL * typical) & (found.beside < typical / LEAST_TO_REST)
    energy, rectified = frames.energy.copy(), frames.rectified.copy()
    _lined(energy, found, take)
    _lined(rectified, _windows(rectified, beats, _slots(frames, BEAT_S)), take)
    how = "their ECG" if beats_s is not None else "their shape"
    note = Note(
        "heart-removed",
        "note",
        f"{frames.channel.label}: heart beats raise the resting EMG to {np.sqrt(rest + typical):.3g} µV "
        f"around each beat (rest {np.sqrt(rest):.3g} µV); {int(take.sum())} beats, found by {how}, were "
        "replaced by the level on either side",
    )
    return replace(frames, energy=energy, rectified=rectified), (note,)


def _locked(frames: ChannelFrames, beats_s: Floats) -> Ints:
    """Beats of an ECG moved to where, in the median, the EMG shows most energy around them."""
    level = _smooth(frames)
    beats = np.floor(np.asarray(beats_s) / float(frames.grid.slot_s)).astype(np.int64)
    reach = max(frames.grid.slots_for(0.2), 1)
    beats = beats[(beats >= reach) & (beats + reach < len(level))]
    if len(beats) < LEAST_BEATS:
        return beats[:0]
    surroundings = level[beats[:, None] + np.arange(-reach, reach + 1)]
    shift = int(np.argmax(np.nanmedian(surroundings, axis=0))) - reach
    return beats + shift


def _dense(frames: ChannelFrames, at: Ints, swing: Floats) -> Spans:
    """Spans in which short peaks crowd that no motor unit makes.

    Such a peak shifts the mean of its 10 ms about as far as its level goes, or is over within a part of
    them; the potential of a motor unit goes both ways and fills them.
    """
    grid, second = frames.grid, frames.grid.slots_for(1)
    level = frames.energy[at].astype(np.float64)
    block = at // frames.frames_per_block
    beside = block[:, None] * frames.frames_per_block + np.arange(frames.frames_per_block)
    top = frames.energy[np.minimum(beside, grid.n_slots - 1)].max(axis=1)
    shifts = (swing[block] > SPIKE_SHIFT * np.sqrt(level)) & (level > SPIKE_TO_TOP * top)
    brief = frames.rectified[at].astype(np.float64) ** 2 < SPIKE_FORM * level
    at = at[shifts | brief]
    n_within = np.searchsorted(at, at + second) - np.arange(len(at))
    a, b, _ = _slots(frames, SPIKE_S)
    runs = [
        (int(at[k]) - a, int(at[k + n - 1]) + b) for k, n in enumerate(n_within.tolist()) if n >= DENSE_PER_S
    ]
    return Spans.of(grid, runs).join(second)


def _firing(at: Ints, grid: Grid) -> NDArray[np.bool_]:
    """Peaks that follow each other as a motor unit fires: 6-20 a second, each interval like the next."""
    result = np.zeros(len(at), dtype=np.bool_)
    if len(at) <= 2 * FIRING_AROUND:
        return result
    interval = np.diff(at) * float(grid.slot_s)
    (usual,) = running(interval, 2 * FIRING_AROUND + 1, 0.5)
    low, high = FIRING_S
    off = np.minimum(np.abs(interval - usual), np.abs(interval - 2 * usual))  # one may be missed
    alike = (usual > low) & (usual < high) & (off < FIRING_ALIKE * usual)
    share = np.convolve(alike, np.ones(2 * FIRING_AROUND), "same") / (2 * FIRING_AROUND)
    steady = share >= FIRING_SHARE
    result[:-1] |= steady
    result[1:] |= steady
    return result


def _spikes(found: _Windows, usual: Floats, a: int) -> NDArray[np.bool_]:
    """Which windows hold a spike: nearly all above the line in 30 ms, and no peak of a short burst.

    Such a peak rises out of what is muscle too, and more than two frames hold it.
    """
    line = (found.before + found.after) / 2
    whole = (found.inside - line[:, None]).sum(axis=1)
    middle = found.inside[:, a - 1 : a + 2]
    top = middle.max(axis=1, initial=0.0)
    third = np.sort(found.inside[:, : 2 * a + 1], axis=1)[:, -3]
    result: NDArray[np.bool_] = (
        (middle.sum(axis=1) - 3 * line >= SPIKE_SHARE * whole)
        & (top > SPIKE_RATIO * found.beside)
        & ((found.beside < SPIKE_BESIDE * usual) | (third < SPIKE_THIRD * top))
    )
    return result


def _peaks(frames: ChannelFrames) -> tuple[Ints, Floats, NDArray[np.bool_]]:
    """Frames far above what is around them, what that is, and whether a motor unit fires there."""
    from sleepbrux.signal import kernels

    grid, nothing = frames.grid, np.empty(0, dtype=np.int64)
    low_hz, high_hz = band_edges_hz(frames.channel.rate)
    if 2 * (high_hz - low_hz) * float(grid.slot_s) < SPIKE_FREEDOMS:
        return nothing, np.empty(0), np.empty(0, dtype=np.bool_)
    reach, near = _slots(frames, (SPIKE_REACH_S, SPIKE_NEAR_S))
    peaks = np.empty(grid.n_slots // reach + 1, dtype=np.int64)
    at = peaks[: kernels.short_peaks(frames.energy, reach, SPIKE_RATIO, peaks)]
    at = at[(at >= near) & (at + near < grid.n_slots)]
    surroundings = np.sort(frames.energy[at[:, None] + np.arange(-near, near + 1)], axis=1)
    usual = np.where(
        np.isnan(surroundings[:, -1]), np.nan, surroundings[:, near]
    )  # what is not known comes last
    high = frames.energy[at] > SPIKE_TO_NEAR * usual
    at, usual = at[high], usual[high]
    # no motor unit at the skin is so much larger than the rest around it as a discharge is
    return at, usual, _firing(at, grid) & (frames.energy[at] < FIRING_TO_NEAR * usual)


def motor_units(frames: ChannelFrames) -> Spans:
    """Frames in which a motor unit fires: muscle, however short and strong each discharge is."""
    at, _, firing = _peaks(frames)
    return Spans.of(frames.grid, np.stack((at[firing], at[firing] + 1), axis=1))


def without_spikes(frames: ChannelFrames, swing: Floats) -> tuple[ChannelFrames, Spans, tuple[Note, ...]]:
    """The channel without single spikes, the spans in which they are too dense, and a note.

    Parameters
    ----------
    swing
        Range of the 10-ms means of the unfiltered signal in each block, as ``quality.swing_uv``.
    """
    grid, nothing = frames.grid, frames.grid.none()
    at, usual, firing = _peaks(frames)
    at, usual = at[~firing], usual[~firing]
    if not len(at):
        return frames, nothing, ()
    reaches = _slots(frames, SPIKE_S)
    a, b, _ = reaches
    dense = _dense(frames, at, swing)
    beside = at[dense.grow(sum(reaches)).holds(at)]
    dense |= Spans.of(grid, np.stack((beside - a, beside + b), axis=1))
    alone = ~dense.holds(at)
    single, usual = at[alone], usual[alone]
    energy, rectified = frames.energy.copy(), frames.rectified.copy()
    taken = np.zeros(len(single), dtype=np.bool_)
    for _ in range(SPIKE_PASSES):  # a spike beside another stands free once that is gone
        found = _windows(energy, single, reaches, np.median)
        take = _spikes(found, usual, a) & ~taken
        _lined(energy, found, take)
        _lined(rectified, _windows(rectified, single, reaches, np.median), take)
        taken |= take
    if not taken.any():
        return frames, dense, ()
    note = Note(
        "spikes-removed",
        "note",
        f"{frames.channel.label}: {int(taken.sum())} single peaks of less than 30 ms, shorter than any "
        "contraction, were replaced by the level on either side",
    )
    return replace(frames, energy=energy, rectified=rectified), dense, (note,)
