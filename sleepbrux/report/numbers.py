"""How numbers and times are printed: one place, so that a page never shows two spellings."""

from __future__ import annotations

import math
import re
from datetime import datetime, time

from sleepbrux.core import texts

MISSING = "n/a"
DAY_S = 86400
KEPT = re.compile(r"doi|[a-zA-Z_]\w*-\d|^\W*(\d{4}-\d\d(-\d\d)?|[0-9a-f]{4}(-[0-9a-f]{4})+)\W*$")
count_of = texts.count_of


def shortened(words: str, room: int) -> str:
    """Words within a room of letters: their beginning and, as names differ there, more of their end.

    >>> shortened("advancement 2 mm", 9), shortened("splint", 9)
    ('ad…t 2 mm', 'splint')
    """
    if len(words) <= room:
        return words
    kept = max(room - 1, 2)
    return f"{words[: kept // 3]}…{words[len(words) - (kept - kept // 3) :].lstrip()}"


def minus(words: str) -> str:
    """A true minus sign before every negative number of a text for people.

    Examples
    --------
    >>> minus("-6.0 (-8 to +2), T-shirt, 2-4, 2026-03-02")
    '−6.0 (−8 to +2), T-shirt, 2-4, 2026-03-02'
    """
    return re.sub(r"(?<![\w-])-(?=\d)", "−", words)


def text(value: float | None, unit: str = "", reason: str = "") -> str:
    """A number with digits that suit its unit; ``"n/a (reason)"`` where there is none.

    Examples
    --------
    >>> text(4.97824, "1/h"), text(34.0, "1"), text(None, "% MVC", "no reference clench")
    ('5.0', '34', 'n/a (no reference clench)')
    >>> text(78.64966, "µV"), text(2.87401, "µV"), text(215.2, "% MVC"), text(-0.001, "s")
    ('78.6', '2.87', '215', '0.00')
    """
    if value is None or not math.isfinite(value):
        return f"{MISSING} ({reason})" if reason else MISSING
    if unit == "1" and float(value).is_integer():
        return f"{value:z.0f}"
    size = abs(value)
    decimals = {
        "1/h": 1 if size >= 1 else 2,
        "1": 1,
        "h": 2,
        "%": 2,
        "% MVC": 0 if size >= 100 else 1,
        "s": 2 if size < 10 else 1,
        "min": 1,
    }.get(unit)
    if decimals is None:
        decimals = 0 if size >= 100 else 1 if size >= 10 else 2
    return minus(f"{value:z.{decimals}f}")


def with_unit(value: float | None, unit: str, reason: str = "") -> str:
    """As `text`, with the unit behind it where there is a number."""
    shown = text(value, unit, reason)
    return shown if shown.startswith(MISSING) or unit in ("", "1") else f"{shown} {unit}"


def plain(value: object) -> str:
    """A setting as its rule file writes it, shortest form.

    Examples
    --------
    >>> plain(0.125), plain(True), plain(None), plain(10.0)
    ('0.125', 'true', 'not set', '10')
    """
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def seconds_of_day(moment: time | None) -> float | None:
    """Seconds since midnight, None where the time of day is unknown."""
    if moment is None:
        return None
    return moment.hour * 3600 + moment.minute * 60 + moment.second + moment.microsecond / 1e6


def clock(second: float, begin_s: float | None) -> str:
    """Local time of day at a second of the night clock; time from the start where it is unknown.

    Examples
    --------
    >>> clock(4867.2, 22 * 3600 + 2400.0), clock(4867.2, None)
    ('00:01:07', '+1:21:07')
    """
    whole = math.floor(second + (begin_s or 0.0))
    hours, minutes, seconds = whole // 3600, whole // 60 % 60, whole % 60
    if begin_s is None:
        return f"+{hours}:{minutes:02d}:{seconds:02d}"
    return f"{hours % 24:02d}:{minutes:02d}:{seconds:02d}"


def began(start: datetime | None, start_clock: time | None) -> str:
    """Start of a recording in words."""
    if start is not None:
        return f"{start:%Y-%m-%d %H:%M:%S}, local time as written in the recording"
    if start_clock is not None:
        return f"date unknown, {start_clock:%H:%M:%S} local time as written in the recording"
    return "date unknown, time of day unknown"


def en_dashes(words: str) -> str:
    """Ranges of numbers with an en dash, in texts that rule files and sources wrote with a hyphen.

    Dates, identifiers of papers and names of files stay as they are.

    Examples
    --------
    >>> en_dashes("2-4 per hour; 2013;9:1139-1145, doi:10.5664/jcsm.3152; on 2026-03-02; 4-class")
    '2–4 per hour; 2013;9:1139–1145, doi:10.5664/jcsm.3152; on 2026-03-02; 4-class'
    """
    return re.sub(
        r"\S+", lambda m: m[0] if KEPT.search(m[0]) else re.sub(r"(?<=\d)-(?=\d)", "–", m[0]), words
    )


def listed(words: list[str] | tuple[str, ...]) -> str:
    """Words as a list in a sentence.

    Examples
    --------
    >>> listed(["left", "right", "chin"])
    'left, right and chin'
    """
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]
