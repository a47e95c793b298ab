"""XDF files, in which recorders of live streams keep them; read by pyxdf.

Reference: the XDF specification, version 1.0 (chunks, stream headers, clock offsets). Stamps are taken with
the clock offsets of the file and before any smoothing, because smoothing closes gaps up.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import RecordingError
from sleepbrux.core.texts import printable, visible
from sleepbrux.recording.files import file_digest
from sleepbrux.recording.findings import Findings, listed
from sleepbrux.recording.formats.edf_start import known_start
from sleepbrux.recording.labels import MOST_CHANNELS, recognise, unique_labels
from sleepbrux.recording.marks import MOST_MARKS, TOO_MANY
from sleepbrux.recording.memory import FASTEST_HZ, SLOWEST_HZ, exact_rate
from sleepbrux.recording.model import Block, Channel, Mark, Piece, Recording
from sleepbrux.recording.presence import is_sample
from sleepbrux.recording.scale import Scale, Unit, sized
from sleepbrux.recording.stamps import RATE_PCT, Run, StampClock, rate_by

NEEDED = "XDF files are read by pyxdf, which is not installed; add it with: pip install 'sleepbrux[live]'"
_AT_ONCE_S = 60.0
_INTEGERS = {"int8": 8, "int16": 16}
_LONGEST_S = 31 * 86_400
_LATEST_STAMP_S = 1e11  # 3,000 years


@dataclass(frozen=True, eq=False)
class XdfSource:
    """Samples of the chosen streams in memory, one 1-d array a channel."""

    path: Path
    stored: tuple[NDArray[Any], ...]

    def blocks(self, channels: Sequence[Channel], first: int, stop: int) -> list[Block]:
        """Blocks that hold stored samples ``[first, stop)`` of each channel."""
        if any(not 0 <= first <= stop <= channel.n_stored for channel in channels):
            raise ValueError(f"samples {first} to {stop} are not all in the channels")
        n = max(stop - first, 1)
        return [Block(self.stored[c.index][first:stop], first, n, n, 0) for c in channels]

    def digest(self) -> str:
        """SHA-256 of the file's bytes, 64 hexadecimal digits."""
        return file_digest(self.path)


@dataclass(frozen=True)
class Stream:
    """One stream of the file as its header says it.

    Attributes
    ----------
    labels, units
        Of each channel; empty texts where the header names none.
    nominal
        Samples a second; 0 for events.
    whole
        Whether its footer is there: False where the recording broke off.
    """

    id: str
    name: str
    type: str
    labels: tuple[str, ...]
    units: tuple[str, ...]
    nominal: float
    format: str
    values: Any
    stamps: NDArray[np.float64]
    whole: bool

    @property
    def signal(self) -> bool:
        """Whether it holds numbers."""
        return self.format != "string"

    @property
    def emg(self) -> bool:
        """Whether it says that it is EMG, or has a channel of the jaw."""
        return self.type.casefold() == "emg" or any(recognise(text)[0] == "jaw" for text in self.labels)


def _one(table: Any, key: str, otherwise: str = "") -> str:
    """First text under a key; pyxdf gives each element as a list."""
    value = table.get(key) if isinstance(table, Mapping) else None
    while isinstance(value, list) and value:
        value = value[0]
    return otherwise if value is None or isinstance(value, (list, Mapping)) else str(value)


def _described(info: Any, n: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Labels and units of the channels by the header's description."""
    node: Any = info.get("desc")
    for key in ("", "channels", "channel"):
        node = node.get(key) if key and isinstance(node, Mapping) else node
        if isinstance(node, list) and key != "channel":
            node = node[0] if node else None
    channels = node if isinstance(node, list) else []
    if len(channels) != n:
        return ("",) * n, ("",) * n
    return tuple(_one(c, "label") for c in channels), tuple(_one(c, "unit") for c in channels)


def _stream(raw: Mapping[str, Any]) -> Stream:
    info = raw["info"]
    n = int(_one(info, "channel_count", "0"))
    labels, units = _described(info, n)
    footer = raw.get("footer") or {}
    return Stream(
        id=str(info.get("stream_id", "")),
        name=printable(_one(info, "name")) or "without a name",
        type=_one(info, "type"),
        labels=labels,
        units=units,
        nominal=float(_one(info, "nominal_srate", "0")),
        format=_one(info, "channel_format"),
        values=raw["time_series"],
        stamps=np.asarray(raw["time_stamps"], dtype=np.float64),
        whole=bool(footer.get("info")) if isinstance(footer, Mapping) else False,
    )


def _load(path: Path, found: Findings) -> tuple[list[Stream], datetime | None]:
    try:
        import pyxdf
    except ImportError as error:
        raise found.refusal(f"{NEEDED}.") from error
    logger = logging.getLogger("pyxdf.pyxdf")
    before, logger.disabled = logger.disabled, True
    try:
        raw, header = pyxdf.load_xdf(
            str(path), synchronize_clocks=True, dejitter_timestamps=False, handle_clock_resets=False
        )
        streams = [_stream(one) for one in raw]
    except Exception as error:  # whatever it raises on a damaged file
        first = str(error).strip().split("\n")[0][:200] or type(error).__name__
        raise found.refusal(
            f"pyxdf cannot read the file ({first}); copy it again from the computer that recorded it."
        ) from error
    finally:
        logger.disabled = before
    return streams, _written(header)


def _written(header: Any) -> datetime | None:
    """Local time at which the file was opened, where its header says so."""
    try:
        return datetime.fromisoformat(_one(header.get("info"), "datetime")).replace(tzinfo=None)
    except (ValueError, AttributeError):
        return None


def _chosen(streams: Sequence[Stream], names: Sequence[str], found: Findings) -> list[Stream]:
    """The streams that are read: those named, else those of EMG, else the only one."""
    signals = [s for s in streams if s.signal and s.nominal > 0 and len(s.stamps)]
    if names:
        return [_named(signals, name, found) for name in dict.fromkeys(names)]
    emg = [s for s in signals if s.emg] or (signals if len(signals) == 1 else [])
    there = listed([f"{s.name} ({s.type or 'no type'}, id {s.id})" for s in signals])
    if not signals:
        raise found.refusal(
            "there is no stream with samples at an even rate in it; record the amplifier's stream, not only "
            "its events."
        )
    if not emg:
        raise found.refusal(
            f"none of its streams {there} says that it is EMG; name the one to read with `datasets`."
        )
    twice = [s.name for s in emg if sum(o.name == s.name for o in emg) > 1]
    if twice:
        raise found.refusal(
            f"two EMG streams are called {twice[0]!r} (of {there}); name the one to read by its id with "
            "`datasets`."
        )
    return emg


def _named(signals: Sequence[Stream], name: str, found: Findings) -> Stream:
    fitting = [s for s in signals if s.id == name] or [s for s in signals if s.name == name]
    if len(fitting) == 1:
        return fitting[0]
    there = listed([f"{s.name} (id {s.id})" for s in signals])
    if fitting:
        raise found.refusal(f"two streams are called {name!r} (of {there}); give the id instead of the name.")
    raise found.refusal(f"there is no stream {name!r} of samples; there are {there}.")


def _runs(stream: Stream, found: Findings) -> tuple[Fraction, tuple[Run, ...]]:
    """Rate and runs of one stream, by its stamps."""
    stamps = stream.stamps
    nominal = Fraction(repr(stream.nominal)) if 0 < stream.nominal < np.inf else Fraction(0)
    if not np.isfinite(stamps).all():
        raise found.refusal(f"a time stamp of stream {stream.name!r} is no finite number.")
    if not SLOWEST_HZ <= nominal <= FASTEST_HZ:
        raise found.refusal(
            f"the header of stream {stream.name!r} states {stream.nominal:g} samples a second."
        )
    if len(stamps) and np.abs(stamps).max() > _LATEST_STAMP_S:
        raise found.refusal(
            f"a time stamp of stream {stream.name!r} is {stamps[np.abs(stamps).argmax()]:g} s, which no clock shows."
        )
    seen = rate_by(stamps)
    rate = nominal
    if seen and abs(seen / float(nominal) - 1) > RATE_PCT / 100:
        rate = exact_rate(round(seen, 2))
        found.warn(
            "rate-differs",
            f"Stream {stream.name!r} states {float(nominal):g} samples a second, its stamps show {seen:.2f}; "
            "the stamps are followed.",
        )
    clock, runs = StampClock(rate), []
    step = max(round(_AT_ONCE_S * float(rate)), 1)
    try:
        for first in range(0, len(stamps), step):
            runs += clock.push(stamps[first : first + step])
        runs += clock.finish()
    except RecordingError as error:
        raise found.refusal(f"stream {stream.name!r}: {error}.") from error
    if runs[-1].night / float(rate) > _LONGEST_S:
        raise found.refusal(f"the time stamps of stream {stream.name!r} span more than 31 days.")
    for note in clock.notes():
        (found.warn if note.severity == "warning" else found.note)(note.code, f"{stream.name}: {note.text}")
    return rate, tuple(runs)


def _pieces(runs: Sequence[Run], later: int, values: NDArray[Any]) -> tuple[Piece, ...]:
    """Pieces of one channel: its runs without the samples that are no numbers."""
    if values.dtype.kind != "f" or is_sample(values).all():
        return tuple(Piece(r.night + later, r.stored, r.n) for r in runs)
    present = is_sample(values)
    pieces = []
    for run in runs:
        edges = np.flatnonzero(
            np.diff(np.concatenate(([0], present[run.stored : run.stored + run.n].view(np.int8), [0])))
        )
        for a, b in edges.reshape(-1, 2).tolist():
            pieces.append(Piece(run.night + later + a, run.stored + a, b - a))
    return tuple(pieces)


def _marks(streams: Sequence[Stream], zero_s: float, found: Findings) -> tuple[Mark, ...]:
    marks = []
    for stream in streams:
        if stream.signal or not len(stream.stamps):
            continue
        if len(stream.stamps) > MOST_MARKS:
            raise found.refusal(f"{TOO_MANY}.")
        for second, texts in zip(stream.stamps.tolist(), stream.values, strict=False):
            text = printable(" ".join(map(str, texts)))
            if text and second >= zero_s:
                marks.append(Mark(second - zero_s, 0.0, text))
    return tuple(sorted(marks, key=lambda mark: mark.start_s))


def _gaps(channels: Sequence[Channel]) -> tuple[tuple[float, float], ...]:
    """Where no sample of the first jaw channel, else of the first channel, was received."""
    first = next((c for c in channels if c.role == "jaw"), channels[0])
    ends = [(p.night, p.night + p.n) for p in first.pieces]
    return tuple((float(a / first.rate), float(b / first.rate)) for (_, a), (b, _) in pairwise(ends) if b > a)


def open_xdf(
    path: str | Path,
    *,
    unit: Unit = None,
    scale: Scale = None,
    streams: Sequence[str] = (),
    progress: Callable[[float], None] | None = None,
) -> Recording:
    """Open an XDF file; its chosen streams are read into memory.

    Parameters
    ----------
    path
        The file.
    unit, scale
        Of the values, where the stream does not say it.
    streams
        Names or ids of the streams to read; else those of EMG, else the only one with samples.
    progress
        Called with 1 when the file has been read.

    Raises
    ------
    RecordingError
        Without pyxdf, and where the file cannot be read rightly.
    """
    path = Path(path)
    found = Findings(path)
    there, written = _load(path, found)
    chosen = _chosen(there, streams, found)
    if sum(len(s.labels) for s in chosen) > MOST_CHANNELS:
        raise found.refusal(f"its streams hold more than {MOST_CHANNELS} channels; name those to read.")
    for stream in chosen:
        if not stream.whole:
            found.warn(
                "stream-broken-off",
                f"Stream {stream.name!r} has no footer: the recording broke off, and its last samples may be "
                "missing.",
            )
    if written is not None:
        found.note("start-of-file", "The start is when the file was opened, not the first sample's own time.")
    start = known_start(written, found)
    zero_s = min(float(s.stamps[0]) for s in chosen)
    channels, stored = _channels(chosen, zero_s, (unit, scale), found)
    if progress is not None:
        progress(1.0)
    return Recording(
        name=visible(path.stem),
        format="XDF",
        start=start.moment,
        start_time_known=start.clock is not None,
        duration_s=max(float(c.n_night / c.rate) for c in channels),
        channels=channels,
        marks=_marks(there, zero_s, found),
        gaps=_gaps(channels),
        notes=found.notes,
        source=XdfSource(path, stored),
        start_clock=start.clock,
    )


def _channels(
    streams: Sequence[Stream], zero_s: float, said: tuple[Unit, Scale], found: Findings
) -> tuple[tuple[Channel, ...], tuple[NDArray[Any], ...]]:
    raw = [text for s in streams for text in s.labels]
    labels = unique_labels(raw)
    roles = {label: recognise(text)[0] for label, text in zip(labels, raw, strict=True)}
    if not any(raw):
        found.note(
            "labels-none", "The stream names no channels; say what they are with `roles`, or `channels`."
        )
    written = dict(zip(labels, (u for s in streams for u in s.units), strict=True))
    sizes = sized(roles, written, unit=said[0], scale=said[1], found=found)
    channels: list[Channel] = []
    stored: list[NDArray[Any]] = []
    for stream in streams:
        rate, runs = _runs(stream, found)
        later = round((float(stream.stamps[0]) - zero_s) * float(rate))
        bits = _INTEGERS.get(stream.format, 0)
        values = np.asarray(stream.values).reshape(len(stream.stamps), -1)
        for k in range(values.shape[1]):
            index = len(channels)
            with np.errstate(invalid="ignore"):  # a NaN that signals
                column = np.ascontiguousarray(values[:, k], dtype=np.int16 if bits else np.float64)
            role, side, muscle = recognise(raw[index])
            pieces = _pieces(runs, later, column)
            channels.append(
                Channel(
                    index=index,
                    label=labels[index],
                    role=role,
                    side=side,
                    muscle=muscle,
                    unit=sizes[labels[index]].unit,
                    rate=rate,
                    gain=sizes[labels[index]].gain,
                    offset=0.0,
                    digital_min=-(2 ** (bits - 1)) if bits else 0,
                    digital_max=2 ** (bits - 1) - 1 if bits else 0,
                    n_stored=len(column),
                    pieces=pieces,
                    fault="" if pieces else f"Channel {labels[index]!r} holds no finite sample.",
                )
            )
            stored.append(column)
    return tuple(channels), tuple(stored)
