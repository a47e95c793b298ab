"""Whether a person looked at the scoring of a letter's nights."""

from __future__ import annotations

from collections.abc import Sequence

from sleepbrux.archive.journal import unused_review
from sleepbrux.export.files import REVIEW_LEFT_OUT
from sleepbrux.report.letter import sentences
from sleepbrux.report.letter.nights import Letter, clean, initials
from sleepbrux.report.letter.shown_nights import ShownNight
from sleepbrux.report.numbers import listed


def who_looked(nights: Sequence[ShownNight]) -> str:
    """Whether a person looked at the scoring, for all nights together, or why not where somebody did."""
    unused = [
        clean(f"{one.name}: {why}.")
        for one in nights
        if one.given.unused_review is None and (why := unused_review(one.given.night))
    ]
    return " ".join([_looked_at(nights), *unused])


def _looked_at(nights: Sequence[ShownNight]) -> str:
    seen = [one for one in nights if one.night.review is not None]
    unused = [one for one in nights if one.given.unused_review is not None]
    if not seen and not unused:
        return _unseen([one.given for one in nights])
    if unused:
        return _unused(unused, alone=len(nights) == 1)
    if len(nights) == 1 and nights[0].night.review is not None:
        return f"{clean(nights[0].night.review.sentence)}."
    if len(seen) == len(nights):
        return "Every night was reviewed by a reader; the report of each says how far."
    were = "was" if len(seen) == 1 else "were"
    return (
        f"{len(seen)} of {len(nights)} nights {were} reviewed by a reader; the others are automatic, not "
        "reviewed."
    )


def _unused(nights: Sequence[ShownNight], *, alone: bool) -> str:
    """Automatic scorings that are shown although there are reviews: who reviewed which night."""
    readers = {r for one in nights if one.given.unused_review for r in one.given.unused_review.readers}
    who = listed(sorted({initials(r) or "a reader" for r in readers}))
    why = "as it is of another rule set" if alone else "as not every night has one under these rules"
    if alone:
        return f"Automatic scoring. A review by {clean(who)} exists and is not used, {why}."
    names = clean(listed([one.name for one in nights]))
    were, those = ("was", "that review is") if len(nights) == 1 else ("were", "those reviews are")
    return (
        f"Automatic scoring of every night. {names} {were} reviewed by {clean(who)}; {those} not used, {why}."
    )


def status_line(letters: Sequence[Letter]) -> str:
    """The line of every page about who has looked."""
    if any(x.night.review for x in letters):
        return "Reviewed as stated on page 1."
    return (
        "Automatic scoring; reviews as stated on page 1."
        if any(x.unused_review for x in letters)
        else _unseen(letters)
    )


def _unseen(letters: Sequence[Letter]) -> str:
    """Of nights without a reader's decisions: whether nobody decided, or these archives lack it."""
    lacking = any(note.code == REVIEW_LEFT_OUT.code for x in letters for note in x.night.notes)
    return sentences.REVIEW_ELSEWHERE if lacking else sentences.AUTOMATIC
