"""What the files of a reviewed night say of the journal that they were made from.

Journal and head can be put back from a copy, or deleted, together; then neither shows it. The files that were
made of the review stay, and name the last decision that they hold.
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from sleepbrux.archive.journal.file import scoring_digest
from sleepbrux.archive.journal.model import Journal, journal_path
from sleepbrux.archive.manifest import REVIEWED
from sleepbrux.core.errors import JournalError
from sleepbrux.core.files import JOURNAL
from sleepbrux.scoring.night import Night

SUMMARY = ".summary.json"
MOST_BYTES = 32_000_000


class _Review(msgspec.Struct, frozen=True):
    readers: tuple[str, ...] = ()
    last: str = ""
    decisions: int = 0
    journal_sha256: str = ""
    scoring_sha256: str = ""


class _Summary(msgspec.Struct, frozen=True):
    review: _Review | None = None


def check_witness(night: Night, archive: Path, journal: Journal) -> None:
    """Refuse a journal that lacks decisions which the night's reviewed files were made from.

    Raises
    ------
    JournalError
        The files hold a last decision of the same scoring that is not in the journal, or there is none.
    """
    beside = journal_path(archive)
    stem = beside.name.removesuffix(JOURNAL)
    path = beside.with_name(f"{stem}{REVIEWED}{SUMMARY}")
    try:
        if path.stat().st_size > MOST_BYTES:
            return
        made = msgspec.json.decode(path.read_bytes(), type=_Summary).review
    except (OSError, msgspec.MsgspecError):
        return
    if made is None or not made.journal_sha256 or made.journal_sha256 in journal.digests:
        return
    if made.scoring_sha256 != scoring_digest(night):
        return
    who = ", ".join(made.readers) or "nobody"
    held = f"holds {journal.seq} decisions, and not the last of these" if journal.header else "is not there"
    raise JournalError(
        f"{path.name} was made from {made.decisions} decisions (reader {who}, last {made.last or 'undated'}); "
        f"the journal {journal.name} {held}: it was put back, replaced or deleted. Bring the newer one back from "
        f"a copy, or move {stem}{REVIEWED}.* away to go on without them"
    )
