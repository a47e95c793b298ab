"""The one next step of a study: what a person does now, and on which screen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sleepbrux.core.texts import count_of
from sleepbrux.practice.nights import NightRow
from sleepbrux.practice.state import ClenchSource
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
    due = [row for row in rows if row.there and (not row.scored or row.stale)]
    unseen = [row for row in rows if row.scored and not row.decisions]
    conditions = {row.condition for row in rows if row.scored}
    page, letter = home / "results" / "study.report.html", home / "letter.html"
    newest = max((row.changed_ns for row in rows), default=0)
    first: list[tuple[object, Callable[[], Step]]] = [
        (not any(row.there for row in rows), lambda: Step("drop the recordings on the page", "nights")),
        (unnamed, lambda: Step(f"say what was worn in {count_of(len(unnamed), 'night')}", "nights")),
        (
            waiting and any(not row.scored for row in rows),
            lambda: Step(f"look at the clenches of {waiting[0].about}", f"clenches/{waiting[0].number}"),
        ),
        (due, lambda: Step(f"score {count_of(len(due), 'night')}", "score")),
        (unseen, lambda: Step(f"look at {unseen[0].id} and decide", f"review/{unseen[0].number}")),
        (
            len(conditions) > 1 and not _as_new(page, newest),
            lambda: Step("compare the conditions", "compare"),
        ),
        (not _as_new(letter, newest), lambda: Step("write the letter", "letter")),
    ]
    last: tuple[object, Callable[[], Step]] = (True, lambda: Step("hand the results over", "files"))
    return next(make for wanted, make in (*first, last) if wanted)()


def _as_new(path: Path, newest: int) -> bool:
    return path.is_file() and path.stat().st_mtime_ns >= newest
