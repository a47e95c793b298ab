"""The header of a copy, written anew from what the fields mean; the shift of a person's dates."""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from sleepbrux.core.errors import UsageError
from sleepbrux.recording.allowed_words import neutral_labels, neutral_prefilter, neutral_unit, vouched
from sleepbrux.recording.findings import Findings
from sleepbrux.recording.formats.edf_header import (
    FILE_FIELDS,
    HEADER_BYTES,
    SIGNAL_FIELDS,
    Header,
    Signal,
    clean,
    number_text,
    read_number,
)
from sleepbrux.recording.formats.edf_start import ANONYMISED, MONTHS, Start, read_start

LONGEST_SHIFT_DAYS = 3650
LEAST_KEY_BYTES = 16
LABEL_CHARACTERS = 16


def shift_of(key: bytes, pseudonym: str) -> int:
    """Days by which the dates of one person move back: 1 to 3650, the same for every night.

    >>> shift_of(b"sixteen bytes...", "P01") == shift_of(b"sixteen bytes...", "P01")
    True
    """
    if len(key) < LEAST_KEY_BYTES:
        raise UsageError(f"the key has {len(key)} bytes; {LEAST_KEY_BYTES} or more are needed")
    digest = hmac.new(key, pseudonym.encode("utf-8"), hashlib.sha256).digest()
    return 1 + int.from_bytes(digest[:8], "big") % LONGEST_SHIFT_DAYS


def _moved(day: date | None, days: int | None) -> date | None:
    """The shifted date; unknown stays unknown, as does what would fall outside the format."""
    if day is None or day == ANONYMISED or days is None:
        return None
    moved = day - timedelta(days=days)
    return moved if moved.year >= 1985 else None


def _cell(text: str, width: int) -> bytes:
    return text.encode("ascii", errors="replace")[:width].ljust(width)


def number_cell(raw: bytes) -> str:
    """A number anew, in its shortest exact form of eight characters; empty where it is none."""
    text = number_text(raw)
    number = read_number(text)
    if number is None:
        return ""
    for written in (f"{float(number.value):.{digits}g}" for digits in range(1, 9)):
        plain = re.sub(r"e([+-])0?", lambda sign: "e" + sign[1].strip("+"), written)
        if len(plain) <= 8 and Fraction(plain) == number.value:
            return plain
    return text.replace(",", ".")  # digits only, and too many to be written shorter


@dataclass(frozen=True)
class Anew:
    """The header of a copy.

    Attributes
    ----------
    head
        Its bytes.
    signals
        Signals that stay.
    moved
        The date that it bears; None where it bears none.
    full_date
        That date as the recording field has it.
    labels_replaced, fields_emptied
        As in `Report`.
    """

    head: bytes
    signals: tuple[Signal, ...]
    moved: date | None
    full_date: str
    labels_replaced: int
    fields_emptied: int


def _clock_cell(start: Start, raw: bytes) -> str:
    """The time of day that the header states, which the first sample may follow by part of a second."""
    if start.clock is None:
        return "00.00.00"
    numbers = [int(n) for n in re.findall(r"\d+", number_text(raw))[:3]]
    hour, minute, second = (*numbers, 0, 0, 0)[:3]
    return f"{hour % 24:02d}.{minute:02d}.{second:02d}"


def labels_anew(header: Header, known: dict[str, str] | None = None) -> list[str]:
    """Label of each signal in a copy: see `neutral_labels`; ``known`` gives those that are settled.

    Labels that are there twice stay so where they are vouched for: whoever reads numbers them.
    """
    raw = [clean(s.fields["label"]) for s in header.signals]
    free = [f"{text}\0{k}" if not vouched(text) else text for k, text in enumerate(raw)]
    settled = dict(known or {})
    names = {text: settled[text] for text in raw if text in settled}
    names |= {each: settled[text] for each, text in zip(free, raw, strict=True) if text in settled}
    found = neutral_labels([each for each in free if each not in names], names)
    return [found[each] for each in free]


def new_header(
    header: Header,
    pseudonym: str,
    days: int | None,
    found: Findings,
    *,
    keep_labels: bool = False,
    without: Sequence[int] = (),
    known: dict[str, str] | None = None,
) -> Anew:
    """The header anew: identity, dates, device and free text replaced, numbers and units as they were read.

    Parameters
    ----------
    days
        Shift of the date; None: no date is given.
    without
        Positions of signals to leave out.
    known
        Labels that are settled, by the label as it is.
    """
    old = read_start(header.fields, Fraction(0), found)
    moved = _moved(old.moment.date() if old.moment else None, days)
    signals = tuple(s for s in header.signals if s.position not in without)
    plus = f"{header.kind}+{header.plus}" if header.plus else ""
    name = re.sub(r"[^\x21-\x7e]", "_", pseudonym)
    if moved is None:
        start, full = "01.01.85", "X"
    else:
        start, full = f"{moved:%d.%m.%y}", f"{moved.day:02d}-{MONTHS[moved.month - 1]}-{moved.year}"
    written = {
        "patient": f"{name} X X X" if header.plus else name,
        "recording": f"Startdate {full} X X X",
        "start date": start,
        "start time": _clock_cell(old, header.fields["start time"]),
        "header bytes": str(HEADER_BYTES * (len(signals) + 1)),
        "reserved": plus or ("24BIT" if header.kind == "BDF" else ""),
        "number of records": str(header.n_records),
        "record duration": number_cell(header.fields["record duration"]) or "0",
        "number of signals": str(len(signals)),
    }
    version = b"\xffBIOSEMI" if header.kind == "BDF" else b"0".ljust(8)
    parts = [version, *(_cell(written[name], width) for name, width in FILE_FIELDS[1:])]
    raw = [clean(s.fields["label"]) for s in header.signals]
    labels = raw if keep_labels else labels_anew(header, known)
    rows = [_signal_cells(s, labels[s.position], header.sample_bytes) for s in signals]
    for field, width in SIGNAL_FIELDS:
        parts += [_cell(row[field], width) for row in rows]
    emptied = sum(
        bool(s.fields[field].strip(b" \0")) and not row[field]
        for s, row in zip(signals, rows, strict=True)
        for field in ("dimension", *LIMITS)
        if not s.is_annotations
    )
    replaced = sum(
        labels[s.position][:LABEL_CHARACTERS] != raw[s.position] and not s.is_annotations for s in signals
    )
    return Anew(b"".join(parts), signals, moved, full, replaced, emptied)


LIMITS = ("physical minimum", "physical maximum", "digital minimum", "digital maximum")


def _signal_cells(signal: Signal, label: str, sample_bytes: int) -> dict[str, str]:
    """The fields of one signal, from what they mean."""
    limit = 2 ** (8 * sample_bytes - 1)
    cells = {"transducer": "", "reserved": "", "samples per record": str(signal.samples_per_record)}
    if signal.is_annotations:
        ends = (-1, 1, -limit, limit - 1)
        kind = "EDF" if sample_bytes == 2 else "BDF"
        cells |= {"label": f"{kind} Annotations", "dimension": "", "prefilter": ""}
        return cells | {name: str(value) for name, value in zip(LIMITS, ends, strict=True)}
    fields = signal.fields
    cells |= {
        "label": label,
        "dimension": neutral_unit(fields["dimension"]),
        "prefilter": neutral_prefilter(clean(fields["prefilter"])),
    }
    return cells | {name: number_cell(fields[name]) for name in LIMITS}
