"""The nights that a letter is about."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from sleepbrux.core.arguments import NONE, TEXT, check, of
from sleepbrux.core.provenance import Review
from sleepbrux.scoring.night import Night

MOST_INITIALS = 4


@dataclass(frozen=True)
class Letter:
    """One night of a letter: its name, its archive's digest, and the night itself.

    ``unused_review`` is what a reader decided, where the letter shows the automatic scoring all the same.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
    >>> sb.Letter("n1", "0" * 64, night).name
    'n1'
    """

    name: str
    archive_sha256: str
    night: Night
    unused_review: Review | None = None

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        check(
            name=(self.name, TEXT),
            archive_sha256=(self.archive_sha256, TEXT),
            night=(self.night, of(Night)),
            unused_review=(self.unused_review, NONE | of(Review)),
        )


def light(night: Night) -> Night:
    """The night as a letter needs it, a few MB: what was found in it, without its amplitudes over time."""
    return replace(night, swept=night.swept.without_amplitudes())


def initials(reader: str) -> str:
    """A reader as a letter may name one: as entered where that is four letters at most, else not.

    Examples
    --------
    >>> initials("AB"), initials("K. M."), initials("Dr. Obermoser"), initials("AB 1951")
    ('AB', 'K. M.', '', '')
    """
    signs = re.sub(r"[.\s-]", "", reader)
    return reader if signs.isalpha() and len(signs) <= MOST_INITIALS else ""


def shown_review(review: Review, *, dates: bool) -> Review:
    """A review without names of its readers, and without days unless they are asked for."""
    who = tuple(dict.fromkeys(initials(reader) or "not named" for reader in review.readers))
    review = replace(review, readers=who)
    return review if dates else replace(review, first="", last="")


def clean(value: str) -> str:
    """Text without control characters, turns of the direction of writing, noncharacters and half characters.

    Examples
    --------
    >>> clean("a\\x1bb\\u202ec")
    'a b c'
    """
    return re.sub(
        r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]",
        " ",
        value,
    )
