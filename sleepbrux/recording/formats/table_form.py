"""What the first lines of a table of samples say: columns, units, the time column, rate and start."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Literal

from sleepbrux.recording.findings import Findings, listed
from sleepbrux.recording.formats.text_table import Form, read_clock, read_date, sniff
from sleepbrux.recording.marks import plain_words
from sleepbrux.recording.units import read_unit

TimeKind = Literal["number", "clock", "epoch", ""]
MOST_COLUMNS = 1024
_YEAR_2001_S, _YEAR_2096_S = 1e9, 4e9
MISSING = frozenset({"", "-", "--", "nan", "na", "n/a", "null", "none", "inf", "-inf"})
_TIME_NAME = re.compile(
    r"(?:time|times|t|timestamps?|time stamp|zeit|zeitstempel|temps|tiempo|tempo|elapsed(?: time)?|"
    r"seconds?|secs?|milliseconds?|msecs?|ms|s|clock|date ?time|uhrzeit|unix(?: time)?|epoch(?: time)?)"
    r"(?: (?:s|sec|secs|seconds|ms|msec|us|min))?"
)
_DATE_NAME = re.compile(r"date|datum|fecha|data|day")
_NUMBER_NAME = re.compile(r"samples?|sample (?:no|nr|number|index)|index|nr|no|n|row|count|nseq|seq")
_TEXT_NAME = re.compile(r"marks?|markers?|events?|annotations?|comments?|text|label|notes?|marke|ereignis")
TIME_UNITS = {
    "s": 1.0,
    "sec": 1.0,
    "secs": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "msec": 1e-3,
    "msecs": 1e-3,
    "milliseconds": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,
    "μs": 1e-6,
    "usec": 1e-6,
    "microseconds": 1e-6,
    "min": 60.0,
    "minutes": 60.0,
    "h": 3600.0,
}
_UNIT_BEHIND = re.compile(r"(.*?)\s*[\[(]\s*([^\[\]()]{1,16}?)\s*[\])]\s*")
_UNIT_SUFFIX = re.compile(r"(.*?)[ _](uV|µV|μV|mV|nV)")
_RATE = re.compile(
    r"(?:sampl\w*[ _-]*(?:rate|freq\w*)?|\bfs\b|abtastrate|\brate)[^0-9\n]{0,20}?"
    r"(\d+(?:[.,]\d+)?)\s*(k?hz|$|[;,\s])",
    re.IGNORECASE,
)
_STARTED = re.compile(r"\bstart\w*(?:[ _-]*(?:date|time))*\s*[:=;,\t]+\s*(\S.*?)\s*$", re.IGNORECASE)


@dataclass(frozen=True)
class Columns:
    """Columns of a table of samples.

    Attributes
    ----------
    offset
        Byte at which the first row of samples begins.
    n
        Cells a row.
    names, units
        One a column; empty where the file has none.
    time
        Places of the time column, with a date column before it where there is one; empty for none.
    time_kind
        ``"number"``, ``"clock"`` (time of day, with or without date), ``"epoch"`` (since 1970).
    time_scale
        Seconds of one unit of a numeric time column.
    signals, text
        Places of the columns with samples, and of one with marks (-1 for none).
    rate, start
        Rate and start that lines above the table state, as written.
    """

    form: Form
    offset: int
    n: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    time: tuple[int, ...]
    time_kind: TimeKind
    time_scale: float
    signals: tuple[int, ...]
    text: int
    rate: str
    start: datetime | None


def _lines(first: bytes, form: Form) -> list[tuple[int, str]]:
    """(byte offset, text) of each whole line."""
    offset = 3 if form.encoding == "utf-8-sig" else 0
    codec = "utf-8" if form.encoding == "utf-8-sig" else form.encoding
    result = []
    for raw in first[offset:].splitlines(keepends=True):
        result.append((offset, raw.decode(codec, errors="replace").rstrip("\r\n")))
        offset += len(raw)
    return result


def _is_value(cell: str, form: Form) -> bool:
    return cell.casefold() in MISSING or form.number(cell) is not None


def _is_stamp(cell: str) -> bool:
    if read_clock(cell):
        return True
    try:
        read_date(cell)
    except ValueError:
        return False
    return True


def _is_data(cells: list[str], form: Form) -> bool:
    numbers = sum(form.number(cell) is not None for cell in cells)
    other = sum(not _is_value(cell, form) and not _is_stamp(cell) for cell in cells)
    return numbers >= 1 and other <= 1


def _first_row(rows: list[list[str]], form: Form) -> int:
    """Place of the first row of samples: it and its followers have one width and hold numbers."""
    for k, cells in enumerate(rows):
        after = rows[k : k + 4]
        same = all(len(c) == len(cells) and _is_data(c, form) for c in after)
        if same and (len(after) > 1 or k > 0):
            return k
    return -1


def _split_unit(name: str) -> tuple[str, str]:
    """``"EMG L [uV]"`` to name and unit."""
    for pattern in (_UNIT_BEHIND, _UNIT_SUFFIX):
        parts = pattern.fullmatch(name)
        if parts and parts[1]:
            return parts[1], parts[2]
    return name, ""


def _is_unit(cell: str) -> bool:
    text = cell.strip("[]() ")
    return read_unit(text.encode("utf-8")) is not None or text.casefold() in TIME_UNITS


def _header(above: list[list[str]], n: int, form: Form) -> tuple[list[str], list[str], int]:
    """Names, units, and how many lines above the samples belong to them."""
    block: list[list[str]] = []
    for cells in reversed(above):
        if len(cells) != n or any(form.number(cell) is not None for cell in cells):
            break
        block.insert(0, cells)
    if not block:
        return [""] * n, [""] * n, 0
    if len(block) > 1 and any(_is_unit(cell) for cell in block[-1]):
        units = [cell.strip("[]() ") for cell in block[-1]]
        return [_split_unit(cell)[0] for cell in block[-2]], units, 2
    named = [_split_unit(cell) for cell in block[-1]]
    return [name for name, _ in named], [unit for _, unit in named], 1


def _numeric_time(k: int, names: list[str], columns: list[list[float | None]]) -> bool:
    """Whether a column without a fitting name rises as time does, and is no count of samples."""
    values = [v for v in columns[k] if v is not None]
    if k or names[k] or len(values) < 3 or len(columns) < 2:
        return False
    steps = [b - a for a, b in pairwise(values)]
    whole = all(step == 1 for step in steps)
    return min(steps) > 0 and max(steps) < 1.5 * min(steps) and not whole


def _time_scale(name: str, unit: str, values: list[float], given: str | None, found: Findings) -> float:
    """Seconds of one unit of the time column: as given or stated, else by the size of its steps."""
    if given:
        return TIME_UNITS[given]
    for word in (unit.casefold(), plain_words(name).split(" ")[-1]):
        if word in TIME_UNITS:
            return TIME_UNITS[word]
    steps = sorted(b - a for a, b in pairwise(values) if b > a)
    step = steps[len(steps) // 2] if steps else 0.0
    if 0 < step <= 0.05:
        return 1.0
    if 0.1 <= step <= 50:
        found.warn(
            "time-unit-guessed",
            f"The time column states no unit; its steps of {step:g} are taken as ms, since as seconds they"
            " would be no EMG; give `time_unit` if that is wrong.",
        )
        return 1e-3
    raise found.refusal(
        f"the time column states no unit and advances by {step:g} a row, which is neither plainly s nor"
        " plainly ms; give `time_unit`."
    )


def _numeric_scale(
    name: str, unit: str, values: list[float], given: str | None, found: Findings
) -> tuple[TimeKind, float]:
    """Kind and seconds a unit of a numeric time column; counts since 1970 are told by their size."""
    for scale in (1.0, 1e-3, 1e-6) if not given and values else ():
        if all(_YEAR_2001_S <= v * scale <= _YEAR_2096_S for v in values):
            found.note(
                "time-unix",
                "The times are counted from 1970 in UTC; the local time of day is not known from them.",
            )
            return "epoch", scale
    return "number", _time_scale(name, unit, values, given, found)


def _stated(lines: list[str]) -> tuple[str, datetime | None]:
    """Rate and start that the lines above the table state."""
    rate, start = "", None
    for line in lines:
        found_rate = _RATE.search(line)
        if found_rate and not rate:
            number = found_rate[1].replace(",", ".")
            rate = number + ("e3" if found_rate[2].casefold() == "khz" else "")
        begun = _STARTED.search(line)
        stamp = read_clock(begun[1]) if begun and start is None else None
        if stamp and stamp[0]:
            start = datetime.combine(stamp[0], stamp[1])
    return rate, start


def read_columns(first: bytes, *, time_unit: str | None, found: Findings) -> Columns | None:
    """Columns of a table by its first bytes; None where these are no table of numbers.

    Parameters
    ----------
    first
        The file's first bytes, cut at a line end or the end of the file.
    time_unit
        Unit of a numeric time column, where the user gives one.
    """
    form = sniff(first)
    if form.encoding == "utf-16":
        raise found.refusal("the table is written in UTF-16; save it as UTF-8 (CSV).")
    lines = _lines(first, form)
    kept = [
        (offset, text, form.cells(text))
        for offset, text in lines
        if text.strip() and not text.startswith(("#", "%"))
    ]
    rows = [cells for _, _, cells in kept]
    at = _first_row(rows, form)
    if at < 0 or len(rows[at]) > MOST_COLUMNS:
        return None
    n = len(rows[at])
    if at > 0 and len(rows[at - 1]) < n and n == 2 * len(rows[at - 1]) and form.separator == ",":
        raise found.refusal(
            f"the header has {n // 2} names and each row {n} cells, as with a decimal comma between commas;"
            " export it with semicolons."
        )
    above = rows[:at]
    if n == 1 and not form.separator:
        above = [[text.strip().strip('"').strip()] for _, text, _ in kept[:at]]
    names, units, n_head = _header(above, n, form)
    sample = [row for row in rows[at : at + 200] if len(row) == n]
    if len(sample) < 2:
        raise found.refusal("the table holds fewer than two rows of samples; export it again.")
    columns = [[form.number(row[k]) for row in sample] for k in range(n)]
    time, kind = _find_time(names, columns, sample)
    scale = 1.0
    if kind == "number":
        values = [v for v in columns[time[-1]] if v is not None]
        kind, scale = _numeric_scale(names[time[-1]], units[time[-1]], values, time_unit, found)
    text = _text_column(names, sample, time, form)
    count = [k for k in range(n) if k not in time and _counts(names[k], columns[k])]
    if count:
        found.note(
            "count-column",
            f"Columns that count rows are no channels: {listed(names[k] for k in count)}.",
        )
    rate, start = _stated([t for o, t in lines if o < kept[at - n_head][0]])
    return Columns(
        form=form,
        offset=kept[at][0],
        n=n,
        names=tuple(names),
        units=tuple(units),
        time=time,
        time_kind=kind,
        time_scale=scale,
        signals=tuple(k for k in range(n) if k not in time and k != text and k not in count),
        text=text,
        rate=rate,
        start=start,
    )


def _counts(name: str, values: list[float | None]) -> bool:
    return bool(_NUMBER_NAME.fullmatch(plain_words(name))) and all(v is None or v == int(v) for v in values)


def _find_time(
    names: list[str], columns: list[list[float | None]], sample: list[list[str]]
) -> tuple[tuple[int, ...], TimeKind]:
    n = len(names)
    clocks = [k for k in range(n) if all(read_clock(row[k]) for row in sample)]
    if clocks:
        dated = [
            k
            for k in range(n)
            if k not in clocks
            and all(_is_stamp(row[k]) for row in sample)
            and _DATE_NAME.fullmatch(plain_words(names[k]) or "date")
        ]
        return (*dated[:1], clocks[0]), "clock"
    named = [
        k
        for k in range(n)
        if _TIME_NAME.fullmatch(plain_words(names[k])) and any(v is not None for v in columns[k])
    ]
    if named:
        return (named[0],), "number"
    if n and _numeric_time(0, names, columns):
        return (0,), "number"
    return (), ""


def _text_column(names: list[str], sample: list[list[str]], time: tuple[int, ...], form: Form) -> int:
    """Column of marks: by its name, and without a number in sight."""
    for k, name in enumerate(names):
        words = plain_words(name)
        named = k not in time and words and _TEXT_NAME.fullmatch(words)
        if named and all(form.number(row[k]) is None for row in sample):
            return k
    return -1
