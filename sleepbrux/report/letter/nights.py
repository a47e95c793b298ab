"""The nights that a letter is about."""

from __future__ import annotations

import re
from typing import NamedTuple

from sleepbrux.core.provenance import Review
from sleepbrux.scoring.night import Night


class Letter(NamedTuple):
    """One night of a letter: its name, its archive's digest, and the night itself.

    ``unused_review`` is what a reader decided, where the letter shows the automatic scoring all the same.
    """

    name: str
    archive_sha256: str
    night: Night
    unused_review: Review | None = None


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
