"""A new decision: checked against the night as it stands, and described before and after."""

from __future__ import annotations

from datetime import UTC, datetime

from sleepbrux.archive.journal.decision_state import Level, check_form, kinds_for
from sleepbrux.archive.journal.file import DecisionDraft, Entry, Journal
from sleepbrux.archive.journal.reviewed_night import Reviewed, review_of
from sleepbrux.core.errors import JournalError


def decided(now: Reviewed, journal: Journal, draft: DecisionDraft, who: str) -> tuple[Entry, Reviewed]:
    """A decision, numbered and described, and the night after it; nothing is written.

    Raises
    ------
    JournalError
        The decision has no meaning: an unknown target, a kind that the criterion does not have, an
        edge outside the recording, or an event on top of another.
    """
    night = now.automatic
    check_form(night, journal, draft)
    seq = journal.seq + 1
    target = _target(now, draft, seq)
    level = _level(now, draft)
    if level and draft.action in ("relabel", "add") and draft.kind not in kinds_for(night, level):
        allowed = ", ".join(kinds_for(night, level))
        raise JournalError(
            f"{draft.action}: kind {draft.kind!r}; under {night.criterion.id} the kind of an event of "
            f"this level ({level}) is one of: {allowed}"
        )
    before = now.event(target) if target else None
    at = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    fields = {name: getattr(draft, name) for name in DecisionDraft.__struct_fields__}
    entry = Entry(**fields, seq=seq, at=at, who=who, before=before)
    header = journal.header
    after = review_of(night, Journal(journal.name, header, (*journal.entries, entry)))
    described = after.event(target) if target else None
    fields = {n: getattr(entry, n) for n in Entry.__struct_fields__} | {"after": described}
    return Entry(**fields), after


def _target(now: Reviewed, draft: DecisionDraft, seq: int) -> str:
    """The target of a decision, checked."""
    if draft.action == "add":
        return f"a{seq}"
    if draft.action in ("sample", "undo", "judge"):
        return ""
    known = {*now.episode_ids, *now.burst_ids, *now.standings}
    if draft.target not in known:
        raise JournalError(
            f"{draft.action}: there is no event {draft.target!r} any more; look again and decide then"
        )
    return draft.target


def _level(now: Reviewed, draft: DecisionDraft) -> Level | None:
    if draft.action == "add":
        return "burst" if draft.level == "burst" else "episode"
    if draft.action in ("sample", "undo", "judge"):
        return None
    if draft.target in now.standings:
        return now.standings[draft.target].level
    return "burst" if draft.target.startswith("b") else "episode"
