"""What a reader decided about a scored night: an append-only file, and the night after it."""

from sleepbrux.archive.journal.file import Journal, journal_path, load_journal
from sleepbrux.archive.journal.reviewed_night import (
    Reviewed,
    load_reviewed,
    rescored,
    review_of,
    reviewed,
    scoring_words,
    unused_review,
    with_review,
)

__all__ = [
    "Journal",
    "Reviewed",
    "journal_path",
    "load_journal",
    "load_reviewed",
    "rescored",
    "review_of",
    "reviewed",
    "scoring_words",
    "unused_review",
    "with_review",
]
