"""What lost time could change in a count of episodes: the least and the most that it can have been.

A *filling* says of every lost moment of every channel whether the muscle was active; what lies beyond the
recording is lost too. Under a filling all of the night is known, so the rules give one count: that of the
episodes whose onset lies in valid time, which is what a rate divides by valid hours. Over all fillings the
count is never below ``least`` and never above ``most``. Neither speaks of episodes that begin in lost time:
these belong to other hours.

How tight: stretches that a known pause separates are independent. Where no lost time is near, both are the
count itself. Elsewhere ``most`` lets bursts before which a pause is possible begin an episode that lost
time has room to complete, as many as can follow one another with a pause between; ``least`` is 1 where an
onset is certain and bursts that no filling can part or unite make an episode, else 0.
`tests/scoring/test_possible_counts.py` counts over every filling of small nights.

What lost time does to the events themselves is decided where they are made: `bursts` joins a burst across a short
hole, `episodes` stops the clock of a pause over one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from heapq import heappop, heappush

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Spans
from sleepbrux.criteria import Criterion, exact
from sleepbrux.scoring.bursts import SHORT, TONIC, bridge_slots, least_burst, least_tonic
from sleepbrux.scoring.episodes import (
    Episodes,
    least_pause,
    longest_regular_run,
    silent_chains,
    unseen,
)
from sleepbrux.scoring.measures import Selection
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.scoring.thresholds import Ints

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class PossibleCounts:
    """Least and most episodes with an onset in valid time, over every filling of lost time."""

    least: int
    most: int


@dataclass(frozen=True, eq=False)
class _Night:
    """What both bounds look at; bursts are those that qualify, by their place in ``starts``."""

    bursts: CombinedBursts
    criterion: Criterion
    valid: Spans

    @cached_property
    def members(self) -> Ints:
        return np.flatnonzero(self.bursts.kind != SHORT)

    @cached_property
    def starts(self) -> Ints:
        return self.bursts.starts[self.members]

    @cached_property
    def stops(self) -> Ints:
        return self.bursts.stops[self.members]

    @cached_property
    def tonic(self) -> Bools:
        return np.asarray(self.bursts.kind[self.members] == TONIC, dtype=np.bool_)

    @cached_property
    def known(self) -> Spans:
        """Where every channel was seen."""
        return Spans.of(self.bursts.grid, self.bursts.known)

    @cached_property
    def unknown(self) -> Spans:
        """Where a burst that qualifies may have gone unseen."""
        return Spans.of(self.bursts.grid, self.bursts.unknown)

    @cached_property
    def lost(self) -> Spans:
        """Where a burst, or what else would break a pause, may have gone unseen."""
        return self.unknown | unseen(self.bursts, self.criterion.episode)

    @cached_property
    def pieces(self) -> Spans:
        """Known time that may belong to a burst because it touches lost time."""
        return self.unknown & self.known

    @cached_property
    def certain(self) -> Spans:
        return Spans.of(self.bursts.grid, np.stack((self.starts, self.stops), axis=1))

    @cached_property
    def bridge(self) -> int:
        return bridge_slots(self.bursts.grid, self.criterion.burst)

    @cached_property
    def pause(self) -> int:
        return least_pause(self.bursts.grid, self.criterion.episode)

    @property
    def reach(self) -> int:
        """Slots of known silence that part whatever lies on either side."""
        return max(self.pause, self.bridge + 1)

    @cached_property
    def runs(self) -> Spans:
        """Stretches that some filling makes one burst."""
        return (self.certain | self.unknown).join(self.bridge)

    @cached_property
    def holes(self) -> Spans:
        """Unknown time, over what a burst in it may bridge."""
        return self.unknown.join(self.bridge)

    @cached_property
    def chain(self) -> Ints:
        """Number of each burst's chain with all of lost time taken as silence."""
        return silent_chains(self.bursts, self.criterion.episode)

    @cached_property
    def clusters(self) -> Spans:
        """Stretches that a pause in known time separates, whatever lost time held."""
        active = self.certain | self.lost
        if self.criterion.episode.gap_free_of == "any_activity":
            active = active | Spans.of(self.bursts.grid, self.bursts.activity)
        return active.join(self.reach - 1)

    @cached_property
    def open(self) -> Bools:
        """Of each cluster: whether lost time, or what lies beyond the recording, is part of it."""
        n = self.bursts.grid.n_slots
        lost = self.lost
        if self.criterion.episode.at_edges == "drop":
            lost = lost | (~self.known).grow(1)
        return (
            self.clusters.meet(lost)
            | (self.clusters.starts < self.reach)
            | (self.clusters.stops > n - self.reach)
        )

    def cluster_of(self, slots: Ints) -> Ints:
        """Number of the cluster of each slot."""
        return np.searchsorted(self.clusters.starts, slots, side="right") - 1

    @property
    def steady(self) -> bool:
        """Whether bursts seen to belong together do so under every filling.

        Where the pause runs from onset to onset, or tonic bursts stand apart, a longer burst can part what
        belonged together.
        """
        rule = self.criterion.episode
        return rule.gap_clock == "offset_to_onset" and rule.two_tonic == "one_episode"


def possible_counts(
    selection: Selection,
    episodes: Episodes,
    pieces: CombinedBursts,
    criterion: Criterion,
    *,
    admitted: Callable[[Ints], Bools] | None = None,
) -> PossibleCounts:
    """Least and most episodes with an onset in valid time; the count that was made lies between.

    Parameters
    ----------
    episodes
        Of the count that was made; ``chosen`` says which of them count.
    pieces
        Bursts of the night, merged from what was seen of each (`bursts.in_pieces`).
    admitted
        Whether an episode that begins in each of these slots would count by what surrounds it (heart
        rate, wake), bool of the same shape; None: any would.
    """
    night = _Night(pieces, criterion, selection.valid)
    cluster = night.cluster_of(episodes.starts[selection.episodes])
    settled = int((~night.open[cluster]).sum())
    least = sum(_certain(night, span, admitted) for span in _open_clusters(night))
    most = sum(_conceivable(night, span, admitted) for span in _open_clusters(night))
    return PossibleCounts(settled + least, settled + most)


def _open_clusters(night: _Night) -> Iterator[tuple[int, int]]:
    """Open clusters with a burst, or a piece of one, in valid time."""
    bounds = night.clusters.bounds[night.open]
    seen = night.certain | (night.pieces & night.valid)
    yield from bounds[Spans.of(night.valid.grid, bounds).meet(seen)].tolist()


def _would_count(admitted: Callable[[Ints], Bools] | None, slots: Ints) -> Bools:
    return np.ones(len(slots), dtype=np.bool_) if admitted is None else admitted(slots)


def _conceivable(night: _Night, span: tuple[int, int], admitted: Callable[[Ints], Bools] | None) -> int:
    """Most episodes that begin in the valid time of an open cluster."""
    a, b = np.searchsorted(night.starts, span)
    starts, stops, chain = night.starts[a:b], night.stops[a:b], night.chain[a:b]
    first = np.ones(len(starts), dtype=np.bool_)
    if night.steady:
        first[1:] = chain[1:] != chain[:-1]
    # a piece before a burst may be its beginning
    reach = least_burst(night.valid.grid, night.criterion.burst) + night.bridge
    earlier = night.valid.slots_before(starts) > night.valid.slots_before(starts - reach)
    inside = night.valid.holds(starts) | (night.pieces.holds(starts - 1) & earlier)
    # or of one that nobody saw the rest of
    pieces = _within(night.pieces, *span)
    before = np.searchsorted(stops, pieces[:, 0], side="right") - 1
    alone = (before < 0) | (pieces[:, 0] - np.append(stops, 0)[before] >= night.pause)
    alone &= night.valid.slots_before(pieces[:, 1]) > night.valid.slots_before(pieces[:, 0])
    own, pieces = starts[first & inside], pieces[alone]
    onsets = np.concatenate((own, pieces[:, 0]))
    earliest = np.concatenate((np.where(night.pieces.holds(own - 1), own - reach, own), pieces[:, 0]))
    latest = np.concatenate((own, pieces[:, 1] - 1))
    keep = _would_count(admitted, onsets)
    keep[keep] = [_has_room(night, onset, span[1]) for onset in onsets[keep].tolist()]
    if not night.steady:
        return int(keep.sum())
    return _packed(night, earliest[keep].tolist(), latest[keep].tolist(), span[1])


def _packed(night: _Night, earliest: list[int], latest: list[int], end: int) -> int:
    """How many of some onsets, each within its limits, can begin episodes that follow one another.

    The next one begins a pause after the one before can at the soonest have been completed, so the
    soonest possible is taken first.
    """
    waiting = sorted(zip(earliest, latest, strict=True))
    open_ended = end > night.valid.grid.n_slots - night.reach
    ready: list[int] = []
    n, at, k = 0, 0, 0
    while ready or k < len(waiting):
        if not ready:
            at = max(at, waiting[k][0])
        while k < len(waiting) and waiting[k][0] <= at:
            heappush(ready, waiting[k][1])
            k += 1
        if heappop(ready) < at:
            continue
        done = _soonest(night, at, end)
        if done is None:
            return n + open_ended  # it may go on after the recording
        n, at = n + 1, done + night.pause
    return n


def _soonest(night: _Night, onset: int, end: int) -> int | None:
    """Slot before which no episode that begins at ``onset`` can be complete; None: not before ``end``."""
    criterion, grid = night.criterion, night.valid.grid
    done = end + 1
    if criterion.burst.types:
        tonic = least_tonic(grid, criterion.burst)
        runs = _within(night.runs, onset, end)
        long = runs[runs[:, 1] - runs[:, 0] >= tonic, 0]
        done = int(long[0]) + tonic if len(long) else done
    shortest, apart = least_burst(grid, criterion.burst), night.bridge + 1
    need = criterion.episode.minimum_phasic_bursts
    a, b = np.searchsorted(night.starts, [onset, end])
    ends = (night.starts[a:b][:need] + 1).tolist()
    free = _within(night.holes, onset, end)
    room = (free[:, 1] - free[:, 0] + apart) // (shortest + apart)
    for start, most in zip(free[:, 0].tolist(), room.tolist(), strict=True):
        if start > done:
            break
        ends += [start + shortest + i * (shortest + apart) for i in range(min(most, need))]
        if len(ends) >= need:
            ends = sorted(ends)[:need]
            if ends[-1] <= start:
                break
    if len(ends) >= need:
        done = min(done, sorted(ends)[need - 1])
    return done if done <= end else None


def _within(spans: Spans, begin: int, end: int) -> Ints:
    """Spans between two slots, cut there; int64, shape (n, 2)."""
    a = np.searchsorted(spans.stops, begin, side="right")
    b = np.searchsorted(spans.starts, end, side="left")
    return np.clip(spans.bounds[a:b], begin, end)


def _has_room(night: _Night, onset: int, end: int) -> bool:
    """Whether what was seen from an onset to the end of its cluster, and lost time, can make an episode."""
    criterion, grid = night.criterion, night.valid.grid
    if end > grid.n_slots - night.reach:  # it may have gone on after the recording
        return True
    a, b = np.searchsorted(night.starts, [onset, end])
    if criterion.burst.types:
        runs = _within(night.runs, onset, end)
        holes = night.unknown.slots_before(runs)
        long = runs[:, 1] - runs[:, 0] >= least_tonic(grid, criterion.burst)
        if night.tonic[a:b].any() or (long & (holes[:, 1] > holes[:, 0])).any():
            return True
    apart = night.bridge + 1
    free = _within(night.holes, onset, end)
    room = (free[:, 1] - free[:, 0] + apart) // (least_burst(grid, criterion.burst) + apart)
    return bool(b - a + room.sum() >= criterion.episode.minimum_phasic_bursts)


def _certain(night: _Night, span: tuple[int, int], admitted: Callable[[Ints], Bools] | None) -> int:
    """1 where an episode begins in the valid time of an open cluster under every filling, else 0."""
    rule, (begin, end) = night.criterion.episode, span
    a, b = np.searchsorted(night.starts, [begin, end])
    if a == b or not night.steady or rule.at_edges == "drop":
        return 0
    if night.criterion.context.movement == "drop":
        return 0
    onset = night.starts[a : a + 1]
    seen = night.valid.holds(onset) & _would_count(admitted, onset)
    lost_before = night.lost.slots_before(np.array([begin, onset[0]]))
    if not seen.all() or begin < night.pause or lost_before[0] != lost_before[1]:
        return 0
    b = a + int((night.chain[a:b] == night.chain[a]).sum())
    if night.tonic[a:b].any():
        return 1
    if rule.regular:
        b = _in_sequence(night, a, b, end)
        if longest_regular_run(night.starts[a:b], rule, night.valid.grid) < rule.minimum_phasic_bursts:
            return 0
    return int(_fewest(night, a, b) >= rule.minimum_phasic_bursts)


def _in_sequence(night: _Night, a: int, b: int, end: int) -> int:
    """End of those bursts from the ``a``-th on whose regular sequence no filling can break.

    Where the limits of the sequence allow whatever the rules leave within one episode, these are the
    bursts without a pause; else those before the first lost time.
    """
    rule, grid = night.criterion.episode, night.valid.grid
    shortest = least_burst(grid, night.criterion.burst) + night.bridge + 1
    longest = least_tonic(grid, night.criterion.burst) - 1 + night.pause - 1
    slot = grid.slot_s
    if exact(rule.regular_minimum_s) <= shortest * slot and longest * slot <= exact(rule.regular_maximum_s):
        apart = night.starts[a + 1 : b] - night.stops[a : b - 1] >= night.pause
        return a + 1 + int(np.argmax(np.append(apart, True)))
    lost = _within(night.lost, int(night.starts[a]), end)
    return int(np.searchsorted(night.stops, lost[0, 0], side="right")) if len(lost) else b


def _fewest(night: _Night, a: int, b: int) -> int:
    """Fewest bursts that a filling leaves of some by uniting them, none so long as to be tonic."""
    longest = (
        least_tonic(night.valid.grid, night.criterion.burst) - 1
        if night.criterion.burst.types
        else night.valid.grid.n_slots
    )
    run = np.searchsorted(night.runs.starts, night.starts[a:b], side="right")
    n, begun, place = 0, 0, -1
    for start, stop, at in zip(
        night.starts[a:b].tolist(), night.stops[a:b].tolist(), run.tolist(), strict=True
    ):
        if at != place or stop - begun > longest:
            n, begun, place = n + 1, start, at
    return n
