"""What a journal holds: a header, and decisions one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from msgspec import Struct

from sleepbrux.archive.identity import Identity
from sleepbrux.core.errors import JournalError, Note
from sleepbrux.core.files import JOURNAL

FORMAT = "sleepbrux review"
SCHEMA_VERSION, OLDER = "2.0", "1"
ARCHIVE = ".night.h5"
LONGEST_TEXT = 200
LONGEST_LINE, MOST_DECISIONS, MOST_BYTES = 1_000_000, 50_000, 32_000_000
Action = Literal["accept", "reject", "relabel", "move", "add", "undo", "sample", "judge", "lost"]


class Continued(Struct, frozen=True, kw_only=True):
    """A journal in the older form, without digests, that this one goes on from."""

    schema_version: str
    sha256: str
    decisions: int


class Header(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """First line: which scoring the decisions are about, and whose night."""

    format: str
    schema_version: str
    scoring_sha256: str
    input_sha256: str
    criterion: str
    episodes: int
    bursts: int
    identity: Identity | None = None
    continues: Continued | None = None


class DecisionDraft(Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """A decision before it has a number and a time.

    Attributes
    ----------
    target
        ``e12``: automatic episode at position 12 of the archive's table; ``b7``: automatic burst;
        ``a3``: what decision 3 added; ``g7`` and ``ga3``: episode that the rules made of changed bursts,
        the first being ``b7`` or ``a3``; ``n4``: near miss 4 of a sample.
    kind
        Kind of a relabelled or added event, or, in a sample, the kind that the reader gives it.
    level
        Whether an episode or a burst is added.
    start_s, stop_s
        Edges of a moved or added event, seconds of the night clock.
    undoes
        Number of the decision that is taken back.
    accepted
        Verdict on an item of a sample.
    seed, size, items
        Of a sample: how it was drawn, how many of each stratum, and the order shown.
    """

    action: Action
    target: str = ""
    reason: str = ""
    kind: str = ""
    level: Literal["", "episode", "burst"] = ""
    start_s: float | None = None
    stop_s: float | None = None
    undoes: int | None = None
    accepted: bool | None = None
    seed: int | None = None
    size: int | None = None
    items: tuple[str, ...] = ()


class Entry(DecisionDraft, frozen=True, kw_only=True, omit_defaults=True):
    """A decision as it stands in the journal; ``before`` and ``after`` describe its target."""

    seq: int
    at: str
    who: str
    before: dict[str, Any] | None = None
    after: dict[str, Any] | None = None


@dataclass(frozen=True)
class Journal:
    """All decisions about one scoring.

    Attributes
    ----------
    header
        None where nothing was decided yet.
    torn
        Bytes of a last line that was not written wholly.
    notes
        What every reader of the decisions must know of the file.
    digests
        Of each line, the header's first; empty in the older form.
    """

    name: str
    header: Header | None = None
    entries: tuple[Entry, ...] = ()
    torn: int = 0
    notes: tuple[Note, ...] = ()
    digests: tuple[str, ...] = ()

    @property
    def seq(self) -> int:
        """Number of the last decision, 0 for none."""
        return len(self.entries)


class ConflictError(JournalError):
    """Another window has decided something in the meantime."""


class DamagedError(JournalError):
    """Lines were changed, cut off or lost; `sleepbrux.archive.journal.repair` keeps those that are whole."""


def archive_of(journal: Path) -> Path:
    """``NIGHT.night.h5`` beside ``NIGHT.review.jsonl``."""
    return journal.with_name(journal.name.removesuffix(JOURNAL) + ARCHIVE)


def journal_path(archive: Path) -> Path:
    """``NIGHT.review.jsonl`` beside ``NIGHT.night.h5``; of a link, beside the archive that it leads to."""
    archive = archive.resolve() if archive.is_symlink() else archive
    return archive.with_name(archive.name.removesuffix(ARCHIVE) + JOURNAL)
