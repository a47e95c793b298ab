"""Where decisions leave their targets, and whether a new one has a meaning."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace
from typing import Literal

from sleepbrux.archive.journal.model import (
    LONGEST_TEXT,
    DamagedError,
    DecisionDraft,
    Entry,
    Journal,
)
from sleepbrux.core.errors import JournalError
from sleepbrux.scoring.bursts import KINDS as BURST_KINDS
from sleepbrux.scoring.episodes import KINDS as EPISODE_KINDS
from sleepbrux.scoring.night import Night

Level = Literal["episode", "burst"]
LEVELS: dict[str, Level] = {"e": "episode", "g": "episode", "b": "burst"}
OUTSIDE = ("sample", "judge", "undo")
SAME_ONSET_S = 0.02


@dataclass(frozen=True)
class DecisionState:
    """What a reader has said of one target so far; empty where nothing.

    Attributes
    ----------
    added
        The target is the reader's own.
    """

    level: Level
    verdict: Literal["", "accepted", "rejected"] = ""
    reason: str = ""
    kind: str = ""
    start_s: float | None = None
    stop_s: float | None = None
    added: bool = False

    @property
    def moved(self) -> bool:
        """Whether an edge of an automatic event was moved."""
        return self.start_s is not None and not self.added


def kinds_for(night: Night, level: Level) -> tuple[str, ...]:
    """Kinds that an event may be given under the night's criterion."""
    typed = night.criterion.burst.types
    if level == "episode":
        return EPISODE_KINDS[:3] if typed else EPISODE_KINDS[3:]
    return BURST_KINDS[1:3] if typed else BURST_KINDS[3:]


def in_force(journal: Journal) -> tuple[Entry, ...]:
    """Decisions that were not taken back, undo lines themselves and unreadable ones left out."""
    undone = {e.undoes for e in journal.entries if e.action == "undo"}
    return tuple(e for e in journal.entries if e.action not in ("undo", "lost") and e.seq not in undone)


def last_to_undo(journal: Journal, *, judged_by: str | None = None) -> Entry | None:
    """The decision that an undo would take back: of an open review, or of one reader's sample."""
    stands = [
        e
        for e in in_force(journal)
        if (
            e.action not in ("sample", "judge")
            if judged_by is None
            else e.action == "judge" and e.who == judged_by
        )
    ]
    return stands[-1] if stands else None


def group_name(first: str) -> str:
    """Name of an episode that the rules made, by its first burst: ``g7`` by ``b7``, ``ga3`` by ``a3``."""
    return "g" + first.removeprefix("b")


def _target(entry: Entry, added: dict[str, float]) -> str:
    """What a decision is about; a journal in the older form says ``g3`` for ``ga3`` too.

    ``added`` holds onsets of added bursts. No two bursts have one onset, so it tells which is meant.
    """
    number = entry.target.removeprefix("g")
    onset = (entry.before or {}).get("start_s")
    if number == entry.target or number not in added or not isinstance(onset, int | float):
        return entry.target
    return f"ga{number}" if abs(onset - added[number]) <= SAME_ONSET_S else entry.target


def standings(journal: Journal) -> dict[str, DecisionState]:
    """Target to what stands of it, in the order in which they were first decided."""
    out: dict[str, DecisionState] = {}
    added = {
        str(e.seq): e.start_s
        for e in journal.entries
        if e.action == "add" and e.level == "burst" and e.start_s is not None
    }
    for entry in in_force(journal):
        if entry.action in OUTSIDE:
            continue
        if entry.action == "add":
            level: Level = "burst" if entry.level == "burst" else "episode"
            out[f"a{entry.seq}"] = DecisionState(
                level, kind=entry.kind, start_s=entry.start_s, stop_s=entry.stop_s, added=True
            )
            continue
        target = _target(entry, added)
        before = out.get(target)
        if before is None:
            if target[:1] not in LEVELS:
                continue  # what was added was taken back since
            before = DecisionState(LEVELS[target[0]])
        out[target] = _after(before, entry)
    return out


def _after(before: DecisionState, entry: Entry) -> DecisionState:
    if entry.action == "accept":
        return replace(before, verdict="accepted", reason="")
    if entry.action == "reject":
        return replace(before, verdict="rejected", reason=entry.reason)
    if entry.action == "relabel":
        return replace(before, verdict="accepted", reason="", kind=entry.kind)
    return replace(before, verdict="accepted", reason="", start_s=entry.start_s, stop_s=entry.stop_s)


def check_meaning(night: Night, journal: Journal) -> None:
    """Refuse decisions that mean nothing for this night, wherever they came from.

    Raises
    ------
    DamagedError
        Names the decision and what no review of this night writes.
    """
    added = {e.seq: e.level for e in journal.entries if e.action == "add"}
    events = {"e": len(night.episodes), "b": len(night.merged)}
    gone = any(e.action == "lost" for e in journal.entries)
    for entry in in_force(journal):
        if entry.action in OUTSIDE:
            continue
        wrong = ""
        target = "" if entry.action == "add" else entry.target
        sort, number = target[:1], int(target.lstrip("ebga") or -1)
        if number >= events.get(sort, number + 1):
            wrong = f"event {entry.target!r}, where the night has {events[sort]}"
        elif sort == "a" and number not in added and not gone:
            wrong = f"event {entry.target!r}, which nobody added"
        named = added.get(number, "") if sort == "a" else LEVELS.get(sort, "")
        level: Level = "burst" if (named or entry.level) == "burst" else "episode"
        if entry.kind and entry.kind not in kinds_for(night, level):
            wrong = f"kind {entry.kind!r} for an event of this level ({level})"
        if entry.action in ("move", "add") and not _is_span(night, entry):
            wrong = f"a span from {entry.start_s:g} s to {entry.stop_s:g} s"
        if wrong:
            raise DamagedError(
                f"{journal.name}: line {entry.seq + 1}: decision {entry.seq} ({entry.action}) has {wrong}; "
                "no review of this night writes that, so restore the file from a copy"
            )


def _is_span(night: Night, entry: DecisionDraft) -> bool:
    try:
        _check_span(night, entry)
    except JournalError:
        return False
    return True


def check_form(night: Night, journal: Journal, draft: DecisionDraft) -> None:
    """Refuse a decision whose words or times mean nothing; what it collides with is checked later.

    Raises
    ------
    JournalError
        One sentence that says what is allowed.
    """
    for name, text in (("reason", draft.reason), ("target", draft.target), ("kind", draft.kind)):
        if len(text) > LONGEST_TEXT:
            raise JournalError(f"{name}: {len(text)} characters; at most {LONGEST_TEXT} are kept")
        if any(unicodedata.category(c) == "Cc" for c in text):
            raise JournalError(f"{name}: control characters are not kept; write it in plain text")
    if draft.action == "lost":
        raise JournalError("lost: only a repair writes that")
    if draft.action == "reject" and not draft.reason.strip():
        raise JournalError("reject: no reason is given; choose or write one")
    if draft.action == "undo":
        judging = {e.who for e in journal.entries if e.action == "judge"}
        last = [last_to_undo(journal), *(last_to_undo(journal, judged_by=w) for w in judging)]
        if draft.undoes not in {e.seq for e in last if e is not None}:
            raise JournalError("undo: only the last decision that stands can be taken back")
    if draft.action in ("move", "add"):
        _check_span(night, draft)
    if draft.action == "add" and not draft.level:
        raise JournalError("add: whether an episode or a burst is not said")


def _check_span(night: Night, draft: DecisionDraft) -> None:
    start, stop = draft.start_s, draft.stop_s
    if start is None or stop is None or not 0 <= start < stop <= night.swept.duration_s + 1e-6:
        raise JournalError(
            f"{draft.action}: {start} s to {stop} s is no span inside a recording of "
            f"{night.swept.duration_s:g} s"
        )
    grid = night.merged.grid
    if grid.nearest(stop) <= grid.nearest(start):
        raise JournalError(
            f"{draft.action}: the span is shorter than the {float(grid.slot_s):g} s that are distinguished"
        )
