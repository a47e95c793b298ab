"""When a recording began: from the two places of an EDF header that say it, and what is no date anywhere."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from fractions import Fraction

from sleepbrux.recording.findings import Findings, figures
from sleepbrux.recording.formats.edf_header import Fields, clean, number_text

MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
ANONYMISED = date(1985, 1, 1)
EARLIEST_YEAR, LATEST_YEAR = 1900, 2200
# BIDS (appendix on subject privacy) asks that shifted dates lie before this year.
SHIFTED_BEFORE = 1925
# What `mne.io.Raw.anonymize` writes for a start that it takes out.
_MNE_ANONYMISED = datetime(2000, 1, 1)

_DATE = re.compile(r"(\d{1,2})([./:\-])(\d{1,2})([./:\-])(\d\d)")
_TIME = re.compile(r"(\d{1,2})([.:])(\d{1,2})(?:([.:])(\d{1,2}))?")
_STARTDATE = re.compile(r"startdate[ _]+(\S+)", re.IGNORECASE)
_DAY = re.compile(r"(\d{1,2})-([A-Za-z]{3})-(\d{4})")


@dataclass(frozen=True)
class Start:
    """Beginning of a recording: local date and time where both are known, else what is known."""

    moment: datetime | None
    clock: time | None


def stands_in(day: date) -> bool:
    """Whether a date is one that files bear in place of the true one.

    Examples
    --------
    >>> stands_in(date(1985, 1, 1)), stands_in(date(1921, 7, 14)), stands_in(date(1985, 1, 2))
    (True, True, False)
    """
    return day == ANONYMISED or day.year < SHIFTED_BEFORE


def _anonymised(found: Findings) -> None:
    found.note(
        "date-anonymised",
        "The file is anonymised: it bears the stand-in for a date, and none is shown.",
    )


def known_start(moment: datetime | None, found: Findings) -> Start:
    """What is known of a start that a file of any format states as one value.

    A stand-in is no date; with midnight beside it, it is no time of day either. Nor is a year that no
    recording is of.
    """
    if moment is None:
        return Start(None, None)
    if not EARLIEST_YEAR <= moment.year <= LATEST_YEAR and not stands_in(moment.date()):
        found.warn(
            "date-unknown",
            f"The start is in the year {moment.year}, where {EARLIEST_YEAR} to {LATEST_YEAR} are believed; the date "
            "is taken as unknown.",
        )
        return Start(None, moment.time())
    if not stands_in(moment.date()) and moment != _MNE_ANONYMISED:
        return Start(moment, moment.time())
    _anonymised(found)
    return Start(None, moment.time() if moment.time() != time(0) else None)


def _header_date(raw: bytes, found: Findings) -> date | None:
    text = number_text(raw)
    parts = _DATE.fullmatch(text)
    if parts is None:
        return None
    if {parts[2], parts[4]} != {"."}:
        found.warn("date-form", f"Field 'start date' is {text!r}, where dots belong.")
    year = int(parts[5])
    try:
        return date(year + (1900 if year >= 85 else 2000), int(parts[3]), int(parts[1]))
    except ValueError:
        return None


def _recording_date(raw: bytes, found: Findings) -> date | None:
    """Date behind the word Startdate; None where there is none to read."""
    word = _STARTDATE.match(clean(raw))
    if word is None or word[1] == "X":
        return None
    parts = _DAY.fullmatch(word[1])
    try:
        if parts:
            year = int(parts[3])
            day = date(year, MONTHS.index(parts[2].upper()) + 1, int(parts[1]))
            if not EARLIEST_YEAR <= year <= LATEST_YEAR:
                raise ValueError
            if parts[2] != parts[2].upper():
                found.warn("startdate-form", f"The recording field has the date {word[1]!r}.")
            return day
    except ValueError:
        pass
    found.warn(
        "startdate-form",
        f"The recording field has the date {figures(word[1][:16])}, where such as '02-MAR-2026' belongs;"
        " the date of field 'start date' is used.",
    )
    return None


def _chosen_date(fields: Fields, found: Findings) -> date | None:
    stated = _header_date(fields["start date"], found)
    full = _recording_date(fields["recording"], found)
    value = figures(fields["start date"])
    if full is not None:
        if stated != full and b"yy" not in fields["start date"]:
            found.warn(
                "dates-differ",
                f"Field 'start date' is {value}, the recording field says {full}; {full} is used.",
            )
        stated = full
    if stated is None:
        found.warn(
            "date-unknown",
            f"The date is unknown (field 'start date' is {value}); nights must be put in order by hand.",
        )
    elif stands_in(stated):
        _anonymised(found)
        return ANONYMISED
    return stated


def _clock(raw: bytes, found: Findings) -> tuple[time, int] | None:
    """Time of day and the days to add, None where it cannot be read."""
    text = number_text(raw)
    parts = _TIME.fullmatch(text)
    try:
        if parts is None:
            raise ValueError
        hour, minute, second = int(parts[1]), int(parts[3]), int(parts[5] or 0)
        later = int(hour == 24)
        clock = time(0 if later else hour, minute, second)
    except ValueError:
        found.warn(
            "time-unknown",
            f"Field 'start time' is {figures(raw)}, where such as '22.30.00' belongs; the time of"
            " day is unknown.",
        )
        return None
    if later or ":" in text or parts[5] is None:
        shown = f"{clock} of the next day" if later else f"{clock}"
        found.warn("time-form", f"Field 'start time' is {text!r}; read as {shown}.")
    return clock, later


def read_start(fields: Fields, first_onset: Fraction, found: Findings) -> Start:
    """Local time of the first sample.

    Parameters
    ----------
    fields
        Raw fields of the file header.
    first_onset
        Seconds from the header's time to the first sample, as the first record says.
    """
    day = _chosen_date(fields, found)
    read = _clock(fields["start time"], found)
    later = timedelta(microseconds=round(first_onset * 1_000_000))
    if day == ANONYMISED and read == (time(0), 0):
        # Both fields are wiped: midnight would be an invention.
        found.note("time-unknown", "The time of day is anonymised with the date.")
        read = None
    if read is None:
        moment = None if day in {None, ANONYMISED} else datetime.combine(day or date.min, time(0))
        return Start(moment, None)
    moment = datetime.combine(day or ANONYMISED, read[0]) + timedelta(days=read[1]) + later
    return Start(None if day in {None, ANONYMISED} else moment, moment.time())
