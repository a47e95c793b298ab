"""A journal from disk: every line checked, and what cannot be relied on named."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec

from sleepbrux.archive.journal.chain import Head, head_path, link_of, read_head
from sleepbrux.archive.journal.checks import check_entry
from sleepbrux.archive.journal.disk import read_plain
from sleepbrux.archive.journal.model import (
    FORMAT,
    LONGEST_LINE,
    MOST_BYTES,
    MOST_DECISIONS,
    OLDER,
    SCHEMA_VERSION,
    DamagedError,
    Entry,
    Header,
    Journal,
)
from sleepbrux.core.errors import JournalError, Note

AGAIN, PAUSE_S = 3, 0.05
BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class Content:
    """A journal with what its next writer needs.

    Attributes
    ----------
    data, head_data
        What the files hold; None where there is none.
    sound
        The journal's lines as they should stand, line ends included; all of them in the older form.
    digests
        Of each sound line of the chain; empty in the older form.
    """

    journal: Journal
    data: bytes | None = None
    head_data: bytes | None = None
    head: Head | None = None
    sound: bytes = b""
    digests: tuple[str, ...] = ()

    @property
    def older(self) -> bool:
        """Whether the lines hold no digests."""
        return self.journal.header is not None and not self.digests


def load_journal(path: str | Path) -> Journal:
    """Read a journal; an empty one where there is no file.

    Raises
    ------
    DamagedError
        Lines were changed, cut off, lost or put in: the message names the line and the decisions
        concerned.
    JournalError
        Not a journal, no plain file, too long, or of a newer major schema.
    """
    return read_content(Path(path)).journal


def read_content(path: Path) -> Content:
    """Read a journal and its head; again where another program was writing meanwhile."""
    for _ in range(AGAIN):
        before = _state(path)
        try:
            content = _read(path)
        except DamagedError:
            if _state(path) == before:
                raise
            continue
        if not content.journal.torn:
            return content
        time.sleep(PAUSE_S)  # its last line may be on the way
        if _state(path) == before:
            return content
    return _read(path)


def _state(path: Path) -> list[tuple[int, ...]]:
    """What changes when journal or head are written to."""
    found: list[tuple[int, ...]] = []
    for file in (path, head_path(path)):
        try:
            stat = file.lstat()
            found.append((stat.st_ino, stat.st_size, stat.st_mtime_ns))
        except OSError:
            found.append(())
    return found


def _read(path: Path) -> Content:
    # the head first: a decision written between the two readings makes the journal longer, not shorter
    head, head_data = read_head(path)
    data = read_plain(path, MOST_BYTES)
    if data is None or (not data and head_data is not None):
        if head_data is None:
            return Content(Journal(path.name))
        lost = f"{head.decisions} decisions are" if head else "its decisions are"
        raise DamagedError(
            f"{path.name}: the journal is missing and {lost} lost, says {head_path(path).name} next to it; "
            "bring the journal back from a copy, or move that file away to begin a new review"
        )
    if data.count(b"\n") > MOST_DECISIONS + 1:
        raise JournalError(
            f"{path.name}: more than {MOST_DECISIONS:,} lines, which no review has; restore the file from a "
            "copy, or move it away"
        )
    text = with_plain_line_ends(data)
    older = older_header(text)
    if older is not None:
        if head_data is not None:
            raise DamagedError(
                f"{path.name}: this is a journal in the older form, and {head_path(path).name} next to it "
                f"counts {head.decisions if head else 'unknown'} decisions of another; restore the newer "
                "one from a copy, or move the head away to go on with this one"
            )
        journal, sound = _older(path.name, older, text)
        content = Content(journal, data, head_data, head, sound)
    else:
        content = _chained(path, text, head, head_data)
        content = replace(content, data=data)
    if text != data:
        note = Note(
            "review-line-ends",
            "warning",
            f"{path.name}: another program changed its line ends or its first bytes; the "
            f"{content.journal.seq} decisions are read all the same",
        )
        content = replace(content, journal=replace(content.journal, notes=(*content.journal.notes, note)))
    return content


def with_plain_line_ends(data: bytes) -> bytes:
    """Line feeds where another program wrote other line ends, and no mark at the beginning."""
    return data.removeprefix(BOM).replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def header_of_line(name: str, body: bytes) -> Header:
    """First line of a journal in the chain."""
    try:
        header = msgspec.json.decode(body, type=Header)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise JournalError(
            f"{name}: line 1 is not that of a review journal; move the file away to begin a new one"
        ) from error
    if header.format != FORMAT or header.schema_version.split(".")[0] != SCHEMA_VERSION[0]:
        raise JournalError(
            f"{name}: format {header.format!r}, schema {header.schema_version!r}; this program reads "
            f"{FORMAT!r}, schema 1.0 to {SCHEMA_VERSION}"
        )
    return header


def _entry(name: str, body: bytes, line: int, due: int) -> Entry:
    """A decision; its text has passed every check that needs no night."""
    try:
        entry = msgspec.json.decode(body, type=Entry)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise DamagedError(f"{name}: line {line} is no decision that this program knows ({error})") from error
    if entry.seq != due:
        raise DamagedError(
            f"{name}: line {line} has number {entry.seq}, {due} was due; lines are missing or were put in"
        )
    check_entry(entry, f"{name}: line {line}")
    return entry


def older_header(text: bytes) -> Header | None:
    """Header of a journal without digests; None where the first line is none."""
    first = text.partition(b"\n")[0]
    if b'"previous":' in first or len(first) > LONGEST_LINE:
        return None
    try:
        header = msgspec.json.decode(first, type=Header)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return None
    return header if header.format == FORMAT and header.schema_version.split(".")[0] == OLDER else None


def _older(name: str, header: Header, text: bytes) -> tuple[Journal, bytes]:
    lines = text.split(b"\n")
    tail = lines.pop()
    entries: list[Entry] = []
    torn = 0
    for number, line in enumerate([*lines[1:], *([tail] if tail else [])], start=2):
        last = number == len(lines) + 1 or (number == len(lines) and not tail and b"\0" in line)
        try:
            entries.append(_entry(name, line, number, len(entries) + 1))
        except DamagedError as error:
            if not last:
                raise DamagedError(
                    f"{error}; {len(entries)} decisions stand before it, and at most "
                    f"{len(lines) - number} after it"
                ) from error
            torn = len(line)
    notes = [_unproven(name, f"its {len(entries)} decisions")]
    if torn:
        notes.append(_torn_note(name, len(entries), torn, told=True))
    sound = b"".join(line + b"\n" for line in [*lines, *([tail] if tail else [])][: len(entries) + 1])
    return Journal(name, header, tuple(entries), torn, tuple(notes)), sound


def _torn_note(name: str, decisions: int, torn: int, *, told: bool) -> Note:
    """``told``: whether a person may have been shown that the torn line was decided."""
    why = "nobody can say what it was" if told else "it was never shown as decided"
    return Note(
        "review-torn-line",
        "warning" if told else "note",
        f"{name}: line {decisions + 2} was not written to its end ({torn} bytes) and is left out; {why}; the "
        f"{decisions} decisions before it are whole",
    )


def _chained(path: Path, text: bytes, head: Head | None, head_data: bytes | None) -> Content:
    name = path.name
    lines = text.split(b"\n")
    tail = lines.pop()
    whole = tail and link_of(tail) is not None  # only its line end is missing
    if tail:
        lines.append(tail)
    header: Header | None = None
    entries: list[Entry] = []
    digests: list[str] = []
    sound = 0
    for number, line in enumerate(lines, start=1):
        link = link_of(line) if len(line) <= LONGEST_LINE else None
        if link is None or link.previous != (digests[-1] if digests else ""):
            break
        if header is None:
            header = header_of_line(name, link.body)
        else:
            entries.append(_entry(name, link.body, number, number - 1))
        digests.append(link.digest)
        sound += len(line) + 1
    notes: list[Note] = []
    rest = text[sound:]
    if rest and not _never_acknowledged(rest, digests, head, head_data):
        raise _damage(name, lines, len(digests), head)
    if rest:
        notes.append(_torn_note(name, len(entries), len(rest), told=False))
    elif whole:
        notes.append(
            Note(
                "review-line-end",
                "note",
                f"{name}: the end of its last line is missing; the {len(entries)} decisions are whole",
            )
        )
    notes += _against_head(path, header, entries, digests, head, head_data)
    if header is not None:
        notes += lasting_notes(name, header, entries)
    journal = Journal(name, header, tuple(entries), len(rest), tuple(notes), tuple(digests))
    sound_text = b"".join(line + b"\n" for line in lines[: len(digests)])
    return Content(journal, None, head_data, head, sound_text, tuple(digests))


def _never_acknowledged(rest: bytes, digests: list[str], head: Head | None, head_data: bytes | None) -> bool:
    """Whether what follows the sound lines is a write that a power cut ended."""
    one_write = b"\n" not in rest or (b"\0" in rest and b"\n" not in rest.rstrip(b"\n"))
    if not one_write or len(rest) > 2 * LONGEST_LINE:
        return False
    if not digests:
        begin = b'{"format":"%s"' % FORMAT.encode()
        known = rest.startswith(begin) or begin.startswith(rest) or not rest.strip(b"\0\n")
        return head_data is None and known
    if head is None:
        return head_data is None and len(digests) == 1
    return head.decisions == len(digests) - 1 and head.last == digests[-1]


def _against_head(
    path: Path,
    header: Header | None,
    entries: list[Entry],
    digests: list[str],
    head: Head | None,
    head_data: bytes | None,
) -> list[Note]:
    """What the head adds: a lost tail is an error, a head that is not there a doubt."""
    beside, n = head_path(path).name, len(entries)
    if head is not None:
        if head.decisions > n:
            lost = head.decisions - n
            gone = "1 decision at the end is" if lost == 1 else f"{lost} decisions at the end are"
            raise DamagedError(
                f"{path.name}: it ends with line {len(digests)}, decision {n}, and {beside} counts "
                f"{head.decisions}; {gone} gone"
            )
        if digests[head.decisions] != head.last:
            raise DamagedError(
                f"{path.name}: line {head.decisions + 1} is not the one that {beside} holds the digest of: "
                f"journal and head are of different reviews; which of the {n} decisions were taken last "
                "cannot be known"
            )
        return []
    taken_over = header.continues.decisions if header and header.continues else -1
    if head_data is None and (n <= 1 or n == taken_over):
        return []
    state = "is missing" if head_data is None else "cannot be read"
    return [
        Note(
            "review-head",
            "warning",
            f"{path.name}: {beside} {state}; the {n} decisions are whole, and that none is missing at "
            "the end cannot be shown",
        )
    ]


def lasting_notes(name: str, header: Header, entries: Sequence[Entry]) -> tuple[Note, ...]:
    """What stays true of a journal however often it is written to."""
    notes = []
    if header.continues is not None:
        n = header.continues.decisions
        notes.append(_unproven(name, f"the first {n} of its {len(entries)} decisions"))
    gone = [str(e.seq) for e in entries if e.action == "lost"]
    if gone:
        shown = ", ".join(gone[:10]) + (f" and {len(gone) - 10} more" if len(gone) > 10 else "")
        notes.append(
            Note(
                "review-decisions-lost",
                "warning",
                f"{name}: {len(gone)} of {len(entries)} decisions could not be read and are left out "
                f"(number {shown})",
            )
        )
    return tuple(notes)


def _unproven(name: str, which: str) -> Note:
    return Note(
        "review-older-form",
        "note",
        f"{name}: {which} were written in an older form without check digests; that nobody changed or cut "
        "them since cannot be shown",
    )


def _damage(name: str, lines: list[bytes], sound: int, head: Head | None) -> DamagedError:
    """Which line does not fit, why, and how many decisions that concerns."""
    line, link = lines[sound], link_of(lines[sound])
    total = max(len(lines) - 1, head.decisions if head else 0)
    if not sound and link is None and b'"format"' not in line and b'"previous"' not in line:
        return DamagedError(
            f"{name}: line 1 is not that of a review journal; move the file away to begin a new one"
        )
    what = (
        "was changed or cut after it was written (its digest does not fit)"
        if link is None
        else "does not follow the line before it: lines were taken out, put in or moved"
    )
    if not sound:
        return DamagedError(
            f"{name}: line 1, which says what the decisions are about, {what}; none of the {total} decisions "
            "can be relied on"
        )
    after = total - sound
    more = f" and the {after} after it" if after > 0 else ""
    return DamagedError(
        f"{name}: line {sound + 1} {what}; decision {sound}{more}, of {total}, cannot be relied on"
    )
