"""Marks from a table of another device or person, on the recording's clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from sleepbrux.core.errors import Note
from sleepbrux.core.texts import file_name, printable
from sleepbrux.recording.findings import Findings, listed
from sleepbrux.recording.formats.text_table import after_start, read_clock, read_rows
from sleepbrux.recording.marks import MOST_MARKS, TOO_MANY, plain_words
from sleepbrux.recording.model import Mark, Recording
from sleepbrux.recording.sync import fit_clocks, fit_marks, moved, note_of


def mark_columns(heads: Sequence[str]) -> tuple[int, int, int] | None:
    """Where onset, duration (-1 for nowhere) and text stand in a table of marks; None for another table."""
    names = [plain_words(cell) for cell in heads]

    def place(*words: str) -> int:
        return next((k for k, name in enumerate(names) if name.split(" ")[0] in words), -1)

    onset, text = (
        place("onset", "start", "time", "begin"),
        place("text", "mark", "marker", "event", "description", "annotation", "label", "comment"),
    )
    return None if onset < 0 or text < 0 else (onset, place("duration", "length"), text)


def load_marks(path: str | Path, recording: Recording) -> tuple[Mark, ...]:
    """Marks of a table with columns onset, duration (optional) and text.

    An onset is a number of seconds from the recording's first sample, or a clock time.

    Raises
    ------
    RecordingError
        Where the columns are not there or an onset is no time.
    """
    path = Path(path)
    found = Findings(path)
    form, rows = read_rows(path, found)
    heads = rows[0] if rows else []
    places = mark_columns(heads)
    if places is None:
        raise found.refusal(
            f"the columns are {listed(heads)}, where onset, duration and text are allowed; rename them."
        )
    onset, duration, text = places
    marks = []
    if len(rows) - 1 > MOST_MARKS:
        raise found.refusal(f"{TOO_MANY}.")
    for row in rows[1:]:
        cells = [*row, *([""] * (len(heads) - len(row)))]
        second = form.number(cells[onset])
        stamp = read_clock(cells[onset]) if second is None else None
        if stamp is not None:
            second = after_start(stamp, recording.start, recording.start_clock)
        if second is None:
            raise found.refusal(
                f"the onset {cells[onset]!r} is no time of this recording; write seconds from the first"
                " sample, or a clock time where the recording says when it starts."
            )
        lasts = form.number(cells[duration]) if duration >= 0 else None
        marks.append(Mark(second, max(lasts or 0.0, 0.0), printable(cells[text])[:200]))
    return tuple(sorted(marks, key=lambda mark: mark.start_s))


def with_marks(
    recording: Recording, path: Path | None, sync: Sequence[tuple[float, float]] = ()
) -> Recording:
    """The recording with the marks of a table among its own.

    Pairs of ``sync``, or sync marks that both have, join the clocks; else both are taken to run alike.
    """
    if path is None:
        return recording
    marks = load_marks(path, recording)
    notes = [Note("marks-from-file", "note", f"{len(marks)} marks come from {file_name(path)}.")]
    fit = fit_clocks(sync) if sync else fit_marks(recording.marks, marks)
    if fit is not None:
        marks = moved(marks, fit)
        notes.append(note_of(fit, file_name(path)))
    together = sorted((*recording.marks, *marks), key=lambda mark: mark.start_s)
    return replace(recording, marks=tuple(together), notes=(*recording.notes, *notes))
