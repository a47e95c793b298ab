"""Nights in which the clocks may change: no file says whether they did."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, time, timedelta

from sleepbrux.core.errors import Note


def _sunday(year: int, month: int, which: int) -> date:
    """The ``which``-th Sunday of a month, the last for -1."""
    days = [d for k in range(31) if (d := date(year, month, 1) + timedelta(days=k)).month == month]
    return [d for d in days if d.weekday() == 6][which]


def change_nights(year: int) -> dict[date, str]:
    """Sundays on which clocks change in Europe and North America, with the direction.

    Last Sundays of March and October (EU directive 2000/84/EC), second Sunday of March and first of
    November (US Energy Policy Act of 2005); other countries differ.
    """
    return {
        _sunday(year, 3, -1): "forward",
        _sunday(year, 3, 1): "forward",
        _sunday(year, 10, -1): "back",
        _sunday(year, 11, 0): "back",
    }


def clock_change(start: datetime | None, duration_s: float) -> Note | None:
    """Note for a recording that runs through 02:00 of a Sunday on which clocks may change.

    >>> clock_change(datetime(2026, 3, 28, 22, 30), 8 * 3600).code
    'clock-change-night'
    """
    if start is None:
        return None
    stop = start + timedelta(seconds=min(duration_s, 31 * 86_400))
    for day, way in {**change_nights(start.year), **change_nights(stop.year)}.items():
        if start <= datetime.combine(day, time(2)) and stop > datetime.combine(day, time(1)):
            return Note(
                "clock-change-night",
                "note",
                f"in the night to {day} clocks go {way} by an hour in many places; times of day here run"
                " on from the recording's start, so after the change a wall clock differs by one hour: give"
                " `window` in the recording's time",
            )
    return None


def window_note(notes: Iterable[Note], texts: Iterable[str]) -> Note | None:
    """Warning where clock times bound a window in a night in which clocks may change."""
    changes = any(n.code in ("clock-change-night", "clock-change") for n in notes)
    clocks = [text for text in texts if ":" in text]
    if not changes or not clocks:
        return None
    return Note(
        "clock-change-window",
        "warning",
        f"{' and '.join(clocks)} {'was' if len(clocks) == 1 else 'were'} read on the recording's own clock;"
        " clocks may change in this night, and a time that was noted from a clock on the wall after the"
        " change differs by one hour: check the window",
    )
