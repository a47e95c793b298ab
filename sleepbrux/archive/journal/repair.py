"""A damaged journal made whole again: what can be read is kept, and what cannot is named for good."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from sleepbrux.archive.journal.chain import Head, head_path, head_text, link_of, read_head, sealed
from sleepbrux.archive.journal.checks import check_entry
from sleepbrux.archive.journal.disk import keep_copy, locked, read_plain, write_whole
from sleepbrux.archive.journal.file import chained, check_about, continuing, header_of, put_in_order
from sleepbrux.archive.journal.model import (
    MOST_BYTES,
    MOST_DECISIONS,
    DamagedError,
    Entry,
    Header,
    Journal,
)
from sleepbrux.archive.journal.reading import (
    header_of_line,
    older_header,
    read_content,
    with_plain_line_ends,
)
from sleepbrux.archive.journal.reviewed_night import review_of
from sleepbrux.core.errors import JournalError
from sleepbrux.scoring.night import Night


@dataclass(frozen=True)
class Repaired:
    """What a repair left.

    Attributes
    ----------
    kept
        Names of the copies of the files of before.
    decisions, lost
        Decisions in the journal now, and the numbers of those among them that could not be read.
    """

    kept: tuple[str, ...]
    decisions: int
    lost: tuple[int, ...]


def repair(path: Path, night: Night) -> Repaired:
    """Keep copies of journal and head, and write a journal of all decisions that are as they were written.

    Each line in the chain proves itself by its own digest, so a damaged one costs no other. In its place
    stands a decision ``lost``, which changes no event and is named wherever the review is used.

    A decision that has no meaning without a lost one, such as an event added in the place of one whose
    rejection is lost, counts as lost too.

    Parameters
    ----------
    night
        A first line that is lost is made from it where the second line proves it.

    Raises
    ------
    JournalError
        There is no journal, nothing says which scoring it is about, or it is about another.
    """
    header = header_of(night)
    with locked(path):
        try:
            content = read_content(path)
        except DamagedError:
            return _salvaged(path, header, night)
        before = set(path.parent.glob(f"{path.stem}*.kept-*"))
        whole = put_in_order(path, content, header)
        kept = sorted(p.name for p in set(path.parent.glob(f"{path.stem}*.kept-*")) - before)
        gone = tuple(e.seq for e in whole.journal.entries if e.action == "lost")
        return Repaired(tuple(kept), whole.journal.seq, gone)


def _salvaged(path: Path, own: Header, night: Night) -> Repaired:
    data = read_plain(path, MOST_BYTES)
    head, head_data = read_head(path)
    if not data:
        raise JournalError(
            f"{path.name}: there is no journal to repair; bring it back from a copy, or move "
            f"{head_path(path).name} away to begin a new review"
        )
    lines = [line for line in with_plain_line_ends(data).split(b"\n") if line]
    header = _header(path.name, data, lines, own)
    found: dict[int, Entry] = {}
    doubled: list[Entry] = []
    for line in lines[1:]:
        entry = _readable(line, in_chain=older_header(lines[0]) is None)
        if entry is not None and found.setdefault(entry.seq, entry) != entry:
            doubled.append(entry)
    counted = head.decisions if head is not None else len(lines) - 1 - len(doubled)
    total = min(max([*found, counted]), MOST_DECISIONS)
    check_about(Journal(path.name, header), night)
    entries: list[Entry] = []
    for seq in range(1, total + 1):
        entry = found.get(seq) or _gone(seq, "its line could not be read")
        whole = len(entries) == sum(e.action != "lost" for e in entries)
        if not whole and not _has_meaning(Journal(path.name, header, (*entries, entry)), night):
            entry = _gone(seq, "it has no meaning without one that could not be read")
        entries.append(entry)
    entries += [
        _gone(seq, f"a second decision {entry.seq}, of reader {entry.who}, stood in the file")
        for seq, entry in enumerate(doubled[: MOST_DECISIONS - total], start=total + 1)
    ]
    copies = [keep_copy(path, data).name]
    if head_data is not None:
        copies.append(keep_copy(head_path(path), head_data).name)
    text, digests = chained(header, tuple(entries))
    write_whole(path, text)
    write_whole(head_path(path), head_text(Head(decisions=len(entries), last=digests[-1])))
    return Repaired(tuple(copies), len(entries), tuple(e.seq for e in entries if e.action == "lost"))


def _gone(seq: int, why: str) -> Entry:
    at = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return Entry(action="lost", seq=seq, at=at, who="repair", reason=why)


def _has_meaning(journal: Journal, night: Night) -> bool:
    try:
        review_of(night, journal)
    except JournalError:
        return False
    return True


def _header(name: str, data: bytes, lines: list[bytes], own: Header) -> Header:
    """First line, proved by itself or by the second one."""
    older = older_header(lines[0])
    if older is not None:
        return continuing(older, own, data, len(lines) - 1)
    link = link_of(lines[0])
    if link is not None:
        return header_of_line(name, link.body)
    second = link_of(lines[1]) if len(lines) > 1 else None
    if second is not None and second.previous == sealed(msgspec.json.encode(own), "")[1]:
        return own
    raise JournalError(
        f"{name}: its first line is lost, and with it which scoring the decisions are about; restore the "
        "file from a copy"
    )


def _readable(line: bytes, *, in_chain: bool) -> Entry | None:
    """A decision that is as it was written."""
    link = link_of(line)
    if in_chain and link is None:
        return None
    try:
        entry = msgspec.json.decode(link.body if link else line, type=Entry)
        check_entry(entry, "")
    except (msgspec.MsgspecError, UnicodeDecodeError, JournalError):
        return None
    return entry if 0 < entry.seq <= MOST_DECISIONS else None
