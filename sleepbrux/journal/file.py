"""The journal: one JSON line a decision, flushed to disk before it is acknowledged.

Layout of ``NIGHT.review.jsonl``, beside ``NIGHT.night.h5``::

    {"format":"sleepbrux review","schema_version":"1.0","scoring_sha256":"...",...}
    {"seq":1,"at":"2026-03-02T07:41:09Z","who":"AB","action":"reject","target":"e12",...}
    {"seq":2,...}

Nothing is ever changed or taken out: an undo is a line of its own. A last line that a power cut tore
is left out, and cut off by the next decision; any other line that cannot be read is an error.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import msgspec
from msgspec import Struct

from sleepbrux.errors import JournalError
from sleepbrux.files import flush_folder
from sleepbrux.night import Night

FORMAT = "sleepbrux review"
SCHEMA_VERSION = "1.0"
ARCHIVE, JOURNAL = ".night.h5", ".review.jsonl"
LOCK_SECONDS = 10.0
LONGEST_TEXT = 200
Action = Literal["accept", "reject", "relabel", "move", "add", "undo", "sample", "judge"]


class Header(Struct, frozen=True, kw_only=True):
    """First line: which scoring the decisions are about."""

    format: str
    schema_version: str
    scoring_sha256: str
    input_sha256: str
    criterion: str
    episodes: int
    bursts: int


class Draft(Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """A decision before it has a number and a time.

    Attributes
    ----------
    target
        ``e12``: automatic episode at position 12 of the archive's table; ``b7``: automatic burst;
        ``g7``: episode that the rules made of changed bursts, the first being ``b7``; ``a3``: what
        decision 3 added; ``n4``: near miss 4 of a sample.
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


class Entry(Draft, frozen=True, kw_only=True, omit_defaults=True):
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
    """

    name: str
    header: Header | None = None
    entries: tuple[Entry, ...] = ()
    torn: int = 0

    @property
    def seq(self) -> int:
        """Number of the last decision, 0 for none."""
        return len(self.entries)


class ConflictError(JournalError):
    """Another window has decided something in the meantime."""


def journal_path(archive: Path) -> Path:
    """``NIGHT.review.jsonl`` beside ``NIGHT.night.h5``."""
    return archive.with_name(archive.name.removesuffix(ARCHIVE) + JOURNAL)


def scoring_digest(night: Night) -> str:
    """SHA-256 over what was decided about: input, values of the rules, clench, window, and every event.

    It is that of the scoring, not of the archive's bytes, so that an archive written again by another
    version keeps its review as long as its events are the same.
    """
    digest = hashlib.sha256()
    head = [night.swept.digest, list(night.criterion.values()), night.window.spans_s, night.amplitude,
            [[v.label, v.mvc_uv] for v in (night.reference.levels if night.reference else ())],
            str(night.merged.grid.slot_s)]  # fmt: skip
    digest.update(msgspec.json.encode(head))
    for table in (night.merged, night.episodes):
        for column in (table.starts, table.stops, table.kind):
            digest.update(column.astype("<i8").tobytes())
    digest.update(night.chosen.episodes.astype("<i8").tobytes())
    return digest.hexdigest()


def header_of(night: Night) -> Header:
    """First line of a journal about a night."""
    return Header(
        format=FORMAT, schema_version=SCHEMA_VERSION, scoring_sha256=scoring_digest(night),
        input_sha256=night.swept.digest, criterion=night.criterion.id,
        episodes=len(night.episodes), bursts=len(night.merged),
    )  # fmt: skip


def load_journal(path: str | Path) -> Journal:
    """Read a journal; an empty one where there is no file.

    Raises
    ------
    JournalError
        Not a journal, of a newer major schema, or damaged elsewhere than in its last line.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return Journal(path.name)
    return _parsed(path.name, data)


def _parsed(name: str, data: bytes) -> Journal:
    whole = data.rfind(b"\n") + 1
    lines = data[:whole].splitlines()
    torn = len(data) - whole
    if not lines:
        return Journal(name, torn=torn)
    try:
        header = msgspec.json.decode(lines[0], type=Header)
    except msgspec.MsgspecError as error:
        raise JournalError(
            f"{name}: line 1 is not that of a review journal; move the file away to begin a new one"
        ) from error
    if header.format != FORMAT or header.schema_version.split(".")[0] != SCHEMA_VERSION[0]:
        raise JournalError(
            f"{name}: format {header.format!r}, schema {header.schema_version!r}; this program reads "
            f"{FORMAT!r}, schema {SCHEMA_VERSION}"
        )
    entries: list[Entry] = []
    for number, line in enumerate(lines[1:], start=2):
        try:
            entry = msgspec.json.decode(line, type=Entry)
        except msgspec.MsgspecError as error:
            if (
                number == len(lines) and not torn and b"\0" in line
            ):  # the power went while it was written
                return Journal(name, header, tuple(entries), len(line) + 1)
            raise JournalError(
                f"{name}: line {number} cannot be read ({error}); restore the file from a copy, or "
                "move it away to begin a new review"
            ) from error
        if entry.seq != len(entries) + 1:
            raise JournalError(
                f"{name}: line {number} has number {entry.seq}, {len(entries) + 1} was due; lines are "
                "missing or were changed: restore the file from a copy"
            )
        entries.append(entry)
    return Journal(name, header, tuple(entries), torn)


def check_about(journal: Journal, night: Night) -> None:
    """Refuse a journal that is about another scoring."""
    if journal.header is not None and journal.header.scoring_sha256 != scoring_digest(night):
        raise JournalError(
            f"{journal.name}: its decisions are about another scoring (criterion "
            f"{journal.header.criterion}, {journal.header.episodes} episodes) than this archive "
            f"(criterion {night.criterion.id}, {len(night.episodes)} episodes); score as before, or "
            "move the journal away to begin a new review"
        )


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    from filelock import FileLock, Timeout

    try:
        with FileLock(path.with_name(f".{path.name}.lock"), timeout=LOCK_SECONDS):
            yield
    except Timeout as error:
        raise JournalError(
            f"{path.name}: another program holds the journal; close it and try again"
        ) from error


def append(path: Path, header: Header, entry: Entry) -> Journal:
    """Write one more decision, numbered one past those that its writer had seen, to disk.

    When this returns, a power cut cannot undo it. The file is locked meanwhile, so that two windows or
    two programs cannot write the same number.

    Raises
    ------
    ConflictError
        Somebody else decided something in the meantime; nothing is written.
    """
    with _locked(path):
        journal = load_journal(path)
        if journal.seq != entry.seq - 1:
            raise ConflictError(
                f"{path.name}: decision {entry.seq} was taken by another window; look again and decide "
                "then"
            )
        if journal.header is not None and journal.header != header:
            same = journal.header.scoring_sha256 == header.scoring_sha256
            if not same:
                raise JournalError(f"{path.name}: it is about another scoring than this archive")
        fresh = not path.exists()
        text = b"" if journal.header else msgspec.json.encode(header) + b"\n"
        text += msgspec.json.encode(entry) + b"\n"
        with path.open("r+b" if not fresh else "xb") as file:
            file.truncate(file.seek(0, os.SEEK_END) - journal.torn)
            file.seek(0, os.SEEK_END)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if fresh:
            flush_folder(path.parent)
        return Journal(path.name, journal.header or header, (*journal.entries, entry))
