"""The scorer a second time: plain, slow, written from the sentences of the rule files.

Times are exact fractions of a second, bursts are tuples in lists, nothing is fast. It is fed with
the bursts of each channel and says what the night's bursts and episodes are. It imports nothing of
the scorer; a criterion is only read.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Any, NamedTuple

Stretch = tuple[Fraction, Fraction]


class Burst(NamedTuple):
    """One burst of one channel; ``cut``: lost time lies in it or beside it."""

    start: Fraction
    stop: Fraction
    cut: bool = False


class Event(NamedTuple):
    """One burst of the night."""

    start: Fraction
    stop: Fraction
    kind: str
    channels: frozenset[int]
    cut: bool


class Episode(NamedTuple):
    """One episode; ``members`` are positions in the night's list of bursts."""

    start: Fraction
    stop: Fraction
    kind: str
    members: tuple[int, ...]
    n_phasic: int
    n_tonic: int
    channels: frozenset[int]
    flags: frozenset[str]


def decimal(value: float) -> Fraction:
    """0.29 in a rule file is 29/100."""
    return Fraction(str(value))


def reaches(length: Fraction, limit: Fraction, *, inclusive: bool) -> bool:
    """Whether a length is beyond a limit, or at it where that is enough."""
    return length > limit or (inclusive and length == limit)


def kind_of(length: Fraction, rule: Any) -> str:
    """Kind of a burst of this length: too short, phasic up to a maximum, tonic beyond it."""
    if not reaches(length, decimal(rule.minimum_s), inclusive=rule.minimum_inclusive):
        return "short"
    if not rule.types:
        return "unclassified"
    maximum = decimal(rule.phasic_maximum_s)
    if length < maximum or (length == maximum and rule.phasic_maximum_inclusive):
        return "phasic"
    return "tonic"


def overlap(a: Stretch, b: Stretch) -> bool:
    """Whether two stretches share time."""
    return max(a[0], b[0]) < min(a[1], b[1])


def united(stretches: Sequence[Stretch], bridge: Fraction) -> list[Stretch]:
    """Stretches joined where they overlap or are at most ``bridge`` apart."""
    out: list[Stretch] = []
    for start, stop in sorted(stretches):
        if out and start - out[-1][1] <= bridge:
            out[-1] = (out[-1][0], max(out[-1][1], stop))
        else:
            out.append((start, stop))
    return out


def shared(lists: Sequence[Sequence[Stretch]]) -> list[Stretch]:
    """Time that every list has."""
    common = list(lists[0])
    for other in lists[1:]:
        common = [(max(a[0], b[0]), min(a[1], b[1])) for a in common for b in other if overlap(a, b)]
    return sorted(common)


def without(stretches: Sequence[Stretch], others: Sequence[Stretch]) -> list[Stretch]:
    """What is left of stretches where none of the others lies."""
    left = list(stretches)
    for a, b in others:
        cut = [(start, min(stop, a)) for start, stop in left]
        cut += [(max(start, b), stop) for start, stop in left]
        left = [(start, stop) for start, stop in cut if start < stop]
    return sorted(set(left))


def complement(known: Sequence[Stretch], end: Fraction) -> list[Stretch]:
    """The time up to ``end`` that is not known."""
    return without([(Fraction(0), end)], known)


def lost_time(known: Sequence[Sequence[Stretch]], end: Fraction) -> list[Stretch]:
    """Time that some channel has lost."""
    return united([gap for one in known for gap in complement(one, end)], Fraction(0))


def unseen_bursts(
    channels: Sequence[Sequence[Burst]],
    night: Sequence[Event],
    known: Sequence[Sequence[Stretch]],
    end: Fraction,
    criterion: Any,
) -> list[Stretch]:
    """Time in which a burst of the night may have gone unseen.

    A channel may be active where it was seen active and where it was lost, and in the dips between
    these that the rule closes. The night may be active where one channel may be, or, under ``both``,
    where all may be at once. Only where such time touches lost time can anything be other than it was
    seen, and only where it is long enough for a burst that qualifies.
    """
    bridge, rule = decimal(criterion.burst.bridge_s), criterion.burst
    possible = [
        united([*(b[:2] for b in bursts), *complement(one, end)], bridge)
        for bursts, one in zip(channels, known, strict=True)
    ]
    if criterion.sides.combine == "both":
        together = shared(possible)
    else:
        together = united([s for one in possible for s in one], Fraction(0))
    lost = lost_time(known, end)
    open_runs = [
        run
        for run in united(together, bridge)
        if any(overlap(run, gap) for gap in lost) and kind_of(run[1] - run[0], rule) != "short"
    ]
    bursts = [e[:2] for e in night if e.kind != "short"]
    return without(shared([together, open_runs]), bursts)


def merge(channels: Sequence[Sequence[Burst]], criterion: Any) -> list[Event]:
    """The night's bursts from those of its channels."""
    rule = criterion.burst
    plain = [[(b.start, b.stop) for b in bursts] for bursts in channels]
    long = [[s for s in one if kind_of(s[1] - s[0], rule) != "short"] for one in plain]
    brief = [s for one in plain for s in one if kind_of(s[1] - s[0], rule) == "short"]
    if criterion.sides.combine == "both":
        strong = shared(long)
        weak = [
            s
            for s in united(shared([united(one, Fraction(0)) for one in plain]), Fraction(0))
            if not any(overlap(s, other) for other in strong)
        ]
        events = [(s, kind_of(s[1] - s[0], rule)) for s in strong] + [(s, "short") for s in weak]
    else:
        strong = united([s for one in long for s in one], decimal(rule.bridge_s))
        weak = [s for s in united(brief, Fraction(0)) if not any(overlap(s, other) for other in strong)]
        events = [(s, kind_of(s[1] - s[0], rule)) for s in strong] + [(s, "short") for s in weak]
    night = []
    for stretch, kind in sorted(events):
        parts = [(k, b) for k, one in enumerate(channels) for b in one if overlap(stretch, b[:2])]
        night.append(Event(*stretch, kind, frozenset(k for k, _ in parts), any(b.cut for _, b in parts)))
    return night


def shared_s(stretch: Stretch, others: Sequence[Stretch]) -> Fraction:
    """Seconds of a stretch that others cover; the others are disjoint."""
    return sum(
        (min(stretch[1], b) - max(stretch[0], a) for a, b in others if overlap(stretch, (a, b))),
        Fraction(0),
    )


def paused(stretches: Sequence[Stretch], unseen: Sequence[Stretch], rule: Any) -> list[Fraction]:
    """Onsets before which the pause was long enough for a new episode.

    The clock of the pause stands still where activity may have gone unseen. Unseen time that is by
    itself as long as the pause ends the episode too.
    """
    onsets = []
    for before, after in pairwise(stretches):
        begin = before[1] if rule.gap_clock == "offset_to_onset" else before[0]
        hidden = shared_s((begin, after[0]), unseen) if begin < after[0] else Fraction(0)
        for length in (after[0] - begin - hidden, hidden):
            if reaches(length, decimal(rule.gap_s), inclusive=rule.gap_inclusive) and reaches(
                after[0] - begin, decimal(rule.gap_s), inclusive=rule.gap_inclusive
            ):
                onsets.append(after[0])
                break
    return onsets


def parted(before: Event, after: Event, pauses: Any, rule: Any) -> bool:
    """Whether a new episode starts with the second of two neighbours among the qualifying bursts."""
    if any(before.start < onset <= after.start for onset in pauses):
        return True
    return rule.two_tonic == "separate" and before.kind == after.kind == "tonic"


def lost_beside(whole: Stretch, unseen: Sequence[Stretch], end: Fraction, rule: Any) -> bool:
    """Whether unseen time, or an end of the recording, lies in an episode or nearer than its pause."""
    for a, b in (*unseen, (decimal(-1), Fraction(0)), (end, end + 1)):
        silence = max(a - whole[1], whole[0] - b)
        if not reaches(silence, decimal(rule.gap_s), inclusive=rule.gap_inclusive):
            return True
    return False


def most_in_a_row(onsets: Sequence[Fraction], rule: Any) -> int:
    """Most onsets that follow each other within the limits of a regular sequence."""
    low, high = decimal(rule.regular_minimum_s), decimal(rule.regular_maximum_s)
    best = 0
    for first in range(len(onsets)):
        last = first
        while last + 1 < len(onsets) and low <= onsets[last + 1] - onsets[last] <= high:
            last += 1
        best = max(best, last - first + 1)
    return best


def kind_of_episode(members: Sequence[Event], criterion: Any) -> tuple[str, bool]:
    """Kind (empty: no episode), and whether phasic bursts are left over in a tonic one."""
    rule = criterion.episode
    if not criterion.burst.types:
        return ("unclassified" if len(members) >= rule.minimum_phasic_bursts else ""), False
    onsets = [b.start for b in members if b.kind == "phasic"]
    has_tonic = any(b.kind == "tonic" for b in members)
    in_a_row = most_in_a_row(onsets, rule) if rule.regular else len(onsets)
    enough = in_a_row >= rule.minimum_phasic_bursts
    if not has_tonic:
        return ("phasic" if enough else ""), False
    if not onsets:
        return "tonic", False
    mixed = rule.mixed == "one_of_each" or (rule.mixed == "phasic_minimum" and enough)
    return ("mixed", False) if mixed else ("tonic", True)


def group(
    night: Sequence[Event],
    channels: Sequence[Sequence[Burst]],
    known: Sequence[Sequence[Stretch]],
    clipped: Sequence[Stretch],
    end: Fraction,
    criterion: Any,
) -> list[Episode]:
    """Episodes from the night's bursts; ``known``: for each channel the time that it was seen."""
    rule = criterion.episode
    qualifying = [i for i, burst in enumerate(night) if burst.kind != "short"]
    if rule.gap_free_of == "any_activity":
        carriers = united([b[:2] for one in channels for b in one], Fraction(0))
        unseen = without(lost_time(known, end), carriers)
    else:
        carriers = [(night[i].start, night[i].stop) for i in qualifying]
        unseen = unseen_bursts(channels, night, known, end, criterion)
    pauses = paused(carriers, unseen, rule)
    chains: list[list[int]] = []
    for k, i in enumerate(qualifying):
        if k == 0 or parted(night[qualifying[k - 1]], night[i], pauses, rule):
            chains.append([])
        chains[-1].append(i)
    episodes = []
    for members in chains:
        bursts = [night[i] for i in members]
        kind, left_over = kind_of_episode(bursts, criterion)
        if not kind:
            continue
        whole = (bursts[0].start, bursts[-1].stop)
        flags = {
            "edge": any(b.cut for b in bursts) or lost_beside(whole, unseen, end, rule),
            "clipped": any(overlap(whole, c) for c in clipped),
            "phasic-bursts": left_over,
        }
        episodes.append(
            Episode(
                *whole,
                kind,
                tuple(members),
                sum(b.kind == "phasic" for b in bursts),
                sum(b.kind == "tonic" for b in bursts),
                frozenset().union(*(b.channels for b in bursts)),
                frozenset(word for word, raised in flags.items() if raised),
            )
        )
    return episodes


def begun_in_view(start: Fraction, lost: Sequence[Stretch], unseen: Sequence[Stretch], end: Fraction) -> bool:
    """Whether an onset was seen.

    It lies in time that no channel lost, and the event was not under way when lost time, in which a burst
    may have gone unseen, or the recording, began or ended.
    """
    hidden = shared([lost, unseen]) if lost and unseen else []
    return 0 < start < end and not any(a <= start < b for a, b in lost) and all(start != b for _, b in hidden)
