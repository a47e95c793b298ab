"""The nights of a letter as it shows them: nothing that could name somebody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sleepbrux.core.provenance import Review
from sleepbrux.export.sharing import Shown, to_share, without_dates
from sleepbrux.export.summary import report_id
from sleepbrux.report.letter.compared import night_id
from sleepbrux.report.letter.nights import Letter, clean, shown_review
from sleepbrux.scoring.night import Night

MOST_NAMED = 4


@dataclass(frozen=True)
class ShownNight:
    """A night as a letter shows it: no file name, no label that could name somebody.

    ``id`` is that of its study, ``name`` what the letter calls it, ``report`` that of its page.
    """

    id: str
    name: str
    report: str
    archive: str
    condition: str
    night: Night
    given: Letter


def shown_nights(letters: Sequence[Letter], *, dates: bool) -> list[ShownNight]:
    """Each night of a letter as it may be shown."""
    found = []
    for k, letter in enumerate(letters, start=1):
        about, night = dict(letter.night.about), letter.night
        said = about.get("night", "")
        neutral = to_share(night, Shown(dates=dates), aliases=[letter.name])
        found.append(
            ShownNight(
                id=night_id(letter),
                name=clean(said) if said and (dates or without_dates(said) == said) else f"night {k}",
                report=report_id(night),
                archive=letter.archive_sha256,
                condition=about.get("condition", "not stated"),
                night=replace(neutral, review=_review(night.review, dates=dates)),
                given=letter,
            )
        )
    return found


def _review(review: Review | None, *, dates: bool) -> Review | None:
    """A review as a letter may show it; its days, which lie near those of the night, where days are given."""
    return None if review is None else shown_review(review, dates=dates)
