"""Find scripted reference clenches that nobody marked, to propose them; nothing here is certain.

The script: 20 s of rest, then three clenches of 3 s, some 10 s apart::

    |      rest      |   clench      clench      clench
    ________________      ████        ████        ████
                     5-40 s    4-20 s     (pauses)

Looked for at either end of a night, or all over a short recording. A run counts when its clenches
last 1.5-6 s, are evenly spaced, of like level, far above rest, and nothing loud lies between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.signal.quality import assess
from sleepbrux.signal.sweep import ChannelFrames
from sleepbrux.spans import Spans

WINDOW_S = 0.06
END_S = 1800.0
SHORT_S = 5400.0
CLENCH_S = (1.5, 6.0)
PAUSE_S = (4.0, 20.0)
BRIDGE_S = 0.3
TIMES_REST = 8.0
REST_PERCENTILE = 25
LIKE = 2.0
EVEN_S = 5.0
QUIET_SHARE = 0.25
FEWEST = 3
REST_S = 20.0
LEAST_REST_S = 5.0
REST_REACH_S = 60.0
CLEAR_S = 0.5


@dataclass(frozen=True)
class Found:
    """Clenches and rest that look like the script.

    Attributes
    ----------
    clenches_s
        (start, stop) of each, where the level passes half of the clench's own.
    rest_s
        (start, stop) of the quietest stretch of up to 20 s before them; None where there is none.
    label
        Channel in which they stand out most.
    times_rest
        By how much, median level of the clenches over rest.
    """

    clenches_s: tuple[tuple[float, float], ...]
    rest_s: tuple[float, float] | None
    label: str
    times_rest: float


def _smooth(frames: ChannelFrames) -> NDArray[np.float64]:
    """RMS over 0.06 s around each frame, float64, shape (n_frames,); NaN where not usable."""
    power = frames.energy.astype(np.float64)
    power[~assess(frames).usable.mask()] = np.nan
    n = max(frames.grid.slots_for(WINDOW_S) // 2 * 2 + 1, 1)
    padded = np.pad(power, n // 2, constant_values=np.nan)
    rms: NDArray[np.float64] = np.sqrt(
        np.lib.stride_tricks.sliding_window_view(padded, n).mean(axis=1)
    )
    return rms


def _places(frames: ChannelFrames) -> list[tuple[int, int]]:
    """Frames in which to look: all of a short recording, both ends of a night."""
    grid = frames.grid
    if grid.duration_s <= SHORT_S:
        return [(0, grid.n_slots)]
    end = grid.slots_for(END_S)
    return [(0, end), (grid.n_slots - end, grid.n_slots)]


def _pieces(
    frames: ChannelFrames, rms: NDArray[np.float64], rest: float
) -> list[tuple[int, int, float]]:
    """(start, stop, level) of every stretch that might be a clench."""
    grid = frames.grid
    loud = Spans.from_mask(grid, np.nan_to_num(rms) > TIMES_REST * rest)
    found = []
    for a, b in loud.join(grid.slots_for(BRIDGE_S)).bounds.tolist():
        level = float(np.sqrt(np.nanmean(rms[a:b] ** 2)))
        inside = np.flatnonzero(np.nan_to_num(rms[a:b]) > level / 2)
        if not len(inside):
            continue
        start, stop = a + int(inside[0]), a + int(inside[-1]) + 1
        top = float(np.median(rms[start:stop]))
        inside = np.flatnonzero(np.nan_to_num(rms[a:b]) > top / 2)
        start, stop = a + int(inside[0]), a + int(inside[-1]) + 1
        if CLENCH_S[0] <= grid.seconds(stop - start) <= CLENCH_S[1]:
            found.append((start, stop, top))
    return found


def _follows(one: tuple[int, int, float], two: tuple[int, int, float], frames: ChannelFrames,
             rms: NDArray[np.float64]) -> bool:  # fmt: skip
    """Whether two clenches may be neighbours of one script."""
    grid = frames.grid
    pause = grid.seconds(two[0] - one[1]) if two[0] > one[1] else 0.0
    clear = grid.slots_for(CLEAR_S)
    between = rms[one[1] + clear : two[0] - clear]
    quiet = QUIET_SHARE * min(one[2], two[2])
    return (
        PAUSE_S[0] <= pause <= PAUSE_S[1]
        and max(one[2], two[2]) <= LIKE * min(one[2], two[2])
        and len(between) > 0
        and float(np.nan_to_num(between).max()) < quiet
    )


def _runs(pieces: list[tuple[int, int, float]], frames: ChannelFrames,
          rms: NDArray[np.float64]) -> list[list[tuple[int, int, float]]]:  # fmt: skip
    """Runs of three clenches or more, each following the last, evenly spaced."""
    runs: list[list[tuple[int, int, float]]] = []
    for piece in pieces:
        if runs and _follows(runs[-1][-1], piece, frames, rms):
            runs[-1].append(piece)
        else:
            runs.append([piece])

    def even(run: list[tuple[int, int, float]]) -> bool:
        steps = np.diff([a for a, _, _ in run])
        return len(run) >= FEWEST and bool(np.ptp(steps) <= frames.grid.slots_for(EVEN_S))

    return [run for run in runs if even(run)]


def _quiet_stretch(frames: ChannelFrames, before: int, earliest: int) -> tuple[float, float] | None:
    """Quietest stretch of up to 20 s that ends before a frame."""
    grid = frames.grid
    first = max(before - grid.slots_for(REST_REACH_S), earliest, 0)
    part = frames.energy[first : before - grid.slots_for(CLEAR_S)].astype(np.float64)
    part[~assess(frames).usable.mask()[first : first + len(part)]] = np.nan
    n = min(grid.slots_for(REST_S), len(part) // 2)
    if n < grid.slots_for(LEAST_REST_S):
        return None
    means = np.lib.stride_tricks.sliding_window_view(part, n).mean(axis=1)
    if np.isnan(means).all():
        return None
    at = first + int(np.nanargmin(means))
    return grid.seconds(at), grid.seconds(at + n)


def find_clenches(channels: Sequence[ChannelFrames]) -> Found | None:
    """The run of clenches that looks most like the script, over all channels; None where none does.

    Of several runs the earliest counts that stands out at least half as far as the best one: the
    clenches of the evening, not their repetition on waking.
    """
    found: list[Found] = []
    for frames in channels:
        rms = _smooth(frames)
        for first, stop in _places(frames):
            known = rms[first:stop][~np.isnan(rms[first:stop])]
            rest = float(np.percentile(known, REST_PERCENTILE)) if len(known) else 0.0
            if rest <= 0:
                continue
            pieces = [p for p in _pieces(frames, rms, rest) if first <= p[0] and p[1] <= stop]
            for run in _runs(pieces, frames, rms):
                spans = tuple((frames.grid.seconds(a), frames.grid.seconds(b)) for a, b, _ in run)
                times = float(np.median([level for *_, level in run])) / rest
                quiet = _quiet_stretch(frames, run[0][0], first)
                found.append(Found(spans, quiet, frames.channel.label, times))
    if not found:
        return None
    clear = [f for f in found if f.times_rest >= max(g.times_rest for g in found) / 2]
    earliest = min(f.clenches_s[0][0] for f in clear)
    same = [f for f in clear if f.clenches_s[0][0] <= earliest + CLENCH_S[1]]
    return max(same, key=lambda f: (len(f.clenches_s), f.times_rest))
