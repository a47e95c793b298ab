"""What a reader notices on its way: notes for the result, refusals for the caller."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from sleepbrux.core.errors import Note, RecordingError
from sleepbrux.core.texts import file_name

SHOWN = 5


class Findings:
    """Collects the notes about one file and words its refusals.

    Parameters
    ----------
    path
        The file; messages carry its name without the folder.
    """

    def __init__(self, path: Path) -> None:
        self.file_name = file_name(path)
        self._notes: list[Note] = []

    @property
    def notes(self) -> tuple[Note, ...]:
        """Everything noted so far, in order, each sentence once."""
        return tuple(dict.fromkeys(self._notes))

    def note(self, code: str, text: str) -> None:
        """Keep a remark that changes no number."""
        self._notes.append(Note(code, "note", text))

    def warn(self, code: str, text: str) -> None:
        """Keep a remark about something that may change a number."""
        self._notes.append(Note(code, "warning", text))

    def refusal(self, sentence: str) -> RecordingError:
        """The error to raise, with the file's name in front."""
        return RecordingError(f"{self.file_name}: {sentence}")


def listed(words: Iterable[str], most: int = SHOWN) -> str:
    """Quoted words in a row, the first few of many."""
    unique = list(dict.fromkeys(words))
    shown = ", ".join(repr(word) for word in unique[:most])
    return shown if len(unique) <= most else f"{shown} and {len(unique) - most} more"


def quoted(raw: bytes) -> str:
    """A header field as it stands in the file, cut to what fits a sentence; for refusals, which nobody keeps."""
    return repr(raw.rstrip(b" \0").decode("latin-1")[:32])


def figures(text: str | bytes) -> str:
    """A field as a note may hold it, which is kept and printed: figures as written, of words only that there are.

    Examples
    --------
    >>> figures("02-03.26"), figures(b"-1"), figures("Frau Dom")
    ("'02-03.26'", "'-1'", 'a text')
    """
    shown = (text.rstrip(b" \0").decode("latin-1") if isinstance(text, bytes) else text)[:32]
    return repr(shown) if re.fullmatch(r"[-+.,:/ \d]*", shown, re.ASCII) else "a text"


def numbered(places: Sequence[int], most: int = SHOWN) -> str:
    """Numbers in a row, the first few of many.

    Examples
    --------
    >>> numbered([3]), numbered(range(1, 8))
    ('3', '1, 2, 3, 4, 5 and 2 more')
    """
    shown = ", ".join(map(str, places[:most]))
    return shown if len(places) <= most else f"{shown} and {len(places) - most} more"
