"""A night's events as an EDF+ file that holds annotations only.

One text a type of event, as EDF+ asks for; the channel that it belongs to follows as a link
(``Phasic episode@@EMG Masseter L``). Onsets count from the start written in the header, which is the
recording's own, so a viewer shows both side by side. By default the header names nobody and no date:
only the time of day is kept.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime, time
from pathlib import Path

from sleepbrux.core.errors import UsageError
from sleepbrux.export.events import Event, events
from sleepbrux.recording.files import file_digest
from sleepbrux.scoring.night import Night

RECORD_S = 60
MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
UNKNOWN_DATE = "01.01.85"  # what EDF+ asks for where the date must not be given


@dataclass(frozen=True)
class Identity:
    """Patient line and start of a recording, as its header has them.

    Attributes
    ----------
    patient
        80 bytes.
    date, clock
        ``dd.mm.yy`` and ``hh.mm.ss``.
    day
        ``dd-MMM-yyyy`` for the recording line, ``X`` where it is unknown.
    """

    patient: bytes
    date: str
    clock: str
    day: str


def anonymous(night: Night) -> Identity:
    """Nobody and no date: the pseudonym of the study where there is one, and the time of day."""
    code = re.sub(r"[^\x21-\x7e]", "_", dict(night.about).get("person", "")) or "X"
    start = night.swept.start_clock or time(0)
    return Identity(f"{code} X X X"[:80].ljust(80).encode(), UNKNOWN_DATE, f"{start:%H.%M.%S}", "X")


def identity_of(night: Night, recording: Path) -> Identity:
    """Patient line and start out of the recording's own header.

    Raises
    ------
    UsageError
        The file is not the one that was scored, or no EDF file.
    """
    if file_digest(recording) != night.swept.digest:
        raise UsageError(
            f"{recording.name} is not the recording that was scored (its SHA-256 differs from that in "
            "the archive); name the very file"
        )
    with recording.open("rb") as file:
        header = file.read(256)
    date = header[168:176].decode("latin-1")
    clock = header[176:184].decode("latin-1")
    if len(header) < 256 or not re.fullmatch(r"\d\d\.\d\d\.\d\d", clock):
        raise UsageError(
            f"{recording.name} has no EDF header whose patient line and start could be copied; leave "
            "out `identity`"
        )
    start: datetime | None = night.swept.start
    day = f"{start.day:02d}-{MONTHS[start.month - 1]}-{start.year}" if start else "X"
    return Identity(header[8:88], date, clock, day)


def text_of(event: Event) -> str:
    """Text of an event: its type, and the link to its channel.

    Examples
    --------
    >>> text_of(Event(1.0, 2.0, "Phasic episode", "EMG L"))
    'Phasic episode@@EMG L'
    """
    return f"{event.type}@@{event.channel}" if event.channel else event.type


def _number(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _tal(event: Event, offset_s: float) -> bytes:
    text = re.sub(r"[\x00-\x1f\x7f]", " ", text_of(event))
    length = f"\x15{_number(event.duration_s)}" if event.duration_s else ""
    return f"+{_number(event.onset_s + offset_s)}{length}\x14{text}\x14\0".encode()


def _records(tals: list[bytes], n_records: int) -> list[bytes]:
    """Annotations spread evenly over the records, in order; each begins with its own onset."""
    heads = [f"+{k * RECORD_S}\x14\x14\0".encode() for k in range(n_records)]
    share = max(math.ceil(sum(map(len, tals)) / n_records), max(map(len, tals), default=0))
    rest = list(reversed(tals))
    out = []
    for head in heads:
        record, used = head, 0
        while rest and used + len(rest[-1]) <= share:
            used += len(rest[-1])
            record += rest.pop()
        out.append(record)
    return out if not rest else _records(tals, n_records + 1)


def _padded(text: str, width: int) -> bytes:
    return text[:width].ljust(width).encode("ascii", "replace")


def edf_annotations(night: Night, identity: Identity | None = None, kinds: str = "all") -> bytes:
    """The events of a night as the bytes of an EDF+C file without signals.

    Parameters
    ----------
    identity
        From `identity_of`; default `anonymous`.
    kinds
        Which events: see `export.events.SELECTIONS`.
    """
    who = identity or anonymous(night)
    clock = night.swept.start_clock
    offset_s = clock.microsecond / 1e6 if clock else 0.0
    tals = [_tal(event, offset_s) for event in events(night, kinds)]
    whole = max(math.ceil((night.swept.duration_s + offset_s) / RECORD_S), 1)
    records = _records(tals, whole)
    size = 2 * math.ceil(max(map(len, records)) / 2)
    header = b"".join(
        (
            _padded("0", 8),
            who.patient,
            _padded(f"Startdate {who.day} X X sleepbrux", 80),
            _padded(who.date, 8),
            _padded(who.clock, 8),
            _padded("512", 8),
            _padded("EDF+C", 44),
            _padded(str(len(records)), 8),
            _padded(str(RECORD_S), 8),
            _padded("1", 4),
            _padded("EDF Annotations", 16),
            _padded("", 88),
            _padded("-1", 8),
            _padded("1", 8),
            _padded("-32768", 8),
            _padded("32767", 8),
            _padded("", 80),
            _padded(str(size // 2), 8),
            _padded("", 32),
        )
    )
    return header + b"".join(record.ljust(size, b"\0") for record in records)
