"""Recordings in text tables (CSV, TSV), read in parts: nothing holds the whole night.

Opening reads the file once, to find the true rate, gaps and missing cells, and keeps where each part
begins; samples are parsed again from their parts when asked for.
"""

from __future__ import annotations

import bisect
import io
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sleepbrux.core.errors import RecordingError
from sleepbrux.core.parallel import default_threads, made_ahead
from sleepbrux.core.texts import printable, visible
from sleepbrux.recording.files import file_digest, opened
from sleepbrux.recording.findings import Findings, listed
from sleepbrux.recording.formats.edf_start import known_start
from sleepbrux.recording.formats.table_clock import ClockTracker, Run, examine
from sleepbrux.recording.formats.table_form import MISSING, Columns, read_columns
from sleepbrux.recording.formats.text_table import SNIFFED_BYTES, read_clock, read_date
from sleepbrux.recording.labels import recognise, unique_labels
from sleepbrux.recording.marks import MOST_MARKS, TOO_MANY
from sleepbrux.recording.memory import exact_rate
from sleepbrux.recording.model import Block, Channel, Mark, Piece, Recording
from sleepbrux.recording.presence import Present, is_sample
from sleepbrux.recording.scale import Scale, Unit, sized

PART_BYTES = 1 << 22
_EMPTY_SHARE = 0.5
_NOON_S = 43_200.0
_DAY_S = 86_400.0

FIRST_BYTES, LOOKED_AT = 8192, 40
_DECIMALS = re.compile(r"[.,](\d+)$")


def _frame(raw: bytes, columns: Columns, places: Sequence[int], kind: str) -> pd.DataFrame:
    separator = columns.form.separator or r"\s+"
    return pd.read_csv(
        io.BytesIO(raw),
        sep=separator,
        header=None,
        names=list(range(columns.n)),
        usecols=list(places),
        dtype=kind,
        decimal=columns.form.decimal,
        engine="c",
        na_values=sorted(MISSING),
        keep_default_na=kind != "str",
        index_col=False,
        encoding="utf-8" if columns.form.encoding == "utf-8-sig" else columns.form.encoding,
        encoding_errors="replace",
    )


def _rows_of(raw: bytes, columns: Columns) -> Iterator[list[str]]:
    """Cells of each row, blank lines and comments left out; none for a row of another width."""
    codec = "utf-8" if columns.form.encoding == "utf-8-sig" else columns.form.encoding
    for line in raw.decode(codec, errors="replace").split("\n"):
        if line.strip() and not line.startswith(("#", "%")):
            cells = columns.form.cells(line)
            yield cells if len(cells) <= columns.n else []


@dataclass(frozen=True)
class TablePart:
    """Numbers of one part of the file: float64, shape (n_rows, n_columns); NaN where there is none."""

    numbers: NDArray[np.float64]
    odd_rows: int


def parse(raw: bytes, columns: Columns, places: Sequence[int]) -> TablePart:
    """Numbers in the given columns of some whole lines.

    Lines that are no rows of numbers are read one by one: what is no number is missing.
    """
    if not raw.strip():
        return TablePart(np.empty((0, len(places))), 0)
    try:
        table = _frame(raw, columns, places, "float64")
        values = table[list(places)].to_numpy(dtype=np.float64)
        return TablePart(np.where(np.isfinite(values), values, np.nan), 0)
    except (ValueError, TypeError, pd.errors.ParserError):
        pass
    rows, odd = [], 0
    for cells in _rows_of(raw, columns):
        numbers = [columns.form.number(cells[k]) if k < len(cells) else None for k in places]
        odd += any(
            number is None and (k >= len(cells) or cells[k].casefold() not in MISSING)
            for k, number in zip(places, numbers, strict=True)
        )
        rows.append([np.nan if number is None else number for number in numbers])
    return TablePart(np.array(rows, dtype=np.float64).reshape(-1, len(places)), odd)


def _texts(raw: bytes, columns: Columns, place: int) -> list[str]:
    """Cells of one column as text."""
    try:
        column = _frame(raw, columns, [place], "str")[place]
        return [cell.strip() if isinstance(cell, str) else "" for cell in column.tolist()]
    except (ValueError, TypeError, pd.errors.ParserError):
        return [cells[place] if place < len(cells) else "" for cells in _rows_of(raw, columns)]


@dataclass(frozen=True)
class TableSource:
    """Samples of one text table.

    Attributes
    ----------
    rows, offsets
        First row and first byte of each part, and where the last one ends.
    """

    path: Path
    columns: Columns
    rows: tuple[int, ...]
    offsets: tuple[int, ...]

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Blocks that hold rows ``[first, stop)`` of each channel, float64."""
        if any(not 0 <= first <= stop <= channel.n_stored for channel in channels):
            raise ValueError(f"samples {first} to {stop} are not all in the channels")
        places = sorted({c.index for c in channels})
        data = np.empty((len(places), stop - first))
        if stop > first:
            self._fill(data, places, first, stop)
        n = max(stop - first, 1)
        return [Block(data[places.index(c.index)], first, n, n, 0) for c in channels]

    def _fill(self, data: NDArray[np.float64], places: list[int], first: int, stop: int) -> None:
        k = bisect.bisect_right(self.rows, first) - 1
        with _buffered(self.path) as handle:
            handle.seek(self.offsets[k])
            while self.rows[k] < stop:
                raw = handle.read(self.offsets[k + 1] - self.offsets[k])
                values = parse(raw, self.columns, places).numbers
                if len(values) != self.rows[k + 1] - self.rows[k]:
                    raise RecordingError(
                        f"{self.path.name}: the file has changed since it was opened; open it again."
                    )
                a, b = max(first - self.rows[k], 0), min(stop, self.rows[k + 1]) - self.rows[k]
                data[:, self.rows[k] + a - first : self.rows[k] + b - first] = values[a:b].T
                k += 1

    def digest(self) -> str:
        """SHA-256 of the file's bytes, 64 hexadecimal digits."""
        return file_digest(self.path)


def _buffered(path: Path) -> io.BufferedReader:
    return io.BufferedReader(opened(path))


def _parts(path: Path, offset: int, found: Findings) -> Iterator[tuple[int, bytes]]:
    """(byte offset, whole lines) of the file from ``offset``, a line without end left out."""
    rest = b""
    with _buffered(path) as handle:
        handle.seek(offset)
        while raw := handle.read(PART_BYTES):
            whole = rest + raw
            cut = whole.rfind(b"\n") + 1
            if not cut and len(whole) >= PART_BYTES:
                raise found.refusal(
                    f"there is no line end within {PART_BYTES} bytes; this is no table of samples."
                )
            if cut:
                yield offset, whole[:cut]
                offset += cut
            rest = whole[cut:]
    if rest.strip():
        found.note("last-line-cut", "The last line has no line end and may be cut; it is left out.")


@dataclass
class _Scan:
    """What the first pass over the file gathers."""

    columns: Columns
    found: Findings
    rows: list[int] = field(default_factory=lambda: [0])
    offsets: list[int] = field(default_factory=list)
    present: dict[int, Present] = field(default_factory=dict)
    texts: list[tuple[int, str]] = field(default_factory=list)
    last_text: str = ""
    odd_rows: int = 0
    follower: ClockTracker | None = None
    day: float = 0.0
    last_clock: float | None = None
    base: float | None = None
    start: datetime | None = None
    start_clock: time | None = None

    @property
    def places(self) -> list[int]:
        """Columns of numbers that are read."""
        columns = self.columns
        numeric = columns.time_kind in ("number", "epoch")
        return sorted({*columns.signals, *(columns.time if numeric else ())})

    def parsed(self, part: tuple[int, bytes]) -> tuple[int, bytes, TablePart]:
        """A part with its numbers; for several threads at once."""
        return (*part, parse(part[1], self.columns, self.places))

    def take(self, offset: int, raw: bytes, part: TablePart) -> None:
        """Take in the parts one after the other."""
        columns, row, places = self.columns, self.rows[-1], self.places
        for k in columns.signals:
            ok = is_sample(part.numbers[:, places.index(k)])
            self.present.setdefault(k, Present()).push(ok, row)
        self.odd_rows += part.odd_rows
        if columns.time_kind in ("number", "epoch"):
            times = part.numbers[:, places.index(columns.time[-1])] * columns.time_scale
            self._follow(times, raw)
        elif columns.time_kind == "clock":
            self._follow(self._clock_seconds(raw), raw)
        if columns.text >= 0:
            self._marks(_texts(raw, columns, columns.text), row)
        if len(part.numbers):
            self.offsets.append(offset)
            self.rows.append(row + len(part.numbers))

    def _marks(self, cells: list[str], row: int) -> None:
        for k, cell in enumerate(cells):
            if cell and cell != self.last_text and cell.casefold() not in MISSING:
                self.texts.append((row + k, cell[:200]))
            self.last_text = cell
        if len(self.texts) > MOST_MARKS:
            raise self.found.refusal(f"in the column of marks {TOO_MANY}.")

    def _clock_seconds(self, raw: bytes) -> NDArray[np.float64]:
        """Stamps of a part in seconds from the midnight of the first day."""
        columns = self.columns
        cells = _texts(raw, columns, columns.time[-1])
        days = _texts(raw, columns, columns.time[0]) if len(columns.time) > 1 else None
        seconds, dated = clock_seconds(cells, days)
        if not dated:
            seconds = self._unwrapped(seconds)
        elif self.base is None and np.isfinite(seconds).any():
            self.base = float(_DAY_S * (seconds[np.isfinite(seconds)][0] // _DAY_S))
        seconds -= self.base or 0.0
        stamp = read_clock(cells[0]) if self.start_clock is None and cells else None
        if stamp:
            self.start_clock = stamp[1]
            day = stamp[0] or (_date(days[0]) if days else None)
            self.start = datetime.combine(day, stamp[1]) if day else None
        return seconds

    def _unwrapped(self, seconds: NDArray[np.float64]) -> NDArray[np.float64]:
        """Times of day that pass midnight, counted on."""
        kept = np.flatnonzero(np.isfinite(seconds))
        if not len(kept):
            return seconds
        before = seconds[kept[0]] if self.last_clock is None else self.last_clock
        steps = np.diff(seconds[kept], prepend=before)
        days: NDArray[np.int64] = np.cumsum(steps < -_NOON_S) - np.cumsum(steps > _NOON_S)
        self.last_clock = float(seconds[kept[-1]])
        result = seconds.copy()
        result[kept] += self.day + _DAY_S * days
        self.day += _DAY_S * int(days[-1])
        return result

    def _written_s(self, raw: bytes) -> float:
        """Last decimal place of the first stamps, s; 0 where they are not all written to the same one."""
        columns = self.columns
        head = raw[: raw.rfind(b"\n", 0, FIRST_BYTES) + 1]
        cells = [cell for cell in _texts(head, columns, columns.time[-1])[:LOOKED_AT] if cell]
        digits = {len(found[1]) if (found := _DECIMALS.search(cell)) else -1 for cell in cells}
        scale = 1.0 if columns.time_kind == "clock" else columns.time_scale
        return float(scale * 10.0 ** -digits.pop()) if len(digits) == 1 and min(digits) >= 0 else 0.0

    def _follow(self, times: NDArray[np.float64], raw: bytes) -> None:
        if self.follower is None:
            known = times[np.isfinite(times)]
            if not len(known):
                return
            midnight = 0.0 if self.columns.time_kind == "clock" else None
            self.follower = ClockTracker(
                examine(known, self.found, written_s=self._written_s(raw)), self.found, midnight
            )
        self.follower.push(times)


def _even(cells: list[str]) -> tuple[list[str], NDArray[np.int64], NDArray[np.float64]] | None:
    """Heads (all but the seconds), which one each cell has, and its seconds; None for cells built unlike."""
    size, colon = len(cells[0]), cells[0].rfind(":")
    if not cells[0].isascii() or colon < 3 or size - colon - 1 not in (2, *range(4, 13)):
        return None
    try:
        letters = np.array(cells, dtype=f"S{size + 1}").view(np.uint8).reshape(len(cells), size + 1)
    except UnicodeEncodeError:
        return None
    tail = letters[:, colon + 1 : size].astype(np.int64) - 48
    places = [k for k in range(tail.shape[1]) if k != 2]
    digits = tail[:, places]
    point = letters[:, colon + 3] if size - colon > 3 else np.full(len(cells), 46)
    alike = (
        (letters[:, size] == 0).all()
        and (letters[:, size - 1] != 0).all()
        and (letters[:, colon] == 58).all()
        and bool(((digits >= 0) & (digits <= 9)).all())
        and bool(np.isin(point, (44, 46)).all())
    )
    if not alike:
        return None
    seconds = digits @ (10.0 ** np.arange(1, 1 - len(places), -1.0))
    head = letters[:, :colon]
    fresh = np.concatenate(([True], (head[1:] != head[:-1]).any(axis=1)))
    heads = [cells[k][:colon] for k in np.flatnonzero(fresh)]
    return heads, np.cumsum(fresh) - 1, seconds


def clock_seconds(cells: list[str], days: list[str] | None) -> tuple[NDArray[np.float64], bool]:
    """Seconds of clock stamps, and whether they count from the beginning of the calendar.

    float64, shape (n,); NaN where a cell is no stamp. Without a date they count from midnight.

    Examples
    --------
    >>> clock_seconds(["23:59:59.5", "23:59:59,75"], None)
    (array([86399.5 , 86399.75]), False)
    """
    if not cells:
        return np.empty(0), False
    if days is not None:
        cells = [f"{day} {cell}" for day, cell in zip(days, cells, strict=True)]
    alike = _even(cells)
    if alike is not None:
        heads, which, inside = alike
        minutes = [_minute(head) for head in heads]
        seconds = np.array([value for value, _ in minutes])[which] + inside
        return seconds, any(dated for _, dated in minutes)
    seconds, dated = np.full(len(cells), np.nan), False
    for k, cell in enumerate(cells):
        stamp = read_clock(cell)
        if stamp:
            day, clock = stamp
            dated |= day is not None
            seconds[k] = clock.hour * 3600 + clock.minute * 60 + clock.second
            seconds[k] += clock.microsecond / 1e6 + (day.toordinal() * _DAY_S if day else 0.0)
    return seconds, dated


def _minute(head: str) -> tuple[float, bool]:
    """Seconds at ``"2026-03-02 23:10"`` or ``"23:10"``; NaN where it is neither."""
    stamp = read_clock(head)
    if stamp is None:
        return np.nan, False
    day, clock = stamp
    inside = clock.hour * 3600 + clock.minute * 60
    return (day.toordinal() * _DAY_S if day else 0.0) + inside, day is not None


def _date(text: str) -> date | None:
    try:
        return read_date(text)
    except ValueError:
        return None


def _runs(scan: _Scan, rate: float | str | Fraction | None) -> tuple[tuple[Run, ...], Fraction]:
    """Runs of rows, and the rate: by the stamps, as given, or as the lines above the table state."""
    given = None if rate is None else exact_rate(rate)
    if scan.follower is not None:
        return scan.follower.finish(given)
    stated = scan.columns.rate
    if given is None and not stated:
        names = listed(name for name in scan.columns.names if name) or "the columns"
        raise scan.found.refusal(
            f"there is no time column among {names} and no rate above the table; give `rate_hz` in samples a"
            " second."
        )
    if given is not None:
        return (Run(0, scan.rows[-1], 0.0),), given
    scan.found.note("rate-stated", f"The rate of {stated} a second is that stated above the table.")
    try:
        return (Run(0, scan.rows[-1], 0.0),), exact_rate(Fraction(stated))
    except RecordingError as error:
        raise scan.found.refusal(f"above the table {error}") from error


def _pieces(runs: tuple[Run, ...], present: list[list[int]], rate: Fraction) -> tuple[Piece, ...]:
    """Where the rows of a channel lie: runs of the clock, less the rows without a number."""
    pieces: list[Piece] = []
    end, k = 0, 0
    for run in runs:
        night = max(int((Fraction(run.onset_s) * rate + Fraction(1, 2)) // 1), end)
        end = night + run.n
        while k < len(present) and present[k][0] < run.first + run.n:
            a, b = max(present[k][0], run.first), min(present[k][1], run.first + run.n)
            if b > a:
                pieces.append(Piece(night + a - run.first, a, b - a))
            if present[k][1] > run.first + run.n:
                break
            k += 1
    return tuple(pieces)


def _channels(
    scan: _Scan, runs: tuple[Run, ...], rate: Fraction, unit: Unit, scale: Scale
) -> tuple[Channel, ...]:
    columns, found = scan.columns, scan.found
    labels = unique_labels([columns.names[k] for k in columns.signals])
    known = {label: recognise(label) for label in labels}
    written = {label: columns.units[k] for label, k in zip(labels, columns.signals, strict=True)}
    sizes = sized({label: known[label][0] for label in labels}, written, unit=unit, scale=scale, found=found)
    channels, missing = [], []
    n = scan.rows[-1]
    for label, k in zip(labels, columns.signals, strict=True):
        seen = scan.present.get(k, Present())
        fault = ""
        if seen.n < (1 - _EMPTY_SHARE) * n or seen.shattered:
            fault = (
                f"Column {label!r} holds a number in {seen.n} of {n} rows, in pieces, so it is no channel"
                " at the table's rate; export it in a table of its own."
            )
            found.warn("channel-fault", fault)
        elif seen.n < n:
            missing.append(label)
        role, side, muscle = known[label]
        channels.append(
            Channel(
                index=k,
                label=label,
                role=role,
                side=side,
                muscle=muscle,
                unit=sizes[label].unit,
                rate=rate,
                gain=sizes[label].gain,
                offset=0.0,
                digital_min=0,
                digital_max=0,
                n_stored=n,
                pieces=() if fault else _pieces(runs, seen.runs, rate),
                fault=fault,
            )
        )
    if missing:
        found.warn("cells-missing", f"Cells without a number are gaps of {listed(missing)}.")
    return tuple(channels)


def _night_gaps(runs: tuple[Run, ...], rate: Fraction) -> tuple[tuple[float, float], ...]:
    ends = [run.onset_s + float(run.n / rate) for run in runs]
    return tuple(
        (end, run.onset_s) for end, run in zip(ends[:-1], runs[1:], strict=True) if run.onset_s > end
    )


def _row_second(row: int, runs: tuple[Run, ...], rate: Fraction) -> float:
    run = runs[bisect.bisect_right([r.first for r in runs], row) - 1]
    return run.onset_s + float((row - run.first) / rate)


def head_of(path: Path) -> bytes:
    """First bytes of a table, cut at a line end unless they are the whole file."""
    with _buffered(path) as handle:
        raw = handle.read(SNIFFED_BYTES)
        whole = not handle.read(1)
    return raw if whole else raw[: raw.rfind(b"\n") + 1]


def open_table(
    path: str | Path,
    *,
    rate: float | str | Fraction | None = None,
    unit: Unit = None,
    scale: Scale = None,
    time_unit: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Recording:
    """Open a table of samples, one row a time and one column a channel.

    Parameters
    ----------
    path
        CSV, TSV or other text; separator, decimal sign, header, units and time column are found.
    rate
        Samples a second; needed where there is no time column and no rate above the table.
    unit, scale
        Unit of the values, or µV that a value of 1 stands for, for all or by label.
    time_unit
        ``"s"``, ``"ms"`` or ``"us"``: unit of a numeric time column that states none.
    progress
        Called with the share of the file that has been read, 0 to 1.

    Raises
    ------
    RecordingError
        Where the file is no table of samples, or its rate cannot be known.
    """
    path = Path(path)
    found = Findings(path)
    first = head_of(path)
    columns = read_columns(first, time_unit=time_unit, found=found)
    if columns is None or not columns.signals:
        raise found.refusal(
            "the file is text, but no table with a column of numbers a channel; export it as EDF or CSV."
        )
    scan = _Scan(columns, found)
    size = path.stat().st_size
    end = columns.offset
    parts = _parts(path, columns.offset, found)
    for offset, raw, part in made_ahead(scan.parsed, parts, most=min(default_threads(), 2)):
        scan.take(offset, raw, part)
        end = offset + len(raw)
        if progress is not None:
            progress(end / size)
    scan.offsets.append(end)
    n = scan.rows[-1]
    if n == 0:
        raise found.refusal("the table holds no row of samples; export it again.")
    if scan.odd_rows:
        found.warn(
            "rows-odd",
            f"{scan.odd_rows} rows hold text where numbers belong; these cells count as missing.",
        )
    runs, exact = _runs(scan, rate)
    channels = _channels(scan, runs, exact, unit, scale)
    last = runs[-1]
    begun = known_start(scan.start or columns.start, found)
    return Recording(
        name=visible(path.stem),
        format="table",
        start=begun.moment,
        start_time_known=begun.clock is not None or scan.start_clock is not None,
        duration_s=last.onset_s + float(last.n / exact),
        channels=channels,
        marks=tuple(Mark(_row_second(row, runs, exact), 0.0, printable(text)) for row, text in scan.texts),
        gaps=_night_gaps(runs, exact),
        notes=found.notes,
        source=TableSource(path, columns, tuple(scan.rows), tuple(scan.offsets)),
        start_clock=scan.start_clock or begun.clock,
    )
