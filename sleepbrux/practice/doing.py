"""What an action is given, and what comes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sleepbrux.core.errors import UsageError

Fields = Mapping[str, str]


@dataclass(frozen=True)
class Done:
    """What came of it.

    Attributes
    ----------
    told
        A sentence for the person.
    at
        Screen to go to; empty to stay.
    ask
        A question that has to be answered before it is done, and the answers: what each is called, and the
        fields with which the same is asked for again.
    go
        Another page of this program to go to; empty for none.
    """

    told: str = ""
    at: str = ""
    ask: str = ""
    answers: tuple[tuple[str, dict[str, str]], ...] = ()
    go: str = ""


def number_in(fields: Fields, name: str = "n") -> int:
    """A whole number that the page sends.

    Raises
    ------
    UsageError
        It is none.
    """
    text = fields.get(name, "")
    if not (text.isdecimal() and len(text) < 7):
        raise UsageError("the page asked for something that is not there; load it again")
    return int(text)
