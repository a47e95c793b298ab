"""Text tables as people export them: which separator, which decimal sign, what stands in each cell.

For tables that fit in memory (stages, marks). `sniff` also serves the streamed recordings of
`table.py`.
"""

from __future__ import annotations

import contextlib
import csv
import math
import re
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path

from sleepbrux.recording.findings import Findings

LARGEST_TABLE_BYTES = 50_000_000
SNIFFED_BYTES = 1 << 16
SEPARATORS = ("\t", ";", "|", ",")
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?(?: ?([ap])\.?m\.?)?", re.IGNORECASE)
_DATE_FORMS = (
    (re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})"), (1, 2, 3)),
    (re.compile(r"(\d{1,2})[.\-](\d{1,2})[.\-](\d{4})"), (3, 2, 1)),
)


@dataclass(frozen=True)
class Form:
    """How a text table is written.

    Attributes
    ----------
    encoding
        A codec of Python.
    separator
        ``""`` where blanks part the cells, or there is one cell a line.
    decimal
        ``"."`` or ``","``.
    """

    encoding: str
    separator: str
    decimal: str

    def cells(self, line: str) -> list[str]:
        """Cells of a line, outer blanks and quotes removed."""
        if '"' in line and self.separator:
            with contextlib.suppress(csv.Error):
                return [c.strip() for c in next(csv.reader([line], delimiter=self.separator), [])]
        parts = line.split(self.separator) if self.separator else line.split()
        return [part.strip().strip('"').strip() for part in parts]

    def number(self, cell: str) -> float | None:
        """Number in a cell, None where it holds none."""
        text = cell.replace(",", ".") if self.decimal == "," else cell
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        return value if math.isfinite(value) else None


def encoding_of(first: bytes) -> str:
    """Codec that the first bytes of a text point to.

    Examples
    --------
    >>> encoding_of(b"\\xef\\xbb\\xbftime"), encoding_of(b"\\xb5V")
    ('utf-8-sig', 'latin-1')
    """
    if first.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    if first.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig"
    try:
        first.decode("utf-8")
    except UnicodeDecodeError as error:
        return "utf-8" if "end of data" in error.reason else "latin-1"
    return "utf-8"


def _steady(lines: list[str], separator: str) -> int:
    """Cells a line if most lines have the same count above 1, else 0."""
    counts = Counter(line.count(separator) + 1 for line in lines)
    cells, n = counts.most_common(1)[0]
    return cells if cells > 1 and 2 * n > len(lines) else 0


def sniff(first: bytes) -> Form:
    """Form of a table by its first bytes.

    Examples
    --------
    >>> sniff(b"t;EMG L\\n0,001;1,5\\n0,002;1,7\\n")
    Form(encoding='utf-8', separator=';', decimal=',')
    >>> sniff(b"W\\nW\\nN1\\n").separator
    ''
    """
    encoding = encoding_of(first)
    text = first.decode(encoding, errors="replace")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith(("#", "%"))]
    if len(first) >= SNIFFED_BYTES and len(lines) > 1:
        lines.pop()
    if not lines:
        return Form(encoding, "", ".")
    body = lines[len(lines) // 2 :]
    separator = next((s for s in SEPARATORS if _steady(body, s)), "")
    parted = Form(encoding, separator, ".")
    cells = [cell for line in body for cell in parted.cells(line)]
    comma = separator != "," and any(_DECIMAL_COMMA.fullmatch(cell) for cell in cells)
    if not separator and comma and any("." in c and _NUMBER.fullmatch(c) for c in cells):
        comma = False
    return Form(encoding, separator, "," if comma else ".")


def read_rows(path: Path, found: Findings) -> tuple[Form, list[list[str]]]:
    """Form and cells of a small table, comment lines and blank lines left out."""
    try:
        size = path.stat().st_size
        if size > LARGEST_TABLE_BYTES:
            raise found.refusal(
                f"the table has {size} bytes, where up to {LARGEST_TABLE_BYTES} are read; is this the"
                " recording itself?"
            )
        raw = path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise found.refusal(f"the file cannot be read ({reason}); check the path.") from error
    form = sniff(raw[:SNIFFED_BYTES])
    encoding = form.encoding
    if encoding == "utf-8":
        encoding = encoding_of(raw)
    text = raw.decode(encoding, errors="replace")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith(("#", "%"))]
    return form, [form.cells(line) for line in lines]


def read_clock(text: str) -> tuple[date | None, time] | None:
    """Date, where there is one, and time of day of a stamp; None where it is none.

    Examples
    --------
    >>> read_clock("23:10:05,5")
    (None, datetime.time(23, 10, 5, 500000))
    >>> read_clock("2026-03-02T23:10:05Z")
    (datetime.date(2026, 3, 2), datetime.time(23, 10, 5))
    """
    if ":" not in text or len(text) > 40:
        return None
    first, _, behind = text.strip().removesuffix("Z").replace("T", " ", 1).partition(" ")
    dated = ":" not in first
    clock = _CLOCK.fullmatch(behind.strip() if dated else f"{first} {behind}".strip())
    if not clock:
        return None
    try:
        fraction = int((clock[4] or "0").ljust(6, "0")[:6])
        hour = int(clock[1])
        if clock[5]:
            hour = hour % 12 + 12 * (clock[5] in "pP")
        moment = time(hour, int(clock[2]), int(clock[3] or 0), fraction)
        return (read_date(first) if dated else None), moment
    except ValueError:
        return None


def read_date(text: str) -> date:
    """A date written year first or day first with dots; `ValueError` otherwise."""
    for pattern, order in _DATE_FORMS:
        parts = pattern.fullmatch(text)
        if parts:
            return date(*(int(parts[k]) for k in order))
    raise ValueError(text)


def after_start(
    stamp: tuple[date | None, time], start: datetime | None, start_clock: time | None
) -> float | None:
    """Seconds from a recording's first sample to a stamp; None where the two cannot be related.

    A time of day without date lies within 12 h before to 12 h after the start at the earliest
    place that is not before it by more than an hour.
    """
    day, clock = stamp
    if day is not None and start is not None:
        return (datetime.combine(day, clock) - start).total_seconds()
    begin = start.time() if start else start_clock
    if begin is None:
        return None
    base = date(2000, 1, 2)
    second = (datetime.combine(base, clock) - datetime.combine(base, begin)).total_seconds()
    return second + timedelta(days=1).total_seconds() if second < -3600 else second
