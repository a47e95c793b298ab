"""What was done, to what, under which rules and by which version: the steps behind a number."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

import msgspec

# Raised when the same recording under the same rules gives other events, so that nights scored before and
# after are never pooled: 2, since lost time neither ends an episode nor is silence; 3, since repeated values are lost
# time and the range of the rate holds other readings of doubtful activity.
METHOD = 3
EARLIER_MEASURES = {
    "bruxism_time_index_pct": "time_in_episodes_pct",
    "burst_time_index_pct": "time_in_bursts_pct",
}
"""Earlier to present names of measures, in archives and study files."""


@dataclass(frozen=True)
class Step:
    """One stage of the computation.

    Attributes
    ----------
    name
        Room that did it.
    settings
        Everything that it was told, as plain values.
    digest
        SHA-256 over name, settings and the digest of the step before.
    """

    name: str
    settings: dict[str, Any]
    digest: str


def chain(steps: list[tuple[str, dict[str, Any]]]) -> tuple[Step, ...]:
    """Steps whose digests each cover all that came before."""
    done: list[Step] = []
    for name, settings in steps:
        before = done[-1].digest if done else ""
        text = msgspec.json.encode([name, settings, before], order="sorted")
        done.append(Step(name, settings, hashlib.sha256(text).hexdigest()))
    return tuple(done)


@dataclass(frozen=True)
class Review:
    """What a reader changed in an automatic scoring.

    Attributes
    ----------
    readers
        Who decided, in order of their first decision.
    first, last
        UTC times of the first and last decision that stands, ISO 8601; empty without any, or where
        they are not to be shown.
    automatic, decided
        Automatic episodes that count, and those of them that a reader decided on.
    accepted, rejected, relabelled, moved
        Of the decided ones: accepted as they were, not counted, of another kind, with another edge. One
        that was both relabelled and moved is in both.
    added
        Episodes that the reader added.
    bursts
        Bursts rejected, relabelled, moved or added.
    by_rule
        Automatic episodes that no longer are one after their bursts were changed, and groups that
        became one.
    decisions, journal_sha256, scoring_sha256
        Lines of the journal, the digest of its last one (empty in the older form), and the scoring that they
        are about: so that files made of a review show when a journal was put back or lost.
    """

    readers: tuple[str, ...]
    first: str
    last: str
    automatic: int
    decided: int
    accepted: int
    rejected: int
    relabelled: int
    moved: int
    added: int
    bursts: int
    by_rule: int
    decisions: int = 0
    journal_sha256: str = ""
    scoring_sha256: str = ""

    @property
    def sentence(self) -> str:
        """Which scoring this is, and how much of it was changed."""
        who = ", ".join(self.readers) or "nobody"
        days = " to ".join(dict.fromkeys(day for day in (self.first[:10], self.last[:10]) if day))
        when = f", {days}" if days else ""
        left = self.automatic - self.decided
        return (
            f"Reviewed scoring (reader {who}{when}): of {self.automatic} automatic episodes "
            f"{self.accepted} accepted as they were, {self.rejected} rejected, {self.relabelled} "
            f"relabelled, {self.moved} with an edge moved, {left} not decided and left as scored; "
            f"{self.added} episodes added, {self.bursts} bursts changed, {self.by_rule} episodes "
            "gained or lost when the rules were reapplied"
        )
