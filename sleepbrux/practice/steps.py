"""The one next step of a study: what a person does now, and on which screen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sleepbrux.archive.file_sets import set_doubts
from sleepbrux.core.files import RESULTS
from sleepbrux.core.texts import count_of
from sleepbrux.practice import compared
from sleepbrux.practice.nights import NightRow
from sleepbrux.practice.state import LETTER, LETTER_FIELDS, ClenchSource
from sleepbrux.study.file import Study


@dataclass(frozen=True)
class Step:
    """What comes next.

    Attributes
    ----------
    at
        The screen, with the number of a night or recording behind a stroke.
    """

    words: str
    at: str


def next_step(study: Study, rows: Sequence[NightRow], sources: Sequence[ClenchSource], home: Path) -> Step:
    """The first thing that is still to be done, in the order of the work."""
    unnamed = [row for row in rows if row.recording and not row.named]
    chairs = {r.recording for r in study.reference}
    waiting = [s for s in sources if s.recording in chairs and not s.accepted]
    due = [row for row in rows if row.there and (not row.scored or row.outdated)]
    unseen = [row for row in rows if row.scored and not row.decisions]
    conditions = {row.condition for row in rows if row.scored}
    stale_comparison = len(conditions) > 1 and compared.outdated(study, rows, home / RESULTS)
    first: list[tuple[object, Callable[[], Step]]] = [
        (not any(row.there for row in rows), lambda: Step("drop the recordings on the page", "nights")),
        (unnamed, lambda: Step(f"say what was worn in {count_of(len(unnamed), 'night')}", "nights")),
        (
            waiting and any(not row.scored or row.outdated for row in rows),
            lambda: Step(f"look at the clenches of {waiting[0].about}", f"clenches/{waiting[0].number}"),
        ),
        (due, lambda: Step(f"score {count_of(len(due), 'night')}", "score")),
        (unseen, lambda: Step(f"look at {unseen[0].id} and decide", f"review/{unseen[0].number}")),
        (
            stale_comparison,
            lambda: Step("compare the conditions", "compare"),
        ),
        (letter_outdated(rows, home), lambda: Step("write the letter", "letter")),
    ]
    last: tuple[object, Callable[[], Step]] = (True, lambda: Step("hand the results over", "files"))
    return next(make for wanted, make in (*first, last) if wanted)()


def letter_outdated(rows: Sequence[NightRow], home: Path) -> str:
    """Why the letter that was written last is not as new as what it tells; empty where it is."""
    letter, fields = home / "letter.html", home / LETTER_FIELDS
    if not letter.is_file():
        return "the letter is not written yet"
    written = letter.stat().st_mtime_ns
    if written < max((row.changed_ns for row in rows), default=0):
        return "nights were scored or decided on since the letter was written"
    if fields.is_file() and written < fields.stat().st_mtime_ns:
        return "its fields were changed since the letter was written"
    return set_doubts(letter.with_name(LETTER))
