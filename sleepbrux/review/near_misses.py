"""Near misses: what would be an episode if one clause of the criterion were a little looser.

A near miss for a clause is an episode that the same night yields when this clause alone is relaxed by
the stated amount and every other clause stands, whose onset lies in the valid window, and which shares no
time with an automatic episode, counted or not. So it fails by that clause and by no other. One that
several clauses alone would admit is listed once, under the first of them, with all of them named.

======================================  ==========================  ==============================
clause                                  relaxed to                  the event then
======================================  ==========================  ==============================
``threshold.level_pct_mvc``             0.8 times                   is weaker than asked
``threshold.times_background``          1 + 0.8 (k - 1)             is weaker than asked
``burst.minimum_s``                     0.8 times                   has bursts too short
``burst.phasic_maximum_s``              0.8 times                   has a burst too short for tonic
``episode.minimum_phasic_bursts``       one fewer                   has one burst too few
``episode.gap_s``                       4/3 times                   has bursts too far apart
======================================  ==========================  ==============================

The amounts are our choice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.events import find_events
from sleepbrux.scoring.night import Night

LOOSER, WIDER = 0.8, 4 / 3
WORDS = {
    "threshold.level_pct_mvc": "weaker than the threshold",
    "threshold.times_background": "weaker than the threshold",
    "burst.minimum_s": "bursts too short",
    "burst.phasic_maximum_s": "burst too short for tonic",
    "episode.minimum_phasic_bursts": "one burst too few",
    "episode.gap_s": "bursts too far apart",
}


@dataclass(frozen=True)
class NearMiss:
    """One near miss.

    Attributes
    ----------
    kind
        What it would be under the relaxed clause.
    clauses
        Settings that alone would admit it, in the order of the table above.
    """

    start_s: float
    stop_s: float
    kind: str
    clauses: tuple[str, ...]


def relaxed(night: Night) -> Iterator[tuple[str, Any]]:
    """Each clause of the night's criterion that has a looser value, and that value."""
    rule = night.criterion
    if rule.threshold.level_pct_mvc is not None:
        yield "threshold.level_pct_mvc", LOOSER * rule.threshold.level_pct_mvc
    if rule.threshold.times_background is not None:
        yield "threshold.times_background", 1 + LOOSER * (rule.threshold.times_background - 1)
    if rule.burst.minimum_s > 0:
        yield "burst.minimum_s", round(LOOSER * rule.burst.minimum_s, 6)
    if rule.burst.types:
        yield "burst.phasic_maximum_s", round(LOOSER * rule.burst.phasic_maximum_s, 6)
    if rule.episode.minimum_phasic_bursts > 1:
        yield "episode.minimum_phasic_bursts", rule.episode.minimum_phasic_bursts - 1
    if rule.episode.gap_s > 0:
        yield "episode.gap_s", round(WIDER * rule.episode.gap_s, 6)


def near_misses(night: Night) -> tuple[NearMiss, ...]:
    """Near misses of an automatic scoring, in order of onset."""
    grid, table = night.merged.grid, night.episodes
    taken = [(grid.seconds(a), grid.seconds(b)) for a, b in zip(table.starts, table.stops, strict=True)]
    found: list[NearMiss] = []
    for key, value in relaxed(night):
        try:
            events = find_events(
                night.swept,
                criterion=night.criterion.derive({key: value}),
                window=night.window,
                reference=night.reference,
            )
        except SleepbruxError:
            continue  # the looser value is not allowed: no near miss by this clause can be told
        episodes = events.episodes
        for k in events.selection.episodes.tolist():
            a = episodes.grid.seconds(episodes.starts[k])
            b = episodes.grid.seconds(episodes.stops[k])
            if any(a < stop and b > start for start, stop in taken):
                continue
            same = [i for i, m in enumerate(found) if a < m.stop_s and b > m.start_s]
            if not same:
                found.append(NearMiss(a, b, KINDS[episodes.kind[k]], (key,)))
                continue
            one = found[same[0]]
            if key not in one.clauses:
                found[same[0]] = NearMiss(one.start_s, one.stop_s, one.kind, (*one.clauses, key))
    return tuple(sorted(found, key=lambda m: (m.start_s, m.stop_s)))
