"""The nights of one review: a list to choose from, each opened when it is asked for."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sleepbrux.core.errors import SleepbruxError
from sleepbrux.review.session import ReviewSession

MOST_OPEN = 2


@dataclass(frozen=True)
class Place:
    """One night in the list.

    Attributes
    ----------
    name
        What the list calls it.
    decided, of
        Automatic episodes that a reader decided on, and those that count.
    fault
        Why it cannot be reviewed; empty where it can.
    """

    name: str
    archive: Path
    decided: int = 0
    of: int = 0
    fault: str = ""


class Nights:
    """Nights of a folder or a study; the last two that were looked at are kept open.

    Parameters
    ----------
    opener
        Makes the desk of a night; what it raises is said of this night alone.
    most_open
        Nights that are kept open: each takes 60 MB and more.
    """

    def __init__(
        self, places: Sequence[Place], opener: Callable[[Place], ReviewSession], *, most_open: int = MOST_OPEN
    ) -> None:
        self.places = tuple(places)
        self._most_open = most_open
        self._opener = opener
        self._lock = threading.RLock()
        self._open: OrderedDict[int, ReviewSession] = OrderedDict()
        self._counts = {k: (p.decided, p.of) for k, p in enumerate(self.places)}

    @classmethod
    def single(cls, desk: ReviewSession) -> Nights:
        """A review of one night."""
        nights = cls([Place(desk.night.swept.name, desk.path)], lambda _: desk)
        nights.desk(0)
        return nights

    def desk(self, k: int) -> ReviewSession:
        """The desk of the night at a place of the list, opened where it is not.

        Raises
        ------
        SleepbruxError
            There is no such night, or it cannot be opened.
        """
        if not 0 <= k < len(self.places):
            raise SleepbruxError(f"there is no night {k + 1} in this review of {len(self.places)}")
        place = self.places[k]
        with self._lock:
            if place.fault:
                raise SleepbruxError(place.fault)
            if k not in self._open:
                while len(self._open) >= self._most_open:  # before the next one is read
                    self._open.popitem(last=False)[1].trace.stop()
                self._open[k] = self._opener(place)
                self._open[k].trace.begin()
            self._open.move_to_end(k)
            return self._open[k]

    def close(self) -> None:
        """Stop what is still being read."""
        with self._lock:
            for desk in self._open.values():
                desk.trace.stop()
            self._open.clear()

    def table(self) -> list[dict[str, Any]]:
        """The list, ready for JSON."""
        with self._lock:
            for k, desk in self._open.items():
                self._counts[k] = desk.counts()
        return [
            {"name": p.name, "fault": p.fault, "decided": self._counts[k][0], "of": self._counts[k][1]}
            for k, p in enumerate(self.places)
        ]
