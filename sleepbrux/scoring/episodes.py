"""Bursts that belong together, and what kind of episode they make."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.spans import Grid, Spans
from sleepbrux.criteria import exact
from sleepbrux.criteria.model import EpisodeRule
from sleepbrux.scoring.bursts import PHASIC, SHORT, TONIC, least_slots
from sleepbrux.scoring.sides import CombinedBursts
from sleepbrux.scoring.thresholds import Floats, Ints

KINDS = ("phasic", "tonic", "mixed", "unclassified")
ABOVE = "above-200-mvc"
EPISODE_PHASIC, EPISODE_TONIC, EPISODE_MIXED, EPISODE_UNCLASSIFIED = range(4)


@dataclass(frozen=True, eq=False)
class Episodes:
    """Episodes of a night.

    Attributes
    ----------
    starts, stops
        int64, shape (n,), slots of ``grid``: onset of the first to offset of the last burst.
    kind
        int8, shape (n,): index into `KINDS`.
    n_bursts, n_phasic, n_tonic
        int64, shape (n,).
    peak_pct_mvc, mean_pct_mvc
        float64, shape (n,): highest peak, and mean of the bursts weighted by their duration.
    channels
        int64, shape (n,): bit ``k`` set where channel ``k`` takes part.
    flags
        Words for each episode: ``edge`` (lost time lies in it, or nearer to it than the pause that ends
        one), ``clipped``, ``above-200-mvc`` (a burst in it is improbably strong), ``phasic-bursts``.
    of_burst
        int64, shape (n_bursts_of_the_night,): number of the episode of each burst, -1 for none.
    """

    grid: Grid
    starts: Ints
    stops: Ints
    kind: NDArray[np.int8]
    n_bursts: Ints
    n_phasic: Ints
    n_tonic: Ints
    peak_pct_mvc: Floats
    mean_pct_mvc: Floats
    channels: Ints
    flags: tuple[tuple[str, ...], ...]
    of_burst: Ints

    def __len__(self) -> int:
        """Count of episodes."""
        return len(self.starts)


def unseen(bursts: CombinedBursts, rule: EpisodeRule) -> Spans:
    """Time in which activity that the pause must be free of may have gone unseen."""
    grid = bursts.grid
    if rule.gap_free_of == "any_activity":
        return ~Spans.of(grid, bursts.known) - Spans.of(grid, bursts.activity)
    return Spans.of(grid, bursts.unknown)


def least_pause(grid: Grid, rule: EpisodeRule) -> int:
    """Slots of the shortest pause that ends an episode."""
    return least_slots(grid, rule.gap_s, inclusive=rule.gap_inclusive)


def _chains(bursts: CombinedBursts, members: Ints, lost: Spans, rule: EpisodeRule) -> Ints:
    """Number of the chain of each qualifying burst: a new one after a pause.

    The pause is looked for between qualifying bursts, or, under ``any_activity``, between all spans
    of activity; each burst then belongs to the chain of the activity that it lies in.
    """
    starts, stops = bursts.starts[members], bursts.stops[members]
    if rule.gap_free_of == "any_activity":
        carriers = bursts.activity
        chain = _numbered(carriers[:, 0], carriers[:, 1], lost, rule)
        chain = chain[np.searchsorted(carriers[:, 0], starts, side="right") - 1]
    else:
        chain = _numbered(starts, stops, lost, rule)
    new = np.diff(chain, prepend=chain[:1]) > 0
    if rule.two_tonic == "separate":
        tonic = bursts.kind[members] == TONIC
        new[1:] |= tonic[1:] & tonic[:-1]
    return np.cumsum(new)


def _numbered(starts: Ints, stops: Ints, lost: Spans, rule: EpisodeRule) -> Ints:
    """Number of the chain of each span by the pauses alone, decided on integers.

    In lost time the clock of a pause stands still, for nobody knows whether the muscle rested; lost time
    that could itself hold the pause ends the chain all the same.
    """
    since = (stops if rule.gap_clock == "offset_to_onset" else starts)[:-1]
    pause = starts[1:] - since
    unseen_part = lost.slots_before(starts[1:]) - lost.slots_before(since)
    seen_part = pause - unseen_part
    least = least_pause(lost.grid, rule)
    ends = (pause >= least) & (np.maximum(seen_part, unseen_part) >= least)
    return np.concatenate(([0], np.cumsum(ends)))[: len(starts)]


def silent_chains(bursts: CombinedBursts, rule: EpisodeRule) -> Ints:
    """Number of the chain of each qualifying burst as if the muscle had rested in all of lost time."""
    qualifying = np.flatnonzero(bursts.kind != SHORT)
    return _chains(bursts, qualifying, bursts.grid.none(), rule)


def longest_regular_run(starts: Ints, rule: EpisodeRule, grid: Grid) -> int:
    """Bursts in the longest run whose onsets follow each other within the limits of the rule."""
    if not rule.regular:
        return len(starts)
    step = np.diff(starts)
    low = exact(rule.regular_minimum_s) / grid.slot_s
    high = exact(rule.regular_maximum_s) / grid.slot_s
    best = run = min(len(starts), 1)
    for value in step.tolist():
        run = run + 1 if low <= value <= high else 1
        best = max(best, run)
    return best


def _kind(
    phasic: Ints, n_tonic: int, n: int, rule: EpisodeRule, *, types: bool, grid: Grid
) -> tuple[int, tuple[str, ...]]:
    """Kind of a chain and its flags; -1 where it makes no episode."""
    if not types:
        return (EPISODE_UNCLASSIFIED, ()) if n >= rule.minimum_phasic_bursts else (-1, ())
    enough = longest_regular_run(phasic, rule, grid) >= rule.minimum_phasic_bursts
    if n_tonic == 0:
        return (EPISODE_PHASIC, ()) if enough else (-1, ())
    if len(phasic) == 0:
        return EPISODE_TONIC, ()
    if rule.mixed == "one_of_each" or (rule.mixed == "phasic_minimum" and enough):
        return EPISODE_MIXED, ()
    return EPISODE_TONIC, ("phasic-bursts",)


def group_episodes(bursts: CombinedBursts, rule: EpisodeRule, *, types: bool, clipped: Spans) -> Episodes:
    """Episodes from the merged bursts.

    Parameters
    ----------
    bursts
        Bursts of the night, short ones among them.
    clipped
        Spans in which a sample lies at a rail of the converter.
    """
    qualifying = np.flatnonzero(bursts.kind != SHORT)
    lost = unseen(bursts, rule)
    chain = _chains(bursts, qualifying, lost, rule)
    of_burst = np.full(len(bursts), -1, dtype=np.int64)
    rows: list[tuple[Ints, int, tuple[str, ...]]] = []
    for members in np.split(qualifying, np.flatnonzero(np.diff(chain)) + 1):
        if not len(members):
            continue
        kind = bursts.kind[members]
        code, flags = _kind(
            bursts.starts[members[kind == PHASIC]],
            int((kind == TONIC).sum()),
            len(members),
            rule,
            types=types,
            grid=bursts.grid,
        )
        if code >= 0:
            of_burst[members] = len(rows)
            rows.append((members, code, flags))
    pause = least_pause(bursts.grid, rule)
    # what lies beyond the recording was not seen either
    ends = Spans.of(bursts.grid, [(0, pause), (bursts.grid.n_slots - pause, bursts.grid.n_slots)])
    near = lost.grow(pause) | ends
    return _table(bursts, rows, of_burst, clipped, near)


def _table(
    bursts: CombinedBursts,
    rows: list[tuple[Ints, int, tuple[str, ...]]],
    of_burst: Ints,
    clipped: Spans,
    near: Spans,
) -> Episodes:
    if not rows:
        members, first = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    else:
        members = np.concatenate([m for m, _, _ in rows])
        first = np.concatenate(([0], np.cumsum([len(m) for m, _, _ in rows])[:-1]))

    def over(function: np.ufunc, values: NDArray[Any]) -> NDArray[Any]:
        """A ufunc over the bursts of each episode."""
        return function.reduceat(values[members], first) if rows else values[:0]

    starts = bursts.starts[members[first]]
    stops = over(np.maximum, bursts.stops)
    clips = np.searchsorted(clipped.starts, stops) > np.searchsorted(clipped.stops, starts, side="right")
    beside = (near.slots_before(stops) > near.slots_before(starts)) | over(np.logical_or, bursts.cut)
    strong = over(np.logical_or, bursts.improbable)
    flags = tuple(
        (
            *(("edge",) if edge else ()),
            *(("clipped",) if touched else ()),
            *((ABOVE,) if above else ()),
            *words,
        )
        for (_, _, words), edge, touched, above in zip(
            rows, beside.tolist(), clips.tolist(), strong.tolist(), strict=True
        )
    )
    length = bursts.stops - bursts.starts
    weighted = bursts.mean_pct_mvc * length
    return Episodes(
        grid=bursts.grid,
        starts=starts,
        stops=stops,
        kind=np.array([code for _, code, _ in rows], dtype=np.int8),
        n_bursts=np.array([len(m) for m, _, _ in rows], dtype=np.int64),
        n_phasic=over(np.add, (bursts.kind == PHASIC).astype(np.int64)),
        n_tonic=over(np.add, (bursts.kind == TONIC).astype(np.int64)),
        peak_pct_mvc=over(np.maximum, bursts.peak_pct_mvc),
        # one by one: sums in another order end in another last digit
        mean_pct_mvc=np.array([weighted[m].sum() / length[m].sum() for m, _, _ in rows], dtype=np.float64),
        channels=over(np.bitwise_or, bursts.channels),
        flags=flags,
        of_burst=of_burst,
    )
