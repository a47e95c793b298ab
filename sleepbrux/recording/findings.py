"""What a reader notices on its way: notes for the result, refusals for the caller."""

from __future__ import annotations

from collections.abc import Iterable
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
    """A header field as it stands in the file, cut to what fits a sentence."""
    return repr(raw.rstrip(b" \0").decode("latin-1")[:32])
