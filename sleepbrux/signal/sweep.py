"""The one pass over raw samples: a night becomes energy per 10-ms frame and sums per second.

The night is filtered in tiles of fixed length on its own sample grid, each with two seconds before
it in which the filter settles, so no result depends on how the file was read or by how many threads::

    samples   |----- tile 0 -----|----- tile 1 -----|----- tile 2 -----|
    filter          [~~settles~~][-- tile 1 --------]

A gap in the recording ends a stretch; the next one starts from rest at its first sample. A tile in
which mains is measured (`lines`) is filtered once more, and mains subtracted, while its samples are at hand.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.parallel import default_threads
from sleepbrux.core.spans import Grid
from sleepbrux.recording.model import Block, Channel, Recording
from sleepbrux.signal.filters import band_poles, emg_band_pass
from sleepbrux.signal.mains import (
    LOOK_S,
    MAINS_HZ,
    Lines,
    Looks,
    Notched,
    Subtraction,
    agreed,
    rotated,
)

MARGIN_S = 2
SETTLED_S = 0.25  # after a start from rest, for what is learnt from the signal
HUM_SHARE_TO_LOOK = 0.08
BLOCKS_PER_TILE = 64
LANES = 32  # as `kernels`
TILES_THAT_AGREE = 16
STAT_NAMES = (
    "samples",
    "lowest",
    "highest",
    "at_rail",
    "unchanged",
    "hum_50_real",
    "hum_50_imaginary",
    "hum_60_real",
    "hum_60_imaginary",
    "energy",
    "slope_energy",
    "lowest_mean",
    "highest_mean",
    "frames_at_rail",
    "energy_with_hum",
)
_NOTHING_YET = np.array(
    [{"lowest": np.inf, "highest": -np.inf}.get(name.removesuffix("_mean"), 0.0) for name in STAT_NAMES]
)


@dataclass(frozen=True)
class Layout:
    """Sizes that follow from a sampling rate alone.

    Attributes
    ----------
    hop
        Samples a frame: ``round(rate / 100)``, at least 1.
    frames_per_block
        Frames nearest to one second.
    margin_frames
        Whole frames that cover two seconds.
    """

    rate: Fraction
    hop: int
    frames_per_block: int
    margin_frames: int

    @classmethod
    def at(cls, rate: Fraction) -> Layout:
        """Layout at ``rate`` samples a second."""
        hop = max(math.floor(rate / 100 + Fraction(1, 2)), 1)
        per_s = rate / hop
        return cls(rate, hop, max(math.floor(per_s + Fraction(1, 2)), 1), math.ceil(MARGIN_S * per_s))

    @property
    def tile_frames(self) -> int:
        """Frames a tile, about 64 s."""
        return BLOCKS_PER_TILE * self.frames_per_block

    def grid(self, channel: Channel) -> Grid:
        """Frame grid of a channel: its whole frames, gaps counted."""
        return Grid(self.hop / self.rate, channel.n_night // self.hop)


@dataclass(frozen=True, eq=False)
class ChannelFrames:
    """What the sweep keeps of one channel.

    Attributes
    ----------
    grid
        Frames on the night clock.
    energy
        float32, shape (n_frames,), µV² (the unit squared where it is not µV): mean square of the
        band-passed signal; NaN where the frame is not wholly recorded.
    rectified
        float32, shape (n_frames,), µV: mean absolute value.
    slope_energy, mean
        float32, shape (n_frames,): mean square of the filtered signal's first difference, µV², and mean of
        the unfiltered signal, µV. What lies below the muscle's band and at its low end is judged by them;
        None once that is done: an archive does not keep them.
    stats
        float64, shape (n_blocks, 15), columns `STAT_NAMES`: a block is `frames_per_block` frames.
        Digital steps. ``energy`` and ``slope_energy`` are those of the final frames,
        ``energy_with_hum`` what it was before mains was subtracted.
    notched
        Tiles out of which mains was taken, in order; twice where both mains were.
    """

    channel: Channel
    grid: Grid
    frames_per_block: int
    energy: NDArray[np.float32]
    rectified: NDArray[np.float32]
    stats: NDArray[np.float64]
    notched: tuple[Notched, ...] = ()
    slope_energy: NDArray[np.float32] | None = None
    mean: NDArray[np.float32] | None = None

    def stat(self, name: str) -> NDArray[np.float64]:
        """One column of ``stats``, shape (n_blocks,)."""
        return self.stats[:, STAT_NAMES.index(name)]

    @property
    def block_grid(self) -> Grid:
        """Grid of the blocks."""
        return Grid(self.grid.slot_s * self.frames_per_block, len(self.stats))


@dataclass(frozen=True)
class _Stretch:
    """Samples that one lane filters, and the frames that they yield."""

    first: int
    lead: int
    count: int
    frame: int
    n_frames: int


def _stretches(layout: Layout, channel: Channel) -> Iterator[tuple[int, _Stretch]]:
    """(tile, stretch) of every part of a piece that holds a whole frame."""
    hop, tile = layout.hop, layout.tile_frames
    for piece in channel.pieces:
        end = (piece.night + piece.n) // hop
        frame = -(-piece.night // hop)
        while frame < end:
            stop = min((frame // tile + 1) * tile, end)
            settle = (frame - layout.margin_frames) * hop
            begin = max(settle, piece.night)
            yield (
                frame // tile,
                _Stretch(
                    first=piece.stored + begin - piece.night,
                    lead=begin - settle,
                    count=stop * hop - begin,
                    frame=frame,
                    n_frames=stop - frame,
                ),
            )
            frame = stop


def _tasks(channel: Channel) -> list[list[list[_Stretch]]]:
    """Stretches of `LANES` tiles at a time, in turns of at most `LANES` stretches.

    Two threads never write the same block: blocks do not cross tiles, and a tile has one task.
    """
    by_task: dict[int, list[_Stretch]] = {}
    for tile, stretch in _stretches(Layout.at(channel.rate), channel):
        by_task.setdefault(tile // LANES, []).append(stretch)
    return [[group[i : i + LANES] for i in range(0, len(group), LANES)] for group in by_task.values()]


@lru_cache(maxsize=2)
def _hum_table(rate: Fraction) -> NDArray[np.float64]:
    """Cosine and sine at 50 and 60 Hz over one tile, shape (n_samples, 4)."""
    layout = Layout.at(rate)
    n = layout.tile_frames * layout.hop
    columns: list[NDArray[np.float64]] = []
    for mains_hz in MAINS_HZ:
        angle = 2 * math.pi * mains_hz / float(rate)
        columns += rotated(math.cos(angle), math.sin(angle), n)
    return np.ascontiguousarray(np.stack(columns, axis=1))


class _Workspace:
    """Work space and kernel arguments of one thread."""

    def __init__(self, rate: Fraction, code: ModuleType) -> None:
        self.layout = layout = Layout.at(rate)
        self.code = code
        self.poles, self.filter_gain = band_poles(emg_band_pass(rate))
        self.hum = _hum_table(rate)
        self.lanes = np.zeros((5, LANES), dtype=np.int64)
        self.looks = Looks(rate, LOOK_S * layout.frames_per_block * layout.hop, code)

    def filter(self, block: Block, turn: Sequence[_Stretch], out: ChannelFrames) -> None:
        """Filter one turn of stretches of one channel; leave its frames and its sums a block."""
        channel = out.channel
        railed = channel.digital_max > channel.digital_min
        self.lanes[:] = 0
        for k, stretch in enumerate(turn):
            self.lanes[:, k] = (
                stretch.first - block.first,
                stretch.lead,
                stretch.count,
                stretch.n_frames,
                stretch.frame,
            )
        self.code.sweep_lanes(
            block.data,
            block.record_length,
            block.per_record,
            block.channel_offset,
            *self.lanes,
            self.poles,
            self.filter_gain,
            self.layout.hop,
            self.layout.margin_frames,
            out.frames_per_block,
            self.hum,
            abs(channel.gain),
            float(channel.digital_min) if railed else -math.inf,
            float(channel.digital_max) if railed else math.inf,
            out.energy,
            out.rectified,
            out.slope_energy,
            out.mean,
            out.stats,
        )

    def without_hum(
        self, blocks: Sequence[Block], turns: Sequence[Sequence[_Stretch]], out: ChannelFrames
    ) -> tuple[Notched, ...]:
        """Filter the tiles of one task in which mains is measured again, and subtract it."""
        tile_frames = self.layout.tile_frames
        tiles = [s.frame // tile_frames for turn in turns for s in turn]
        rows = slice(min(tiles) * BLOCKS_PER_TILE, (max(tiles) + 1) * BLOCKS_PER_TILE)
        energy = STAT_NAMES.index("energy")
        out.stats[rows, STAT_NAMES.index("energy_with_hum")] = out.stats[rows, energy]
        strength, hummed = (
            np.convolve(of_block, np.ones(LOOK_S))[LOOK_S - 1 :]
            for of_block in (out.stats[rows, energy], hum_share(out.stats[rows]))
        )
        places = [
            (stretch.frame // tile_frames, (block, sample))
            for block, turn in zip(blocks, turns, strict=True)
            for stretch in turn
            for sample in self._looks(stretch, strength, hummed, rows.start)
        ]
        if not places:
            return ()
        found: dict[int, dict[int, list[Lines]]] = {}
        for (tile, _), lines in zip(places, self.looks.mains([place for _, place in places]), strict=True):
            if lines:
                beside = found.setdefault(tile // TILES_THAT_AGREE, {})
                beside.setdefault(tile, []).extend(lines)
        notched = []
        for of_tile in found.values():
            removed = agreed(lines for several in of_tile.values() for lines in several)
            sure = [tile for tile, lines in of_tile.items() if agreed(lines)]
            if not removed or not sure:
                continue
            subtraction = Subtraction(
                self.layout.rate,
                self.layout.hop,
                self.layout.margin_frames + tile_frames,
                removed,
                self.code,
            )
            for block, turn in zip(blocks, turns, strict=True):
                for stretch in turn:
                    # a tile full of activity between two that hum hums as well
                    if min(sure) <= stretch.frame // tile_frames <= max(sure):
                        self._subtract(block, stretch, out, subtraction)
                        stop = stretch.frame + stretch.n_frames
                        notched += [Notched(stretch.frame, stop, *line) for line in removed]
        return tuple(notched)

    def _subtract(
        self, block: Block, stretch: _Stretch, out: ChannelFrames, subtraction: Subtraction
    ) -> None:
        """Filter one stretch, subtract the lines, and put its frames and sums in place of those before."""
        layout = self.layout
        filtered = np.empty((layout.margin_frames + stretch.n_frames) * layout.hop)
        self.code.filtered(
            block.data,
            block.record_length,
            block.per_record,
            block.channel_offset,
            stretch.first - block.first,
            stretch.lead,
            stretch.count,
            self.poles,
            filtered,
        )
        settled = stretch.lead + round(SETTLED_S * float(layout.rate)) if stretch.lead else 0
        lines = subtraction.lines(filtered, settled)
        first, stop = stretch.frame, stretch.frame + stretch.n_frames
        energy = STAT_NAMES.index("energy")
        out.stats[first // out.frames_per_block : -(-stop // out.frames_per_block), energy : energy + 2] = 0.0
        self.code.sums_without_lines(
            filtered,
            layout.hop,
            subtraction.step,
            subtraction.start,
            subtraction.turn,
            lines,
            layout.margin_frames,
            first,
            out.frames_per_block,
            self.filter_gain,
            abs(out.channel.gain),
            np.empty(layout.hop),
            out.energy,
            out.rectified,
            out.slope_energy,
            out.stats,
        )

    def _looks(
        self, stretch: _Stretch, energy: NDArray[Any], hummed: NDArray[Any], before: int
    ) -> Iterator[int]:
        """First stored samples of where the stretch is quietest, and of where a phasor says hum.

        ``energy`` and ``hummed`` are sums of `LOOK_S` blocks and those behind them, from block ``before`` on.
        """
        per_block = self.layout.frames_per_block
        first = -(-stretch.frame // per_block)
        stop = (stretch.frame + stretch.n_frames) // per_block
        if stop - first < LOOK_S:
            return
        among = slice(first - before, stop - LOOK_S + 1 - before)
        places = {int(energy[among].argmin())}
        most = int(hummed[among].argmax())
        if hummed[among][most] > HUM_SHARE_TO_LOOK * LOOK_S:
            places.add(most)
        hop = self.layout.hop
        for place in sorted(places):
            frame = (first + place) * per_block
            yield stretch.first + stretch.count - (stretch.frame + stretch.n_frames - frame) * hop


class _OwnBench(threading.local):
    """The bench of each thread, made anew where the rate is another."""

    bench: _Workspace | None = None

    def at(self, rate: Fraction, code: ModuleType) -> _Workspace:
        if self.bench is None or self.bench.layout.rate != rate:
            self.bench = _Workspace(rate, code)
        return self.bench


def hum_share(stats: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of each block's energy that the stronger mains line holds, float64, shape (n_blocks,)."""
    at = STAT_NAMES.index("hum_50_real")
    power = np.maximum(*(stats[:, k] ** 2 + stats[:, k + 1] ** 2 for k in (at, at + 2)))
    n = np.maximum(stats[:, STAT_NAMES.index("samples")], 1)
    before = np.maximum(stats[:, STAT_NAMES.index("energy_with_hum")], stats[:, STAT_NAMES.index("energy")])
    result: NDArray[np.float64] = 2 * power / n / np.maximum(before, 1e-300)
    return result


def _room(channel: Channel) -> ChannelFrames:
    """What the sweep of a channel is to fill: frames that no stretch yields are not known."""
    layout = Layout.at(channel.rate)
    grid = layout.grid(channel)
    rows = [np.empty(grid.n_slots, dtype=np.float32) for _ in range(4)]
    edges = [(s.frame, s.frame + s.n_frames) for _, s in _stretches(layout, channel)]
    stops, starts = [0, *(b for _, b in edges)], [*(a for a, _ in edges), grid.n_slots]
    for stop, start in zip(stops, starts, strict=True):
        for row in rows:
            row[stop:start] = np.nan
    stats = np.tile(_NOTHING_YET, (-(-grid.n_slots // layout.frames_per_block), 1))
    energy, rectified, slope_energy, mean = rows
    return ChannelFrames(
        channel,
        grid,
        layout.frames_per_block,
        energy,
        rectified,
        stats,
        slope_energy=slope_energy,
        mean=mean,
    )


def _groups(channels: Sequence[Channel]) -> list[list[Channel]]:
    """Channels that share a clock, so that one read serves them all."""
    groups: dict[Any, list[Channel]] = {}
    for channel in channels:
        groups.setdefault((channel.rate, channel.pieces), []).append(channel)
    return list(groups.values())


def sweep(
    recording: Recording,
    channels: Sequence[Channel],
    *,
    threads: int | None = None,
    code: ModuleType | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[ChannelFrames, ...]:
    """Read and filter the named channels once.

    Parameters
    ----------
    recording
        Opened recording.
    channels
        Channels to sweep; the result has their order.
    threads
        How many threads filter; the count changes no bit. Default: one a core, at most four.
    code
        Module with the loops over samples: ``kernels`` (default) or ``plain``.
    progress
        Called with the share done, 0 to 1, from the calling thread.
    """
    if code is None:
        from sleepbrux.signal import kernels

        code = kernels
    results = {c.index: _room(c) for c in channels}
    notched: dict[int, list[Notched]] = {c.index: [] for c in channels}
    jobs = [(group, task) for group in _groups(channels) for task in _tasks(group[0])]
    for rate in {channel.rate for channel in channels}:
        _hum_table(rate)  # once, before several threads ask for it
    own = _OwnBench()

    def work(job: tuple[list[Channel], list[list[_Stretch]]]) -> None:
        group, task = job
        bench = own.at(group[0].rate, code)
        read = []
        for turn in task:
            first = min(s.first for s in turn)
            stop = max(s.first + s.count for s in turn)
            read.append(recording.source.blocks(group, first, stop))
            for channel, block in zip(group, read[-1], strict=True):
                out = results[channel.index]
                bench.filter(block, turn, out)
        for k, channel in enumerate(group):
            blocks = [turn[k] for turn in read]
            notched[channel.index] += bench.without_hum(blocks, task, results[channel.index])

    with ThreadPoolExecutor(max_workers=threads or default_threads()) as pool:
        for done, _ in enumerate(pool.map(work, jobs), start=1):
            if progress is not None:
                progress(done / len(jobs))
    return tuple(
        replace(results[c.index], notched=tuple(sorted(notched[c.index], key=lambda n: n.first)))
        for c in channels
    )
