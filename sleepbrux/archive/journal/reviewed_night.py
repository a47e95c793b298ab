"""The night after the reader's decisions.

Decisions on bursts come first: a rejected burst is gone, a moved one has its kind by its new duration
unless it was given one. Where a burst was changed, episodes are built anew by the criterion. Decisions
on episodes come last and outweigh the rules: a rejected episode goes with its bursts, a moved or added
one holds the bursts that overlap it and lie in no other, and one that was accepted, relabelled or moved
stays even where the rules would no longer make one of its bursts.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import reduce
from pathlib import Path
from typing import Any

import numpy as np

from sleepbrux.archive.file import load_night
from sleepbrux.archive.journal.decision_state import (
    DecisionState,
    check_meaning,
    group_name,
    in_force,
    standings,
)
from sleepbrux.archive.journal.file import Journal, check_about, journal_path, load_journal
from sleepbrux.archive.journal.levels import Levels
from sleepbrux.archive.journal.witness import check_witness
from sleepbrux.core.errors import JournalError, Note
from sleepbrux.core.provenance import Review
from sleepbrux.core.spans import Spans
from sleepbrux.criteria import Criterion
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.bursts import PHASIC, SHORT, TONIC, kinds
from sleepbrux.scoring.context.counts import count
from sleepbrux.scoring.context.left_out import asks, left_out
from sleepbrux.scoring.context.model import Labels
from sleepbrux.scoring.episodes import EPISODE_UNCLASSIFIED, Episodes, group_episodes
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.events import labels_of
from sleepbrux.scoring.measures import NO_MVC, OTHER_KIND, Measure, NightLevels, Selection, compute, select
from sleepbrux.scoring.night import Night, rescore, with_notes
from sleepbrux.scoring.sides import CombinedBursts

KEPT = (
    "background_uv",
    "threshold_pct_mvc",
    "integral_above_background_uv_s_per_hour",
    "integral_above_background_pct_mvc_s_per_hour",
)
OF_LOST_TIME = (
    "least_episode_count",
    "most_episode_count",
    "least_episodes_per_hour",
    "most_episodes_per_hour",
    "lowest_episodes_per_hour",
    "highest_episodes_per_hour",
    "doubtful_hours",
    "episodes_in_doubtful_time_count",
)
REVIEW = "review-"  # codes of all notes about a review begin so
UNUSED, OTHER_RULES = "review-not-applied", "review-of-other-rules"
UNUSED_WORDS = "there is a review of this night, and it is not used"


@dataclass(frozen=True, eq=False)
class Reviewed:
    """A night after a reader's decisions.

    Attributes
    ----------
    night
        With ``review`` set, measures recomputed.
    automatic
        As the archive holds it.
    episode_ids, burst_ids
        Name of each row of the night's tables, as decisions call it.
    standings
        What was decided, by target.
    """

    night: Night
    automatic: Night
    episode_ids: tuple[str, ...]
    burst_ids: tuple[str, ...]
    standings: dict[str, DecisionState]

    def event(self, target: str) -> dict[str, Any] | None:
        """Edges and kind of an event as it stands; None where it does not count."""
        for ids, table, words in (
            (self.episode_ids, self.night.episodes, EPISODE_KINDS),
            (self.burst_ids, self.night.merged, BURST_KINDS),
        ):
            if target in ids:
                i = ids.index(target)
                return {
                    "start_s": table.grid.seconds(table.starts[i]),
                    "stop_s": table.grid.seconds(table.stops[i]),
                    "kind": words[table.kind[i]],
                }
        return None


@dataclass(eq=False)
class _Row:
    """An episode in the making: its name, bursts, edges in slots, kind and flags."""

    id: str
    members: list[int]
    start: int
    stop: int
    kind: int
    flags: tuple[str, ...] = ()
    fixed: bool = False


@dataclass(frozen=True, eq=False)
class _Work:
    """Bursts after the decisions on them; ``of`` is the automatic position, -1 for an added one."""

    merged: CombinedBursts
    ids: tuple[str, ...]
    of: list[int]
    changed: bool


def _slots(night: Night, standing: DecisionState) -> tuple[int, int]:
    grid = night.merged.grid
    assert standing.start_s is not None  # noqa: S101
    assert standing.stop_s is not None  # noqa: S101
    return grid.nearest(standing.start_s), grid.nearest(standing.stop_s)


def _bursts(night: Night, said: dict[str, DecisionState]) -> _Work:
    table = night.merged
    own = {t: s for t, s in said.items() if s.level == "burst"}
    touched = {t: s for t, s in own.items() if s.added or s.moved or s.kind or s.verdict == "rejected"}
    ids = [f"b{k}" for k in range(len(table))]
    if not touched:
        return _Work(table, tuple(ids), list(range(len(table))), changed=False)
    rows: list[tuple[int, int, int, str]] = []  # start, stop, automatic position, name
    gone: list[tuple[int, int]] = []
    for k, name in enumerate(ids):
        standing = touched.get(name)
        span = (int(table.starts[k]), int(table.stops[k]))
        if standing is not None and (standing.verdict == "rejected" or standing.moved):
            gone.append(span)
        if standing is not None and standing.verdict == "rejected":
            continue
        rows.append((*(_slots(night, standing) if standing and standing.moved else span), k, name))
    rows += [(*_slots(night, s), -1, t) for t, s in touched.items() if s.added and s.verdict != "rejected"]
    rows.sort()
    starts, stops, of, names = (list(v) for v in zip(*rows, strict=True)) if rows else ([],) * 4
    merged = _merged(night, np.array(starts, np.int64), np.array(stops, np.int64), of, gone)
    levels = Levels(night)
    for i, name in enumerate(names):
        standing = touched.get(name)
        if standing is None:
            continue
        if standing.added or standing.moved:
            levels.enter(merged, i)
        if standing.kind:
            merged.kind[i] = BURST_KINDS.index(standing.kind)
    return _Work(merged, tuple(names), of, changed=True)


def _merged(
    night: Night, starts: Any, stops: Any, of: list[int], gone: list[tuple[int, int]]
) -> CombinedBursts:
    """Table of bursts with new edges; values of untouched ones carried over."""
    table, grid = night.merged, night.merged.grid
    index = np.array(of, dtype=np.int64)
    known = index >= 0
    safe = np.where(known, index, 0)

    def carried(column: Any, fill: Any) -> Any:
        source = column if len(column) else np.zeros(1, column.dtype)
        return np.where(known, source[safe], fill).astype(column.dtype)

    same = known.copy()
    if len(table):
        same &= (table.starts[safe] == starts) & (table.stops[safe] == stops)
    kind = np.where(same, carried(table.kind, 0), kinds(stops - starts, grid, night.criterion.burst))
    activity = Spans.of(grid, table.activity) - Spans.of(grid, gone)
    bounds = np.stack((starts, stops), axis=1)
    activity = activity | Spans.of(grid, bounds)
    unknown = Spans.of(grid, table.unknown) - Spans.of(grid, bounds[kind != SHORT])
    return replace(
        table,
        starts=starts,
        stops=stops,
        kind=kind.astype(np.int8),
        peak_pct_mvc=carried(table.peak_pct_mvc, np.nan),
        mean_pct_mvc=carried(table.mean_pct_mvc, np.nan),
        peak_uv=carried(table.peak_uv, np.nan),
        mean_uv=carried(table.mean_uv, np.nan),
        channels=carried(table.channels, 0),
        cut=carried(table.cut, False),  # noqa: FBT003
        activity=activity.bounds,
        unknown=unknown.bounds,
    )


def _by_rule(night: Night, work: _Work) -> list[_Row]:
    """Episodes before the decisions on them, each under the name of the automatic one it continues."""
    auto = night.episodes
    if not work.changed:
        return [
            _Row(
                f"e{k}",
                np.flatnonzero(auto.of_burst == k).tolist(),
                int(auto.starts[k]),
                int(auto.stops[k]),
                int(auto.kind[k]),
                auto.flags[k],
            )
            for k in range(len(auto))
        ]
    grid = night.merged.grid
    clipped = reduce(Spans.__or__, [q.clipped.on(grid) for q in night.quality])
    found = group_episodes(
        work.merged,
        night.criterion.episode,
        types=night.criterion.burst.types,
        clipped=clipped,
    )
    rows: list[_Row] = []
    heirs: dict[int, tuple[int, _Row]] = {}
    for k in range(len(found)):
        members = np.flatnonzero(found.of_burst == k).tolist()
        votes = Counter(
            int(auto.of_burst[work.of[i]])
            for i in members
            if work.of[i] >= 0 and auto.of_burst[work.of[i]] >= 0
        )
        row = _Row(
            group_name(work.ids[members[0]]),
            members,
            int(found.starts[k]),
            int(found.stops[k]),
            int(found.kind[k]),
            found.flags[k],
        )
        if votes:
            best, count = votes.most_common(1)[0]
            if best not in heirs or count > heirs[best][0]:
                heirs[best] = (count, row)
        rows.append(row)
    for k, (_, row) in heirs.items():
        row.id = f"e{k}"
        if (row.start, row.stop, row.kind) != (auto.starts[k], auto.stops[k], auto.kind[k]):
            row.flags = (*row.flags, "by-rule")
    for row in rows:
        if row.id.startswith("g"):
            row.flags = (*row.flags, "by-rule")
    return rows


def _episodes(night: Night, work: _Work, said: dict[str, DecisionState]) -> list[_Row]:
    """Episodes after the decisions on them, in order of onset."""
    auto = night.episodes
    rows = {row.id: row for row in _by_rule(night, work)}
    for target, standing in said.items():
        if standing.level != "episode":
            continue
        if standing.added:
            start, stop = _slots(night, standing)
            rows[target] = _Row(target, [], start, stop, -1, ("reader",), fixed=True)
        elif target not in rows:
            if not target.startswith("e") or standing.verdict == "rejected":
                continue
            k = int(target[1:])  # the rules make no episode of it any more, but the reader's word stands
            taken = {i for row in rows.values() for i in row.members}
            members = [
                i for i, j in enumerate(work.of) if j >= 0 and auto.of_burst[j] == k and i not in taken
            ]
            rows[target] = _Row(
                target, members, int(auto.starts[k]), int(auto.stops[k]), int(auto.kind[k]), ("reader",)
            )
        row = rows[target]
        if standing.moved:
            row.start, row.stop = _slots(night, standing)
            row.fixed = True
        if standing.kind:
            row.kind = EPISODE_KINDS.index(standing.kind)
        if standing.moved or standing.kind:
            row.flags = tuple(dict.fromkeys((*row.flags, "reader")))
    own = [row for row in rows.values() if row.fixed]
    kept = [
        row
        for row in rows.values()
        if not row.id.startswith("g")
        or row.fixed
        or all(row.stop <= o.start or row.start >= o.stop for o in own)
    ]
    ordered = sorted(kept, key=lambda row: (row.start, row.stop, row.id))
    _share_out(work, ordered)
    return ordered


def _share_out(work: _Work, rows: list[_Row]) -> None:
    """Bursts of moved and added episodes: those that overlap and lie in no other."""
    merged = work.merged
    fixed = [row for row in rows if row.fixed]
    taken = {i for row in rows if not row.fixed for i in row.members}
    for row in fixed:
        overlap = (merged.starts < row.stop) & (merged.stops > row.start) & (merged.kind != SHORT)
        row.members = [i for i in np.flatnonzero(overlap).tolist() if i not in taken]
        taken.update(row.members)


def _table(night: Night, work: _Work, rows: list[_Row], keep: list[int]) -> Episodes:
    """The rows as a table; bursts are renumbered to those in ``keep``."""
    merged = work.merged
    place = {old: new for new, old in enumerate(keep)}
    of_burst = np.full(len(keep), -1, dtype=np.int64)
    levels = None
    peaks, means, channels = [], [], []
    for k, row in enumerate(rows):
        members = np.array(row.members, dtype=np.int64)
        of_burst[[place[i] for i in row.members]] = k
        if len(members):
            length = merged.stops[members] - merged.starts[members]
            peaks.append(float(merged.peak_pct_mvc[members].max()))
            means.append(float((merged.mean_pct_mvc[members] * length).sum() / length.sum()))
            channels.append(int(np.bitwise_or.reduce(merged.channels[members])))
        else:
            levels = levels or Levels(night)
            seen = levels.over(row.start, row.stop)
            peaks.append(seen.peak_pct_mvc)
            means.append(seen.mean_pct_mvc)
            channels.append(seen.channels)

    def column(values: Iterable[Any], dtype: Any) -> Any:
        return np.array(list(values), dtype=dtype)

    def count(kind: int) -> Any:
        return column((int((merged.kind[row.members] == kind).sum()) for row in rows), np.int64)

    return Episodes(
        grid=merged.grid,
        starts=column((row.start for row in rows), np.int64),
        stops=column((row.stop for row in rows), np.int64),
        kind=column((row.kind if row.kind >= 0 else EPISODE_UNCLASSIFIED for row in rows), np.int8),
        n_bursts=column((len(row.members) for row in rows), np.int64),
        n_phasic=count(PHASIC),
        n_tonic=count(TONIC),
        peak_pct_mvc=column(peaks, np.float64),
        mean_pct_mvc=column(means, np.float64),
        channels=column(channels, np.int64),
        flags=tuple(row.flags for row in rows),
        of_burst=of_burst,
    )


def _taken(merged: CombinedBursts, index: list[int]) -> CombinedBursts:
    if len(index) == len(merged):
        return merged
    at = np.array(index, dtype=np.int64)
    names = (
        "starts",
        "stops",
        "kind",
        "peak_pct_mvc",
        "mean_pct_mvc",
        "peak_uv",
        "mean_uv",
        "channels",
        "cut",
    )
    return replace(merged, **{name: getattr(merged, name)[at] for name in names})


def _measures(
    night: Night, merged: CombinedBursts, episodes: Episodes, selection: Selection, labels: Labels
) -> dict[str, Measure]:
    """Measures of the reviewed events; levels without a threshold stay those of the automatic scoring."""
    new = compute(
        selection,
        merged,
        episodes,
        night.criterion,
        NightLevels(night.background_uv, no_mvc=NO_MVC if night.reference is None else OTHER_KIND),
        integrals={},
    )
    kept = KEPT if _changed(night, merged, episodes, selection) else (*KEPT, *OF_LOST_TIME)
    swept = night.swept
    new |= count(swept.surroundings, labels, selection, merged, episodes, swept.marks)
    return {name: night.measures[name] if name in kept else m for name, m in new.items()}


def _changed(night: Night, merged: CombinedBursts, episodes: Episodes, selection: Selection) -> bool:
    """Whether any event is another than in the automatic scoring."""
    return not all(
        np.array_equal(getattr(old, name), getattr(new, name))
        for old, new in ((night.merged, merged), (night.episodes, episodes))
        for name in ("starts", "stops", "kind")
    ) or not np.array_equal(night.selection.episodes, selection.episodes)


def review_of(night: Night, journal: Journal) -> Reviewed:
    """A night after the decisions of a journal.

    Raises
    ------
    JournalError
        The journal is about another scoring, or one event would lie on another.
    """
    check_about(journal, night)
    check_meaning(night, journal)
    said = standings(journal)
    work = _bursts(night, said)
    rows = _episodes(night, work, said)
    dropped = {t for t, s in said.items() if s.level == "episode" and s.verdict == "rejected"}
    lost = {i for row in rows if row.id in dropped for i in row.members}
    standing_rows = [row for row in rows if row.id not in dropped]
    keep = [i for i in range(len(work.merged)) if i not in lost]
    merged = _taken(work.merged, keep)
    episodes = _table(night, work, standing_rows, keep)
    if said:
        _check_apart(merged)
        _check_apart(episodes)
    labels = labels_of(night.swept, merged, episodes, night.criterion)
    drop = None
    if asks(night.criterion):
        drop, _ = left_out(night.swept.surroundings, labels, episodes, night.criterion, night.window)
    selection = select(
        merged,
        episodes,
        night.selection.valid,
        night.selection.valid,
        night.selection.basis,
        drop_cut=night.criterion.episode.at_edges == "drop",
        drop=drop,
    )
    selection = replace(selection, window=night.selection.window)
    after = replace(
        night,
        merged=merged,
        episodes=episodes,
        selection=selection,
        labels=labels,
        measures=_measures(night, merged, episodes, selection, labels) if said else night.measures,
        review=_summary(night, journal, said, standing_rows),
        numbers=_numbers(night, standing_rows, selection.episodes.tolist()),
    )
    return Reviewed(
        with_notes(after, *journal.notes),
        night,
        tuple(row.id for row in standing_rows),
        tuple(work.ids[i] for i in keep),
        said,
    )


def _numbers(night: Night, rows: list[_Row], counted: list[int]) -> tuple[int, ...]:
    """Each counted episode keeps its automatic number; others come after the last of these, by onset."""
    automatic = {f"e{k}": n for n, k in enumerate(night.selection.episodes.tolist(), start=1)}
    fresh = itertools.count(len(automatic) + 1)
    return tuple(automatic.get(rows[k].id) or next(fresh) for k in counted)


def _check_apart(table: CombinedBursts | Episodes) -> None:
    """Refuse decisions that put one event on top of another of its level."""
    order = np.argsort(table.starts, kind="stable")
    starts, stops = table.starts[order], table.stops[order]
    hit = np.flatnonzero(starts[1:] < stops[:-1])
    if len(hit):
        grid, i = table.grid, int(hit[0])
        spans = [f"{grid.seconds(starts[k]):.2f} s to {grid.seconds(stops[k]):.2f} s" for k in (i, i + 1)]
        raise JournalError(
            f"one event would lie on another: {spans[0]} and {spans[1]}; reject or move one of them first"
        )


def _summary(
    night: Night, journal: Journal, said: dict[str, DecisionState], rows: list[_Row]
) -> Review | None:
    deciding = [e for e in in_force(journal) if e.action not in ("sample", "judge")]
    if not deciding:
        return None
    counted = {f"e{k}" for k in night.selection.episodes.tolist()}
    own = {t: s for t, s in said.items() if t in counted and s.verdict}
    rejected = [s for s in own.values() if s.verdict == "rejected"]
    kept = [s for s in own.values() if s.verdict != "rejected"]
    standing_ids = {row.id for row in rows}
    vanished = counted - standing_ids - {t for t, s in own.items() if s.verdict == "rejected"}
    return Review(
        readers=tuple(dict.fromkeys(e.who for e in deciding)),
        first=deciding[0].at,
        last=deciding[-1].at,
        automatic=len(counted),
        decided=len(own),
        accepted=sum(not s.kind and not s.moved for s in kept),
        rejected=len(rejected),
        relabelled=sum(bool(s.kind) for s in kept),
        moved=sum(s.moved for s in kept),
        added=sum(s.added and s.level == "episode" and s.verdict != "rejected" for s in said.values()),
        bursts=sum(
            s.level == "burst" and (s.added or s.moved or bool(s.kind) or s.verdict == "rejected")
            for s in said.values()
        ),
        by_rule=len(vanished) + sum(row.id.startswith("g") for row in rows),
        decisions=journal.seq,
        journal_sha256=journal.digests[-1] if journal.digests else "",
        scoring_sha256=journal.header.scoring_sha256 if journal.header else "",
    )


def reviewed(night: Night, journal: Journal) -> Night:
    """`review_of`, the night alone; it is the automatic one where nothing was decided."""
    return review_of(night, journal).night if journal.entries or journal.notes else night


def with_review(night: Night, archive: Path) -> Night:
    """A night after the decisions in the journal beside its archive, if there is one.

    A journal that cannot be read, or is about another scoring, is not applied; a warning among the notes
    says so, and `unused_review` finds it.
    """
    try:
        journal = load_journal(journal_path(archive))
        check_witness(night, archive, journal)
        return reviewed(night, journal)
    except JournalError as error:
        return with_notes(night, Note(UNUSED, "warning", f"{UNUSED_WORDS}: {error}"))


def unused_review(night: Night) -> str:
    """Why the review of a night cannot be used; empty where it can, or where there is none."""
    return next((note.text for note in night.notes if note.code == UNUSED), "")


def rescored(night: Night, after: Night | None, rules: Criterion) -> Night:
    """An automatic scoring under other rules; what became of its review stays among its notes.

    Parameters
    ----------
    after
        The night after a reader's decisions, which are about events under its own rules; None without.
    """
    kept = [note for note in night.notes if note.code == UNUSED]
    if after is not None:
        why = f"it is about events under {night.criterion.id}, and the night was scored again by {rules.id}"
        kept.append(Note(OTHER_RULES, "warning", f"{UNUSED_WORDS}: {why}"))
    return with_notes(rescore(night, rules), *kept)


def scoring_words(night: Night) -> str:
    """Which review is in this scoring, what of it is in doubt, or why it is not in it; empty without any."""
    own = [night.review.sentence] if night.review is not None else []
    doubts = [n.text for n in night.notes if n.code.startswith(REVIEW) and n.severity == "warning"]
    return "; ".join([*own, *doubts])


def load_reviewed(archive: str | Path) -> Night:
    """A night from its archive, after the review beside it: see `with_review`."""
    return with_review(load_night(archive), Path(archive))
