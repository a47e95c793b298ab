"""The journal: one JSON line a decision, flushed to disk before it is acknowledged.

Layout of ``NIGHT.review.jsonl``, beside ``NIGHT.night.h5``::

    {"format":"sleepbrux review","schema_version":"2.0","scoring_sha256":"...",...,"sha256":"..."}
    {"action":"reject","target":"e12",...,"seq":1,"at":"2026-03-02T07:41:09Z","who":"AB",...}
    {...,"seq":2,...}

Nothing is ever changed or taken out: an undo is a line of its own. What binds the lines together is in
`sleepbrux.archive.journal.chain`. A file that is not as it should stand is copied before the next decision is
written.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import msgspec
from msgspec.structs import replace as replaced

from sleepbrux.archive.identity import foreign, identity_of
from sleepbrux.archive.journal.chain import Head, head_path, head_text, read_head, sealed
from sleepbrux.archive.journal.disk import appending, keep_copy, locked, write_whole
from sleepbrux.archive.journal.model import (
    ARCHIVE,
    FORMAT,
    LONGEST_LINE,
    LONGEST_TEXT,
    MOST_BYTES,
    MOST_DECISIONS,
    SCHEMA_VERSION,
    ConflictError,
    Continued,
    DamagedError,
    DecisionDraft,
    Entry,
    Header,
    Journal,
    archive_of,
    journal_path,
)
from sleepbrux.archive.journal.reading import Content, lasting_notes, load_journal, read_content
from sleepbrux.core.errors import JournalError
from sleepbrux.core.files import JOURNAL
from sleepbrux.scoring.night import Night

__all__ = [
    "ARCHIVE",
    "FORMAT",
    "JOURNAL",
    "LONGEST_TEXT",
    "SCHEMA_VERSION",
    "ConflictError",
    "DamagedError",
    "DecisionDraft",
    "Entry",
    "Header",
    "Journal",
    "append",
    "archive_of",
    "check_about",
    "header_of",
    "journal_path",
    "load_journal",
    "scoring_digest",
]


def scoring_digest(night: Night) -> str:
    """SHA-256 over what was decided about: input, values of the rules, clench, window, and every event.

    It is that of the scoring, not of the archive's bytes, so that an archive written again by another
    version keeps its review as long as its events are the same.
    """
    digest = hashlib.sha256()
    head = [
        night.swept.digest,
        list(night.criterion.values()),
        night.window.spans_s,
        night.amplitude,
        [[v.label, v.mvc_uv] for v in (night.reference.levels if night.reference else ())],
        str(night.merged.grid.slot_s),
    ]
    digest.update(msgspec.json.encode(head))
    for table in (night.merged, night.episodes):
        for column in (table.starts, table.stops, table.kind):
            digest.update(column.astype("<i8").tobytes())
    digest.update(night.selection.episodes.astype("<i8").tobytes())
    return digest.hexdigest()


def header_of(night: Night) -> Header:
    """First line of a journal about a night."""
    return Header(
        format=FORMAT,
        schema_version=SCHEMA_VERSION,
        scoring_sha256=scoring_digest(night),
        input_sha256=night.swept.digest,
        criterion=night.criterion.id,
        episodes=len(night.episodes),
        bursts=len(night.merged),
        # what a study file says of a night may change while its decisions stay
        identity=replace(identity_of(night), study_sha256=""),
    )


def check_about(journal: Journal, night: Night) -> None:
    """Refuse a journal that is about another night, or another scoring of it."""
    if journal.header is not None:
        _check_same(journal.name, journal.header, header_of(night))


def _check_same(name: str, header: Header, own: Header) -> None:
    if header.identity is not None and own.identity is not None and foreign(header.identity, own.identity):
        raise JournalError(
            f"{name}: its decisions are about {header.identity.words}, this archive is of "
            f"{own.identity.words}; put the journal next to the archive that it belongs to"
        )
    if header.scoring_sha256 != own.scoring_sha256:
        raise JournalError(
            f"{name}: its decisions are about another scoring (criterion {header.criterion!r}, "
            f"{header.episodes} episodes) than this archive (criterion {own.criterion!r}, {own.episodes} "
            "episodes); score as before, or move the journal and its .head away to begin a new review"
        )


def chained(header: Header, entries: tuple[Entry, ...]) -> tuple[bytes, tuple[str, ...]]:
    """A whole journal in the chain, and the digest of each line."""
    lines, digests = [], [""]
    for part in (header, *entries):
        line, digest = sealed(msgspec.json.encode(part), digests[-1])
        lines.append(line + b"\n")
        digests.append(digest)
    return b"".join(lines), tuple(digests[1:])


def continuing(older: Header, own: Header, data: bytes, decisions: int) -> Header:
    """Header in the chain of a journal in the older form, which held ``data``."""
    source = Continued(
        schema_version=older.schema_version,
        sha256=hashlib.sha256(data).hexdigest(),
        decisions=decisions,
    )
    return replaced(older, schema_version=SCHEMA_VERSION, identity=own.identity, continues=source)


def put_in_order(path: Path, content: Content, header: Header) -> Content:
    """The files as they should stand, those of before kept as copies; the caller holds the lock.

    A journal in the older form is continued in the chain; a torn line, foreign line ends, a head that
    is missing, unreadable or one decision behind are mended. No decision is changed.
    """
    journal = content.journal
    if content.data is None or journal.header is None:
        if content.data:
            keep_copy(path, content.data)
            write_whole(path, b"")
        return Content(Journal(path.name))
    digests = content.digests
    begin, text = journal.header, content.sound
    if content.older:
        keep_copy(path, content.data)
        begin = continuing(begin, header, content.data, journal.seq)
        text, digests = chained(begin, journal.entries)
        write_whole(path, text)
    elif text != content.data:
        keep_copy(path, content.data)
        write_whole(path, text)
    head = Head(decisions=journal.seq, last=digests[-1])
    if head != content.head:
        if content.head_data is not None and content.head is None:
            keep_copy(head_path(path), content.head_data)
        write_whole(head_path(path), head_text(head))
    ordered = Journal(path.name, begin, journal.entries, digests=digests)
    return Content(ordered, text, head_text(head), head, text, digests)


def append(path: Path, header: Header, entry: Entry) -> Journal:
    """Write one more decision, numbered one past those that its writer had seen, to disk.

    When this returns, a power cut cannot undo it. The file is locked meanwhile, so that two windows or
    two programs cannot write the same number.

    Raises
    ------
    ConflictError
        Somebody else decided something in the meantime; nothing is written.
    DamagedError
        The journal cannot be relied on; nothing is written.
    """
    with locked(path):
        content = read_content(path)
        journal = content.journal
        if journal.seq != entry.seq - 1:
            raise ConflictError(
                f"{path.name}: decision {entry.seq} was taken by another window; look again and decide then"
            )
        if journal.header is not None:
            _check_same(path.name, journal.header, header)
        content = put_in_order(path, content, header)
        begin = content.journal.header or replaced(header, schema_version=SCHEMA_VERSION)
        size = len(content.sound)
        text, digests = b"", content.digests
        for part in (*(() if content.journal.header else (begin,)), entry):
            line, digest = sealed(msgspec.json.encode(part), digests[-1] if digests else "")
            text, digests = text + line + b"\n", (*digests, digest)
        if entry.seq > MOST_DECISIONS or len(line) > LONGEST_LINE or size + len(text) > MOST_BYTES:
            raise JournalError(
                f"{path.name}: the journal is full ({journal.seq} decisions, {size} bytes), or this decision "
                f"is too long; at most {MOST_DECISIONS:,} decisions and {MOST_BYTES / 1e6:.0f} MB are kept"
            )
        with appending(path, text, size):
            _write_head(path, Head(decisions=entry.seq, last=digests[-1]))
        entries = (*journal.entries, entry)
        notes = lasting_notes(path.name, begin, entries)
        return Journal(path.name, begin, entries, notes=notes, digests=digests)


def _write_head(path: Path, head: Head) -> None:
    try:
        write_whole(head_path(path), head_text(head))
    except OSError:
        if read_head(path)[0] != head:  # else it stands, and only its folder was not flushed
            raise
