"""Scored events against events whose truth is known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from sleepbrux.core.matching import match_events
from sleepbrux.core.spans import Spans
from sleepbrux.scoring.episodes import KINDS
from sleepbrux.scoring.night import Night

GUARD_S = 0.2
TrueEvent = tuple[float, float, str]


@dataclass(frozen=True)
class Tally:
    """What became of the true events of one night, or of several.

    Attributes
    ----------
    expected, found, matched
        True events in known time, events found, pairs of them.
    false
        Found events that touch no true event, whether in known time or not.
    other_kind
        Pairs of different kind.
    onset_ms, offset_ms
        Found less true edge of each pair.
    """

    expected: int
    found: int
    matched: int
    false: int
    other_kind: int
    onset_ms: tuple[float, ...]
    offset_ms: tuple[float, ...]

    @property
    def recall(self) -> float:
        """Matched share of the true events."""
        return self.matched / self.expected if self.expected else float("nan")

    @property
    def precision(self) -> float:
        """Share of found events that touch a true one."""
        return 1 - self.false / self.found if self.found else float("nan")


def pooled(tallies: Iterable[Tally]) -> Tally:
    """Several tallies as one."""
    every = list(tallies)
    return Tally(
        *(sum(getattr(t, n) for t in every) for n in ("expected", "found", "matched", "false", "other_kind")),
        tuple(x for t in every for x in t.onset_ms),
        tuple(x for t in every for x in t.offset_ms),
    )


def tally(true: Sequence[TrueEvent], found: Sequence[TrueEvent], known: Spans) -> Tally:
    """Match found with true events; only true events wholly in known time are expected."""
    grid = known.grid

    def inside(event: TrueEvent) -> bool:
        span = (grid.slot_at(max(event[0] - GUARD_S, 0.0)), grid.slot_at(event[1] + GUARD_S))
        return (Spans.of(grid, [span]) - known).n_slots == 0

    expected = [e for e in true if inside(e)]
    times = [np.array([e[:2] for e in es], dtype=float).reshape(-1, 2) for es in (expected, found)]
    pairs = match_events(*times).pairs.tolist()
    taken = {b for _, b in pairs}
    false = sum(
        not any(f[0] < t[1] and f[1] > t[0] for t in true)
        or (k not in taken and any(f[0] < expected[a][1] and f[1] > expected[a][0] for a, _ in pairs))
        for k, f in enumerate(found)
    )
    return Tally(
        expected=len(expected),
        found=len(found),
        matched=len(pairs),
        false=false,
        other_kind=sum(expected[a][2] != found[b][2] for a, b in pairs),
        onset_ms=tuple(1000 * (found[b][0] - expected[a][0]) for a, b in pairs),
        offset_ms=tuple(1000 * (found[b][1] - expected[a][1]) for a, b in pairs),
    )


def episodes_of(night: Night) -> list[TrueEvent]:
    """Episodes that count, in seconds, with their kinds."""
    grid, table = night.selection.valid.grid, night.episodes
    return [
        (
            grid.seconds(int(table.starts[k])),
            grid.seconds(int(table.stops[k])),
            KINDS[table.kind[k]],
        )
        for k in night.selection.episodes
    ]


def share_interval(hits: int, n: int) -> tuple[float, float]:
    """Clopper-Pearson 95 % interval of a share; it takes events as independent."""
    if n == 0:
        return float("nan"), float("nan")
    found = stats.binomtest(hits, n).proportion_ci(0.95, method="exact")
    return float(found.low), float(found.high)
