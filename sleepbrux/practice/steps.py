"""The one next step of a study: what a person does now, and on which screen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sleepbrux.archive.file_sets import set_doubts
from sleepbrux.archive.made_of import fields_mark, marks_in
from sleepbrux.core.files import RESULTS
from sleepbrux.core.texts import count_of
from sleepbrux.practice import compared
from sleepbrux.practice.nights import NightRow, mark_of
from sleepbrux.practice.state import LETTER, LETTER_FIELDS, ClenchSource
from sleepbrux.practice.trials import PLAN
from sleepbrux.study.file import Study


@dataclass(frozen=True)
class Step:
    """What comes next.

    Attributes
    ----------
    at
        The screen, with the number of a night or recording behind a stroke.
    also
        What can be done beside it; None for nothing.
    """

    words: str
    at: str
    also: Step | None = None


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
        (letter_outdated(study, rows, home), lambda: Step("write the letter", "letter")),
    ]
    last: tuple[object, Callable[[], Step]] = (True, lambda: Step("hand the results over", "files"))
    step = next(make for wanted, make in (*first, last) if wanted)()
    planned = len(conditions) > 1 or (home / RESULTS / PLAN).is_file()
    return step if planned else replace(step, also=Step("plan how many nights are needed", "compare"))


def letter_outdated(study: Study, rows: Sequence[NightRow], home: Path) -> str:
    """Why the letter that was written last is not as new as what it tells; empty where it is."""
    letter, fields = home / "letter.html", home / LETTER_FIELDS
    if not letter.is_file():
        return "the letter is not written yet"
    made_of = marks_in(letter)
    if not made_of:
        return "the letter was written by an earlier version of this program"
    if made_of[0] != mark_of(rows):
        return "nights were scored or decided on since the letter was written"
    changed_ns = fields.stat().st_mtime_ns if fields.is_file() else 0
    if letter.stat().st_mtime_ns < changed_ns and made_of[1:] != (_entered(fields, study),):
        return "its fields were changed since the letter was written"
    return set_doubts(letter.with_name(LETTER))


def _entered(fields: Path, study: Study) -> str:
    from sleepbrux.report.letter.fields import from_study, load_fields

    return fields_mark(from_study(load_fields(fields), study))
