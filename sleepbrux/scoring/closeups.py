"""The filtered signal around each episode of a night, kept while the recording is at hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sleepbrux.recording.model import Recording
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.thresholds import Ints
from sleepbrux.signal.extremes import extremes

AROUND_S = 5.0
LONGEST_S = 90.0
MOST_S = 3 * 3600.0


def triggering(night: Night) -> Ints:
    """Channel that triggered each episode, int64, shape (n_episodes,), -1 where none was scored alone.

    The one whose highest burst inside the episode is the most times its own threshold (its median
    over the night where it follows the background).
    """
    labels = [f.channel.label for f in night.swept.frames]
    episodes, merged = night.episodes, night.merged
    best = np.full(len(episodes), -1, dtype=np.int64)
    ratio = np.zeros(len(episodes))
    for bursts in night.bursts:
        limit = night.threshold_uv.get(bursts.label)
        if bursts.label not in labels or limit is None or not limit > 0:
            continue
        up = int(bursts.grid.slot_s / merged.grid.slot_s)
        first = np.searchsorted(episodes.stops, bursts.starts * up, side="right")
        inside = first < len(episodes)
        inside[inside] &= episodes.starts[first[inside]] < bursts.stops[inside] * up
        highest = np.zeros(len(episodes))
        np.fmax.at(highest, first[inside], bursts.peak_uv[inside] / limit)
        better = highest > ratio
        best[better], ratio[better] = labels.index(bursts.label), highest[better]
    return best


def surroundings(start_s: float, stop_s: float) -> tuple[float, float]:
    """What a close-up of an episode shows: five seconds either way, at most ninety seconds in all."""
    begin = max(start_s - AROUND_S, 0.0)
    return begin, min(stop_s + AROUND_S, start_s - AROUND_S + LONGEST_S)


def with_traces(night: Night, recording: Recording) -> Night:
    """The same night with the filtered signal around its episodes, three hours of it at most.

    Reads the triggering channel of each episode again from the recording.
    """
    slot = float(night.episodes.grid.slot_s)
    stretches, total = [], 0.0
    pairs = zip(night.episodes.starts.tolist(), night.episodes.stops.tolist(), strict=True)
    for channel, (start, stop) in zip(triggering(night).tolist(), pairs, strict=True):
        a, b = surroundings(start * slot, stop * slot)
        total += b - a
        if total > MOST_S:
            break
        if channel >= 0:
            stretches.append((channel, a, b))
    channels = [f.channel for f in night.swept.frames]
    return replace(night, traces=extremes(recording, channels, stretches))


def trace_of(night: Night) -> list[int]:
    """For each episode the kept stretch that covers most of it, -1 for none.

    Under other rules than those for which the traces were taken an episode may lie elsewhere.
    """
    traces, slot = night.traces, float(night.episodes.grid.slot_s)
    if traces is None or not len(traces):
        return [-1] * len(night.episodes)
    begin = traces.first_s
    end = begin + np.diff(traces.offsets) * traces.step_s
    out = []
    for start, stop in zip(night.episodes.starts.tolist(), night.episodes.stops.tolist(), strict=True):
        a, b = start * slot, stop * slot
        shared = np.minimum(end, b) - np.maximum(begin, a)
        k = int(np.argmax(shared))
        out.append(k if shared[k] >= min(b - a, LONGEST_S / 2) / 2 and math.isfinite(shared[k]) else -1)
    return out
