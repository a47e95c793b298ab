"""Find scripted reference clenches that nobody marked, to propose them; nothing here is certain.

The script: 20 s of rest, then three clenches of 3 s, some 10 s apart::

    |      rest      |   clench      clench      clench
    ________________      ████        ████        ████
                     5-40 s    4-20 s     (pauses)

Looked for at either end of a night, or all over a short recording. A run counts when its clenches
last 1.5-6 s, are evenly spaced, of like level, far above rest, and nothing loud lies between them.
Every other stretch far above rest is named too, with the reason for which it was not taken, so that a
person can take it one by one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.signal.quality import assess
from sleepbrux.signal.sweep import ChannelFrames

WINDOW_S = 0.06
END_S = 1800.0
SHORT_S = 5400.0
CLENCH_S = (1.5, 6.0)
STRETCH_S = (0.75, 60.0)
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
PAUSE = "a pause"
LEAST_OF_STRONGEST = 0.25


@dataclass(frozen=True)
class ClenchCandidates:
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


@dataclass(frozen=True)
class ClenchLike:
    """A stretch that looks like a clench, whether it was taken or not.

    Attributes
    ----------
    start_s, stop_s
        Where the level passes half of the stretch's own, seconds of the night clock.
    label
        Channel in which it stands out most.
    times_rest
        Its median level over rest.
    reason
        Why the program did not take it; empty where it did.
    """

    start_s: float
    stop_s: float
    label: str
    times_rest: float
    reason: str = ""


@dataclass(frozen=True)
class Search:
    """The run that was taken, if any, and every stretch like a clench, in order of onset."""

    found: ClenchCandidates | None
    stretches: tuple[ClenchLike, ...]


@dataclass(frozen=True)
class _Piece:
    """A stretch of one channel in frames, its level, and whether it lasts as long as a clench."""

    start: int
    stop: int
    level: float
    long_enough: bool


@dataclass(frozen=True)
class _Place:
    """What one channel shows in one part of a recording."""

    frames: ChannelFrames
    rms: NDArray[np.float64]
    first: int
    rest: float
    pieces: tuple[_Piece, ...]

    @property
    def clenches(self) -> list[_Piece]:
        """Pieces of a clench's length."""
        return [p for p in self.pieces if p.long_enough]

    def seconds(self, piece: _Piece) -> tuple[float, float]:
        """(start, stop) of a piece."""
        grid = self.frames.grid
        return grid.seconds(piece.start), grid.seconds(piece.stop)


def _smooth(frames: ChannelFrames) -> NDArray[np.float64]:
    """RMS over 0.06 s around each frame, float64, shape (n_frames,); NaN where not usable."""
    power = frames.energy.astype(np.float64)
    power[~assess(frames).usable.mask()] = np.nan
    n = max(frames.grid.slots_for(WINDOW_S) // 2 * 2 + 1, 1)
    padded = np.pad(power, n // 2, constant_values=np.nan)
    rms: NDArray[np.float64] = np.sqrt(np.lib.stride_tricks.sliding_window_view(padded, n).mean(axis=1))
    return rms


def _places(frames: ChannelFrames) -> list[tuple[int, int]]:
    """Frames in which to look: all of a short recording, both ends of a night."""
    grid = frames.grid
    if grid.duration_s <= SHORT_S:
        return [(0, grid.n_slots)]
    end = grid.slots_for(END_S)
    return [(0, end), (grid.n_slots - end, grid.n_slots)]


def _pieces(frames: ChannelFrames, rms: NDArray[np.float64], rest: float) -> Iterator[_Piece]:
    """Every stretch far above rest that is neither a twitch nor minutes long."""
    grid = frames.grid
    loud = Spans.from_mask(grid, np.nan_to_num(rms) > TIMES_REST * rest)
    for a, b in loud.join(grid.slots_for(BRIDGE_S)).bounds.tolist():
        level = float(np.sqrt(np.nanmean(rms[a:b] ** 2)))
        inside = np.flatnonzero(np.nan_to_num(rms[a:b]) > level / 2)
        if not len(inside):
            continue
        start, stop = a + int(inside[0]), a + int(inside[-1]) + 1
        top = float(np.median(rms[start:stop]))
        inside = np.flatnonzero(np.nan_to_num(rms[a:b]) > top / 2)
        start, stop = a + int(inside[0]), a + int(inside[-1]) + 1
        seconds = grid.seconds(stop - start)
        if STRETCH_S[0] <= seconds <= STRETCH_S[1]:
            yield _Piece(start, stop, top, CLENCH_S[0] <= seconds <= CLENCH_S[1])


def _searched(channels: Sequence[ChannelFrames]) -> Iterator[_Place]:
    for frames in channels:
        rms = _smooth(frames)
        for first, stop in _places(frames):
            known = rms[first:stop][~np.isnan(rms[first:stop])]
            rest = float(np.percentile(known, REST_PERCENTILE)) if len(known) else 0.0
            if rest <= 0:
                continue
            pieces = [p for p in _pieces(frames, rms, rest) if first <= p.start and p.stop <= stop]
            yield _Place(frames, rms, first, rest, tuple(pieces))


def _apart(one: _Piece, two: _Piece, place: _Place) -> str:
    """Why two clenches are no neighbours of one script; empty where they may be."""
    grid = place.frames.grid
    pause = grid.seconds(two.start - one.stop) if two.start > one.stop else 0.0
    if not PAUSE_S[0] <= pause <= PAUSE_S[1]:
        return f"{PAUSE} of {pause:.3g} s"
    if max(one.level, two.level) > LIKE * min(one.level, two.level):
        return "levels that differ by more than half"
    clear = grid.slots_for(CLEAR_S)
    between = place.rms[one.stop + clear : two.start - clear]
    loud = not len(between) or float(np.nan_to_num(between).max()) >= QUIET_SHARE * min(one.level, two.level)
    return "other activity in the pause" if loud else ""


def _rows(place: _Place) -> list[list[_Piece]]:
    """Clenches that follow each other, however many and however spaced."""
    rows: list[list[_Piece]] = []
    for piece in place.clenches:
        if rows and not _apart(rows[-1][-1], piece, place):
            rows[-1].append(piece)
        else:
            rows.append([piece])
    return rows


def _uneven(row: Sequence[_Piece], place: _Place) -> bool:
    steps = np.diff([p.start for p in row])
    return bool(np.ptp(steps) > place.frames.grid.slots_for(EVEN_S))


def _is_run(row: Sequence[_Piece], place: _Place) -> bool:
    """Whether a row has three clenches or more, evenly spaced."""
    return len(row) >= FEWEST and not _uneven(row, place)


def _why_not(piece: _Piece, place: _Place, rows: Sequence[Sequence[_Piece]]) -> str:
    """Why a stretch was not taken."""
    grid = place.frames.grid
    if not piece.long_enough:
        return (
            f"lasts {grid.seconds(piece.stop - piece.start):.1f} s; {CLENCH_S[0]:g} to {CLENCH_S[1]:g} s "
            "are looked for"
        )
    row = next(r for r in rows if piece in r)
    if _is_run(row, place):
        return f"one of another run of {len(row)}; the earliest clear run is taken"
    if len(row) >= FEWEST:
        steps = ", ".join(f"{grid.seconds(d):.0f}" for d in np.diff([p.start for p in row]).tolist())
        return f"unevenly spaced in its run (onsets {steps} s apart)"
    all_ = place.clenches
    k = all_.index(piece)
    near = []
    if k > 0 and (why := _apart(all_[k - 1], piece, place)):
        near.append(f"{why} from the one before")
    if k + 1 < len(all_) and (why := _apart(piece, all_[k + 1], place)):
        near.append(f"{why} to the next")
    alone = "alone" if len(row) == 1 else "only two in a row"
    limits = f" ({PAUSE_S[0]:.0f} to {PAUSE_S[1]:.0f} s are looked for)"
    told = "; ".join(near) + limits * any(why.startswith(PAUSE) for why in near)
    return f"{alone}: {told}" if near else alone


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


def rest_before(frames: ChannelFrames, start_s: float) -> tuple[float, float] | None:
    """Quietest stretch of up to 20 s in the minute before a time; None where there is none."""
    return _quiet_stretch(frames, frames.grid.slot_at(start_s), 0)


def find_clenches(channels: Sequence[ChannelFrames]) -> ClenchCandidates | None:
    """The run of clenches that looks most like the script, over all channels; None where none does.

    Of several runs the earliest counts that stands out at least half as far as the best one: the
    clenches of the evening, not their repetition on waking.
    """
    return search_clenches(channels).found


def search_clenches(channels: Sequence[ChannelFrames]) -> Search:
    """The run that `find_clenches` takes, and every stretch like a clench with why it was not taken.

    Like a clench is what lies far above rest and reaches a quarter of the channel's strongest such stretch
    (our choice). In a night it must last as long as a clench too: before sleep and after it people talk.
    """
    places = list(_searched(channels))
    rows = [_rows(place) for place in places]
    found: list[ClenchCandidates] = []
    for place, own in zip(places, rows, strict=True):
        for run in own:
            if _is_run(run, place):
                times = float(np.median([p.level for p in run])) / place.rest
                quiet = _quiet_stretch(place.frames, run[0].start, place.first)
                spans = tuple(place.seconds(p) for p in run)
                found.append(ClenchCandidates(spans, quiet, place.frames.channel.label, times))
    taken = _best(found) if found else None
    seen = [
        ClenchLike(
            *place.seconds(p), place.frames.channel.label, p.level / place.rest, _why_not(p, place, own)
        )
        for place, own in zip(places, rows, strict=True)
        for p in _alike(place, places)
    ]
    return Search(taken, tuple(_together(seen, taken)))


def _alike(place: _Place, places: Sequence[_Place]) -> list[_Piece]:
    """Pieces of a place that are like a clench."""
    same = [p for p in places if p.frames is place.frames]
    strongest = max((p.level for one in same for p in one.pieces), default=0.0)
    short = place.frames.grid.duration_s <= SHORT_S
    return [p for p in place.pieces if p.level >= LEAST_OF_STRONGEST * strongest and (short or p.long_enough)]


def _best(found: Sequence[ClenchCandidates]) -> ClenchCandidates:
    clear = [f for f in found if f.times_rest >= max(g.times_rest for g in found) / 2]
    earliest = min(f.clenches_s[0][0] for f in clear)
    same = [f for f in clear if f.clenches_s[0][0] <= earliest + CLENCH_S[1]]
    return max(same, key=lambda f: (len(f.clenches_s), f.times_rest))


def _together(seen: Sequence[ClenchLike], taken: ClenchCandidates | None) -> list[ClenchLike]:
    """Each stretch once, as the channel shows it in which it stands out most; those taken as taken."""
    spans = taken.clenches_s if taken else ()
    out, groups = list[ClenchLike](), list[list[ClenchLike]]()
    for a, b in spans:
        own = [s.times_rest for s in seen if s.start_s < b and a < s.stop_s]
        out.append(ClenchLike(a, b, taken.label if taken else "", max(own)))
    for one in sorted(seen, key=lambda s: s.start_s):
        if any(one.start_s < b and a < one.stop_s for a, b in spans):
            continue
        if groups and one.start_s < max(s.stop_s for s in groups[-1]):
            groups[-1].append(one)
        else:
            groups.append([one])
    out += [max(group, key=lambda s: s.times_rest) for group in groups]
    return sorted(out, key=lambda s: s.start_s)
