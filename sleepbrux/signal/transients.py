"""Heart beats and single spikes in the EMG, taken out of the frames where they matter.

A QRS complex leaves 0.1 s of energy behind the filter. Where the recording has an ECG, its beats say
where; otherwise short peaks that follow each other with the regularity of a heart do. A spike puts
nearly all its energy into less than 30 ms and leaves a tail of the filter. Their
frames are replaced by the straight line between the levels on either side, so that at rest the peak
disappears and a burst stays what it was. Spikes too dense for that make time that cannot be scored.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import Note
from sleepbrux.core.spans import Spans
from sleepbrux.signal.filters import band_edges_hz
from sleepbrux.signal.quantiles import median, running
from sleepbrux.signal.sweep import ChannelFrames

SMOOTH_S = 0.05
SMOOTH_FREEDOMS = 12  # degrees of freedom, so that noise of a narrow band does not look like beats
REACH_S = 0.09
PEAK_RATIO = 2.5
BEAT_S = (0.07, 0.09, 0.06)  # window before and after the peak, flank on either side
SHORTEST_S, LONGEST_S = 0.33, 1.8
REGULAR = 0.2
AROUND = 4
LEAST_REGULAR = 0.6
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
    """Frames of short peaks that follow each other as heart beats do, int64, shape (n,)."""
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
    interval = np.diff(at) * float(grid.slot_s)
    (usual,) = running(interval, 2 * AROUND + 1, 0.5)
    regular = (interval > SHORTEST_S) & (interval < LONGEST_S) & (np.abs(interval - usual) < REGULAR * usual)
    share = np.convolve(regular, np.ones(2 * AROUND), "same") / (2 * AROUND)
    near = np.maximum(np.append(share, 0), np.insert(share, 0, 0)) >= LEAST_REGULAR
    touching = np.append(regular, False) | np.insert(regular, 0, False)
    beats: Ints = at[near & touching]
    if len(beats) < LEAST_BEATS:
        return beats[:0]
    every: Ints = np.unique(np.concatenate((beats, _between(beats, level))))
    return every


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
        Seconds of the beats that an ECG shows; None to find them by their rhythm.
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
    how = "their ECG" if beats_s is not None else "their rhythm"
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
    around = level[beats[:, None] + np.arange(-reach, reach + 1)]
    shift = int(np.argmax(np.nanmedian(around, axis=0))) - reach
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


def without_spikes(frames: ChannelFrames, swing: Floats) -> tuple[ChannelFrames, Spans, tuple[Note, ...]]:
    """The channel without single spikes, the spans in which they are too dense, and a note.

    Parameters
    ----------
    swing
        Range of the 10-ms means of the unfiltered signal in each block, as ``quality.swing_uv``.
    """
    from sleepbrux.signal import kernels

    grid, nothing = frames.grid, frames.grid.none()
    low_hz, high_hz = band_edges_hz(frames.channel.rate)
    if 2 * (high_hz - low_hz) * float(grid.slot_s) < SPIKE_FREEDOMS:
        return frames, nothing, ()
    reach, near = _slots(frames, (SPIKE_REACH_S, SPIKE_NEAR_S))
    peaks = np.empty(grid.n_slots // reach + 1, dtype=np.int64)
    at = peaks[: kernels.short_peaks(frames.energy, reach, SPIKE_RATIO, peaks)]
    at = at[(at >= near) & (at + near < grid.n_slots)]
    around = np.sort(frames.energy[at[:, None] + np.arange(-near, near + 1)], axis=1)
    usual = np.where(np.isnan(around[:, -1]), np.nan, around[:, near])  # what is not known comes last
    high = frames.energy[at] > SPIKE_TO_NEAR * usual
    at, usual = at[high], usual[high]
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
