"""What an action is given, and what comes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from sleepbrux.core.errors import UsageError

Fields = Mapping[str, str]
DRAW = "/draw"  # asked by the page itself, and not to be asked from outside


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


class Question(NamedTuple):
    """A request of the review, for the process in which nights are open.

    Attributes
    ----------
    file
        The study file that the window shows.
    size
        At most so many episodes, and near misses, in a sample that is drawn.
    """

    file: Path
    method: str
    path: str
    query: bytes = b""
    body: bytes = b""
    size: int = 20


class Reply(NamedTuple):
    """What came of it."""

    status: int
    headers: tuple[tuple[bytes, bytes], ...]
    body: bytes


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
