"""The band-passed signal at any zoom: lowest and highest value per pixel, from the recording itself.

A background thread reads the recording once, filters it as the sweep does and keeps the lowest and
highest value of every 64 samples (32 ms at 2 kHz), and of 8, 64 and 512 times as many: 33 MB for 8 hours
of four channels at 2 kHz, in memory, nothing on disk. A view reads the coarsest of these that is no
coarser than an eighth of a pixel, or the finest; pixel borders are rounded to its bins, so by half a
pixel at most. Views closer than 128 samples a pixel filter the samples themselves again. Until the thread
is through there is no wider view of the signal.

The envelope is what the threshold is a threshold of. It comes from the archive, so it needs no recording.
"""

from __future__ import annotations

import json
import math
import struct
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import RecordingError
from sleepbrux.recording.model import Channel, Recording
from sleepbrux.scoring.night import Night
from sleepbrux.signal.envelope import follow
from sleepbrux.signal.extremes import fill

BASE, UP, LEVELS = 64, 8, 4
TILE_BINS = 8192
MOST_PIXELS = 8000
Values = NDArray[np.float32]
Basis = Literal["samples", "extremes", "envelope", "none"]


@dataclass(frozen=True, eq=False)
class View:
    """What one channel shows between two times.

    Attributes
    ----------
    basis
        ``samples``: one value each, joined by lines; ``extremes``: lowest and highest of each pixel;
        ``envelope``: lowest and highest amplitude as the criterion follows it, from the archive's frames;
        ``none``: nothing to show yet.
    first_s, step_s
        Start of the first value, and from one to the next.
    low, high
        float32, shape (n,), NaN where nothing is recorded.
    """

    basis: Basis
    first_s: float
    step_s: float
    low: Values
    high: Values


NOTHING = View("none", 0.0, 1.0, np.empty(0, np.float32), np.empty(0, np.float32))


def _pixels(low: Values, high: Values, starts: NDArray[np.int64], stop: int) -> tuple[Values, Values]:
    """Lowest and highest between each start and the next; starts past ``stop`` give NaN."""
    inside = starts < stop
    at = starts[inside]
    out_low = np.full(len(starts), np.nan, dtype=np.float32)
    out_high = out_low.copy()
    if len(at):
        out_low[inside] = np.fmin.reduceat(low[:stop], at)
        out_high[inside] = np.fmax.reduceat(high[:stop], at)
    return out_low, out_high


def check_same(night: Night, recording: Recording) -> tuple[Channel, ...]:
    """Channels of the recording that an archive was made of.

    Raises
    ------
    RecordingError
        The recording is another one.
    """
    if recording.source.digest() != night.swept.digest:
        raise RecordingError(
            f"{recording.name}: not the recording that this archive was scored from (SHA-256 differs); "
            f"give the file of {night.swept.name!r}, or leave `recordings` out"
        )
    return tuple(recording.channel(f.channel.label) for f in night.swept.frames)


class Trace:
    """Views of a night's scored channels; `build` may run in another thread."""

    def __init__(self, night: Night, recording: Recording | None, channels: Sequence[Channel] = ()) -> None:
        self._night, self._recording, self._channels = night, recording, tuple(channels)
        self._levels: list[list[tuple[Values, Values]]] = []
        self._envelopes: dict[int, tuple[float, Values]] = {}
        self._lock = threading.Lock()
        self._stopped = False
        self.recorded = recording is not None
        self.ready = recording is None
        self.failed = ""
        self.done = 1.0 if recording is None else 0.0

    def begin(self) -> None:
        """Build in a thread of its own."""
        threading.Thread(target=self._tried, name="trace", daemon=True).start()

    def stop(self) -> None:
        """Read no further."""
        self._stopped = True

    def _tried(self) -> None:
        try:
            self.build()
        except Exception as error:  # whatever it is, the page says it and the review goes on
            self.failed = str(error)

    def build(self, progress: Callable[[float], None] | None = None) -> None:
        """Read and filter the whole recording once."""
        if self._recording is None or self.ready:
            return
        sizes = [c.n_night // BASE for c in self._channels]
        total, seen = max(sum(sizes), 1), 0
        for channel, n in zip(self._channels, sizes, strict=True):
            low = np.full(n, np.nan, dtype=np.float32)
            high = low.copy()
            for first in range(0, n, TILE_BINS):
                if self._stopped:
                    return
                part = slice(first, min(first + TILE_BINS, n))
                fill(self._recording, channel, BASE, first, low[part], high[part])
                seen += part.stop - first
                self.done = seen / total
                if progress is not None:
                    progress(self.done)
            levels = [(low, high)]
            for _ in range(LEVELS - 1):
                below_low, below_high = levels[-1]
                starts = np.arange(0, len(below_low), UP)
                levels.append(_pixels(below_low, below_high, starts, len(below_low)))
            self._levels.append(levels)
        self.ready = True

    def view(self, k: int, from_s: float, to_s: float, width: int) -> View:
        """The signal of channel ``k`` between two seconds of the night clock, at most ``width`` pixels."""
        span = to_s - from_s
        if self._recording is None:
            return NOTHING
        channel = self._channels[k]
        rate = float(channel.rate)
        per_pixel = span * rate / width
        if per_pixel < 2:
            return self._samples(channel, from_s, to_s)
        if per_pixel < 2 * BASE:
            return self._near(channel, from_s, span, width, max(int(per_pixel / UP), 1))
        if not self.ready:
            return NOTHING
        level = min(max(int(math.log(per_pixel / BASE, UP) + 1e-9) - 1, 0), LEVELS - 1)
        low, high = self._levels[k][level]
        step = BASE * UP**level / rate
        return self._binned(low, high, step, 0, from_s, span, width, "extremes")

    def envelope(self, k: int, from_s: float, to_s: float, width: int) -> View:
        """The envelope of channel ``k``, on which the threshold stands."""
        span = to_s - from_s
        step, level = self._followed(k)
        first = max(math.floor(from_s / step), 0)
        stop = min(math.ceil((from_s + span) / step) + 1, len(level))
        part = level[first:stop]
        if span / width < step:
            return View("envelope", first * step, step, part, part)
        return self._binned(part, part, step, first, from_s, span, width, "envelope")

    def _followed(self, k: int) -> tuple[float, Values]:
        with self._lock:
            if k not in self._envelopes:
                night = self._night
                frames = night.swept.frames[k]
                found = follow(
                    frames,
                    night.quality[k].usable,
                    amplitude=night.amplitude,
                    window_s=night.criterion.envelope.window_s,
                )
                self._envelopes[k] = (float(frames.grid.slot_s), found.level)
            return self._envelopes[k]

    def _samples(self, channel: Channel, from_s: float, to_s: float) -> View:
        rate = float(channel.rate)
        first = max(math.floor(from_s * rate) - 1, 0)
        stop = min(math.ceil(to_s * rate) + 2, channel.n_night)
        low, high = self._read(channel, 1, first, max(stop - first, 0))
        return View("samples", first / rate, 1 / rate, low, high)

    def _near(self, channel: Channel, from_s: float, span: float, width: int, size: int) -> View:
        step = size / float(channel.rate)
        first = max(math.floor(from_s / step), 0)
        n = min(math.ceil((from_s + span) / step) + 1, channel.n_night // size) - first
        low, high = self._read(channel, size, first, max(n, 0))
        return self._binned(low, high, step, first, from_s, span, width, "extremes")

    def _read(self, channel: Channel, size: int, first: int, n: int) -> tuple[Values, Values]:
        assert self._recording is not None  # noqa: S101
        low = np.full(n, np.nan, dtype=np.float32)
        high = low.copy()
        fill(self._recording, channel, size, first, low, high)
        return low, high

    @staticmethod
    def _binned(
        low: Values,
        high: Values,
        step: float,
        first: int,
        from_s: float,
        span: float,
        width: int,
        basis: Basis,
    ) -> View:
        """Bins of ``step`` seconds, the first of them number ``first``, as pixels."""
        edges = (from_s + np.arange(width + 1) * (span / width)) / step
        at = np.floor(edges + 1e-9).astype(np.int64) - first
        starts = np.maximum(at[:-1], 0)
        stop = min(max(int(at[-1]), int(starts[-1]) + 1), len(low))
        out_low, out_high = _pixels(low, high, starts, stop)
        return View(basis, from_s, span / width, out_low, out_high)


def packed(views: Sequence[View]) -> bytes:
    """Views as one message: length of a JSON head, the head, then float32, lowest before highest."""
    head: list[dict[str, Any]] = [
        {"basis": v.basis, "first_s": v.first_s, "step_s": v.step_s, "n": len(v.low)} for v in views
    ]
    text = json.dumps(head).encode()
    text += b" " * (-len(text) % 4)
    parts = [struct.pack("<I", len(text)), text]
    for view in views:
        parts += [view.low.astype("<f4").tobytes(), view.high.astype("<f4").tobytes()]
    return b"".join(parts)
